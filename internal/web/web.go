// Package web serves the plant's HTTP/JSON interface: what waits for a person,
// the decisions people take, holds, and live events. For now it listens on a
// local socket that only the same user can open; the page with people and roles
// is built on the same handlers.
//
// Every human action carries principal, role and how they were authenticated;
// the answer comes after the event is durable. Lengths in answers are whole
// nanometres (keys ending in _nm) beside the text a person reads, which is made
// from the same numbers.
package web

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strconv"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/manual"
)

// Plant is what the interface needs of the running program.
type Plant interface {
	// Status returns what there is to see, machines in the configured order.
	Status(ctx context.Context) (Status, error)
	// Call hands a person's input to a machine and waits until what it caused
	// is durable. ErrNoMachine when there is none of that name.
	Call(ctx context.Context, machine string, f core.Fact) (bridge.Released, error)
	// Inside takes a close look at one machine. ErrNoMachine when there is none.
	Inside(ctx context.Context, machine string) (core.Inside, error)
	// HoldAll stops every machine at once; ResumeAll lets them go on.
	HoldAll(ctx context.Context, h core.Hold) error
	ResumeAll(ctx context.Context, r core.Resume) (core.Code, error)
	// Watch calls f with everything released from now on, until the returned
	// function is called. f must not block.
	Watch(f func(bridge.Released)) (stop func())
	// History returns journaled events, newest first.
	History(ctx context.Context, q HistoryQuery) ([]Entry, error)
}

// ErrNoMachine says that no machine has the name that was asked for.
var ErrNoMachine = errors.New("there is no machine of that name")

// Status is the whole plant at one glance.
type Status struct {
	Version  string        `json:"version"`
	Broker   BrokerStatus  `json:"broker"`
	HoldAll  *core.Held    `json:"hold_all,omitempty"`
	Rejected uint64        `json:"rejected_messages"`
	Tray     int           `json:"unassigned_readings"`
	Machines []core.View   `json:"machines"`
	Journal  JournalStatus `json:"journal"`
}

// BrokerStatus is the connection to the message broker.
type BrokerStatus struct {
	Up   bool      `json:"up"`
	Code core.Code `json:"code,omitempty"`
	Text string    `json:"text,omitempty"`
}

// JournalStatus is the state of the record.
type JournalStatus struct {
	Verified bool    `json:"verified"`
	Records  uint64  `json:"records"`
	Free     float64 `json:"free_fraction"` // of the disk
}

// HistoryQuery selects journaled events; empty fields select all.
type HistoryQuery struct {
	Machine, Loop, Part, Gauge, Person string
	Kinds                              []string // any of these
	From, To                           int64    // UTC milliseconds, From ≤ At < To; 0 is no bound
	BeforeStream                       string   // only what was appended before record Before of this stream
	Before                             uint64
	Limit                              int
}

// Entry is one journaled event.
type Entry struct {
	Stream string          `json:"stream"`
	Seq    uint64          `json:"seq"`
	At     time.Time       `json:"at"`
	Kind   string          `json:"kind"`
	Event  json.RawMessage `json:"event"`
	Say    string          `json:"say,omitempty"` // what a measured size decides, in a sentence
}

// Options of the interface.
type Options struct {
	Plant  Plant
	Trust  Trust          // nil: without the routes of gauges and tray
	Manual *manual.Manual // nil: the page has none
	Log    *zap.Logger
}

// Server answers for one running program, at the local socket and on the page.
type Server struct{ server }

type server struct {
	o       Options
	decided decisions
}

// New returns the interface; nothing listens yet.
func New(o Options) *Server { return &Server{server{o: o}} }

// Handler returns the interface's routes. The person who calls must be in the
// request's context, see WithPerson.
func Handler(o Options) http.Handler { return New(o).Handler() }

// Handler returns the routes that socket and page share.
func (s *Server) Handler() http.Handler { return s.routes() }

func (s *server) routes() *http.ServeMux {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/openapi.json", s.describe)
	mux.HandleFunc("GET /v1/status", s.status)
	mux.HandleFunc("GET /v1/queue", s.queue)
	mux.HandleFunc("GET /v1/queue/{machine}/{id}", s.card)
	mux.HandleFunc("GET /v1/requests", s.requests)
	mux.HandleFunc("POST /v1/queue/{machine}/{id}/approve", s.approve)
	mux.HandleFunc("POST /v1/queue/{machine}/{id}/reject", s.reject)
	mux.HandleFunc("POST /v1/queue/{machine}/{id}/lower", s.lower)
	mux.HandleFunc("POST /v1/queue/{machine}/{id}/measure", s.measure)
	mux.HandleFunc("POST /v1/hold", s.hold)
	mux.HandleFunc("POST /v1/resume", s.resume)
	mux.HandleFunc("GET /v1/history", s.history)
	mux.HandleFunc("GET /v1/events", s.events)
	s.typedRoutes(mux)
	s.trustRoutes(mux)
	s.handRoutes(mux)
	return mux
}

type personKey struct{}

// WithPerson puts the authenticated person into a request's context.
func WithPerson(ctx context.Context, p core.Person) context.Context {
	return context.WithValue(ctx, personKey{}, p)
}

func person(r *http.Request) core.Person {
	p, _ := r.Context().Value(personKey{}).(core.Person) // nobody has no rights
	return p
}

func (s *server) status(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Plant.Status(r.Context())
	s.give(w, st, err)
}

func (s *server) queue(w http.ResponseWriter, r *http.Request) {
	cards, err := s.cards(r.Context())
	s.give(w, QueueView{cards}, err)
}

