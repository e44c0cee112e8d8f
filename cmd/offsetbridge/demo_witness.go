package main

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"offsetbridge/internal/app"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/cell"
)

// witness follows what the daemon does, tells it in plain lines, and plays the
// setter who decides.
type witness struct {
	d       *demo
	mu      sync.Mutex
	changed chan struct{} // closed and replaced at every change
	byName  map[string]*witnessed
	counts  struct{ readings, applied, queued, holds int }
	todo    chan func(context.Context, *app.App)
	broker  bool       // connected
	swapped *cell.Unit // whose bore answers the other way
	wary    *cell.Unit // its gauge is set before anybody decides a correction of the bore
}

// witnessed is what the daemon has shown of one machine.
type witnessed struct {
	up      bool
	counted uint64
	tools   map[string]uint64
	judged  map[string]uint64
	open    map[uint64]core.Status
	loops   map[uint64]string
	checks  int
	story   map[string]*answers // by loop
}

func newWitness(d *demo) *witness {
	w := &witness{d: d, changed: make(chan struct{}), byName: map[string]*witnessed{}, todo: make(chan func(context.Context, *app.App), 256)}
	for _, u := range d.cell.Units() {
		w.byName[u.Machine.Name] = &witnessed{
			tools: map[string]uint64{}, judged: map[string]uint64{}, open: map[uint64]core.Status{}, loops: map[uint64]string{}, story: map[string]*answers{},
		}
	}
	return w
}

func (w *witness) machine(u *cell.Unit) *witnessed { return w.byName[u.Machine.Name] }

// released takes what a runner let out. It must not block.
func (w *witness) released(rel bridge.Released) {
	w.mu.Lock()
	defer w.mu.Unlock()
	name := strings.TrimPrefix(rel.Stream, "machine/")
	m := w.byName[name]
	for _, e := range rel.Events {
		if m != nil {
			w.follow(name, m, e)
		} else if b, ok := e.(core.Broker); ok {
			w.broker = b.Up
			w.say("broker: %s", b.Text)
		}
	}
	close(w.changed)
	w.changed = make(chan struct{})
}

func (w *witness) follow(name string, m *witnessed, e core.Event) {
	defer w.answer(name, m, e)
	switch e := e.(type) {
	case core.Linked:
		m.up = false
	case core.Seen:
		m.up = true
	case core.Recorded:
		m.counted = max(m.counted, e.Count)
	case core.ToolChanged:
		m.tools[e.Tool] = uint64(e.New)
	case core.Judged:
		w.counts.readings++
		m.judged[e.Reading.Gauge] = max(m.judged[e.Reading.Gauge], e.Reading.Sequence)
	case core.Proposed:
		m.open[e.ID] = core.Ready
		if e.Need != "" {
			m.open[e.ID] = core.Pending
			w.counts.queued++
			w.ask(name, e.Proposal)
		}
	case core.Approved:
		m.open[e.Proposal] = core.Ready
	case core.Voided:
		delete(m.open, e.Proposal)
	case core.Intended:
		m.open[e.Proposal] = core.Sent
	case core.Concluded:
		if e.Result == core.Applied {
			w.counts.applied++
		}
		if e.Result != core.Unknown {
			for id, status := range m.open { // one correction at a time for a loop
				if status == core.Sent && w.ofIntent(m, id, e) {
					delete(m.open, id)
				}
			}
		}
	case core.Checked:
		m.checks++
	case core.Held:
		w.counts.holds++
		w.look(name, e)
	}
	w.tell(name, e)
}

func (w *witness) ofIntent(m *witnessed, id uint64, e core.Concluded) bool {
	return m.loops[id] == "" || m.loops[id] == e.Loop
}

// await waits until the daemon has got somewhere, for at most patience.
func (w *witness) await(ctx context.Context, patience time.Duration, there func() bool) bool {
	limit := time.NewTimer(patience)
	defer limit.Stop()
	for {
		w.mu.Lock()
		ok, changed := there(), w.changed
		w.mu.Unlock()
		if ok {
			return true
		}
		select {
		case <-changed:
		case <-limit.C:
			return false
		case <-ctx.Done():
			return false
		}
	}
}

func (w *witness) waitUp(ctx context.Context, units []*cell.Unit) error {
	ok := w.await(ctx, 15*time.Second, func() bool {
		for _, m := range w.byName {
			if !m.up {
				return false
			}
		}
		return true
	})
	if !ok && ctx.Err() == nil {
		return fmt.Errorf("the %d simulated machines did not answer within 15 s, run offsetbridge demo again", len(units))
	}
	return nil
}

// settled reports whether everything due after a part has been decided.
func (w *witness) settled(u *cell.Unit, sent []cell.Sent) bool {
	m := w.machine(u)
	for _, s := range sent {
		if m.judged[s.Gauge] < s.Sequence {
			return false
		}
	}
	for _, status := range m.open {
		if status != core.Pending || !w.d.yours {
			return false
		}
	}
	return true
}

