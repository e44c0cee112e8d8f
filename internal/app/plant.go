package app

import (
	"context"
	"errors"
	"os"
	"sync"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/web"
)

// Status returns what there is to see.
func (a *App) Status(ctx context.Context) (web.Status, error) {
	s := web.Status{
		Version: a.o.Version, Machines: []core.View{},
		Journal: web.JournalStatus{Verified: a.verified.Load(), Free: float64(a.free.Load()) / 10_000},
	}
	for _, h := range a.journal.Heads() {
		s.Journal.Records += h.Seq
	}
	err := a.plant.Look(ctx, func(d bridge.Decider) {
		p := d.(*core.Plant)
		s.Rejected, s.Tray = p.Rejected, len(p.Tray)
		s.Broker = web.BrokerStatus{Up: p.BrokerUp, Code: p.BrokerIs, Text: p.BrokerIs.Words()}
		if len(p.Holds) > 0 {
			h := p.Holds[0]
			s.HoldAll = &h
		}
	})
	if err != nil {
		return s, err
	}
	for _, u := range a.machines {
		err := u.runner.Look(ctx, func(d bridge.Decider) { s.Machines = append(s.Machines, d.(*core.State).View()) })
		if err != nil {
			return s, err
		}
	}
	return s, nil
}

// Call hands a person's input to a machine.
func (a *App) Call(ctx context.Context, machine string, f core.Fact) (bridge.Released, error) {
	u := a.byName[machine]
	if u == nil {
		return bridge.Released{}, web.ErrNoMachine
	}
	return u.runner.Call(ctx, f)
}

// Inside takes a close look at one machine.
func (a *App) Inside(ctx context.Context, machine string) (out core.Inside, err error) {
	u := a.byName[machine]
	if u == nil {
		return out, web.ErrNoMachine
	}
	err = u.runner.Look(ctx, func(d bridge.Decider) { out = d.(*core.State).Inside() })
	return out, err
}

// HoldAll closes the gate of every machine at once, then records it.
func (a *App) HoldAll(ctx context.Context, h core.Hold) error {
	if !h.Who.Role.May(core.Operator) {
		return errors.New(core.Code("role").Words())
	}
	a.asking.Add(1) // closes the gate at once, whatever is being recorded
	defer a.asking.Add(-1)
	a.holding.Lock()
	defer a.holding.Unlock()
	a.stopped.Store(true)
	h.Plant, h.Loop = true, ""
	a.log.Warn("everything is on hold", zap.String("by", h.Who.Principal), zap.String("note", h.Note))
	_, err := a.plant.Call(ctx, h)
	for _, u := range a.machines {
		if _, e := u.runner.Call(ctx, h); err == nil {
			err = e
		}
	}
	return err
}

// ResumeAll ends a hold-all. Machines that were on hold for a cause of their own
// stay so.
func (a *App) ResumeAll(ctx context.Context, r core.Resume) (core.Code, error) {
	if _, err := os.Stat(a.holdFile()); err == nil {
		return codeHoldFile, nil
	}
	a.holding.Lock()
	defer a.holding.Unlock()
	r.Cause = causeHoldAll
	rel, err := a.plant.Call(ctx, r)
	if err != nil || rel.Declined() != "" {
		return rel.Declined(), err
	}
	for _, u := range a.machines {
		if _, e := u.runner.Call(ctx, r); err == nil {
			err = e
		}
	}
	if err == nil {
		a.stopped.Store(false)
		a.log.Info("hold-all ended", zap.String("by", r.Who.Principal), zap.String("note", r.Note))
	}
	return "", err
}

const (
	causeHoldAll core.Code = "hold-all"
	codeHoldFile core.Code = "hold-file"
)

// History returns journaled events, newest first.
func (a *App) History(_ context.Context, q web.HistoryQuery) ([]web.Entry, error) {
	f := journal.Filter{
		Loop: q.Loop, Part: q.Part, Gauge: q.Gauge, Person: q.Person, Kinds: q.Kinds, From: q.From, To: q.To,
		Before: q.Before, BeforeStream: q.BeforeStream, Limit: q.Limit,
	}
	if q.Machine != "" {
		f.Stream = "machine/" + q.Machine
	}
	records, err := a.journal.Query(f)
	if err != nil {
		return nil, err
	}
	entries := make([]web.Entry, 0, len(records))
	for _, r := range records {
		entries = append(entries, web.Entry{
			Stream: r.Stream, Seq: r.Seq, At: time.UnixMilli(r.At).UTC(), Kind: r.Kind, Event: r.Body, Say: decided(r),
		})
	}
	return entries, nil
}

// decided returns what a record of a measured size decides, "" for any other.
func decided(r journal.Record) string {
	if r.Kind != (core.Judged{}).Kind() {
		return ""
	}
	e, err := core.Decode(r.Kind, r.Body)
	if err != nil {
		return "" // verifying the journal tells
	}
	if m := e.(core.Judged).Measurement(); m != nil {
		return m.Say()
	}
	return ""
}

// Watch calls f with everything released from now on.
func (a *App) Watch(f func(bridge.Released)) (stop func()) { return a.watchers.add(f) }

// watchers are the listeners to what is released.
type watchers struct {
	mu   sync.RWMutex
	next int
	all  map[int]func(bridge.Released)
}

func (w *watchers) add(f func(bridge.Released)) (stop func()) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.all == nil {
		w.all = map[int]func(bridge.Released){}
	}
	id := w.next
	w.next++
	w.all[id] = f
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.all, id)
	}
}

func (w *watchers) tell(rel bridge.Released) {
	if len(rel.Events) == 0 {
		return
	}
	w.mu.RLock()
	defer w.mu.RUnlock()
	for _, f := range w.all {
		f(rel)
	}
}
