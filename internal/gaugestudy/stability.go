package gaugestudy

import (
	"fmt"
	"math"

	"offsetbridge/internal/capability"
)

// Visit is one time that a gauge was put on a standard.
type Visit struct {
	Hours    float64 // since the first
	AsFound  float64 // reading − certified value, before anybody adjusted
	Adjusted bool
	Standard string
}

// Steady is how a gauge kept over time, from its visits to a standard.
type Steady struct {
	N        int
	Hours    float64 // from the first visit to the last
	Found    Figure  // mean of the changes since the visit before
	FoundP   float64 // of a mean change of none
	SD       Figure  // of a change from visit to visit
	Per24    Figure  // drift in a day: the changes over the time that they took
	Between  float64 // mean hours from visit to visit
	Changes  []Change
	Outside  int     // changes beyond three standard deviations of moving ranges
	Limits   float64 // ± about the mean change
	Walks    float64 // lag-one autocorrelation of the changes
	Standard map[string]int
}

// Change is what a gauge moved by between two visits.
type Change struct {
	Visit
	By      float64
	Since   float64 // hours
	Outside bool
}

// d2 of two neighbours, the expected range of two standard normal values: 2/√π.
const d2 = 2 / 1.772453850905516

// Stability takes visits in order. What matters is how far a gauge moves between
// visits: as found, less what was left the time before, which is nothing where it was
// adjusted. Visits to another standard begin anew, since two standards differ.
func Stability(visits []Visit, confidence float64) (*Steady, error) {
	s := &Steady{Standard: map[string]int{}}
	var m, waits capability.Moments
	left, standard := math.NaN(), ""
	for i, v := range visits {
		s.Standard[v.Standard]++
		if v.Standard != standard {
			left = math.NaN()
		}
		if !math.IsNaN(left) {
			c := Change{Visit: v, By: v.AsFound - left, Since: v.Hours - visits[i-1].Hours}
			s.Changes = append(s.Changes, c)
			m.Add(c.By)
			waits.Add(c.Since)
		}
		left, standard = v.AsFound, v.Standard
		if v.Adjusted {
			left = 0
		}
	}
	if m.N < 3 {
		return nil, fmt.Errorf("%w: %d visits to a standard give %d changes, at least 3 are needed (20 say something)", ErrStudy, len(visits), m.N)
	}
	s.N, s.Hours, s.Between, s.Walks = m.N, visits[len(visits)-1].Hours-visits[0].Hours, waits.Mean(), m.Lag1()
	all := place(0, &m, confidence)
	s.Found, s.FoundP = all.Bias, all.P
	n, sd, alpha := float64(m.N), m.SD(), (1-confidence)/2
	s.SD = Figure{sd, sd * math.Sqrt((n-1)/chi(1-alpha, n-1)), sd * math.Sqrt((n-1)/chi(alpha, n-1))}
	s.Per24 = unknown()
	if s.Between > 0 {
		k := 24 / s.Between
		s.Per24 = Figure{k * s.Found.Value, k * s.Found.Low, k * s.Found.High}
	}
	var ranges capability.Moments
	for i := 1; i < len(s.Changes); i++ {
		ranges.Add(math.Abs(s.Changes[i].By - s.Changes[i-1].By))
	}
	s.Limits = 3 * ranges.Mean() / d2
	for i := range s.Changes {
		if c := &s.Changes[i]; math.Abs(c.By-s.Found.Value) > s.Limits {
			c.Outside = true
			s.Outside++
		}
	}
	return s, nil
}