// ask lets the simulated setter decide a proposal, unless decisions are yours.
func (w *witness) ask(machine string, p core.Proposal) {
	if u := w.wary; u != nil && u.Machine.Name == machine && p.Loop == boreLoop {
		w.wary = nil
		w.queue(func(ctx context.Context, _ *app.App) { w.d.setFirst(ctx, u) })
		return
	}
	if w.d.yours {
		return
	}
	w.queue(func(ctx context.Context, a *app.App) {
		w.reckon(ctx, a, machine, p.ID)
		w.d.rest(ctx, w.d.cycle/2)
		who := core.Person{Principal: "demo setter", Role: core.Setter, Auth: "demo"}
		a.Call(ctx, machine, core.Approve{Proposal: p.ID, Digest: p.Digest, Who: who}) //nolint:errcheck // gone by now, or the demo ends
	})
}

// look lets the simulated setter look at a hold and resume it.
func (w *witness) look(machine string, h core.Held) {
	if w.d.yours {
		return
	}
	w.queue(func(ctx context.Context, a *app.App) {
		w.d.rest(ctx, 2*w.d.cycle)
		w.repair(h)
		who := core.Person{Principal: "demo engineer", Role: core.Engineer, Auth: "demo"}
		a.Call(ctx, machine, core.Resume{Loop: h.Loop, Cause: h.Cause, Note: "looked at machine and gauge", Who: who}) //nolint:errcheck // as above
	})
}

func (w *witness) queue(f func(context.Context, *app.App)) {
	select {
	case w.todo <- f:
	default: // the proposal expires, as it would with nobody there
	}
}

// decide carries out the simulated setter's decisions, one after the other.
func (w *witness) decide(ctx context.Context, a *app.App) {
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-w.todo:
			f(ctx, a)
		}
	}
}

// say prints a line of the story.
func (w *witness) say(format string, args ...any) {
	if !w.d.json {
		fmt.Fprintf(w.d.out, format+"\n", args...) //nolint:errcheck // a story, not an answer
	}
}

// tell turns an event into a line a setter would want to know.
func (w *witness) tell(machine string, e core.Event) {
	if w.d.json {
		return
	}
	mm := func(l length.Length) string { return l.Signed(length.MM, 4) }
	switch e := e.(type) {
	case core.Judged:
		if c := e.Admit + e.Attribute + e.Gather; c != "" {
			w.say("%s  %s part %s: %s not used: %s", machine, e.Loop, e.Reading.Part, e.Reading.Value, c.Words())
			return
		}
		w.say("%s  %s part %d: measured %s, %s from aim%s", machine, e.Loop, e.Count, e.Reading.Value.Text(length.MM, 4), mm(e.Deviation), verdict(e))
	case core.Proposed:
		if e.Need != "" {
			w.say("%s  %s: asks the %s: make it %s by %s? %s", machine, e.Loop, e.Need, direction(e.Moves[0].Size), e.Moves[0].Size.Abs().Text(length.MM, 4), e.Reason.Words())
		}
	case core.Approved:
		w.say("%s  %s: approved by %s", machine, e.Loop, e.Who.Principal)
	case core.Voided:
		if e.Cause != "newer" && e.Cause != "settled" {
			w.say("%s  %s: the proposal ended: %s", machine, e.Loop, e.Cause.Words())
		}
	case core.Concluded:
		w.say("%s  %s: %s", machine, e.Loop, concluded(e))
	case core.Moved:
		w.say("%s  %s reads %s instead of %s: somebody else changed it, the loop goes on from there", machine, e.Register, mm(e.New), mm(e.Old))
	case core.Held:
		w.say("%s  ON HOLD %s: %s", machine, e.Loop, e.Cause.Words())
	case core.Resumed:
		w.say("%s  resumed %s by %s: %s", machine, e.Loop, e.Who.Principal, e.Note)
	case core.Checked:
		w.say("%s  %s", machine, found(e))
	case core.Linked:
		if !e.Up {
			w.say("%s  connection lost: %s; registers keep their values", machine, e.Cause.Words())
		}
	}
}

func direction(size length.Length) string {
	if size > 0 {
		return "larger"
	}
	return "smaller"
}

func verdict(e core.Judged) string {
	for _, c := range []core.Code{e.Estimate, e.Propose} {
		if c != "" && c != "step" {
			return ", " + c.Words()
		}
	}
	if len(e.Moves) == 1 {
		return fmt.Sprintf(", change the size by %s", e.Moves[0].Size.Signed(length.MM, 4))
	}
	return ""
}

func concluded(e core.Concluded) string {
	switch e.Result {
	case core.Applied:
		if e.Late {
			return "the write whose answer was lost did act: " + e.Register + " reads " + e.Read.Signed(length.MM, 4)
		}
		return e.Register + " reads back " + e.Read.Signed(length.MM, 4) + ": proven"
	case core.Unknown:
		return "no answer to the write of " + e.Register + ": it is not sent again, the register will be read after the quarantine"
	case core.NotSent:
		return e.Code.Words()
	case core.Refused:
		return "the control refused the write of " + e.Register
	}
	return e.Register + " reads neither the old nor the new value"
}
