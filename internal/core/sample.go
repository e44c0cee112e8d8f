package core

import (
	"cmp"
	"slices"

	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// sample takes one look at the machine. It becomes events only when the count,
// a register, a tool or the program changed.
func (d *decision) sample(m Sample) {
	n := &d.s.now
	if !n.up || m.Epoch != n.epoch || m.Order != 0 && m.Order <= n.order && n.sampled {
		return
	}
	prev := d.book().Seen
	m, ok := d.readable(prev, m)
	if !ok {
		return
	}
	at := d.mono()
	if m.Read > 0 {
		at = min(at, m.Read) // what waited to be decided on is as old as it is
	}
	gap := !n.sampled || at-n.sampleAt > d.set().Fresh
	idle := n.permitted && !gap // the machine stood still at the sample before
	if idle && m.Permitted {
		n.still += at - n.sampleAt
	}
	n.sampled, n.sampleAt, n.order, n.permitted = true, at, m.Order, m.Permitted

	if !m.Permitted && idle && prev != nil && d.set().CountsAt == CountsAtStart && m.Counter == prev.Counter {
		d.takenUp(m)
	}
	m.Counter = d.done(prev, m)
	next := d.inForce(prev, m, idle, gap)
	if prev != nil {
		d.counted(prev, m, gap)
		d.compare(prev, m)
	}
	n.cut = !m.Permitted || n.cut && !gap && prev != nil && m.Counter == prev.Counter
	if d.changed(prev, m, next, gap) {
		d.emit(seenOf(m, next, gap))
	}
	d.settle(m)
	d.arrived()
}

// done returns how many parts are finished: a counter that counts at the start
// of the cycle is one ahead while the machine cuts; where it shows just what was
// done before, the machine does not permit a write for another reason.
func (d *decision) done(prev *Seen, m Sample) uint64 {
	if d.set().CountsAt != CountsAtStart || m.Permitted || m.Counter == 0 || prev != nil && m.Counter == prev.Counter {
		return m.Counter
	}
	return m.Counter - 1
}

// takenUp puts the newest cut record in doubt when the machine leaves standstill
// without counting and something has changed since the record: a part that is
// counted at its start may have been paused, and is cut on under what holds now.
func (d *decision) takenUp(m Sample) {
	cut := d.s.cut(m.Counter)
	if cut == nil || cut.Doubt != "" || slices.Equal(cut.Registers, m.Registers) && slices.Equal(cut.Tools, m.Tools) {
		return
	}
	again := *cut
	again.Doubt, again.Measured = doubtChanged, nil
	d.emit(Recorded{Cut: again})
}

// When the counter counts, and when a new register value acts.
const (
	CountsAtStart = "start"
	CountsAtEnd   = "end"
	ActsAtOnce    = "at once"
	ActsNextCycle = "next cycle"
)

// inForce says what acts on the part that is being cut, or comes next, as far as
// two live samples around every change can tell.
func (d *decision) inForce(prev *Seen, m Sample, idle, gap bool) OpenCut {
	now := OpenCut{Registers: m.Registers, Tools: m.Tools, Program: m.Program, Serial: m.Serial}
	switch {
	case prev == nil || gap:
		if !m.Permitted || prev != nil && m.Counter == prev.Counter && !prev.open().plainly(m) {
			now.Doubt = doubtGap // a part may have been begun before, under what held then
		}
		return now
	case m.Counter != prev.Counter: // a new part: what holds now holds for it, unless it changed while it may have begun
		if !m.Permitted && !sameMachine(prev, m) {
			now.Doubt = doubtChanged
		}
		return now
	}
	open := prev.open()
	if m.Serial != "" {
		open.Serial = m.Serial
	}
	switch {
	case open.Doubt != "": // until that part is counted
		return open
	case idle && m.Permitted && d.s.now.cut:
		// Standing still with a part that was begun and is not counted: finished,
		// paused or broken off, nobody can tell.
		if !sameMachine(prev, m) || !open.plainly(m) {
			open.Doubt = doubtChanged
		}
		return open
	case sameMachine(prev, m):
		return open
	case idle && m.Permitted:
		return now
	case !idle && d.set().Effective == ActsNextCycle && slices.Equal(prev.Tools, m.Tools) && prev.Program == m.Program:
		return open // changed while cutting: it acts from the next part on
	}
	open.Doubt = doubtChanged
	return open
}

func (s *Seen) open() OpenCut {
	if s.Open != nil {
		return *s.Open
	}
	return OpenCut{Registers: s.Registers, Tools: s.Tools, Program: s.Program, Serial: s.Serial}
}

// plainly reports whether what is in force is, without doubt, what the sample
// shows.
func (o OpenCut) plainly(m Sample) bool {
	return o.Doubt == "" && slices.Equal(o.Registers, m.Registers) && slices.Equal(o.Tools, m.Tools) && o.Program == m.Program
}

func sameMachine(prev *Seen, m Sample) bool {
	return slices.Equal(prev.Registers, m.Registers) && slices.Equal(prev.Tools, m.Tools) && prev.Program == m.Program
}

func (d *decision) changed(prev *Seen, m Sample, next OpenCut, gap bool) bool {
	if prev == nil || m.Counter != prev.Counter || !sameMachine(prev, m) || m.Serial != prev.Serial {
		return true
	}
	return next.Doubt != prev.open().Doubt || gap && prev.Open != nil
}

func seenOf(m Sample, next OpenCut, gap bool) Seen {
	s := Seen{Counter: m.Counter, Program: m.Program, Serial: m.Serial, Tools: m.Tools, Registers: m.Registers, Fresh: gap, Cutting: !m.Permitted}
	if next.Doubt != "" || !slices.Equal(next.Registers, m.Registers) || !slices.Equal(next.Tools, m.Tools) || next.Program != m.Program || next.Serial != m.Serial {
		s.Open = &next
	}
	return s
}

// counted records the parts that were cut since the sample before.
func (d *decision) counted(prev *Seen, m Sample, gap bool) {
	if m.Counter < prev.Counter {
		d.hold("", causeCounter, "", Setter)
		d.giveUpWaiting() // their numbers belong to the run that is over
		return
	}
	if m.Counter-prev.Counter > maxAhead {
		return // too many to say anything of; their readings find no record
	}
	open := prev.open()
	acts := d.set().Effective
	switch {
	case open.Doubt != "":
	case gap:
		open.Doubt = doubtGap
	case !slices.Equal(open.Tools, m.Tools) || open.Program != m.Program:
		open.Doubt = doubtChanged
	case !slices.Equal(prev.Registers, m.Registers), acts == ActsAtOnce && !slices.Equal(open.Registers, m.Registers):
		open.Doubt = doubtChanged
	}
	for n := prev.Counter + 1; n <= m.Counter; n++ {
		if n == prev.Counter+2 { // it began after the first was counted, and nobody saw its serial
			open.Registers, open.Serial = m.Registers, ""
		}
		serial := d.serialOf(n, open.Serial)
		d.emit(Recorded{Still: d.s.now.stoodStill(), Cut: Cut{
			Count: n, Serial: serial, Nth: d.nth(serial, n), Program: open.Program, Tools: open.Tools,
			Registers: open.Registers, Doubt: open.Doubt, Minute: d.minute(),
		}})
	}
}

// serialOf returns the serial that was announced for a part, else the one that
// the machine showed. Where two were announced for one part it has none.
func (d *decision) serialOf(count uint64, shown string) string {
	announced := ""
	for _, p := range d.book().Pairs {
		switch {
		case p.Counter != count:
		case announced != "" && announced != p.Serial:
			return ""
		default:
			announced = p.Serial
		}
	}
	return cmp.Or(announced, shown)
}

// giveUpWaiting ends the wait of readings whose cut record will not come.
func (d *decision) giveUpWaiting() {
	for _, r := range slices.Clone(d.book().Waiting) {
		d.noRecord(r)
	}
	d.endGatherings(codeNoRecord, func(Gathering) bool { return true })
}

func (d *decision) noRecord(r Reading) {
	j := Judged{Reading: r, Waited: true, Attribute: codeNoRecord}
	if l, _ := d.set().Find(r.Characteristic); l != nil {
		j.Loop = l.Name
	}
	d.emit(j)
}

func (d *decision) nth(serial string, count uint64) int {
	n := 1
	for _, c := range d.book().Cuts {
		if serial != "" && c.Serial == serial && c.Count < count {
			n = c.Nth + 1
		}
	}
	return n
}

// compare finds what somebody else changed: tools, the program, and registers
// that hold another value than our books say.
func (d *decision) compare(prev *Seen, m Sample) {
	for i, t := range d.set().Tools {
		if prev.Tools[i] != m.Tools[i] && m.Tools[i] >= 0 && prev.Tools[i] >= 0 {
			if prev.Tools[i] > m.Tools[i] {
				d.hold("", causeGeneration, t, Setter)
			}
			d.emit(ToolChanged{Tool: t, Old: prev.Tools[i], New: m.Tools[i]})
			d.voidWhere(causeTool, func(p *Open) bool { return p.Tool == t })
		}
	}
	if prev.Program != m.Program {
		d.voidWhere(causeProgram, func(p *Open) bool { return p.Program != "" && p.Program != m.Program })
	}
	for i := range d.set().Registers {
		d.compareRegister(&d.set().Registers[i], prev.Registers[i], m.Registers[i], m.Counter)
	}
}

func (d *decision) compareRegister(r *Register, before, v length.Length, count uint64) {
	b := d.s.book(r.Name)
	if b == nil || !b.Known {
		return
	}
	old, pending := b.Value, b.Pending != nil
	if pending && before == b.Pending.New && v != before {
		old = before // our own write was there, and somebody changed it again
	}
	if v == old || pending && v == b.Pending.New { // our own write, its outcome is on the way
		return
	}
	d.emit(Moved{Register: r.Name, Old: old, New: v, Count: count})
	d.voidWhere(causeForeign, func(p *Open) bool { return p.moves(r.Name) })
	l := d.owner(r.Name)
	if l == nil {
		return
	}
	size := l.cutsMore(r.Name, v-old).Abs()
	switch foreign := d.s.book(r.Name).Foreign; {
	case pending:
		d.hold(l.Name, causeForeignInWindow, r.Name, Setter)
	case size > l.Bounds.SetterStep:
		d.hold(l.Name, causeForeignJump, r.Name, Setter)
	case len(foreign) >= 2 && count-foreign[len(foreign)-2] <= foreignWithin:
		d.hold(l.Name, causeForeignTwice, r.Name, Setter)
	}
}

// foreignWithin is how many parts apart two foreign changes point at a second
// writer (hazard row 42).
const foreignWithin = 20

func (d *decision) owner(register string) *Loop {
	for i := range d.set().Loops {
		if slices.Contains(d.set().Loops[i].Registers, register) {
			return &d.set().Loops[i]
		}
	}
	return nil
}

func (d *decision) voidWhere(cause Code, match func(*Open) bool) {
	for _, p := range d.open() {
		if p.Status != Sent && match(&p) {
			d.void(&p, Voided{Cause: cause})
		}
	}
}

func (p *Proposal) moves(register string) bool {
	return slices.ContainsFunc(p.Moves, func(m Move) bool { return m.Register == register })
}

// settle classifies writes whose outcome was unknown, once the quarantine has
// passed and a live sample shows the register.
func (d *decision) settle(m Sample) {
	for i := range d.set().Registers {
		r := &d.set().Registers[i]
		b := d.s.book(r.Name)
		if b == nil || b.Pending == nil {
			continue
		}
		wait := d.set().Quarantine
		if !b.Doubtful {
			wait = d.lost()
		}
		if since := d.mono() - d.s.now.age(b.Pending.ID); d.s.now.sampleAt-since < wait { // by when it was read
			continue
		}
		in, v := *b.Pending, m.Registers[i]
		o := Concluded{Outcome: Outcome{Intent: in.ID, Read: v}, Loop: in.Loop, Register: r.Name, Late: true}
		switch v {
		case in.New:
			o.Result = Applied
		case in.Old:
			o.Result, o.Code = NotSent, codeNotApplied
		default:
			o.Result = Differs
		}
		if o.Result == Differs {
			o.Text = r.Name
		}
		d.ended(o, in)
	}
}

// lost is after how long an intent without any outcome counts as unknown: the
// process that sent it may be gone. It may have left as late as it was allowed to,
// Fresh after it was decided (see Intent.SendBy), and waited for three answers.
func (d *decision) lost() int64 { return d.set().Fresh + 3*d.set().Answer + d.set().Quarantine }

// arrived judges the readings that waited for a cut record which is there now.
func (d *decision) arrived() {
	for _, r := range slices.Clone(d.book().Waiting) {
		d.judge(r, true)
	}
}

func (d *decision) pair(f Pair) {
	if f.Serial == "" {
		return
	}
	if f.Counter == 0 {
		f.Counter = 1
		if seen := d.book().Seen; seen != nil {
			f.Counter = seen.Counter + 1
		}
	}
	d.emit(Paired{f})
}

// CutsMore reports the change of size of a move as material taken off.
func (c *Characteristic) CutsMore(size length.Length) length.Length {
	return guard.CutsMore(size, c.Internal)
}
