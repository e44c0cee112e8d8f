// Package comparison tells whether groups of readings differ in location and in
// spread, and by how much: machines, spindles, tools, shifts, before and after.
//
// [Compare] looks at every pair of groups. Locations are compared without assuming
// equal spreads (Welch), spreads without assuming normal readings (Brown and Forsythe);
// every p value is corrected for the number of looks (Holm 1979), and the intervals
// hold together. Nothing here depends on a clock or on chance: the same readings give
// the same answer.
package comparison

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Group is the readings of one machine, tool, shift…, in the order in which they came.
type Group struct {
	Name   string
	Values []float64
}

// The bounds of a comparison.
const (
	MostGroups = 24 // 276 pairs
	Fewest     = 3  // readings of a group; fewer say nothing about its spread
)

// The reasons why groups cannot be compared.
var (
	ErrGroups   = errors.New("the groups cannot be compared")
	ErrConstant = errors.New("the readings do not scatter")
)

// above is the probability of more than f under an F distribution.
func above(f, d1, d2 float64) float64 {
	if math.IsNaN(f) {
		return math.NaN()
	}
	if math.IsInf(f, 1) {
		return 0
	}
	return mathext.RegIncBeta(d2/2, d1/2, d2/(d2+d1*f)) // the small tail itself, not 1 − the large one
}

// twoSided is the probability of more than |t| under Student's distribution.
func twoSided(t, freedom float64) float64 {
	if math.IsNaN(t) {
		return math.NaN()
	}
	return mathext.RegIncBeta(freedom/2, 0.5, freedom/(freedom+t*t))
}

func studentQuantile(p, freedom float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile(p)
}

func normalQuantile(p float64) float64 { return distuv.UnitNormal.Quantile(p) }

// sdInterval is the interval of a standard deviation of normal readings.
func sdInterval(sd, freedom, confidence float64) (low, high float64) {
	chi := distuv.ChiSquared{K: freedom}
	return sd * math.Sqrt(freedom/chi.Quantile((1+confidence)/2)), sd * math.Sqrt(freedom/chi.Quantile((1-confidence)/2))
}