func (s *server) cards(ctx context.Context) ([]Card, error) {
	st, err := s.o.Plant.Status(ctx)
	if err != nil {
		return nil, err
	}
	cards := []Card{}
	for _, m := range st.Machines {
		for _, p := range m.Proposals {
			cards = append(cards, CardOf(p))
		}
	}
	return cards, nil
}

// requests lists the parts of which another reading is wanted.
func (s *server) requests(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Plant.Status(r.Context())
	open := []core.RequestView{}
	for _, m := range st.Machines {
		open = append(open, m.Requests...)
	}
	s.give(w, RequestsView{open}, err)
}

func (s *server) card(w http.ResponseWriter, r *http.Request) {
	cards, err := s.cards(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	want := r.PathValue("machine") + "/" + r.PathValue("id")
	for _, c := range cards {
		if c.ID == want {
			answer(w, http.StatusOK, c)
			return
		}
	}
	refuse(w, http.StatusNotFound, "gone", core.Code("gone").Words())
}

// Scope names what to hold or resume: everything, a machine, or one loop.
type Scope struct {
	Machine string    `json:"machine,omitempty"`
	Loop    string    `json:"loop,omitempty"`
	Cause   core.Code `json:"cause,omitempty"` // of the hold to resume
	Note    string    `json:"note,omitempty"`
}

func (s *server) hold(w http.ResponseWriter, r *http.Request) {
	var body Scope
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	h := core.Hold{Loop: body.Loop, Note: body.Note, Who: person(r)}
	if body.Machine != "" {
		s.call(w, r, body.Machine, h)
		return
	}
	if body.Loop != "" {
		refuse(w, http.StatusBadRequest, "scope", "a loop needs its machine, name both")
		return
	}
	h.Plant = true
	s.give(w, struct{}{}, s.o.Plant.HoldAll(r.Context(), h))
}

func (s *server) resume(w http.ResponseWriter, r *http.Request) {
	var body Scope
	if _, ok := s.take(w, r, &body); !ok {
		return
	}
	f := core.Resume{Loop: body.Loop, Cause: body.Cause, Note: body.Note, Who: person(r)}
	if body.Machine != "" {
		s.call(w, r, body.Machine, f)
		return
	}
	if code, err := s.o.Plant.ResumeAll(r.Context(), f); s.accepted(w, code, err) {
		answer(w, http.StatusOK, struct{}{})
	}
}

// call hands a person's input to a machine and answers after the commit.
func (s *server) call(w http.ResponseWriter, r *http.Request, machine string, f core.Fact) {
	if rel, err := s.o.Plant.Call(r.Context(), machine, f); s.accepted(w, rel.Declined(), err) {
		answer(w, http.StatusOK, struct{}{})
	}
}

// give answers with a body, or with what stood against it.
func (s *server) give(w http.ResponseWriter, body any, err error) {
	if s.accepted(w, "", err) {
		answer(w, http.StatusOK, body)
	}
}

// accepted reports whether a person's input was taken; otherwise it has answered
// why not.
func (s *server) accepted(w http.ResponseWriter, declined core.Code, err error) bool {
	switch {
	case err != nil:
		s.fail(w, err)
	case declined == "role":
		refuse(w, http.StatusForbidden, string(declined), declined.Words())
	case declined != "":
		refuse(w, http.StatusConflict, string(declined), declined.Words())
	default:
		return true
	}
	return false
}

// maxBody bounds what a request may carry.
const maxBody = 16 << 10

// take reads the request's body and the id in its path, where there is one.
func (s *server) take(w http.ResponseWriter, r *http.Request, body any) (id uint64, ok bool) {
	if t := r.PathValue("id"); t != "" {
		n, err := strconv.ParseUint(t, 10, 64)
		if err != nil {
			refuse(w, http.StatusNotFound, "gone", "proposal "+strconv.Quote(t)+" is not a number")
			return 0, false
		}
		id = n
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	if err := d.Decode(body); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			refuse(w, http.StatusRequestEntityTooLarge, "size", "the request is larger than 16 KiB")
			return 0, false
		}
		refuse(w, http.StatusBadRequest, "body", "the request's body is not the expected JSON: "+err.Error())
		return 0, false
	}
	return id, true
}

func (s *server) fail(w http.ResponseWriter, err error) {
	var no *RefusedError
	switch {
	case errors.Is(err, ErrNoItem):
		refuse(w, http.StatusNotFound, "no-item", err.Error())
	case errors.As(err, &no):
		refuse(w, http.StatusConflict, no.Code, no.Message)
	case errors.Is(err, ErrNoMachine):
		refuse(w, http.StatusNotFound, "machine", err.Error())
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		refuse(w, http.StatusServiceUnavailable, "time", "no answer in time, look at the status before trying again")
	default:
		s.o.Log.Warn("request failed", zap.Error(err))
		refuse(w, http.StatusServiceUnavailable, "unavailable", err.Error())
	}
}

// Refusal is the body of every answer that is not 2xx.
type Refusal struct {
	Error struct {
		Code    string `json:"code"`
		Message string `json:"message"`
		By      string `json:"by,omitempty"` // who was first, where somebody was
	} `json:"error"`
}

func refuse(w http.ResponseWriter, status int, code, message string) {
	refuseBy(w, status, code, message, "")
}

func refuseBy(w http.ResponseWriter, status int, code, message, by string) {
	var body Refusal
	body.Error.Code, body.Error.Message, body.Error.By = code, message, by
	answer(w, status, body)
}

func answer(w http.ResponseWriter, status int, body any) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(body) //nolint:errcheck // the client has gone
}
