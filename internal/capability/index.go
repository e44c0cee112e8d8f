package capability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Limits of size and the target, in the unit of the readings. NaN is no limit.
type Limits struct{ Lower, Upper, Target float64 }

// Both reports whether there are two limits.
func (l Limits) Both() bool { return !math.IsNaN(l.Lower) && !math.IsNaN(l.Upper) }

// Figure is an estimate with a two-sided confidence interval; NaN is unknown.
type Figure struct{ Value, Low, High float64 }

func unknown() Figure { return Figure{math.NaN(), math.NaN(), math.NaN()} }

// Confidence of every interval unless said otherwise.
const Confidence = 0.95

func z(confidence float64) float64 { return distuv.UnitNormal.Quantile(0.5 + confidence/2) }

// chi returns the square root of the quantile of χ²/ν.
func chi(p, nu float64) float64 {
	return math.Sqrt(distuv.ChiSquared{K: nu}.Quantile(p) / nu)
}

// Ratio is tolerance over six standard deviations (Cp, Pp; ISO 22514-2), with the
// interval of a standard deviation of ν degrees of freedom: χ².
func Ratio(l Limits, sd, nu, confidence float64) Figure {
	if !l.Both() || !(sd > 0) || !(nu > 0) {
		return unknown()
	}
	c := (l.Upper - l.Lower) / (6 * sd)
	a := (1 - confidence) / 2
	return Figure{c, c * chi(a, nu), c * chi(1-a, nu)}
}

// Nearest is the distance from the mean to the nearer limit over three standard
// deviations (Cpk, Ppk; ISO 22514-2). With two limits the interval is that of
// Bissell (1990): c ± z·√(1/(9n) + c²/(2ν)). With one it is exact: non-central t.
func Nearest(l Limits, mean, sd float64, n int, nu, confidence float64) Figure {
	c := nearest(l, mean, sd)
	if math.IsNaN(c) || !(nu > 0) {
		return unknown()
	}
	if !l.Both() {
		a := (1 - confidence) / 2
		return Figure{c, SideBound(c, n, nu, 1-a), SideBound(c, n, nu, a)}
	}
	half := z(confidence) * math.Sqrt(1/(9*float64(n))+c*c/(2*nu))
	return Figure{c, c - half, c + half}
}

func nearest(l Limits, mean, sd float64) float64 {
	if !(sd > 0) {
		return math.NaN()
	}
	c := math.Inf(1)
	if !math.IsNaN(l.Lower) {
		c = (mean - l.Lower) / (3 * sd)
	}
	if !math.IsNaN(l.Upper) {
		c = min(c, (l.Upper-mean)/(3*sd))
	}
	if math.IsInf(c, 1) {
		return math.NaN()
	}
	return c
}

// SideBound is the exact lower confidence bound of the index towards one limit,
// (limit − mean)/3s: the C for which an index as large as c would be seen with
// probability 1 − confidence. 3√n·ĉ is non-central t with 3√n·C.
func SideBound(c float64, n int, nu, confidence float64) float64 {
	k := 3 * math.Sqrt(float64(n))
	// The distribution falls as C grows, so the difference rises.
	f := func(bound float64) float64 { return confidence - noncentralT(k*c, nu, k*bound) }
	wide := 2*math.Abs(c) + 10/math.Sqrt(float64(n)) + 1
	return bisect(f, c-wide, c+wide)
}

// Targeted is tolerance over six times the root mean square distance from the
// target (Cpm; Taguchi index, Chan, Cheng & Spiring 1988), τ² = s²(n−1)/n +
// (mean−T)². Interval: χ² with the degrees of freedom of Boyles (1991),
// n(1+d²)²/(1+2d²), d = (mean−T)/s.
func Targeted(l Limits, mean, sd float64, n int, confidence float64) Figure {
	if !l.Both() || math.IsNaN(l.Target) || n < 2 {
		return unknown()
	}
	k := float64(n)
	off := mean - l.Target
	tau := math.Sqrt(sd*sd*(k-1)/k + off*off)
	if !(tau > 0) {
		return unknown()
	}
	d := 0.0
	nu := k
	if sd > 0 {
		d = off / sd
		nu = k * (1 + d*d) * (1 + d*d) / (1 + 2*d*d)
	}
	c := (l.Upper - l.Lower) / (6 * tau)
	a := (1 - confidence) / 2
	return Figure{c, c * chi(a, nu), c * chi(1-a, nu)}
}

// PerMillion is the share of a normal process beyond its limits, in parts per million.
func PerMillion(l Limits, mean, sd float64) (below, above float64) {
	if !math.IsNaN(l.Lower) {
		below = 1e6 * phi((l.Lower-mean)/sd)
	}
	if !math.IsNaN(l.Upper) {
		above = 1e6 * phi((mean-l.Upper)/sd)
	}
	return below, above
}
