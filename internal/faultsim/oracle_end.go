package faultsim

import (
	"slices"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// debt is a foreign change in the window of a request: it has to be told, and to
// hold its loop, within two samples of a live session.
type debt struct {
	m       *iron
	reg     int
	req     *request
	stream  string
	loop    string
	since   int64
	session *conn
	samples int
}

// owe notes that somebody changed a register while a request for it was open. Only
// a value that stays can be seen.
func (o *oracle) owe(m *iron, reg int, r *request) {
	if r.told || r.effects == 0 || m.regs[reg].value == r.rec.Intent.New || m.regs[reg].value == r.rec.Intent.Old {
		return
	}
	o.owed = append(o.owed, &debt{
		m: m, reg: reg, req: r, stream: "machine/" + m.name, loop: r.rec.Intent.Loop, since: o.w.op(),
	})
	o.w.n.add("work/foreign changes in a request's window")
}

// sampled counts the looks that the daemon has taken to heart.
func (o *oracle) sampled(l *line) {
	b := o.books[l.stream]
	b.sampled, b.looked = o.w.now, l.iron.conn
	for _, d := range o.owed {
		if d.stream == l.stream {
			if d.session != l.iron.conn {
				d.session, d.samples = l.iron.conn, 0
			}
			d.samples++
		}
	}
}

// check is what has to be true after every step.
func (o *oracle) check() {
	w := o.w
	if w.p == nil || w.p.dead {
		return
	}
	for _, l := range w.p.lines {
		if len(l.in) > bridge.Queue || len(l.writes) > 64 {
			w.violate("I16", "%s: %d inputs and %d writes wait", l.stream, len(l.in), len(l.writes))
		}
	}
	kept := o.owed[:0]
	for _, d := range o.owed {
		b := o.books[d.stream]
		v := d.m.regs[d.reg].value
		switch {
		case b.heldAt > d.since, len(b.holds[""])+len(b.holds[d.loop]) > 0: // told, and held
		case v == d.req.rec.Intent.New || v == d.req.rec.Intent.Old: // gone again
		case d.samples > 3 && w.p.lineOf(d.m.name).idle():
			w.violate("I7", "%s %s: a change to %d in the window of intent %d, %d samples ago, holds nothing",
				d.m.name, d.m.regs[d.reg].node, v, d.req.rec.Intent.ID, d.samples)
		default:
			kept = append(kept, d)
		}
	}
	o.owed = kept
}

// end lets faults stop and asks whether everything gets on (I15), and whether the
// books are those of the machines (I14).
func (w *world) end() {
	w.calm, w.fuse = true, 0
	w.p.dead = true
	w.revive()
	clear(w.broker.frozen)
	for _, m := range w.irons {
		m.stranger, m.reachable, m.inches, m.deaf, m.program = false, true, false, false, "P1"
		m.touched()
		m.end()
		m.calm(w.r)
	}
	w.pass(2 * quarantine)
	for range 2 {
		w.crowd.setGauge()
	}
	for _, m := range w.irons {
		w.setGaugeOf(m)
	}
	for i := range 30 {
		w.last = i >= 20
		for _, m := range w.irons {
			w.cycle(m)
			w.o.check()
			if w.fail != nil {
				return
			}
		}
		w.crowd.serve()
		w.pump(quiet)
	}
	w.pass(2 * quarantine)
	w.pump(quiet)
	for _, l := range w.p.lines {
		w.ends(l)
	}
	w.o.folded(w.p.lines[w.r.IntN(len(w.p.lines))])
	w.fold()
}

func (w *world) setGaugeOf(m *iron) {
	w.crowd.set++
	w.p.plant.offer(core.Set{Check: core.Check{Gauge: "g-" + m.name + "-bore", Standard: "ring", Sequence: w.crowd.set, Who: setter}}, nil)
	w.pump(quiet)
}

// ends is I15 for one machine.
func (w *world) ends(l *line) {
	s, ok := l.b.State().(*core.State)
	if !ok {
		return
	}
	for _, b := range s.Ledger.Registers {
		if b.Pending != nil {
			w.violate("I15", "%s: intent %d has no outcome long after everything went well", l.stream, b.Pending.ID)
		}
	}
	v := s.View()
	set := w.setup[l.iron.name]
	for i := range set.Loops {
		loop := &set.Loops[i]
		if l.iron.ratio != 1 || len(s.Ledger.Tray) > 0 || slices.ContainsFunc(loop.Characteristics, func(c core.Characteristic) bool { return c.Gauges[0].Identity != "counter" }) {
			continue // a reading waits for a word of a person; after one that was lost the order of parts says nothing
		}
		if loop.Mode == core.Observe || s.HoldOn(loop.Name) != nil || v.Loops[i].Waiting != "" {
			w.n.add("work/loops that end on hold, waiting or observing")
			continue
		}
		last := l.iron.parts[len(l.iron.parts)-1]
		for k := range loop.Characteristics {
			c := &loop.Characteristics[k]
			off := last.true_[c.Name] - c.Aim
			for j, name := range loop.Registers { // what was corrected since acts on the next part
				i := column(set, name)
				off += loop.Effects[k][j].Of(l.iron.regs[i].value - last.regs[i])
			}
			open := false
			for _, p := range s.Ledger.Proposals {
				open = open || p.Loop == loop.Name
			}
			if off.Abs() > c.Tolerance()/2 && !open {
				w.violate("I15", "%s %s: %d from aim, and nothing says why", l.stream, c.Name, off)
			}
			w.n.add("work/features in tolerance at the end")
		}
	}
}

// fold is the last word of the books: the chain, and the registers as they are.
func (w *world) fold() {
	if w.fail != nil || w.o.damaged {
		return
	}
	if err := w.disk.Verify(w.ctx(), "", 0); err != nil {
		w.violate("I14", "the chain at the end: %v", err)
	}
	for _, l := range w.p.lines {
		s := l.b.State().(*core.State)
		for _, b := range s.Ledger.Registers {
			i := register(l.iron, b.Node)
			if b.Known && b.Identity == l.iron.serial && b.Value != l.iron.regs[i].value {
				w.violate("I14", "%s %s: the books say %d, the machine has %d", l.stream, b.Node, b.Value, l.iron.regs[i].value)
			}
		}
	}
}
