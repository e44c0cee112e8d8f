package core

import (
	"slices"

	"offsetbridge/internal/estimate"
	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// Why a correction is worked out although no reading came.
const (
	kindReturn Code = "return" // the tool was changed: back to where tools start
	kindStill  Code = "still"  // the machine has stood still and cooled
)

// rethink works corrections out anew when the machine, not a gauge, says that the
// next part will differ: a tool was changed, or it has stood still for long.
func (d *decision) rethink() {
	for i := range d.set().Loops {
		l := &d.set().Loops[i]
		switch {
		case d.s.loopBook(l.Name).Back:
			if d.thinks(l) {
				d.reconsider(l, kindReturn)
			}
		case d.s.standstill() > 0 && d.minute()-d.thought(l) >= d.s.pace():
			if d.thinks(l) {
				d.reconsider(l, kindStill)
			}
		}
	}
}

// thinks reports whether there is anything to work a loop's correction out from,
// and anything it could lead to.
func (d *decision) thinks(l *Loop) bool {
	return len(d.book().Cuts) > 0 && d.s.now.permitted && d.s.situationOf() == "" && l.Mode != Observe &&
		d.s.loopBook(l.Name).Evidence > 0 && d.s.HoldOn(l.Name) == nil && d.s.gaugesOf(l) == ""
}

// thought returns when the loop's correction was last worked out on a machine
// that stands still: at most once in a while, however often it is looked at.
func (d *decision) thought(l *Loop) float64 {
	last := d.book().Cuts[len(d.book().Cuts)-1].Minute
	for _, name := range l.Registers {
		last = max(last, d.s.book(name).Moved)
	}
	if p := d.s.proposalOf(l.Name); p != nil {
		last = max(last, p.Minute)
	}
	return last
}

// reconsider works a loop's correction out without a reading.
func (d *decision) reconsider(l *Loop, kind Code) {
	b := d.s.loopBook(l.Name)
	last := &d.book().Cuts[len(d.book().Cuts)-1]
	j := Judged{kind: kind, Loop: l.Name, Count: last.Count, NoIdent: b.Loose}
	c := slices.IndexFunc(l.Characteristics, func(c Characteristic) bool { return c.Priority.weight() > 0 })
	if c < 0 {
		return
	}
	f := d.forecast(l, c)
	if !f.Ready {
		return
	}
	x := prospectOf(&f)
	j.Drift, j.Sigma, j.Noise, j.Ratio = x.drift, x.sigma, x.noise, x.ratio
	j.Reading = Reading{Characteristic: l.Characteristics[c].Name, Part: partName(last.Serial, last.Count), Value: l.Characteristics[c].Aim + b.Sizes[c].Last.Deviation}
	if g := l.Characteristics[c].Gauges; len(g) > 0 {
		j.Reading.Gauge = g[0].Gauge
	}
	p, open := d.propose(&j, l, c)
	if p == nil && open == nil {
		return
	}
	if open != nil {
		o := *open // what follows changes the list it is in
		open = &o
	}
	switch j.Route = d.route(&j, l, p); j.Route {
	case "", routeWrite, routeQueue: // what would be refused is left for a reading to ask for
		d.follow(&j, l, p, open)
	}
}

// pace is how many minutes are between two moves of a register while the machine
// stands still: as many as a part takes.
func (s *State) pace() float64 { return max(1, s.Ledger.Cycle) }

// standstill returns for how many minutes the machine has stood still, once that
// is longer than several ordinary cycles and long enough to cool.
func (s *State) standstill() float64 {
	g := &s.Ledger
	n := len(g.Cuts)
	if n == 0 || g.Cycle == 0 {
		return 0
	}
	pause := s.minute() - g.Cuts[n-1].Minute
	if pause <= stopMinutes || pause <= stopCycles*g.Cycle || !s.now.permitted {
		return 0
	}
	return pause
}

// forecast says what is to be expected of the next part that a change would act
// on, cut as soon as it can be.
func (d *decision) forecast(l *Loop, c int) estimate.Forecast {
	part, g := d.nextPart(), d.book()
	minute := d.minute()
	e := d.s.estimateOf(l.Name, c)
	if still := d.s.standstill(); still > 0 {
		filter := *e.Filter
		filter.Note(estimate.Event{Kind: estimate.Stop, Part: part, Minutes: still})
		return filter.Forecast(part, minute+g.Cycle)
	}
	if n := len(g.Cuts); n > 0 {
		last := &g.Cuts[n-1]
		minute = max(minute, last.Minute+float64(part-int64(last.Count))*g.Cycle)
	}
	return e.forecast(part, minute)
}

// looked takes a person's yes into the books of the registers it moves.
func (s *State) looked(p *Open) {
	if p.Reason == Code(guard.Budget) {
		for _, m := range p.Moves {
			s.book(m.Register).Spent = 0
		}
	}
}

// added takes a correction that was made into the account of what the loop itself
// has taken off since a person set the register.
func (b *RegisterBook) added(more length.Length, p *Open) {
	switch {
	case p != nil && p.Trigger == kindReturn:
		b.Own = 0
	case p != nil && p.Approval != nil:
		b.Own = max(0, b.Own+more) // what a person agreed to leave on is the new start
	default:
		b.Own += more
	}
}

// relate says where the reading's own cut stood: from the aim, under which command.
func (d *decision) relate(j *Judged, l *Loop, c int, cut *Cut) {
	j.Minute, j.Cutting = cut.Minute, !d.s.now.permitted && !d.set().ByHand
	j.Deviation = j.size() - l.Characteristics[c].Aim
	for i, name := range l.Registers {
		j.Command += l.Effects[c][i].Of(cut.Registers[d.set().registerIndex(name)])
	}
}

// recall lets the estimate take a part of the tool before: it says something of how
// tools wear, nothing of where the new one stands, whose own level starts afresh
// in the change that follows. It steers nothing.
func (s *State) recall(e *Judged) {
	l, c := s.Ledger.Settings.Find(e.Reading.Characteristic)
	if l.Characteristics[c].Several != nil {
		return // one reading of several is none
	}
	s.relied(e)
	s.observe(s.estimateOf(e.Loop, c), e)
	s.loopBook(e.Loop).Sizes[c].tie(e.NoIdent)
	if b := s.loopBook(e.Loop); b.First && b.Sizes[c].Used == 0 {
		b.Back = true // where the new one starts may be known better now
		b.news()
	}
}

// news marks that the estimate has another state than at the last move, although
// no reading of this tool was used.
func (b *LoopBook) news() { b.Acted = min(b.Acted, max(b.Evidence, 1)-1) }
