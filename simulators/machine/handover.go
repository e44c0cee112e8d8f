package machine

import (
	"math"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// Mailbox is what the nodes of a hand-over hold: a client writes Register, Old, New,
// Check and last Request; the control's program answers with Result and Acknowledged.
type Mailbox struct {
	Request, Register    int32
	Old, New, Check      float64 // in the register's unit; Check = Request + Register + Old + New
	Acknowledged, Result int32
}

// What the control's program answers.
const (
	Taken         int32 = 1
	RefusedOld    int32 = 2 // the register does not hold Old
	RefusedLimits int32 = 3
	RefusedNumber int32 = 4
	RefusedCheck  int32 = 5
)

// Faults of the control's program: they strike the requests that it finds.
var (
	IgnoreHandover  = Fault{kind: ignoreHandover}  // never looked at
	AnotherHandover = Fault{kind: anotherHandover} // not carried out, the request after it acknowledged
	FalseHandover   = Fault{kind: falseHandover}   // not carried out, acknowledged as taken
)

// LateHandover lets the program find the request only after d.
func LateHandover(d time.Duration) Fault { return Fault{kind: lateHandover, delay: d} }

// RefuseHandover lets the program refuse with a result of its own.
func RefuseHandover(result int32) Fault { return Fault{kind: refuseHandover, result: result} }

func (f Fault) strikesHandover() bool { return f.kind >= ignoreHandover }

func (m Mailbox) open() bool { return m.Request != 0 && m.Request != m.Acknowledged }

// handover adds the mailbox's nodes. Only the program changes a register then.
func (p *space) handover(machine *node) {
	box := p.object(machine, "Handover", nsBuilder, "Handover", "changes of registers that the control's own program takes over")
	whole := func(name, about string, of func(*Mailbox) *int32) *node {
		return p.variable(box, "handover/"+name, "Handover/"+name, nsBuilder, name, about, id.Int32, func(st *State) any { return *of(&st.Mailbox) })
	}
	number := func(name, about string, of func(*Mailbox) *float64) {
		n := p.variable(box, "handover/"+name, "Handover/"+name, nsBuilder, name, about, id.Double, func(st *State) any { return *of(&st.Mailbox) })
		n.put = func(st *State, v any) bool {
			x, ok := v.(float64)
			if ok = ok && !math.IsNaN(x) && !math.IsInf(x, 0); ok {
				*of(&st.Mailbox) = x
			}
			return ok
		}
	}
	written := func(n *node, of func(*Mailbox) *int32) {
		n.put = func(st *State, v any) bool {
			x, ok := v.(int32)
			if ok {
				*of(&st.Mailbox) = x
			}
			return ok
		}
	}
	request := func(m *Mailbox) *int32 { return &m.Request }
	register := func(m *Mailbox) *int32 { return &m.Register }
	p.request = whole("Request", "number of the request, written last; 0 withdraws", request)
	written(p.request, request)
	written(whole("Register", "number of the register", register), register)
	number("Old", "what the register has to hold", func(m *Mailbox) *float64 { return &m.Old })
	number("New", "what it shall hold", func(m *Mailbox) *float64 { return &m.New })
	number("Check", "Request + Register + Old + New", func(m *Mailbox) *float64 { return &m.Check })
	whole("Acknowledged", "the request that was dealt with last", func(m *Mailbox) *int32 { return &m.Acknowledged })
	whole("Result", "1 taken over, anything else a reason", func(m *Mailbox) *int32 { return &m.Result })
}

// putInto writes a node that is no register.
func (s *Server) putInto(n *node, who string, v any) ua.StatusCode {
	s.mu.Lock()
	defer s.mu.Unlock()
	next := s.st.clone()
	if !n.put(&next, v) {
		return ua.StatusBadTypeMismatch
	}
	if n == s.nodes.request {
		s.asks = who
	}
	s.replace(next)
	return ua.StatusOK
}

// seek lets the control's program find an open request while the machine stands:
// its safe place. The caller holds mu.
func (s *Server) seek() {
	m := s.st.Mailbox
	if !s.o.Handover || !m.open() || s.st.Cutting || s.finding || s.closed || m.Request == s.ignored {
		return
	}
	s.finding = true
	s.after(s.o.HandoverTakes, s.takeOver)
}

// after runs f later unless the server is closed before. The caller holds mu.
func (s *Server) after(d time.Duration, f func()) {
	var t *time.Timer
	t = time.AfterFunc(d, func() {
		s.mu.Lock()
		_, due := s.late[t]
		delete(s.late, t)
		s.mu.Unlock()
		if due {
			f()
		}
	})
	s.late[t] = struct{}{}
}

// takeOver is the control's program: it compares, checks, puts the value into the
// register and acknowledges, at one moment.
func (s *Server) takeOver() {
	s.order.Lock()
	defer s.order.Unlock()
	s.mu.Lock()
	m := s.st.Mailbox
	if !m.open() || s.st.Cutting || s.closed {
		s.finding = false
		s.mu.Unlock()
		return
	}
	hit := s.strike(Fault.strikesHandover)
	var tell func(Effect)
	var done Effect
	result, acknowledged := Taken, m.Request
	r, code := s.judge(m)
	switch {
	case hit.kind == ignoreHandover:
		s.ignored, s.finding = m.Request, false
		s.mu.Unlock()
		return
	case hit.kind == lateHandover:
		s.after(hit.delay, s.takeOver)
		s.mu.Unlock()
		return
	case hit.kind == refuseHandover:
		result = hit.result
	case hit.kind == anotherHandover:
		acknowledged++
		s.ignored = m.Request
	case hit.kind == falseHandover:
	case code != Taken:
		result = code
	default:
		v, _ := r.accept(m.New)
		done, tell, _ = s.commit(s.spoilt, s.asks, r, v, m.New)
	}
	s.spoilt, s.finding = 0, false
	next := s.st.clone()
	next.Mailbox.Acknowledged, next.Mailbox.Result = acknowledged, result
	s.replace(next)
	s.mu.Unlock()
	if tell != nil {
		tell(done)
	}
}

// judge is what the program checks before it takes a request over.
func (s *Server) judge(m Mailbox) (*Register, int32) {
	if m.Register < 1 || int(m.Register) > len(s.o.Registers) {
		return nil, RefusedNumber
	}
	r := &s.o.Registers[m.Register-1]
	half := r.Resolution / 2
	switch _, err := r.accept(m.New); {
	case math.Abs(float64(m.Request)+float64(m.Register)+m.Old+m.New-m.Check) > half:
		return nil, RefusedCheck
	case math.Abs(s.st.Registers[r.Name]-m.Old) > half:
		return nil, RefusedOld
	case err != nil:
		return nil, RefusedLimits
	}
	return r, Taken
}
