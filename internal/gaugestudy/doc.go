// Package gaugestudy tells how much of what a gauge shows is the gauge: studies of
// operators and parts ([Crossed]), of one standard ([OnStandard]), over a range
// ([Linearity]) and over time ([Stability]).
//
// A study speaks of the places, parts, people and conditions that were in it. It
// cannot show an error that every one of its readings shares: a wrong standard, a
// wrong set of anvils, a form of the part that the head does not see ([Blind]).
// Nothing here depends on a clock; intervals that are drawn by lot are drawn from a
// fixed start, so that the same readings give the same figures.
package gaugestudy

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// ErrStudy means that readings make no study.
var ErrStudy = errors.New("the readings are no study")

// Figure is an estimate with a two-sided interval; NaN is unknown.
type Figure struct{ Value, Low, High float64 }

func unknown() Figure { return Figure{math.NaN(), math.NaN(), math.NaN()} }

// Head is how a gauge touches the part.
type Head string

// The heads whose blindness is known.
const (
	ThreePoint Head = "three-point"
	TwoPoint   Head = "two-point"
	Other      Head = ""
)

// Blind says what no study with a head can show. Lobes: a head of three contacts at
// 120° has the same reading at every angle for a part of 2, 4, 5, 7 or 8 lobes and
// shows 3, 6 and 9 in full; one of two contacts does not see odd numbers of lobes
// (from the geometry of a circle with a harmonic: 1 + 2·cos(2πn/3) and 1 + cos πn).
func Blind(h Head) []string {
	const shared = "An error that all readings share is not in these figures: a standard other than its certificate, a wrong set of anvils, the temperature of the day. A wrong set of anvils gives a wrong number with perfect repeatability."
	switch h {
	case ThreePoint:
		return []string{
			"A three-point head does not see parts of 2, 4, 5, 7 or 8 lobes: ovality and most form errors are not in these figures, however small they are, and no study with this head shows them. Turn the part by 60° and read again, or check form by other means.",
			"A three-point head measures neither the two-point size nor the functional size of a thread; this study says how well its own number repeats.",
			shared,
		}
	case TwoPoint:
		return []string{"A two-point head does not see parts with an odd number of lobes, as a three-jaw chuck leaves them: that is not in these figures.", shared}
	}
	return []string{"What the head does not see is not in these figures: a three-point head is blind to 2, 4, 5, 7 and 8 lobes (ovality among them), a two-point head to odd numbers of lobes.", shared}
}

func above(f, d1, d2 float64) float64 {
	switch {
	case math.IsNaN(f):
		return math.NaN()
	case math.IsInf(f, 1):
		return 0
	}
	return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f))
}

func twoSided(t, freedom float64) float64 {
	if math.IsNaN(t) {
		return math.NaN()
	}
	return mathext.RegIncBeta(freedom/2, 0.5, freedom/(freedom+t*t))
}

func studentQuantile(p, freedom float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile(p)
}

func chi(p, freedom float64) float64 { return distuv.ChiSquared{K: freedom}.Quantile(p) }
