package app

import (
	"context"
	"errors"
	"slices"
	"testing"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers/shop"
	"offsetbridge/testdata/peers/wire"
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

// copied is a configuration that somebody copied and gave a journal of its own.
var copied = []string{
	`client_id = "offsetbridge-test"`, `client_id = "offsetbridge-copy"`,
	`directory = "journal"`, `directory = "journal-copy"`, `path = "ob.sock"`, `path = "copy.sock"`,
}

// TestTwoOnOneMachine: two programs with journals of their own, as after a copied
// configuration, on two computers, steer the same register by the same readings, and
// the control keeps no owner mark. A client cannot lock a control's register, but it
// sees the other's changes as foreign: within a few parts one of them is on hold until
// a person has found the other, and from then on there is one writer.
func TestTwoOnOneMachine(t *testing.T) {
	t.Parallel()
	sim, s, one := simulated(t)
	elsewhere := wire.Start(t, sim.Endpoint())
	two := start(t, s.Config(t, append(copied, "ENDPOINT", elsewhere.Endpoint())...))
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

// TestASecondInstanceIsRespected: on one computer by a lock, from another one by the
// mark at the machine: the second is on hold before it has written anything, and says
// why; the first goes on.
func TestASecondInstanceIsRespected(t *testing.T) {
	t.Parallel()
	for name, elsewhere := range map[string]bool{"on this computer": false, "on another": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := shop.Open(t, shop.Options{Without: true})
			var changes []string
			if elsewhere {
				changes = []string{"[machine.nodes]", "[machine.nodes]\nowner = \"nsu=" + machine.BuilderURI + ";s=Writer/Owner\""}
			}
			sim, one := simulate(t, s, changes...)
			endpoint := sim.Endpoint()
			if elsewhere {
				endpoint = wire.Start(t, endpoint).Endpoint()
			}
			two := start(t, s.Config(t, slices.Concat(copied, changes, []string{"ENDPOINT", endpoint})...))
			h := awaits(t, two, "the second is on hold", func(core.Held) bool { return true })
			if h.Cause != "m-owner" || h.Loop != "" || h.Clear != core.Engineer {
				t.Errorf("on hold: %+v", h)
			}
			two.hears(t, h.Cause.Words())
			shop.Wait(t, "the first writes", func() bool {
				correctSim(t, sim, s, one)
				two.agrees(t)
				return len(find(one, func(c core.Concluded) bool { return c.Result == core.Applied })) > 1
			})
			if n := len(find(two, func(core.Intended) bool { return true })); n > 0 {
				t.Errorf("%d intents of the second", n)
			}
			if h := find(one, func(core.Held) bool { return true }); len(h) > 0 {
				t.Errorf("the first is on hold: %+v", h)
			}
			two.end()
			if elsewhere && sim.State().Owner == "" {
				t.Error("the second took the first one's mark along")
			}
			one.end()
			if sim.State().Owner != "" {
				t.Errorf("both have ended, and the mark is %q", sim.State().Owner)
			}
		})
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
