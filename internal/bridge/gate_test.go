package bridge

import (
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// A hold shuts the gate when it is decided. Its end opens it when it is durable, and
// not before: the program may die in between, and then it is still on hold.
func TestTheGateOpensWhenTheEndOfAHoldIsDurable(t *testing.T) {
	b, err := Open(journal.NewMemory(), "machine/mill", SnapshotVersion, func() Decider { return &core.State{} })
	if err != nil {
		t.Fatal(err)
	}
	g := NewGate(nil)
	who := core.Person{Principal: "erna", Role: core.Engineer, Auth: "test"}
	hold := core.Input{Fact: core.Hold{Note: "wait", Who: who}}
	resume := core.Input{Fact: core.Resume{Cause: "by-hand", Note: "on", Who: who}}
	tick := core.Input{Fact: core.Tick{}}
	var fine error
	for i, s := range []struct {
		in   []core.Input
		done *error
		open bool
	}{
		{nil, nil, true},
		{[]core.Input{hold}, nil, false},
		{nil, nil, false},
		{nil, &fine, false},
		{[]core.Input{tick}, nil, false},
		{[]core.Input{resume}, nil, false}, // decided, and not durable
		{[]core.Input{tick}, nil, false},   // waits for its turn
		{[]core.Input{hold}, &fine, false}, // the end is durable, and the next hold is decided
		{[]core.Input{resume}, &fine, false},
		{nil, &fine, true},
		{[]core.Input{hold, resume}, nil, true}, // both in one commit
		{nil, &fine, true},
	} {
		b.Step(s.in, s.done)
		if g.Remember(b); g.Open("bore") != s.open {
			t.Fatalf("step %d: open %v", i, !s.open)
		}
	}
}
