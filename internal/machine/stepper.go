package machine

import (
	"context"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
)

// Server is a machine's server as a Stepper reaches it: every call is one request
// and its answer, and no answer is an error. An error of Write that is a
// ua.StatusCode is the server's own refusal.
type Server interface {
	Read(nodes []*ua.ReadValueID) (values []*ua.DataValue, at time.Time, err error)
	Write(v *ua.WriteValue, wait time.Duration) (ua.StatusCode, error)
	Browse(id *ua.NodeID) ([]*ua.ReferenceDescription, error)
	// Drop says that the session is given up: at once where abort is true.
	Drop(abort bool)
}

// Stepper is a Machine without goroutines and without a clock of its own: its
// sessions, samples and writes happen when they are asked for, in the caller's
// goroutine, so that a fault simulation runs what production runs. It is not for
// concurrent use, but a Server may call the gate's owner while a write waits for
// it.
type Stepper struct {
	m *Machine
	e *epoch
}

// NewStepper returns a stepper whose time comes from clock and passes with sleep.
func NewStepper(o Options, clock func() time.Time, sleep func(time.Duration)) *Stepper {
	o.clock, o.sleep = clock, sleep
	o = o.withDefaults()
	return &Stepper{m: &Machine{o: o, feed: newFeed(), writing: make(chan struct{}, 1)}}
}

// Connect identifies the server and begins a session, or says why not.
func (s *Stepper) Connect(to Server) core.Link {
	v, err := take(context.Background(), stepped{to}, &s.m.o)
	var why *fault
	if err != nil {
		why = faultOf(err)
	} else {
		why = s.m.admit(context.Background(), stepped{to}, v)
	}
	if why != nil {
		to.Drop(gone(why))
		return core.Link{Epoch: s.m.epochs, Cause: why.code, Text: why.text, Bad: why.bad}
	}
	s.e = s.m.begin(stepped{to}, v)
	s.m.feed.queue = nil
	return core.Link{Up: true, Epoch: s.e.number, Text: "metadata " + v.digest}
}

// Sample reads everything once. When the session is no good any more it ends,
// and the link says why.
func (s *Stepper) Sample() (*core.Sample, *core.Link) {
	if s.e == nil {
		return nil, nil
	}
	if f := s.e.doom(); f != nil {
		return nil, s.end(f)
	}
	x, err := s.m.snapshot(context.Background(), s.e)
	if err == nil {
		err = x.orphan()
	}
	if err != nil {
		return nil, s.end(faultOf(err))
	}
	return &x.Sample, nil
}

// Write carries out an intent as Machine.Write does. A session that it gives up
// ends with the next Sample.
func (s *Stepper) Write(in core.Intent, gate func() bool) core.Outcome {
	return s.m.Write(context.Background(), in, gate)
}

// Lost ends the session as a broken connection does.
func (s *Stepper) Lost() *core.Link {
	if s.e == nil {
		return nil
	}
	return s.end(wait(CodeLost, "the server closed the connection"))
}

func (s *Stepper) end(why *fault) *core.Link {
	e := s.e
	s.e = nil
	s.m.finish(e, why)
	return &core.Link{Epoch: s.m.epochs, Cause: why.code, Text: why.text, Bad: why.bad}
}

// stepped makes a Server a session.
type stepped struct{ to Server }

func (s stepped) read(_ context.Context, nodes []*ua.ReadValueID) (answer, error) {
	v, at, err := s.to.Read(nodes)
	return answer{v, at}, err
}

func (s stepped) write(_ context.Context, v *ua.WriteValue, wait time.Duration) (ua.StatusCode, error) {
	return s.to.Write(v, wait)
}

func (s stepped) browse(_ context.Context, id *ua.NodeID) ([]*ua.ReferenceDescription, error) {
	return s.to.Browse(id)
}

func (s stepped) watch(context.Context, []*ua.NodeID, time.Duration, func()) error {
	return errUnwatched
}
func (s stepped) lost() <-chan error { return nil }
func (s stepped) close()             { s.to.Drop(false) }
func (s stepped) abort()             { s.to.Drop(true) }
