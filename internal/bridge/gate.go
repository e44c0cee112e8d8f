package bridge

import (
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
}

// NewGate returns a gate that is open when plant says so and nothing is on hold.
func NewGate(plant func() bool) *Gate {
	g := &Gate{plant: plant}
	g.held.Store(&map[string]bool{})
	return g
}

// Asked closes the gate before a hold is even decided; Decided ends that.
func (g *Gate) Asked() { g.shut.Add(1) }

// Decided says that a hold that was asked for is known, or was not accepted.
func (g *Gate) Decided() { g.shut.Add(-1) }

// Fail closes the gate for good.
func (g *Gate) Fail() { g.failed.Store(true) }

// Remember takes the scopes on hold from a machine's state.
func (g *Gate) Remember(d Decider) {
	held := map[string]bool{}
	if s, ok := d.(*core.State); ok {
		for _, h := range s.Ledger.Holds {
			held[h.Loop] = true
		}
	}
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
