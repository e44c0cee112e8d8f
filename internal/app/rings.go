package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// machineStream is the name of a machine's stream.
func machineStream(name string) string { return "machine/" + name }

// rang notes that a machine's stream holds a ring that was read: the plant has to
// be told, which tells every machine that the gauge serves.
func (f *forwarding) rang(rel bridge.Released) bool {
	name, ok := strings.CutPrefix(rel.Stream, machineStream(""))
	if !ok || !slices.ContainsFunc(rel.Events, func(e core.Event) bool { return e.Kind() == core.RingRead{}.Kind() }) {
		return false
	}
	f.ringMu.Lock()
	defer f.ringMu.Unlock()
	f.rings[name] = true
	return true
}

// takeRings hands to the plant what machines recorded of rings. What the plant
// has taken is in its own stream, so that after a start, or after anything went
// wrong, whatever is missing is handed over again.
func (a *App) takeRings(ctx context.Context) error {
	f := &a.forwarding
	f.ringMu.Lock()
	names := f.rings
	f.rings = map[string]bool{}
	f.ringMu.Unlock()
	for _, u := range a.machines {
		if !names[u.name] {
			continue
		}
		if err := a.takeRingsOf(ctx, u); err != nil {
			f.ringMu.Lock()
			for name := range names { // taken ones are taken once more, which the plant knows
				f.rings[name] = true
			}
			f.ringMu.Unlock()
			return err
		}
	}
	return nil
}

func (a *App) takeRingsOf(ctx context.Context, u *unit) error {
	var took core.Taken
	var there uint64
	err := errors.Join(
		a.plant.Look(ctx, func(d bridge.Decider) { took = d.(*core.Plant).TakenOf(u.name) }),
		u.runner.Look(ctx, func(d bridge.Decider) { there = d.(*core.State).Ledger.Rings }),
	)
	if err != nil || there == took.Count {
		return err // looking for none through a long record would delay every start
	}
	records, err := a.newer(journal.Filter{Stream: machineStream(u.name), Kinds: []string{core.RingRead{}.Kind()}, Limit: 200}, took.Record)
	if err != nil {
		return err
	}
	for _, r := range slices.Backward(records) {
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return fmt.Errorf("record %d of %s: %w", r.Seq, u.name, err)
		}
		if _, err := a.plant.Call(ctx, core.FromMachine{Machine: u.name, Record: r.Seq, Event: e}); err != nil {
			return fmt.Errorf("record %d of %s to the plant: %w", r.Seq, u.name, err)
		}
	}
	return nil
}
