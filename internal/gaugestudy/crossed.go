package gaugestudy

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"offsetbridge/internal/capability"
)

// Reading is one of a crossed study: every operator measures every part, equally
// often.
type Reading struct {
	Part, Operator string
	Value          float64
}

// Pooling says what becomes of the interaction of operators and parts.
type Pooling string

// The interaction is pooled into repeatability where it shows nothing.
const (
	PoolAuto   Pooling = "auto" // pooled where its p is above PoolAbove
	PoolAlways Pooling = "always"
	PoolNever  Pooling = "never"
)

// PoolAbove is the customary level: an interaction with a larger p is pooled
// (common practice of measurement systems analysis).
const PoolAbove = 0.25

// Line is one of an analysis of variance.
type Line struct {
	Name       string
	Df, SS, MS float64
	F, P       float64 // NaN of the residual
	Against    string  // what F is against
}

// Components are variances, and what follows of them.
type Components struct {
	Repeatability   Figure
	Operator        Figure
	Interaction     Figure // zero where it was pooled
	Reproducibility Figure // operator and interaction
	Gauge           Figure // repeatability and reproducibility
	Part            Figure
	Total           Figure
	Percent         Figure // 100 · sd of the gauge / sd of all that was measured
	Tolerance       Figure // 100 · 6 · sd of the gauge / tolerance; NaN without one
	Categories      Figure // 1.41 · sd of the parts / sd of the gauge
	NDC             int    // the same cut off to a whole number, 1 at least
	Lines           []Line
	Pooled          bool
}

// Study is a whole crossed one.
type Study struct {
	Parts, Operators []string
	Trials           int
	Chosen           Components
	With, Without    Components // the interaction kept, and pooled; Without is empty of a single operator
	Confidence       float64
}

// Options of a crossed study.
type Options struct {
	Pool       Pooling
	Tolerance  float64 // NaN or 0: none
	Confidence float64
}

// mostCells bounds a study.
const mostCells = 20_000

// cells are the sums of a crossed study.
type cells struct {
	parts, operators []string
	trials           int
	of               map[[2]int][]float64
}

// gather sorts readings into cells, and says what is missing.
func gather(readings []Reading) (*cells, error) {
	c := &cells{of: map[[2]int][]float64{}}
	place := func(names *[]string, name string) int {
		at := slices.Index(*names, name)
		if at < 0 {
			at = len(*names)
			*names = append(*names, name)
		}
		return at
	}
	for _, r := range readings {
		k := [2]int{place(&c.parts, r.Part), place(&c.operators, r.Operator)}
		if len(c.parts)*len(c.operators) > mostCells {
			return nil, fmt.Errorf("%w: more than %d pairs of part and operator, is the right column named?", ErrStudy, mostCells)
		}
		c.of[k] = append(c.of[k], r.Value)
		c.trials = max(c.trials, len(c.of[k]))
	}
	if len(c.parts) < 2 || c.trials < 2 {
		return nil, fmt.Errorf("%w: %d parts measured up to %d times by one operator, take at least 2 parts and 2 trials (10 parts, 3 operators and 3 trials are usual)", ErrStudy, len(c.parts), c.trials)
	}
	var missing []error
	for p, part := range c.parts {
		for o, operator := range c.operators {
			if n := len(c.of[[2]int{p, o}]); n != c.trials && len(missing) < 5 {
				missing = append(missing, fmt.Errorf("%w: part %s has %d readings of operator %s, others %d; measure it again or leave it out", ErrStudy, part, n, operator, c.trials))
			}
		}
	}
	return c, errors.Join(missing...)
}

// squares are the sums of squares of a crossed study.
type squares struct{ part, operator, cell, error float64 }

func (c *cells) squares() (q squares) {
	all, n := capability.Moments{}, float64(c.trials)
	part, operator := make([]capability.Moments, len(c.parts)), make([]capability.Moments, len(c.operators))
	cell := make([]float64, 0, len(c.of))
	first := c.of[[2]int{0, 0}][0] // sums are of distances from it, against cancellation
	mean := map[[2]int]float64{}
	for p := range c.parts {
		for o := range c.operators {
			var m capability.Moments
			for _, v := range c.of[[2]int{p, o}] {
				v -= first
				m.Add(v)
				all.Add(v)
				part[p].Add(v)
				operator[o].Add(v)
			}
			q.error += m.Squares()
			mean[[2]int{p, o}] = m.Mean()
			cell = append(cell, m.Mean())
		}
	}
	grand := all.Mean()
	for p := range part {
		d := part[p].Mean() - grand
		q.part += n * float64(len(c.operators)) * d * d
	}
	for o := range operator {
		d := operator[o].Mean() - grand
		q.operator += n * float64(len(c.parts)) * d * d
	}
	for p := range part {
		for o := range operator {
			d := mean[[2]int{p, o}] - part[p].Mean() - operator[o].Mean() + grand
			q.cell += n * d * d
		}
	}
	return q
}

// Crossed analyses a study of parts and operators as random effects by the analysis
// of variance. F of parts and operators is against the interaction, or against the
// residual where that is pooled; components are from expected mean squares, negative
// ones taken as none. Intervals are generalized ones (M. Hamada, S. Weerahandi 2000;
// R. K. Burdick, C. M. Borror, D. C. Montgomery 2005; both from memory), of
// repeatability χ². With a single operator there is no reproducibility to see.
func Crossed(readings []Reading, o Options) (*Study, error) {
	c, err := gather(readings)
	if err != nil {
		return nil, err
	}
	q := c.squares()
	if q.error == 0 {
		return nil, fmt.Errorf("%w: every operator read every part alike each time, use a gauge that resolves the scatter", ErrStudy)
	}
	s := &Study{Parts: c.parts, Operators: c.operators, Trials: c.trials, Confidence: o.Confidence}
	d := design{p: float64(len(c.parts)), o: float64(len(c.operators)), r: float64(c.trials), q: q, options: o, draws: draws}
	if len(c.operators) == 1 {
		s.With = d.single()
		s.Chosen = s.With
		return s, nil
	}
	s.With, s.Without = d.with(), d.without()
	s.Chosen = s.With
	if at := s.With.Lines[2]; o.Pool == PoolAlways || o.Pool != PoolNever && at.P > PoolAbove {
		s.Chosen = s.Without
	}
	return s, nil
}

// In names the lines of an analysis.
func (c *Components) In(name string) Line {
	i := slices.IndexFunc(c.Lines, func(l Line) bool { return strings.EqualFold(l.Name, name) })
	if i < 0 {
		nan := math.NaN()
		return Line{Name: name, Df: nan, SS: nan, MS: nan, F: nan, P: nan}
	}
	return c.Lines[i]
}
