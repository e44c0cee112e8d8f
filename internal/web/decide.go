package web

import (
	"net/http"
	"sync"

	"offsetbridge/internal/core"
)

// decisions remembers who decided which card lately, so that the same approval
// that comes twice answers the same, and whoever comes second is told who was
// first. It is bounded, and a gap in it changes an answer, never what happens.
type decisions struct {
	mu  sync.Mutex
	all map[string]verdict // by the card's id
}

type verdict struct {
	who    string
	digest string // "" for a rejection
}

func (d *decisions) of(id string) (verdict, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	v, ok := d.all[id]
	return v, ok
}

func (d *decisions) set(id string, v verdict) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.all == nil {
		d.all = map[string]verdict{}
	}
	bound(d.all)
	d.all[id] = v
}

func cardID(r *http.Request) string { return r.PathValue("machine") + "/" + r.PathValue("id") }

func (s *server) approve(w http.ResponseWriter, r *http.Request) {
	var body ApproveRequest
	id, ok := s.take(w, r, &body)
	if !ok {
		return
	}
	who := person(r)
	this := verdict{who: who.Principal, digest: body.Digest}
	if v, ok := s.decided.of(cardID(r)); ok && v == this && body.Digest != "" {
		answer(w, http.StatusOK, struct{}{}) // once more the same yes: it has had its effect
		return
	}
	if !s.mayApprove(w, r) {
		return
	}
	rel, err := s.o.Plant.Call(r.Context(), r.PathValue("machine"), core.Approve{Proposal: id, Digest: body.Digest, Who: who})
	if s.settled(w, r, rel.Declined(), err) {
		s.decided.set(cardID(r), this)
		answer(w, http.StatusOK, struct{}{})
	}
}

func (s *server) reject(w http.ResponseWriter, r *http.Request) {
	var body RejectRequest
	id, ok := s.take(w, r, &body)
	if !ok {
		return
	}
	rel, err := s.o.Plant.Call(r.Context(), r.PathValue("machine"), core.Reject{Proposal: id, Reason: body.Reason, Who: person(r)})
	if s.settled(w, r, rel.Declined(), err) {
		s.decided.set(cardID(r), verdict{who: person(r).Principal})
		answer(w, http.StatusOK, struct{}{})
	}
}

// settled reports whether a decision was taken; otherwise it has answered why
// not, and who was first where somebody was.
func (s *server) settled(w http.ResponseWriter, r *http.Request, declined core.Code, err error) bool {
	if v, ok := s.decided.of(cardID(r)); err == nil && ok && (declined == "gone" || declined == "decided") {
		refuseBy(w, http.StatusConflict, string(declined), "the proposal is decided already by "+v.who, v.who)
		return false
	}
	return s.accepted(w, declined, err)
}
