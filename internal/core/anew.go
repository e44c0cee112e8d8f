package core

import "slices"

// Numbers are what a gauge says of its readings' numbers when they fall behind: its
// count, or its gateway's, began anew, or two gauges have one name. Nothing of it is
// used until a person has put the gauge on its standard; from then on the new count
// holds, and what is left of the old one can be told from it by its part.
type Numbers struct {
	Late   uint64 `json:"late,omitempty"`   // the last number below the newest
	Behind int    `json:"behind,omitempty"` // two up for each that rises below the newest, one down for each above
	Was    uint64 `json:"was,omitempty"`    // the newest of the old count
	Since  uint64 `json:"since,omitempty"`  // parts up to this one may have been read in it
}

// behindLimit is how far behind is told: three in a row, or every second for long.
// One message whose number was damaged does not come to it.
const behindLimit = 6

// codeNumbers is what a loop waits for whose gauge has fallen behind.
const codeNumbers Code = "w-numbers"

func init() {
	AddWords(map[Code]string{
		codeNumbers: "waits, the gauge's readings come with numbers below one already used: its count began anew, or two gauges have one name, look which and put it on its ring to go on",
	})
}

func (g *GaugeBook) behind() bool { return g.Numbers.Behind >= behindLimit }

// counts follows the number of a reading that came now.
func (g *GaugeBook) counts(n uint64) {
	x := &g.Numbers
	switch {
	case n == 0 || n == g.Last || n == x.Late:
	case n > g.Last:
		g.Last = n
		if x.Behind = max(0, x.Behind-1); n > x.Was {
			x.Was, x.Since = 0, 0
		}
	case n > x.Late:
		x.Late, x.Behind = n, min(x.Behind+2, 2*behindLimit)
	default:
		x.Late, x.Behind = n, 2
	}
}

// anew lets the count of a gauge that fell behind begin where it is.
func (s *State) anew(gauge string) {
	g := s.known(gauge)
	if g == nil || !g.behind() {
		return
	}
	was := max(g.Numbers.Was, g.Last)
	g.Last, g.Numbers = g.Numbers.Late, Numbers{Was: was}
	if s.Ledger.Seen != nil {
		g.Numbers.Since = s.Ledger.Seen.Counter
	}
}

// ofOldCount reports whether a reading may be one of the count that a gauge had
// before: it has a number of both, and its part is one of then.
func (s *State) ofOldCount(r Reading, count uint64) bool {
	g := s.known(r.Gauge)
	return g != nil && 0 < r.Sequence && r.Sequence <= g.Numbers.Was && count <= g.Numbers.Since
}

// numbersOf says whether one of a loop's gauges has fallen behind.
func (s *State) numbersOf(l *Loop) Code {
	for i := range l.Characteristics {
		if slices.ContainsFunc(l.Characteristics[i].Gauges, func(u GaugeUse) bool {
			g := s.known(u.Gauge)
			return g != nil && g.behind()
		}) {
			return codeNumbers
		}
	}
	return ""
}
