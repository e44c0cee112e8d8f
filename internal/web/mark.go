package web

import (
	"net/http"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// measure asks for a second reading of a card's part, or takes that back.
func (s *server) measure(w http.ResponseWriter, r *http.Request) {
	var body MeasureRequest
	if id, ok := s.take(w, r, &body); ok {
		rel, err := s.o.Plant.Call(r.Context(), r.PathValue("machine"), core.MeasureAgain{Proposal: id, On: body.On, Who: person(r)})
		if s.settled(w, r, rel.Declined(), err) {
			answer(w, http.StatusOK, struct{}{})
		}
	}
}

// lower asks for less than a card: another card takes its place.
func (s *server) lower(w http.ResponseWriter, r *http.Request) {
	var body LowerRequest
	id, ok := s.take(w, r, &body)
	if !ok {
		return
	}
	rel, err := s.o.Plant.Call(r.Context(), r.PathValue("machine"), core.Lower{Proposal: id, Digest: body.Digest, New: body.New, Who: person(r)})
	if !s.settled(w, r, rel.Declined(), err) {
		return
	}
	out := LowerResult{}
	for _, e := range rel.Events {
		if p, ok := e.(core.Proposed); ok {
			out = LowerResult{ID: cardName(r.PathValue("machine"), p.ID), Digest: p.Digest}
		}
	}
	answer(w, http.StatusOK, out)
}

// open returns the open card that a request's path names, nil when there is none.
func (s *server) open(r *http.Request) (*Card, error) {
	cards, err := s.cards(r.Context())
	want := cardID(r)
	for i := range cards {
		if cards[i].ID == want {
			return &cards[i], err
		}
	}
	return nil, err
}

// mayApprove reports whether an approval may go on to the machine; otherwise it
// has answered why not. What goes beyond what may happen by itself needs somebody
// who proved a moment ago who they are.
func (s *server) mayApprove(w http.ResponseWriter, r *http.Request) bool {
	if fresh, page := r.Context().Value(freshKey{}).(bool); !page || fresh {
		return true
	}
	c, err := s.open(r)
	if err != nil {
		s.fail(w, err)
		return false
	}
	if c != nil && c.Identify {
		refuse(w, http.StatusForbidden, "identify", "this change is beyond what may happen by itself, enter your PIN once more")
		return false
	}
	return true
}

// freshKey is in the context of a page's requests: whether the PIN was entered
// just now.
type freshKey struct{}

func machineOf(rel bridge.Released) string {
	const lead = "machine/"
	if len(rel.Stream) > len(lead) && rel.Stream[:len(lead)] == lead {
		return rel.Stream[len(lead):]
	}
	return ""
}
