package core

import (
	"slices"

	"offsetbridge/internal/estimate"
)

// applyCountBack forgets what is known by count: the same numbers come again for
// other parts.
func (s *State) applyCountBack(count uint64) {
	g := &s.Ledger
	g.Cuts, g.Pairs, g.Renewed = nil, nil, nil
	for i := range g.Registers {
		b := &g.Registers[i]
		b.LastMove, b.Foreign = min(b.LastMove, count), nil
	}
	for i := range g.Gauges {
		g.Gauges[i].Numbers.Since = min(g.Gauges[i].Numbers.Since, count)
	}
	for i := range g.Loops {
		g.Loops[i].begin()
		l := g.Settings.Loop(g.Loops[i].Name)
		for k := range l.Characteristics {
			s.estimateOf(l.Name, k).renew(estimateSettings(&g.Settings, l, k))
		}
	}
}

func (s *State) applyRecorded(e Recorded) {
	g := &s.Ledger
	n := len(g.Cuts)
	if n > 0 && g.Cuts[n-1].Count == e.Count { // what was recorded is in doubt after all
		e.Measured = g.Cuts[n-1].Measured
		g.Cuts[n-1] = e.Cut
		return
	}
	if n > 0 {
		s.stoodStill(e.Minute-g.Cuts[n-1].Minute, e.Still, e.Count)
	}
	g.Cuts = push(g.Cuts, e.Cut, maxCuts)
	s.handRecorded(&e.Cut)
	s.cutFor(&e.Cut)
}

// A pause between two cuts is a standstill when it is longer than several
// ordinary ones and long enough for a machine to cool (common practice, no
// source).
const (
	stopCycles  = 3
	stopMinutes = 5.0
)

// stoodStill learns the ordinary time from cut to cut, and tells the estimates of
// a pause that is none: the machine cooled meanwhile. Of the first pause, which is
// often a long one because the first part is measured and looked at, only what was
// seen to be standstill can say so. Pauses one after another that are alike are a
// longer cycle: another part is cut now, or one by one.
func (s *State) stoodStill(minutes, still float64, next uint64) {
	g := &s.Ledger
	pause := minutes - g.Cycle
	first := g.Cycle == 0 && still > stopMinutes && still > stopCycles*(minutes-still)
	if first {
		pause = still // the next interval tells the cycle
	}
	switch {
	case !first && (g.Cycle == 0 || g.longer(minutes)):
		g.Cycle = minutes
	case first || minutes > stopMinutes && minutes > stopCycles*g.Cycle:
		for i := range s.Estimates {
			s.Estimates[i].note(estimate.Event{Kind: estimate.Stop, Part: int64(next), Minutes: pause})
		}
	default:
		g.Cycle += 0.1 * (minutes - g.Cycle)
	}
}

// longer reports whether this interval and the two before it are pauses that differ
// by less than a third: so alike no breaks are (common practice, no source).
func (g *Ledger) longer(minutes float64) bool {
	n := len(g.Cuts)
	if n < 3 || g.Cycle == 0 {
		return false
	}
	for _, x := range []float64{minutes, g.Cuts[n-1].Minute - g.Cuts[n-2].Minute, g.Cuts[n-2].Minute - g.Cuts[n-3].Minute} {
		if x <= stopMinutes || x <= stopCycles*g.Cycle || 3*x < 2*minutes || 2*x > 3*minutes {
			return false
		}
	}
	return true
}

// stoodStill returns for how many minutes the machine was seen to stand still since
// the part before, 0 where that is too short to cool or it was not seen to cut, and
// begins anew.
func (n *situation) stoodStill() float64 {
	minutes := float64(n.still) / 60_000
	n.still = 0
	if minutes <= stopMinutes || !n.cut {
		return 0
	}
	return minutes
}

func (s *State) applySeen(e Seen) {
	if p := s.Ledger.Seen; p != nil && e.Counter < p.Counter {
		s.applyCountBack(e.Counter)
	}
	s.Ledger.Seen = &e
	for i := range s.Ledger.Settings.Registers {
		b := s.book(s.Ledger.Settings.Registers[i].Name)
		if !b.Known {
			b.Known, b.Value = true, e.Registers[i]
		}
		if b.Pending == nil {
			b.Recent = 0
		}
	}
}

func (s *State) applyMoved(e Moved) {
	b := s.book(e.Register)
	for i := range s.Ledger.Settings.Loops {
		if l := &s.Ledger.Settings.Loops[i]; slices.Contains(l.Registers, e.Register) {
			s.remember(l, e.Register, e.Old)
		}
	}
	b.Value, b.Own, b.Alone, b.Swing = e.New, 0, 0, Swing{}
	b.Foreign = push(b.Foreign, e.Count, 2)
	for i := range s.Ledger.Loops {
		if l := s.Ledger.Settings.Loop(s.Ledger.Loops[i].Name); slices.Contains(l.Registers, e.Register) {
			s.Ledger.Loops[i].Rejected, s.Ledger.Loops[i].Back = nil, false // what a person sets for a new tool stands
		}
	}
}

func (s *State) applyTool(e ToolChanged) {
	g := &s.Ledger
	fresh := e.New > e.Old || e.Who != nil
	g.applyRenewed(e)
	s.handTool(e)
	for i := range g.Settings.Registers {
		if r := &g.Settings.Registers[i]; r.Tool == e.Tool && fresh { // a generation that went back is no new tool
			b := s.book(r.Name)
			b.Swing = Swing{}
			b.Spent, b.Own, b.Alone, b.LastMove = b.Recent, 0, 0, 0 // what was sent after the last look counts for the new tool
		}
	}
	for i := range g.Loops {
		l := g.Settings.Loop(g.Loops[i].Name)
		if !slices.ContainsFunc(l.Registers, func(r string) bool { return g.Settings.Register(r).Tool == e.Tool }) {
			continue
		}
		back := fresh && !g.Loops[i].First && !s.preset(l)
		g.Loops[i].begin()
		g.Loops[i].Back = back
		g.Loops[i].news()
		for k := range l.Characteristics {
			s.estimateOf(l.Name, k).note(estimate.Event{Kind: estimate.ToolChange, Part: int64(max(g.Seen.Counter, e.Last)) + 1})
		}
	}
}

// preset reports whether somebody has set a register of the loop by hand since the
// last part was counted.
func (s *State) preset(l *Loop) bool {
	return slices.ContainsFunc(l.Registers, func(name string) bool {
		f := s.book(name).Foreign
		return len(f) > 0 && f[len(f)-1] >= s.Ledger.Seen.Counter
	})
}
