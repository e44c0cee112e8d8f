package core

import (
	"math"
	"slices"

	"offsetbridge/internal/estimate"
)

// Rival is the same estimate under the assumption that the register acts another
// way than configured. While the direction is unproven it is asked, reading by
// reading, whether it foretells the sizes better than the configured effect does:
// drift, heat, tool changes and steps are reckoned with alike on both sides, so
// that only the response tells them apart.
type Rival struct {
	Acts   Effect              `json:"acts"` // true ÷ configured effect, in thousandths
	Odds   float64             `json:"odds"` // log likelihood ratio, for the rival
	Row    int                 `json:"row"`  // parts in a row at which it was far ahead
	Filter *estimate.Estimator `json:"filter"`
}

// How far a rival must be ahead, and at how many parts in a row, before its loop is
// held; and how far behind before it is forgotten. If the configured effect is
// right, the odds exceed e^x at any time with probability e^-x at most (Ville's
// inequality).
const (
	rivalAhead  = 4.6 // 100 to 1
	rivalRow    = 2
	rivalBehind = -7.0
	rivalOut    = -3.0 // one in twenty: too little for doubt about the direction
	// Of readings nothing foretells: something under the anvil, a step. Spread over
	// the tolerance; so no single surprise counts for more than it should.
	oddShare = 1e-3
)

// rivals are what a mistaken sign or register looks like.
func rivals(s estimate.Settings) []Rival {
	all := []Rival{{Acts: -1000}, {Acts: 0}, {Acts: right}}
	for i := range all {
		x := s
		x.EffectOff, x.EffectSigma = all[i].Acts.Float()-1, 0.1
		if all[i].Acts == right {
			x.EffectSigma, x.WearTimes = s.EffectSigma, 5
		}
		all[i].Filter = estimate.New(x)
	}
	return all
}

// right is the effect as configured: the rival that stands in for it where wear is
// far faster than is usual, so that fast wear followed from the first part on is
// not taken for a register without effect.
const right = 1000

// contend lets the rivals see what the estimate saw. A further reading of the same
// cut says nothing more about the register.
func (e *Estimate) contend(o *estimate.Observation, v *estimate.Verdict) {
	for i := range e.Rivals {
		r := &e.Rivals[i]
		rv := r.Filter.Observe(*o)
		if v.SigmaInnovation == 0 || rv.SigmaInnovation == 0 || o.Regauge {
			continue
		}
		r.Odds += e.logDensity(&rv) - e.logDensity(v)
	}
	best := e.configured()
	for i := range e.Rivals {
		if r := &e.Rivals[i]; r.Acts == right || r.Odds-best <= rivalAhead {
			r.Row = 0
		} else if !o.Regauge {
			r.Row++
		}
	}
	e.Rivals = slices.DeleteFunc(e.Rivals, func(r Rival) bool { return r.Odds-best < rivalBehind })
}

// configured is how well the configured effect does at its best.
func (e *Estimate) configured() float64 {
	best := 0.0
	for i := range e.Rivals {
		if r := &e.Rivals[i]; r.Acts == right {
			best = max(best, r.Odds)
		}
	}
	return best
}

func (e *Estimate) logDensity(v *estimate.Verdict) float64 {
	x := v.Innovation / v.SigmaInnovation
	normal := math.Exp(-x*x/2) / (v.SigmaInnovation * math.Sqrt(2*math.Pi))
	return math.Log((1-oddShare)*normal + oddShare/(2*max(e.Filter.Settings.HalfTolerance, v.SigmaInnovation)))
}

// note tells the estimate and its rivals of an event.
func (e *Estimate) note(ev estimate.Event) {
	e.Filter.Note(ev)
	for i := range e.Rivals {
		e.Rivals[i].Filter.Note(ev)
	}
}

// ahead returns the rival that explains the sizes better, nil when none does.
func (e *Estimate) ahead() *Rival {
	for i := range e.Rivals {
		if e.Rivals[i].Row >= rivalRow {
			return &e.Rivals[i]
		}
	}
	return nil
}

// shown reports whether the direction of the effect has been shown: by the pooled
// response, and with no rival left that explains the sizes nearly as well. The
// response alone would not do, since a drift that every correction follows looks
// like a register that acts.
func (e *Estimate) shown(b *SizeBook) bool { return b.recutShows() || e.answered(b) }

func (e *Estimate) answered(b *SizeBook) bool {
	return b.Response.Proven() && !slices.ContainsFunc(e.Rivals, func(r Rival) bool { return r.Acts != right && r.Odds-e.configured() > rivalOut })
}

// proved forgets the rivals once the direction has been shown.
func (e *Estimate) proved(b *SizeBook) {
	if e.answered(b) {
		e.Rivals = nil
	}
}

// resumed gives the configured effect another chance: a person looked.
func (e *Estimate) resumed() {
	for i := range e.Rivals {
		e.Rivals[i].Odds, e.Rivals[i].Row = 0, 0
	}
}

// says is what a rival means, for the person who looks.
func (r *Rival) says() string {
	if r.Acts < 0 {
		return "it seems to act the other way"
	}
	return "it seems to have no effect"
}

// recut takes the reading of a part that was cut again. A re-cut is a population of
// its own: thin chips rub, and a pass without any change still removes metal
// (common practice). So it says nothing of the size of the effect, and its sign is
// shown only when most of what was commanded has come off.
func (s *State) recut(b *SizeBook, e *Judged) {
	before, now := s.cut(b.Last.Count), s.cut(e.Count)
	if before == nil || now == nil || before.Serial == "" || before.Serial != now.Serial || now.Nth != before.Nth+1 || e.Regauge {
		return
	}
	b.Recuts.Add(e.Command-b.Last.Command, e.Deviation-b.Last.Deviation, e.Noise*3/2)
}

// recutShows reports whether parts cut again have shown the direction.
func (b *SizeBook) recutShows() bool {
	ratio, se := b.Recuts.Ratio()
	return b.Recuts.Moves > 0 && ratio-2*se > 0.5
}
