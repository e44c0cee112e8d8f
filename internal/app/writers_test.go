package app

import (
	"context"
	"errors"
	"testing"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"

	"go.uber.org/zap"
)

// TestTwoOnOneJournal: a second program on the same journal does not start, and
// says which process holds it.
func TestTwoOnOneJournal(t *testing.T) {
	t.Parallel()
	_, s, d := simulated(t)
	c, err := config.Load(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	a, err := New(context.Background(), Options{Config: c, Digest: "test", Version: "test", Log: zap.NewNop()})
	if a != nil || !errors.Is(err, journal.ErrLocked) {
		t.Errorf("the second says %v", err)
	}
	if !d.status(t).Machines[0].Up {
		t.Error("the first lost its machine")
	}
}

// TestTwoOnOneMachine: two programs with journals of their own, as after a copied
// configuration, steer the same register by the same readings. A client cannot
// lock a control's register, but it sees the other's changes as foreign: within
// a few parts one of them is on hold until a person has found the other, and
// from then on there is one writer.
func TestTwoOnOneMachine(t *testing.T) {
	t.Parallel()
	sim, s, one := simulated(t)
	two := start(t, s.Config(t, "ENDPOINT", sim.Endpoint(),
		`client_id = "offsetbridge-test"`, `client_id = "offsetbridge-copy"`,
		`directory = "journal"`, `directory = "journal-copy"`, `path = "ob.sock"`, `path = "copy.sock"`))
	two.live(t)
	round := func() {
		measureSim(t, sim, s, one)
		two.judged(t, one.lastSequence())
		one.agrees(t)
		two.agrees(t)
	}
	var stopped *daemon
	for parts := 1; stopped == nil; parts++ {
		if parts > foreignWithin {
			t.Fatalf("%d parts and %d writes of two programs, and neither is on hold", parts-1, len(sim.Effects()))
		}
		round()
		for _, d := range []*daemon{one, two} {
			if d.status(t).Machines[0].Loops[0].Hold != nil {
				stopped = d
			}
		}
		if stopped != nil {
			t.Logf("on hold after %d parts and %d writes", parts, len(sim.Effects()))
		}
	}
	h := stopped.status(t).Machines[0].Loops[0].Hold
	if h.Cause != "foreign-twice" && h.Cause != "foreign-window" {
		t.Errorf("on hold for %s", h.Cause)
	}
	stopped.hears(t, h.Cause.Words())
	intents := func() int { return len(find(stopped, func(core.Intended) bool { return true })) }
	before := intents()
	for range 5 {
		round()
	}
	if n := intents() - before; n > 0 {
		t.Errorf("%d more writes of the one on hold", n)
	}
}

// foreignWithin is within how many parts a second writer must be found.
const foreignWithin = 20

// lastSequence is of the newest reading that was judged.
func (d *daemon) lastSequence() (last uint64) {
	for _, j := range find(d, func(core.Judged) bool { return true }) {
		last = max(last, j.Reading.Sequence)
	}
	return last
}
