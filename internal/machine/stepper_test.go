package machine

import (
	"context"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
)

// byFake lets a Stepper reach the fake.
type byFake struct {
	s     session
	drops int
}

func (b *byFake) Read(nodes []*ua.ReadValueID) ([]*ua.DataValue, time.Time, error) {
	a, err := b.s.read(context.Background(), nodes)
	return a.values, a.at, err
}

func (b *byFake) Write(v *ua.WriteValue, wait time.Duration) (ua.StatusCode, error) {
	return b.s.write(context.Background(), v, wait)
}

func (b *byFake) Browse(id *ua.NodeID) ([]*ua.ReferenceDescription, error) {
	return b.s.browse(context.Background(), id)
}

func (b *byFake) Drop(bool) { b.drops++; b.s.abort() }

func stepper(t *testing.T) (*Stepper, *fakeRig, func() *byFake) {
	rig := newFakeRig()
	o := rig.options()
	o.Serial, o.Demo, o.Answer = "K-1", true, 30*time.Millisecond
	o.Now = func() int64 { return 0 }
	at := time.UnixMilli(1_000_000)
	s := NewStepper(o, func() time.Time { return at }, func(d time.Duration) { at = at.Add(d) })
	return s, rig, func() *byFake {
		x, _, err := rig.f.connect(t.Context(), &o)
		if err != nil {
			t.Fatal(err)
		}
		return &byFake{s: x}
	}
}

func TestAStepperDoesWhatAMachineDoesWithoutWaiting(t *testing.T) {
	s, rig, dial := stepper(t)
	if l := s.Connect(dial()); !l.Up || l.Epoch != 1 {
		t.Fatalf("the session is %+v", l)
	}
	m, l := s.Sample()
	if l != nil || m.Counter != 7 || m.Tools[0] != 3 {
		t.Fatalf("it reads %+v, %+v", m, l)
	}
	in := core.Intent{ID: 9, Register: "R1", Old: m.Registers[0], New: m.Registers[0] + 2000, Tool: "T1", Gen: 3, Epoch: 1, SendBy: 10}
	if o := s.Write(in, func() bool { return false }); o.Result != core.NotSent || rig.effects() != 0 {
		t.Fatalf("past a closed gate: %+v", o)
	}
	if o := s.Write(in, func() bool { return true }); o.Result != core.Applied || o.Read != in.New || rig.effects() != 1 {
		t.Fatalf("the write came to %+v", o)
	}
}

func TestAStepperGivesUpASessionThatDidNotAnswer(t *testing.T) {
	s, rig, dial := stepper(t)
	to := dial()
	s.Connect(to)
	m, _ := s.Sample()
	rig.f.mishap = droppedAfter
	in := core.Intent{ID: 9, Register: "R1", Old: m.Registers[0], New: m.Registers[0] + 2000, Tool: "T1", Gen: 3, Epoch: 1, SendBy: 10}
	if o := s.Write(in, func() bool { return true }); o.Result != core.Unknown {
		t.Fatalf("without an answer it came to %+v", o)
	}
	if m, l := s.Sample(); m != nil || l == nil || l.Up || to.drops == 0 {
		t.Fatalf("the session went on: %+v %+v, dropped %d times", m, l, to.drops)
	}
	if l := s.Connect(dial()); !l.Up || l.Epoch != 2 {
		t.Fatalf("the next session is %+v", l)
	}
	rig.set("serial", "K-2")
	if l := s.Lost(); l == nil || l.Up {
		t.Fatal("a lost session is not told")
	}
	if l := s.Connect(dial()); l.Up || !l.Bad || l.Cause != CodeSerial {
		t.Fatalf("another machine is %+v", l)
	}
}
