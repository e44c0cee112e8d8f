package capability

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Change is where a series changed its mean, if it did so once and at a stroke.
type Change struct {
	At          int     // of the first value after it, from 0
	First, Last int     // At lies between these, with the confidence asked for
	By          float64 // mean after − mean before, or − the target
	Low, High   float64 // its interval; a little too far from zero, since the largest was looked for
}

// ChangeOf finds the most likely change of independent normal values of standard
// deviation sigma: from the mean of those before it, or from a target (NaN: none is
// known; with one the change may lie before the first value). The set of places is that
// of the likelihood ratio, whose limit law P(LR ≤ x) = (1 − e^(−x/2))² is Hansen's
// (2000, from memory); it holds for changes that are small beside the scatter and is
// wide for large ones. Series of fewer than two values give no change: At is −1.
func ChangeOf(x []float64, sigma, target, confidence float64) Change {
	n := len(x)
	if n < 2 || !(sigma > 0) {
		return Change{At: -1, By: math.NaN(), Low: math.NaN(), High: math.NaN()}
	}
	known := !math.IsNaN(target)
	about := target
	if !known {
		var m Moments
		for _, v := range x {
			m.Add(v)
		}
		about = m.Mean()
	}
	ratio, after := make([]float64, n), 0.0
	least := 1 // a mean of those before needs one
	if known {
		least = 0
	}
	best := least
	for i := n - 1; i >= least; i-- {
		after += x[i] - about
		k := float64(n - i)
		ratio[i] = after * after / k
		if !known {
			ratio[i] *= float64(n) / float64(i)
		}
		if ratio[i] >= ratio[best] {
			best = i
		}
	}
	out := Change{At: best, First: best, Last: best}
	near := -2 * math.Log(1-math.Sqrt(confidence)) * sigma * sigma
	for i := least; i < n; i++ {
		if ratio[best]-ratio[i] <= near {
			out.First, out.Last = min(out.First, i), max(out.Last, i)
		}
	}
	var before, later Moments
	for i, v := range x {
		if i < best {
			before.Add(v)
		} else {
			later.Add(v)
		}
	}
	variance := sigma * sigma / float64(later.N)
	out.By = later.Mean() - target
	if !known {
		variance += sigma * sigma / float64(before.N)
		out.By = later.Mean() - before.Mean()
	}
	half := -distuv.UnitNormal.Quantile((1-confidence)/2) * math.Sqrt(variance)
	out.Low, out.High = out.By-half, out.By+half
	return out
}

// ByChance is the probability of so many signals or more where mean are expected
// (Poisson): of a process that does not change, false alarms are rare and fall apart.
func ByChance(many int, mean float64) float64 {
	if many <= 0 {
		return 1
	}
	return mathext.GammaIncReg(float64(many), mean)
}

// Missed is the smallest change that a chart seldom overlooks: of n points the last half
// are shifted, and so many alarms that chance alone gives them with a probability below
// shown come in all but a share miss of such series. A false alarm shows nothing, however
// long the series is. run gives the mean points to an alarm at a shift; where the centre
// is the mean of the same points, half of the change goes into it, and both halves lie
// off. Alarms are counted as Poisson's. NaN where no change below ten standard deviations
// is sure to be seen.
func Missed(n int, own bool, shown, miss float64, run func(shift float64) float64) float64 {
	steady := 1 / run(0)
	enough := 1
	for ByChance(enough, float64(n)*steady) >= shown {
		enough++
	}
	half := float64(n) / 2
	seen := func(shift float64) bool {
		mean := half/run(shift) + half*steady
		if own {
			mean = float64(n) / run(shift/2)
		}
		return ByChance(enough, mean) >= 1-miss
	}
	low, high := 0.0, 10.0
	if !seen(high) {
		return math.NaN()
	}
	for high-low > 0.01 {
		if middle := (low + high) / 2; seen(middle) {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}
