package faultsim

import (
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// want is somebody who asks for a change that no reading asks for, or for another
// than is shown, rightly and wrongly.
func (c *crowd) want(l *line) {
	w := c.w
	loops := w.setup[l.iron.name].Loops
	loop := loops[w.r.IntN(len(loops))].Name
	who := pick(w.r, viewer, operator, setter, setter)
	switch w.r.IntN(4) {
	case 0:
		w.n.add("work/value of before wanted")
		l.offer(core.PutBack{Loop: loop, Who: who}, c.answered)
	case 1:
		w.n.add("work/test step wanted")
		size := length.Length(0)
		if w.r.IntN(2) == 0 {
			size = um * length.Length(w.r.IntN(41)-20)
		}
		l.offer(core.StepTest{Loop: loop, Size: size, Who: who}, c.answered)
	default:
		c.less(l, who)
	}
}

// less asks for a smaller change of a card, or for its part to be measured again.
func (c *crowd) less(l *line, who core.Person) {
	w := c.w
	now := c.read(l)
	if len(now) == 0 {
		return
	}
	p := now[w.r.IntN(len(now))].p
	if w.r.IntN(3) == 0 {
		w.n.add("work/second reading wanted")
		l.offer(core.MeasureAgain{Proposal: p.ID, On: p.Again == nil, Who: who}, c.answered)
		return
	}
	w.n.add("work/less wanted")
	m := p.Moves[0]
	v := m.Old + (m.New-m.Old)*length.Length(w.r.IntN(5))/3 // past it too
	l.offer(core.Lower{Proposal: p.ID, Digest: p.Digest, New: v - v%um, Who: who}, c.answered)
}
