package web

import (
	"net/http"
	"sync"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// maxMarks bounds the cards that wait for a second reading of their part: at
// most one for each open proposal.
const maxMarks = 10_000

// mark says that somebody wants a part measured again before a card is decided.
// It stops approvals only, so it is kept in memory: after a restart every card is
// new anyhow.
type mark struct {
	Who string    `json:"who"`
	At  time.Time `json:"at"`

	machine, loop, part string
}

type marks struct {
	mu  sync.Mutex
	all map[string]mark // by the card's id
}

func (m *marks) of(id string) *mark {
	m.mu.Lock()
	defer m.mu.Unlock()
	if x, ok := m.all[id]; ok {
		return &x
	}
	return nil
}

func (m *marks) set(id string, x mark) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.all == nil {
		m.all = map[string]mark{}
	}
	if len(m.all) >= maxMarks {
		return false
	}
	m.all[id] = x
	return true
}

func (m *marks) clear(id string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.all, id)
}

// released takes a mark away once the part was measured again, or its card has
// ended.
func (m *marks) released(machine string, e core.Event) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for id, x := range m.all {
		if x.machine != machine {
			continue
		}
		switch e := e.(type) {
		case core.Judged:
			if e.Loop == x.loop && e.Admit == "" && e.Attribute == "" && e.Reading.Part == x.part {
				delete(m.all, id)
			}
		case core.Voided:
			if e.Loop == x.loop {
				delete(m.all, id)
			}
		}
	}
}

// again asks for a second reading of a card's part, or takes that back.
func (s *server) again(w http.ResponseWriter, r *http.Request) {
	var body MeasureRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	if !person(r).Role.May(core.Operator) {
		refuse(w, http.StatusForbidden, "role", core.Code("role").Words())
		return
	}
	c, err := s.open(r)
	switch {
	case err != nil:
		s.fail(w, err)
	case c == nil:
		refuse(w, http.StatusConflict, "gone", core.Code("gone").Words())
	case c.Status != string(core.Pending):
		refuse(w, http.StatusConflict, "decided", core.Code("decided").Words())
	case !body.On:
		s.marks.clear(c.ID)
		answer(w, http.StatusOK, struct{}{})
	case !s.marks.set(c.ID, mark{Who: person(r).Principal, At: time.Now().UTC(), machine: c.Machine, loop: c.Loop, part: c.Part}):
		refuse(w, http.StatusServiceUnavailable, "many", "too many cards wait for a second reading, decide some of them first")
	default:
		answer(w, http.StatusOK, struct{}{})
	}
}

// open returns the open card that a request's path names, nil when there is none.
func (s *server) open(r *http.Request) (*Card, error) {
	cards, err := s.cards(r.Context())
	want := r.PathValue("machine") + "/" + r.PathValue("id")
	for i := range cards {
		if cards[i].ID == want {
			return &cards[i], err
		}
	}
	return nil, err
}

// mayApprove reports whether an approval may go on to the machine; otherwise it
// has answered why not.
func (s *server) mayApprove(w http.ResponseWriter, r *http.Request) bool {
	if x := s.marks.of(r.PathValue("machine") + "/" + r.PathValue("id")); x != nil {
		refuse(w, http.StatusConflict, "again", "the part is to be measured again first, as "+x.Who+" asked; measure it, or take that back")
		return false
	}
	if fresh, page := r.Context().Value(freshKey{}).(bool); !page || fresh {
		return true
	}
	c, err := s.open(r)
	if err != nil {
		s.fail(w, err)
		return false
	}
	if c != nil && !core.Operator.May(core.Role(c.Need)) {
		refuse(w, http.StatusForbidden, "identify", "this change is beyond the operator's, enter your PIN once more")
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
