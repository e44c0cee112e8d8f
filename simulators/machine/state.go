package machine

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"
)

// State is everything the machine is at one moment.
type State struct {
	Counter    uint64 // parts completed, or started with Options.CountAtStart
	Cutting    bool   // writing is permitted when false
	Program    string
	PartSerial string // of the part in the machine, empty when unknown
	Workpiece  string // what a simulated gauge finds on the last part, whatever the process behind it says; empty: no part yet
	Revision   uint64 // rises with every change of a register, whoever made it
	Tools      map[string]Tool
	Registers  map[string]float64
	Owner      string  // who writes to this machine, as whoever does has put it
	Mailbox    Mailbox // stays empty without Options.Handover
}

// Tool is one tool of the machine.
type Tool struct {
	Name       string
	Life       int    // parts cut since the last reported change
	Generation uint64 // reported changes
	Changes    uint64 // all changes, also those nobody reported; not shown over OPC UA
	Idle       bool   // a sister tool that waits: its life does not count
}

func newState(o Options) State {
	st := State{Program: o.Program, Tools: map[string]Tool{}, Registers: map[string]float64{}}
	for _, t := range o.Tools {
		st.Tools[t.Name] = t
	}
	for _, r := range o.Registers {
		st.Registers[r.Name], _ = r.accept(r.Initial)
	}
	return st
}

func (st State) clone() State {
	st.Tools, st.Registers = maps.Clone(st.Tools), maps.Clone(st.Registers)
	return st
}

// sample is a State with the time it was taken.
type sample struct {
	st State
	at time.Time
}

// State returns a copy of the machine's state.
func (s *Server) State() State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.st.clone()
}

// Update changes several things at one moment. Registers and tools that the
// machine does not have are ignored; a register value goes to the nearest step
// inside the range. f must not call the Server.
func (s *Server) Update(f func(*State)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	next := s.st.clone()
	f(&next)
	s.replace(next)
}

// replace makes next the state and tells subscribers; the caller holds mu.
func (s *Server) replace(next State) {
	for name := range next.Tools {
		if _, ok := s.st.Tools[name]; !ok {
			delete(next.Tools, name)
		}
	}
	for name, t := range s.st.Tools {
		if _, ok := next.Tools[name]; !ok {
			next.Tools[name] = t
		}
	}
	values := map[string]float64{}
	for _, r := range s.o.Registers {
		old := s.st.Registers[r.Name]
		v, ok := next.Registers[r.Name]
		if !ok || math.IsNaN(v) {
			v = old
		}
		v = r.step(math.Round(min(max(v, r.Min), r.Max) / r.Resolution))
		if v != old {
			next.Revision++
		}
		values[r.Name] = v
	}
	next.Registers = values
	s.st = next
	s.observe()
	s.seek()
}

// BeginCycle starts the next part: writing is no longer permitted.
func (s *Server) BeginCycle() {
	s.Update(func(st *State) {
		st.Cutting = true
		if s.o.CountAtStart {
			st.Counter++
		}
	})
}

// EndCycle finishes the part: the counter rises (unless it rose at the start),
// the tools in use grow one part older, and writing is permitted again.
func (s *Server) EndCycle() {
	s.Update(func(st *State) {
		st.Cutting = false
		if !s.o.CountAtStart {
			st.Counter++
		}
		for name, t := range st.Tools {
			if !t.Idle {
				t.Life++
				st.Tools[name] = t
			}
		}
	})
}

// SetRegister is a value typed at the panel: it obeys range and grid, and it
// is no Effect.
func (s *Server) SetRegister(name string, v float64) error {
	i := slices.IndexFunc(s.o.Registers, func(r Register) bool { return r.Name == name })
	if i < 0 {
		return fmt.Errorf("%w: there is no register %q", ErrRegister, name)
	}
	v, err := s.o.Registers[i].accept(v)
	if err != nil {
		return err
	}
	s.Update(func(st *State) { st.Registers[name] = v })
	return nil
}

// ChangeTool puts a fresh edge in. Unless it is reported, nothing that OPC UA
// shows changes. An unknown tool is ignored.
func (s *Server) ChangeTool(name string, reported bool) {
	s.Update(func(st *State) {
		t, ok := st.Tools[name]
		if !ok {
			return
		}
		t.Changes++
		if reported {
			t.Generation++
			t.Life = 0
		}
		st.Tools[name] = t
	})
}

// Effect is one register change that came over OPC UA.
type Effect struct {
	Register  string
	Old, New  float64   // in the register's unit; equal when the same value was written again
	Requested float64   // what the client asked for; differs from New when the control rounds or clips
	At        time.Time // when it took effect
	Session   string    // name the client gave its session
	Cutting   bool      // it took effect while the machine was cutting
	Counter   uint64    // part counter at that moment
}

// maxEffects bounds the record; the oldest entries go first.
const maxEffects = 65536

// Effects returns the recorded effects, oldest first.
func (s *Server) Effects() []Effect {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.effects)
}

// OnRead sets a function that is called for each Read of the machine's own values,
// after they were looked up and before the answer leaves.
func (s *Server) OnRead(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.onRead = f
}

// OnEffect sets a function that is called after each effect and before the
// answer leaves, one call at a time and in the order of the effects. It may
// call the Server.
func (s *Server) OnEffect(f func(Effect)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.onEffect = f
}
