package core

import (
	"offsetbridge/internal/compensate"
	"offsetbridge/internal/length"
)

// aside says how far from the aim to aim a part, towards the side where more can be
// cut: as far as its risk as a first part asks for, and as a register asks for that
// may act twice as strongly as configured. A step is not enlarged beyond what the
// register has shown on top.
func (d *decision) aside(j *Judged, p *prospect, l *Loop, c int) length.Length {
	shift := max(d.firstAside(j, p, l, c), d.doubledAside(p, l, c))
	if l.Characteristics[c].Internal {
		shift = -shift
	}
	return shift + d.enlargedAside(p, l, c)
}

// mostEnlarged is by how much a response that the estimate takes for weak may enlarge
// a step beyond the configured effect while the moves that were made do not show it.
const mostEnlarged = 1.5

// enlargedAside keeps a step at that, and beyond it at the upper end of the pooled
// response (ratio + 2 se). Misled by a gauge that stuck or a hand at the panel, a
// learned 0.3 would make every step three times as large, the first part's before all.
func (d *decision) enlargedAside(p *prospect, l *Loop, c int) length.Length {
	if !l.steers(c) || p.ratio <= 0 {
		return 0
	}
	ratio, se := d.s.loopBook(l.Name).Sizes[c].Response.Ratio()
	shown := min(1, ratio+2*se) / mostEnlarged
	if p.ratio.Float() >= shown {
		return 0
	}
	return length.Length(float64(d.off(p, l, c)) * (1 - p.ratio.Float()/shown))
}

// off is how far from the aim the next part would come out without a move, as a
// change commanded of the size.
func (d *decision) off(p *prospect, l *Loop, c int) length.Length {
	off := p.drift
	for k, name := range l.Registers {
		off += l.Effects[c][k].Of(d.s.book(name).Value)
	}
	return off
}

// firstAside is for the first part after a set-up: a little short of the aim when
// scrap costs more than a re-cut; and so far short that two standard deviations end
// before the least-material limit, where a setter may still agree.
func (d *decision) firstAside(j *Judged, p *prospect, l *Loop, c int) length.Length {
	if !d.first(j, l) {
		return 0
	}
	ch := &l.Characteristics[c]
	shift := compensate.FirstAim(p.sigma, ch.Tolerance()/2, l.ScrapToRework)
	if j.kind != kindReturn {
		shift = max(shift, min(2*p.sigma+l.coarsest(d.set(), c)/2-ch.room(), ch.Tolerance()/2))
	}
	return shift
}

// doubledAside is for a register that has not yet shown that it does not act twice as
// strongly as configured, as when a radius was taken for a diameter. Should it, the
// part must still end two standard deviations before the least-material limit: with
// n where it would come out without a move, n + 2·move + 2σ ≤ room. What is left to
// cut, half of it at most, is for the part after that. A move away from that limit
// is made whole: cut too short, a part can be cut again. So is one of a part that is
// out of its limits and has to be cut again anyway: a setter is there, who agreed to it.
func (d *decision) doubledAside(p *prospect, l *Loop, c int) length.Length {
	if !l.steers(c) || d.s.loopBook(l.Name).Sizes[c].Response.NotDoubled() {
		return 0
	}
	ch := &l.Characteristics[c]
	off := d.off(p, l, c)
	move := -ch.CutsMore(off)
	if move <= 0 || move > ch.Tolerance()-ch.room() {
		return 0
	}
	now := p.ratio.Of(ch.CutsMore(off))
	most := (ch.room() - 2*p.sigma - l.coarsest(d.set(), c) - now) / 2
	return move - min(move, max(most, move/2))
}

// room is how far it is from the aim to the least-material limit.
func (c *Characteristic) room() length.Length {
	if c.Internal {
		return c.Limits.High - c.Aim
	}
	return c.Aim - c.Limits.Low
}

// coarsest returns what one step of the loop's registers changes a size by, at
// most.
func (l *Loop) coarsest(s *Settings, c int) length.Length {
	var step length.Length
	for k, name := range l.Registers {
		step = max(step, l.Effects[c][k].Of(s.Register(name).Step).Abs())
	}
	return step
}
