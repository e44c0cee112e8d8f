package faultsim

import (
	"fmt"
	"slices"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// act lets one thing happen. Most of them are parts that are cut and measured.
func (w *world) act() {
	m := w.irons[w.r.IntN(len(w.irons))]
	switch k := w.r.IntN(100); {
	case k < 62:
		w.cycle(m)
	case k < 66:
		w.crowd.decide()
	case k < 70:
		w.crowd.decideWrongly()
	case k < 73:
		w.edit(m)
	case k < 75:
		w.crowd.clear()
	case k < 78:
		w.hiccup(m)
	case k < 80:
		w.broker.deliver()
		w.pump(1 + w.r.IntN(12))
	case k < 82:
		w.pass(int64(w.r.IntN(3000)))
	case k < 84:
		w.network(m)
	case k < 86:
		w.crowd.stop()
	case k < 88:
		w.crowd.setGauge()
	case k < 89:
		w.tool(m)
	case k < 90:
		w.wait()
	case k < 92:
		if w.r.IntN(w.peril) == 0 {
			w.fuse = 1 + w.r.IntN(60)
		}
	case k < 93:
		if w.r.IntN(w.peril) == 0 {
			w.disks()
		}
	case k < 94:
		w.odd(m)
	case k < 96:
		w.keep()
	case k < 97:
		w.jump()
	default:
		w.crowd.clear()
		w.crowd.decide()
		w.pump(quiet)
	}
	w.o.check()
	w.often()
}

// cycle is one part from its start to its reading, sometimes with a hole in it.
func (w *world) cycle(m *iron) {
	if w.calm || w.r.IntN(12) > 0 {
		w.crowd.serve()
	}
	w.see(m)
	m.begin()
	w.see(m)
	w.pass(1000 + int64(w.r.IntN(3000)))
	if !w.calm && w.r.IntN(40) == 0 {
		w.edit(m)
	}
	w.see(m)
	p := m.end()
	w.see(m)
	if p == nil {
		return
	}
	set := w.setup[m.name]
	for i := range set.Loops {
		for k := range set.Loops[i].Characteristics {
			if !w.calm && w.r.IntN(10) == 0 {
				continue // not measured
			}
			w.broker.measure(m, p, &set.Loops[i].Characteristics[k])
			if !w.calm && w.r.IntN(25) == 0 {
				w.n.add("work/measured again")
				w.broker.measure(m, p, &set.Loops[i].Characteristics[k])
			}
		}
	}
	w.broker.deliver()
	if w.calm || w.r.IntN(5) > 0 {
		w.pump(quiet)
	} else {
		w.pump(1 + w.r.IntN(20))
	}
	w.pass(200 + int64(w.r.IntN(1500)))
}

// see lets the live session take a sample of what changed: before the next change,
// as the assumption about sampling has it. Sometimes it is slow.
func (w *world) see(m *iron) {
	if w.p == nil || w.p.dead {
		return
	}
	l := w.p.lineOf(m.name)
	if l.busy {
		return
	}
	if !w.calm && w.r.IntN(50) == 0 {
		w.n.add("fault/sample missed")
		return
	}
	l.look()
	if w.calm || w.r.IntN(4) > 0 {
		w.pump(quiet)
	}
}

// pass lets time go by, with samples and ticks.
func (w *world) pass(ms int64) {
	for ms > 0 && w.fail == nil {
		hop := min(ms, 2500)
		ms -= hop
		w.now += hop
		for _, m := range w.irons {
			m.due()
		}
		if w.p == nil || w.p.dead {
			continue
		}
		for _, l := range w.p.lines {
			l.look()
			l.offer(core.Tick{}, nil)
		}
		w.pump(40)
	}
}

// edit is a hand at the control.
func (w *world) edit(m *iron) {
	w.look(m)
	i := w.r.IntN(len(m.regs))
	old := m.regs[i].value
	switch w.r.IntN(8) {
	case 0:
		w.n.add("fault/register cleared")
		m.set(i, 0, "control")
	case 1:
		w.n.add("fault/edit and back")
		m.set(i, old+3*um, "hand")
		w.look(m)
		w.pump(w.r.IntN(6))
		m.set(i, old, "hand")
		w.o.account(m, i).loose = true // whether it was seen depends on the session
	case 2:
		w.n.add("fault/large hand edit")
		m.set(i, old+um*length.Length(w.r.IntN(200)-100), "hand")
	default:
		w.n.add("fault/hand edit")
		m.set(i, old+um*length.Length(w.r.IntN(15)-7), "hand")
	}
	w.note("edit %s %d: %d -> %d", m.name, i, old, m.regs[i].value)
	if w.r.IntN(3) > 0 {
		w.look(m)
	}
}

// look takes a sample if something is unseen and a session is live.
func (w *world) look(m *iron) {
	if w.p == nil || w.p.dead || !m.unseen {
		return
	}
	if l := w.p.lineOf(m.name); !l.busy {
		l.look()
	}
}

// hiccup stops in the middle of a cycle, breaks it off, or lets the counter jump.
func (w *world) hiccup(m *iron) {
	w.look(m)
	switch w.r.IntN(6) {
	case 0:
		w.n.add("fault/cycle broken off")
		if m.cutting {
			m.cutting = false
			m.unseen = true
			w.op()
			w.look(m)
			w.look(m)
		}
	case 1:
		w.n.add("fault/program changed")
		m.program = pick(w.r, "P1", "P1", "P2")
		w.op()
		m.touched()
	case 2:
		w.setBack(m)
	case 3:
		m.begin()
	case 4:
		m.end()
	case 5:
		w.n.add("fault/counter jumps")
		if !m.cutting {
			m.counter += uint64(w.r.IntN(100))
			m.unseen = true
			w.op()
		}
	}
	w.look(m)
}

// setBack sets the part counter back in sight of a session. Out of sight, and cut on
// past where it was, it can be told from nothing.
func (w *world) setBack(m *iron) {
	if m.cutting || m.conn == nil || m.conn.dead() {
		return
	}
	w.n.add("fault/counter set back")
	m.backCount(uint64(w.r.IntN(int(m.counter) + 1)))
	w.look(m)
	w.pump(quiet)
	if w.p.dead || w.p.failed != nil {
		m.blind = true
		w.n.add("residual/counter set back while nothing could be written down")
	}
}

// tool puts another tool in, told at once, late or never.
func (w *world) tool(m *iron) {
	w.look(m)
	t := w.r.IntN(len(m.tools))
	switch w.r.IntN(6) {
	case 0:
		w.n.add("fault/tool change never told")
		m.changeTool(t, false)
		return
	case 1:
		w.n.add("fault/tool change told late")
		m.changeTool(t, false)
		for range w.r.IntN(3) {
			w.cycle(m)
		}
		w.look(m)
		m.tools[t]++
		w.op()
		w.o.toolChanged(m, t)
		m.touched()
	case 2:
		w.n.add("fault/tool generation back")
		m.tools[t] = max(0, m.tools[t]-1)
		w.op()
		m.touched()
	case 3:
		w.n.add("fault/tool generation unreadable")
		m.deaf = !m.deaf
		w.pass(3000)
		m.deaf = false
	default:
		w.n.add("fault/tool change")
		m.changeTool(t, true)
	}
	w.look(m)
}

// network breaks sessions, and puts another server in the machine's place.
func (w *world) network(m *iron) {
	w.cut(m)
	switch w.r.IntN(6) {
	case 0:
		w.n.add("fault/another machine at the address")
		m.stranger = true
		w.pass(9000)
		m.stranger = false
	case 1:
		w.n.add("fault/namespace table in another order")
		m.shifted = !m.shifted
	case 2:
		w.n.add("fault/control switched to inches")
		m.inches = true
		w.pass(9000)
		m.inches = false
	case 3:
		w.n.add("fault/machine not reachable")
		m.reachable = false
		w.away(m)
		w.pass(int64(w.r.IntN(15_000)))
		m.reachable = true
	default:
		w.n.add("fault/session lost")
		if w.r.IntN(3) == 0 {
			w.away(m)
		}
	}
	if w.r.IntN(2) == 0 {
		w.pass(5000)
	}
}

func (w *world) cut(m *iron) {
	if m.conn != nil {
		m.conn.broken = true
	}
}

// away is what happens at a machine while nobody looks.
func (w *world) away(m *iron) {
	switch w.r.IntN(5) {
	case 0:
		m.begin()
	case 1:
		m.end()
	case 2:
		m.set(w.r.IntN(len(m.regs)), um*length.Length(w.r.IntN(41)-20), "hand")
		w.n.add("fault/edit while nobody looks")
	case 3:
		m.changeTool(w.r.IntN(len(m.tools)), true)
		w.n.add("fault/tool change while nobody looks")
	case 4:
		m.end()
		m.begin()
		m.end()
	}
}

// downtime is what happens while the process is down.
func (w *world) downtime() {
	w.now += int64(w.r.IntN(20_000))
	for _, m := range w.irons {
		m.due()
		if w.r.IntN(2) == 0 {
			w.away(m)
		}
	}
	if w.r.IntN(5) == 0 {
		w.jump()
	}
}

// wait lets proposals grow old, and writes lose their window.
func (w *world) wait() {
	if w.r.IntN(2) == 0 {
		w.n.add("fault/process stands still")
		w.crowd.decide()
		w.pump(1 + w.r.IntN(8)) // with a write that is decided and not begun, as often as not
		w.now += int64(w.r.IntN(400_000))
		for _, m := range w.irons {
			m.due()
		}
		w.pump(quiet)
		return
	}
	w.n.add("fault/nothing happens for long")
	w.pass(int64(w.r.IntN(90_000)))
}

// disks makes one of the next commits fail.
func (w *world) disks() {
	f := pick(w.r, journal.FaultDiskFull, journal.FaultIO, journal.FaultSync)
	w.n.add(map[journal.Fault]string{
		journal.FaultDiskFull: "fault/disk full", journal.FaultIO: "fault/disk error", journal.FaultSync: "fault/sync error",
	}[f])
	w.disk.Fail(1+w.r.IntN(4), f)
}

// jump sets the wall clock.
func (w *world) jump() {
	w.n.add("fault/clock jump")
	w.jumped += pick(w.r, int64(3_600_000), -3_600_000, 86_400_000*400, -1000)
}

// odd is a flood, a frozen gauge, or damage.
func (w *world) odd(m *iron) {
	set := w.setup[m.name]
	c := &set.Loops[w.r.IntN(len(set.Loops))].Characteristics[0]
	switch w.r.IntN(3) {
	case 0:
		w.flood(m, c)
	case 1:
		g := c.Gauges[0].Gauge
		if w.broker.frozen[g] != "" {
			delete(w.broker.frozen, g)
			return
		}
		w.n.add("fault/gauge frozen")
		w.broker.frozen[g] = fmt.Sprintf("%.4f", (c.Aim + 2*um).Float(length.MM))
	case 2:
		delete(w.broker.frozen, c.Gauges[0].Gauge)
	}
}

// flood is one gauge that sends without end.
func (w *world) flood(m *iron, c *core.Characteristic) {
	if len(m.parts) == 0 || w.p == nil || w.p.dead {
		return
	}
	w.n.add("fault/flood")
	p := m.parts[len(m.parts)-1]
	for range 40 {
		w.broker.measure(m, p, c)
	}
	full := w.r.IntN(20) == 0
	for _, msg := range slices.Clone(w.broker.away) {
		w.broker.give(msg)
		for i := 0; full && i < 300; i++ {
			w.broker.give(msg)
		}
	}
	w.pump(quiet)
}

// keep takes snapshots and compares the state with the fold of the journal.
func (w *world) keep() {
	if w.p == nil || w.p.dead || w.p.failed != nil {
		return
	}
	w.pump(quiet)
	if w.p.dead || w.p.failed != nil {
		return
	}
	l := w.p.lines[w.r.IntN(len(w.p.lines))]
	switch w.r.IntN(16) {
	case 0:
		w.o.folded(l)
	case 1, 2, 3, 4:
		l.snapshot()
	}
}

// meanwhile is what happens at some moment of a write.
func (w *world) meanwhile(m *iron, when string) {
	if w.calm || w.depth > 0 || w.r.IntN(w.stir) != 0 || w.p == nil || w.p.dead {
		return
	}
	w.depth++
	defer func() { w.depth-- }()
	if m == nil {
		m = w.irons[w.r.IntN(len(w.irons))]
	}
	w.n.add("fault/meanwhile " + when)
	switch w.r.IntN(13) {
	case 0, 1:
		i := w.r.IntN(len(m.regs))
		v := m.regs[i].value + um*length.Length(w.r.IntN(21)-10)
		if m.unseen && v == m.regs[i].shown {
			return // there and back again before anybody looks is what no client can see
		}
		w.n.add("fault/hand edit during a write")
		m.set(i, v, "hand")
	case 2:
		w.n.add("fault/cycle begins during a write")
		m.begin()
	case 3:
		w.n.add("fault/tool change during a write")
		m.changeTool(w.r.IntN(len(m.tools)), true)
	case 4:
		w.n.add("fault/hold-all during a write")
		w.crowd.stopAll()
	case 5:
		w.n.add("fault/hold during a write")
		w.crowd.stopOne(m)
	case 6:
		w.now += pick(w.r, int64(20), 300, 700)
	case 7:
		w.fuse = 1
		w.breakdown()
	case 8:
		w.cut(m)
	case 9:
		w.disks()
		w.pump(3)
	case 10:
		if m.unseen {
			return // nor that
		}
		w.n.add("fault/program changed during a write")
		m.program = pick(w.r, "P1", "P2")
		w.op()
		m.touched()
	default:
		w.crowd.decide()
		w.pump(1 + w.r.IntN(8))
	}
}
