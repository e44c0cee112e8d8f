package web

import (
	"errors"
	"net/http"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// What somebody does who stands at a machine: new inserts, values put back, test steps, the
// signature under a first part, and saying what a gauge measures next.

// SignRequest is the signature under the first part of a set-up.
type SignRequest struct {
	Part string `json:"part"`
	Note string `json:"note,omitempty"`
}

// StepTestRequest asks for a deliberate change of one register, of so much size.
type StepTestRequest struct {
	Register string `json:"register,omitempty"` // of several; "" is the first that steers the loop's first size
	Size     string `json:"size,omitempty"`     // change of size, as in "-0.008 mm"; "" is as much as shows the direction
}

// TaskRequest says what the next bare reading of a gauge measures: a part, or a
// ring. With neither it takes an open task back.
type TaskRequest struct {
	Gauge          string   `json:"gauge"`
	Characteristic string   `json:"characteristic,omitempty"`
	Part           string   `json:"part,omitempty"`
	Cut            int      `json:"cut,omitempty"`
	Then           []string `json:"then,omitempty"` // characteristics of the part measured after that, in this order
	Ring           string   `json:"ring,omitempty"`
	Minutes        int      `json:"minutes,omitempty"` // until it expires; 0 is 10
}

// For how long a measuring task stands, unless somebody says otherwise, and at most.
const (
	taskMinutes    = 10
	mostTaskMinute = 240
)

func (s *server) handRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /v1/machines/{machine}/inside", s.inside)
	mux.HandleFunc("POST /v1/machines/{machine}/tools/{tool}/new", s.renew)
	mux.HandleFunc("POST /v1/machines/{machine}/loops/{loop}/back", s.putBack)
	mux.HandleFunc("POST /v1/machines/{machine}/loops/{loop}/step", s.stepTest)
	mux.HandleFunc("POST /v1/machines/{machine}/loops/{loop}/first", s.signFirst)
	mux.HandleFunc("POST /v1/machines/{machine}/tasks", s.task)
}

func (s *server) inside(w http.ResponseWriter, r *http.Request) {
	v, err := s.o.Plant.Inside(r.Context(), r.PathValue("machine"))
	s.give(w, v, err)
}

func (s *server) renew(w http.ResponseWriter, r *http.Request) {
	if _, ok := s.take(w, r, &struct{}{}); ok {
		s.call(w, r, r.PathValue("machine"), core.Renew{Tool: r.PathValue("tool"), Who: person(r)})
	}
}

func (s *server) putBack(w http.ResponseWriter, r *http.Request) {
	if _, ok := s.take(w, r, &struct{}{}); ok {
		s.call(w, r, r.PathValue("machine"), core.PutBack{Loop: r.PathValue("loop"), Who: person(r)})
	}
}

func (s *server) stepTest(w http.ResponseWriter, r *http.Request) {
	var body StepTestRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	var size length.Length
	if body.Size != "" {
		var err error
		if size, err = length.Parse(body.Size); err != nil {
			refuse(w, http.StatusBadRequest, "value", err.Error())
			return
		}
	}
	s.call(w, r, r.PathValue("machine"), core.StepTest{Loop: r.PathValue("loop"), Register: body.Register, Size: size, Who: person(r)})
}

func (s *server) signFirst(w http.ResponseWriter, r *http.Request) {
	var body SignRequest
	if _, ok := s.take(w, r, &body); ok {
		s.call(w, r, r.PathValue("machine"), core.SignFirst{Loop: r.PathValue("loop"), Part: body.Part, Note: body.Note, Who: person(r)})
	}
}

func (s *server) task(w http.ResponseWriter, r *http.Request) {
	var body TaskRequest
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	minutes := body.Minutes
	if minutes == 0 {
		minutes = taskMinutes
	}
	switch {
	case !person(r).Role.May(core.Operator):
		refuse(w, http.StatusForbidden, "role", core.Code("role").Words())
	case body.Gauge == "":
		refuse(w, http.StatusBadRequest, "task", "a measuring task needs its gauge, name it")
	case body.Part != "" && body.Ring != "":
		refuse(w, http.StatusBadRequest, "task", "a gauge measures a part or a ring, name one of them")
	case body.Cut < 0 || minutes < 0 || minutes > mostTaskMinute:
		refuse(w, http.StatusBadRequest, "task", "a measuring task stands for 1 to 240 minutes")
	default:
		s.call(w, r, r.PathValue("machine"), core.Task{
			Gauge: body.Gauge, Characteristic: body.Characteristic, Part: body.Part, Cut: body.Cut, Then: body.Then, Ring: body.Ring,
			For: (time.Duration(minutes) * time.Minute).Milliseconds(), Who: person(r),
		})
	}
}

var errNoStandard = errors.New("the gauge has no standard of that name, name one of its own")

// found returns the as-found deviation of a check: as it was given, or from what
// the gauge showed on its standard.
func (s *server) found(r *http.Request, body *CheckRequest) (length.Length, error) {
	if body.Read == "" {
		return length.Parse(body.AsFound)
	}
	read, err := length.Parse(body.Read)
	if err != nil {
		return 0, err
	}
	all, err := s.o.Trust.Gauges(r.Context())
	if err != nil {
		return 0, err
	}
	for _, g := range all {
		if g.Gauge != r.PathValue("gauge") {
			continue
		}
		for _, x := range g.Standards {
			if x.Name == body.Standard {
				return read - x.Value, nil
			}
		}
	}
	return 0, errNoStandard
}
