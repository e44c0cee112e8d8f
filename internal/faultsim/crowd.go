package faultsim

import (
	"slices"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// crowd are the people: those who decide, hold, resume and set gauges, rightly and
// wrongly.
type crowd struct {
	w     *world
	cards []card // that were on a screen once, newest last
	stops int    // hold-alls so far
	set   uint64
}

// card is a proposal as somebody saw it.
type card struct {
	machine string
	p       core.Open
}

// screen is what people see of a machine: durable, and a copy.
func (c *crowd) screen(l *line) *core.State {
	if l.p.dead || !l.b.Settled() || l.b.Err() != nil {
		return nil
	}
	return l.b.State().(*core.State)
}

// serve is a person who decides every card at once, as they should.
func (c *crowd) serve() {
	w := c.w
	if w.p == nil || w.p.dead {
		return
	}
	for _, l := range w.p.lines {
		for _, k := range c.read(l) {
			if k.p.Status == core.Pending {
				c.approve(l, k, k.p.Digest, roleFor(w, &k))
			}
		}
	}
	if w.calm && !w.last || !w.calm && w.r.IntN(3) == 0 {
		c.clear()
	}
}

func roleFor(w *world, k *card) core.Person {
	if k.p.Need == core.Operator && w.r.IntN(2) == 0 {
		return operator
	}
	return setter
}

// read looks at the cards of a machine.
func (c *crowd) read(l *line) []card {
	s := c.screen(l)
	if s == nil {
		return nil
	}
	var now []card
	for _, p := range s.Ledger.Proposals {
		p.Moves = slices.Clone(p.Moves)
		k := card{l.iron.name, p}
		now = append(now, k)
		if c.cards = append(c.cards, k); len(c.cards) > 60 {
			c.cards = c.cards[1:]
		}
	}
	return now
}

func (c *crowd) approve(l *line, k card, digest string, who core.Person) {
	c.w.o.approves(l, k, digest, who)
	l.offer(core.Approve{Proposal: k.p.ID, Digest: digest, Who: who}, c.answered)
}

// answered counts what people are told.
func (c *crowd) answered(r bridge.Released) {
	if d := r.Declined(); d != "" {
		c.w.n.add("refusal/person " + string(d))
	}
}

// decide is somebody with the right to, who may be slow.
func (c *crowd) decide() {
	w := c.w
	if w.p == nil || w.p.dead {
		return
	}
	l := w.p.lines[w.r.IntN(len(w.p.lines))]
	if w.r.IntN(4) == 0 {
		c.want(l)
		w.pump(w.r.IntN(10))
	}
	if l.p.dead {
		return
	}
	for _, k := range c.read(l) {
		if w.r.IntN(8) == 0 {
			l.offer(core.Reject{Proposal: k.p.ID, Reason: "no", Who: operator}, c.answered)
			continue
		}
		c.approve(l, k, k.p.Digest, roleFor(w, &k))
	}
}

// decideWrongly is an approval that must not count, or only once.
func (c *crowd) decideWrongly() {
	w := c.w
	if w.p == nil || w.p.dead {
		return
	}
	l := w.p.lines[w.r.IntN(len(w.p.lines))]
	now := c.read(l)
	if len(c.cards) == 0 {
		return
	}
	old := c.cards[w.r.IntN(len(c.cards))]
	k := old
	if len(now) > 0 {
		k = now[w.r.IntN(len(now))]
	}
	switch w.r.IntN(7) {
	case 0:
		w.n.add("fault/approval of another digest")
		c.approve(l, k, old.p.Digest+"x", setter)
	case 1:
		w.n.add("fault/approval of an old card")
		c.approve(w.p.lineOf(old.machine), old, old.p.Digest, setter)
	case 2:
		w.n.add("fault/approval without the right")
		c.approve(l, k, k.p.Digest, viewer)
	case 3:
		w.n.add("fault/double approval")
		c.approve(l, k, k.p.Digest, setter)
		c.approve(l, k, k.p.Digest, setter)
	case 4:
		w.n.add("fault/approval after a change")
		w.look(l.iron)
		l.iron.set(w.r.IntN(len(l.iron.regs)), um*length.Length(w.r.IntN(31)-15), "hand")
		c.approve(l, k, k.p.Digest, setter)
	case 5:
		w.n.add("fault/approval by an operator of a setter's")
		c.approve(l, k, k.p.Digest, operator)
	case 6:
		w.n.add("fault/approval with an old digest")
		c.approve(l, k, old.p.Digest, setter)
	}
	w.pump(w.r.IntN(10))
}

// stop holds a loop, a machine or everything.
func (c *crowd) stop() {
	w := c.w
	if w.p == nil || w.p.dead {
		return
	}
	if w.r.IntN(2) == 0 {
		w.n.add("fault/hold-all")
		c.stopAll()
	} else {
		w.n.add("fault/hold by hand")
		c.stopOne(w.irons[w.r.IntN(len(w.irons))])
	}
	w.pump(w.r.IntN(20))
}

// stopAll is what the program does: the gate first, then the records.
func (c *crowd) stopAll() {
	w := c.w
	p := w.p
	p.stopped = true
	c.stops++
	w.o.stopAll()
	h := core.Hold{Plant: true, Note: "stop", Who: operator}
	p.plant.offer(h, nil)
	for _, l := range p.lines {
		l.offer(h, nil)
	}
}

func (c *crowd) stopOne(m *iron) {
	w := c.w
	l := w.p.lineOf(m.name)
	scope := ""
	if loops := w.setup[m.name].Loops; w.r.IntN(2) == 0 {
		scope = loops[w.r.IntN(len(loops))].Name
	}
	w.o.stopOne(m, scope)
	ok := l.offer(core.Hold{Loop: scope, Note: "wait", Who: operator}, func(r bridge.Released) {
		w.o.stopDecided(m, scope)
		c.answered(r)
	})
	if !ok {
		w.o.stopDecided(m, scope)
	}
}

// clear resumes what is on hold, after a look, and sometimes without one.
func (c *crowd) clear() {
	w := c.w
	if w.p == nil || w.p.dead {
		return
	}
	if w.p.stopped && w.p.plant.b.Settled() && w.p.failed == nil {
		c.resumeAll()
	}
	for _, l := range w.p.lines {
		s := c.screen(l)
		if s == nil {
			continue
		}
		for _, h := range slices.Clone(s.Ledger.Holds) {
			who := engineer
			if !w.calm && w.r.IntN(6) == 0 {
				who = pick(w.r, viewer, operator)
				w.n.add("fault/resume without the right")
			}
			cause := h.Cause
			if !w.calm && w.r.IntN(12) == 0 {
				cause = "something"
				w.n.add("fault/resume without having looked")
			}
			l.offer(core.Resume{Loop: h.Loop, Cause: cause, Note: "looked", Who: who}, c.answered)
		}
	}
}

// resumeAll ends a hold-all: once it is on record in the plant's stream and each
// machine has taken it, the gate opens.
func (c *crowd) resumeAll() {
	w := c.w
	p := w.p
	r := core.Resume{Cause: "hold-all", Note: "go on", Who: engineer}
	p.plant.offer(r, func(rel bridge.Released) {
		if rel.Declined() != "" {
			return
		}
		left := len(p.lines)
		for _, l := range p.lines {
			l.offer(r, func(bridge.Released) {
				if left--; left == 0 {
					p.stopped = false
					w.o.resumeAll()
				}
			})
		}
	})
}

// setGauge puts the bore's gauge on its ring.
func (c *crowd) setGauge() {
	w := c.w
	if w.p == nil || w.p.dead {
		return
	}
	m := w.irons[w.r.IntN(len(w.irons))]
	c.set++
	k := core.Check{
		Gauge: "g-" + m.name + "-bore", Standard: "ring", Sequence: c.set, Who: setter,
		AsFound: length.Length(w.r.NormFloat64() * float64(um)),
	}
	w.n.add("work/gauge set")
	if !w.calm && w.r.IntN(8) == 0 {
		w.n.add("fault/gauge found far off")
		k.AsFound = 20 * um
	}
	var f core.Fact = core.Set{Check: k}
	if !w.calm && w.r.IntN(3) == 0 {
		f = core.RingChecked{Check: k}
	}
	w.p.plant.offer(f, nil)
	w.pump(30)
}
