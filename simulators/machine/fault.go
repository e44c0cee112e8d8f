package machine

import (
	"time"

	"github.com/gopcua/opcua/ua"
)

// Fault is a way to go wrong, armed with Server.Fault.
type Fault struct {
	kind   faultKind
	delay  time.Duration
	result int32
}

type faultKind int

const (
	loseRequest faultKind = iota + 1
	loseAnswer
	lateEffect
	goodNotApplied
	clipValue
	uncertainAnswer
	refuseWrite
	dropOnWrite
	dropAfterWrite
	dropConnection
	slowRead
	frozenRead
	badRead
	ignoreHandover
	lateHandover
	refuseHandover
	anotherHandover
	falseHandover
)

// Faults of a write: they strike requests that write at least one register, or the
// number of a request into the mailbox; what they say of the effect holds for what
// the control's program makes of it.
var (
	LoseRequest     = Fault{kind: loseRequest}     // never applied, no answer
	LoseAnswer      = Fault{kind: loseAnswer}      // applied, no answer
	GoodNotApplied  = Fault{kind: goodNotApplied}  // answered Good, nothing changed
	ClipValue       = Fault{kind: clipValue}       // answered Good, the register goes half of the way (whole steps, towards the old value)
	UncertainAnswer = Fault{kind: uncertainAnswer} // applied, answered Uncertain
	RefuseWrite     = Fault{kind: refuseWrite}     // not applied, answered BadInvalidState
	DropOnWrite     = Fault{kind: dropOnWrite}     // not applied, connection closed
	DropAfterWrite  = Fault{kind: dropAfterWrite}  // applied, connection closed
)

// Faults of a read: they strike requests that read at least one value of the
// machine's own namespace, so that a look at the server's status costs none.
var (
	FrozenRead = Fault{kind: frozenRead} // the values and source times of the moment the fault was armed
	BadRead    = Fault{kind: badRead}    // every register value is BadNoCommunication
)

// DropConnection closes the connection on the next such write or read, before
// anything is done.
var DropConnection = Fault{kind: dropConnection}

// LateEffect gives no answer and applies the write after d, unless the server
// is closed before; an outage does not stop it.
func LateEffect(d time.Duration) Fault { return Fault{kind: lateEffect, delay: d} }

// SlowRead answers after d with the values of the moment the request came.
func SlowRead(d time.Duration) Fault { return Fault{kind: slowRead, delay: d} }

func (f Fault) strikesWrite() bool { return f.kind <= dropConnection }
func (f Fault) strikesRead() bool  { return f.kind >= dropConnection && f.kind <= badRead }

// armed is a fault with the number of requests it still strikes.
type armed struct {
	Fault
	left   int
	frozen sample
}

// Fault arms f for the next n matching requests. Faults strike in the order in
// which they were armed, one a request.
func (s *Server) Fault(f Fault, n int) {
	if n <= 0 || f.kind == 0 {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	a := armed{Fault: f, left: n}
	if f.kind == frozenRead {
		a.frozen = sample{st: s.st.clone(), at: s.o.Now()}
	}
	s.faults = append(s.faults, a)
}

// Armed returns how many requests are still to be struck.
func (s *Server) Armed() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, a := range s.faults {
		n += a.left
	}
	return n
}

// ClearFaults disarms everything that has not struck yet.
func (s *Server) ClearFaults() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = nil
}

// strike takes the first armed fault that matches; the caller holds mu.
func (s *Server) strike(match func(Fault) bool) armed {
	for i := range s.faults {
		if !match(s.faults[i].Fault) {
			continue
		}
		hit := s.faults[i]
		s.faults[i].left--
		if s.faults[i].left == 0 {
			s.faults = append(s.faults[:i:i], s.faults[i+1:]...)
		}
		return hit
	}
	return armed{}
}

// readFault changes a snapshot the way a struck Read shows it.
func (a armed) show(now sample) (sample, ua.StatusCode) {
	switch a.kind {
	case frozenRead:
		return a.frozen, ua.StatusOK
	case badRead:
		return now, ua.StatusBadNoCommunication
	}
	return now, ua.StatusOK
}
