package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// TypedRequest is the body of a person's report that a card was typed in at a
// machine by hand. Without a value it was typed as the card says.
type TypedRequest struct {
	Digest string `json:"digest"`
	Value  string `json:"value,omitempty"` // text with its unit, or "15 graduations" of a screw
	First  string `json:"first,omitempty"` // the first part that is cut under it, where it is known already
}

// RegisterRequest is the body of what a register of a machine by hand holds.
type RegisterRequest struct {
	Register string `json:"register"`
	Value    string `json:"value"`
	First    string `json:"first,omitempty"`
}

// FirstRequest declares the first part after a change by hand: the next one that is
// measured where none is named.
type FirstRequest struct {
	Part string `json:"part,omitempty"`
}

func (s *server) typedRoutes(mux *http.ServeMux) {
	mux.HandleFunc("POST /v1/queue/{machine}/{id}/typed", s.typed)
	mux.HandleFunc("POST /v1/machines/{machine}/register", s.register)
	mux.HandleFunc("POST /v1/machines/{machine}/first", s.firstPart)
}

// typed takes the report that a card was carried out by hand.
func (s *server) typed(w http.ResponseWriter, r *http.Request) {
	var body TypedRequest
	id, ok := s.take(w, r, &body)
	if !ok || !s.mayApprove(w, r) {
		return
	}
	f := core.HandSet{Proposal: id, Digest: body.Digest, Who: person(r)}
	if body.Value != "" {
		c, err := s.open(r)
		if err != nil {
			s.fail(w, err)
			return
		}
		if c == nil || len(c.Registers) == 0 {
			refuse(w, http.StatusConflict, "typed-void", core.Code("typed-void").Words())
			return
		}
		if f.Value, ok = s.registerValue(w, r, c.Registers[0].Register, body.Value); !ok {
			return
		}
	}
	s.handSet(w, r, f, body.First)
}

// register takes what a register holds, without a card.
func (s *server) register(w http.ResponseWriter, r *http.Request) {
	var body RegisterRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	v, ok := s.registerValue(w, r, body.Register, body.Value)
	if ok {
		s.handSet(w, r, core.HandSet{Register: body.Register, Value: v, Who: person(r)}, body.First)
	}
}

// handSet hands it to the machine, and with it the first part where one is named.
func (s *server) handSet(w http.ResponseWriter, r *http.Request, f core.HandSet, first string) {
	machine := r.PathValue("machine")
	if first == "" {
		s.call(w, r, machine, f)
		return
	}
	if rel, err := s.o.Plant.Call(r.Context(), machine, f); s.accepted(w, rel.Declined(), err) {
		s.call(w, r, machine, core.HandFirst{Part: first, Who: f.Who})
	}
}

func (s *server) firstPart(w http.ResponseWriter, r *http.Request) {
	var body FirstRequest
	if _, ok := s.take(w, r, &body); ok {
		s.call(w, r, r.PathValue("machine"), core.HandFirst{Part: body.Part, Who: person(r)})
	}
}

// registerValue reads what a register holds; false when it has answered why not.
func (s *server) registerValue(w http.ResponseWriter, r *http.Request, register, text string) (*length.Length, bool) {
	st, err := s.o.Plant.Status(r.Context())
	if err != nil {
		s.fail(w, err)
		return nil, false
	}
	for _, m := range st.Machines {
		if m.Machine != r.PathValue("machine") {
			continue
		}
		for _, x := range m.Registers {
			if x.Name != register {
				continue
			}
			v, err := parseRegister(text, x.Graduation)
			if err != nil {
				refuse(w, http.StatusBadRequest, "value", err.Error())
				return nil, false
			}
			return &v, true
		}
		refuse(w, http.StatusNotFound, "no-register", core.Code("no-register").Words())
		return nil, false
	}
	s.fail(w, ErrNoMachine)
	return nil, false
}

const graduations = " graduations"

// parseRegister reads a length with its unit, or of a screw also its graduations.
func parseRegister(text string, graduation length.Length) (length.Length, error) {
	number, scale := strings.CutSuffix(strings.TrimSuffix(text, "s"), strings.TrimSuffix(graduations, "s"))
	if !scale {
		return length.Parse(text)
	}
	if graduation <= 0 {
		return 0, errors.New("register value " + strconv.Quote(text) + " is in graduations and the register has none, write it with mm, µm or in")
	}
	n, err := length.ParseNumber(number, length.MM)
	if err != nil || n*graduation%length.Millimetre != 0 || n.Abs() > 100_000*length.Millimetre {
		return 0, errors.New("register value " + strconv.Quote(text) + " is not a number of graduations, write it as in \"15 graduations\"")
	}
	return n * graduation / length.Millimetre, nil
}

// GraduatedText shows a value on a screw's scale, signed, and the length behind it.
func GraduatedText(v, graduation length.Length) string {
	return turns(v, graduation, true) + graduations + " (" + v.Signed(length.MM, length.MM.Digits(graduation/10)) + ")"
}

// turns is a number of graduations, with a decimal where it is not whole.
func turns(v, graduation length.Length, sign bool) string {
	decimals := 0
	if v%graduation != 0 {
		decimals = 1
	}
	n := v * length.Millimetre / graduation
	if !sign {
		return strings.TrimSuffix(n.Abs().Text(length.MM, decimals), " mm")
	}
	return strings.TrimSuffix(n.Signed(length.MM, decimals), " mm")
}

// typeIn says what a person does for one move.
func (f Format) typeIn(m core.Move, at core.Shown) string {
	if at.Graduation <= 0 {
		return f.T("type_in", "register", m.Register, "old", registerText(m.Old, at), "new", registerText(m.New, at))
	}
	by, way := m.New-m.Old, at.Larger
	if by < 0 {
		way = f.T("type_against", "way", way)
	}
	n := turns(by, at.Graduation, false)
	key := "type_turn"
	if n == "1" {
		key = "type_turn1"
	}
	return f.T(key, "register", m.Register, "n", n, "way", way,
		"old", turns(m.Old, at.Graduation, true), "new", turns(m.New, at.Graduation, true))
}
