package bridge

import (
	"maps"
	"sync/atomic"

	"offsetbridge/internal/core"
)

// Gate is asked directly before a request is sent: what was decided may have been
// overtaken by a hold, or by a journal that failed. It is safe for concurrent
// use.
type Gate struct {
	plant  func() bool                     // nil = open
	failed atomic.Bool                     // the journal failed; for good
	shut   atomic.Int32                    // holds that were asked for and not decided yet; one more at the end
	held   atomic.Pointer[map[string]bool] // scopes on hold
	now    map[string]bool                 // in the newest state, durable or not
	seq    uint64                          // of the last event in it
}

// NewGate returns a gate that is open when plant says so and nothing is on hold.
func NewGate(plant func() bool) *Gate {
	g := &Gate{plant: plant, now: map[string]bool{}}
	g.held.Store(&map[string]bool{})
	return g
}

// Asked closes the gate before a hold is even decided; Decided ends that.
func (g *Gate) Asked() { g.shut.Add(1) }

// Decided says that a hold that was asked for is known, or was not accepted.
func (g *Gate) Decided() { g.shut.Add(-1) }

// Fail closes the gate for good.
func (g *Gate) Fail() { g.failed.Store(true) }

// Remember takes the scopes on hold from a machine's bridge after each of its steps:
// a hold shuts the gate as soon as it is decided, and opens it again only when its
// end is durable. It is called from one goroutine.
func (g *Gate) Remember(b *Bridge) {
	under := len(b.flight) > 0
	if under && b.seq == g.seq {
		return // nothing was decided since
	}
	now := map[string]bool{}
	if s, ok := b.state.(*core.State); ok {
		for _, h := range s.Ledger.Holds {
			now[h.Loop] = true
		}
	}
	held := now
	if under { // what was decided before it is durable, it is not
		held = maps.Clone(g.now)
		maps.Copy(held, now)
	}
	g.now, g.seq = now, b.seq
	g.held.Store(&held)
}

// Open reports whether an intent of a loop may be sent at this moment.
func (g *Gate) Open(loop string) bool {
	if g.failed.Load() || g.shut.Load() > 0 || g.plant != nil && !g.plant() {
		return false
	}
	held := *g.held.Load()
	return !held[""] && !held[loop]
}
