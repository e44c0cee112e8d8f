package capability

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Normality is a test of the hypothesis that a sample is normal.
type Normality struct {
	Test      string // its name
	N         int    // readings it used
	Statistic float64
	P         float64
}

// Significance of the judgement on shape. One in a hundred normal samples is called
// otherwise: with many features judged every week, one in twenty would replace good
// figures by wider ones without cause.
const Significance = 0.01

// mostTested bounds the readings that a test looks at; the approximation of Royston
// reaches no further, and beyond it every real process differs from a normal one.
const mostTested = 5000

// JudgeShape tests a tally: Shapiro–Wilk, and Anderson–Darling where there are more
// readings than that test is made for. Rounded readings are spread over the step of
// the readout first; more than 5000 are thinned to 5000 evenly spaced ones.
func JudgeShape(t *Tally) Normality {
	x := t.spread(mostTested)
	if t.n > mostTested {
		return AndersonDarling(x)
	}
	return ShapiroWilk(x)
}

// AndersonDarling tests for a normal distribution of unknown mean and variance; p by
// D'Agostino & Stephens (1986), table 4.9. P is NaN for fewer than 8 readings.
func AndersonDarling(x []float64) Normality {
	x = slices.Sorted(slices.Values(x))
	out := Normality{Test: "Anderson–Darling", N: len(x), Statistic: math.NaN(), P: math.NaN()}
	n := float64(len(x))
	mean, sd := stat.MeanStdDev(x, nil)
	if len(x) < 8 || !(sd > 0) {
		return out
	}
	s := 0.0
	for i, v := range x {
		w := x[len(x)-1-i]
		s += float64(2*i+1) * (logPhi((v-mean)/sd) + logPhi(-(w-mean)/sd))
	}
	out.Statistic = -n - s/n
	out.P = darlingP(out.Statistic * (1 + 0.75/n + 2.25/(n*n)))
	return out
}

func logPhi(x float64) float64 {
	if x < -30 { // the tail underflows: Mills' ratio
		return -x*x/2 - math.Log(-x) - 0.5*math.Log(2*math.Pi)
	}
	return math.Log(phi(x))
}

func darlingP(a float64) float64 {
	switch {
	case a < 0.2:
		return 1 - math.Exp(-13.436+101.14*a-223.73*a*a)
	case a < 0.34:
		return 1 - math.Exp(-8.318+42.796*a-59.938*a*a)
	case a < 0.6:
		return math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	case a < 10:
		return math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
	}
	return 3.7e-24
}

// poly is the polynomial with these coefficients, constant first.
func poly(x float64, c ...float64) float64 {
	out := 0.0
	for _, k := range slices.Backward(c) {
		out = out*x + k
	}
	return out
}

// ShapiroWilk tests for a normal distribution by the approximation of Royston (1995,
// algorithm AS R94), 3 ≤ n ≤ 5000; P is NaN outside.
func ShapiroWilk(x []float64) Normality {
	x = slices.Sorted(slices.Values(x))
	n := len(x)
	out := Normality{Test: "Shapiro–Wilk", N: n, Statistic: math.NaN(), P: math.NaN()}
	if n < 3 || n > mostTested || x[0] == x[n-1] {
		return out
	}
	a := shapiroWeights(n)
	mean := stat.Mean(x, nil)
	b, squares := 0.0, 0.0
	for i, v := range x {
		b += a[i] * (v - mean)
		squares += (v - mean) * (v - mean)
	}
	w := min(1, b*b/squares)
	out.Statistic, out.P = w, shapiroP(w, n)
	return out
}

func shapiroWeights(n int) []float64 {
	if n == 3 {
		return []float64{-math.Sqrt2 / 2, 0, math.Sqrt2 / 2}
	}
	m := make([]float64, n)
	for i := range m {
		m[i] = distuv.UnitNormal.Quantile((float64(i+1) - 0.375) / (float64(n) + 0.25))
	}
	square := floats.Dot(m, m)
	norm, u := math.Sqrt(square), 1/math.Sqrt(float64(n))
	last := poly(u, 0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056) + m[n-1]/norm
	a := slices.Clone(m)
	if n > 5 {
		second := poly(u, 0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633) + m[n-2]/norm
		rest := (square - 2*m[n-1]*m[n-1] - 2*m[n-2]*m[n-2]) / (1 - 2*last*last - 2*second*second)
		floats.Scale(1/math.Sqrt(rest), a)
		a[n-2], a[1] = second, -second
	} else {
		floats.Scale(1/math.Sqrt((square-2*m[n-1]*m[n-1])/(1-2*last*last)), a)
	}
	a[n-1], a[0] = last, -last
	return a
}

func shapiroP(w float64, n int) float64 {
	if n == 3 {
		return max(0, 6/math.Pi*(math.Asin(math.Sqrt(w))-math.Asin(math.Sqrt(0.75))))
	}
	y, k := math.Log(1-w), float64(n)
	var mean, sd float64
	if n <= 11 {
		gamma := poly(k, -2.273, 0.459)
		if y >= gamma {
			return 1e-99
		}
		y = -math.Log(gamma - y)
		mean = poly(k, 0.544, -0.39978, 0.025054, -6.714e-4)
		sd = math.Exp(poly(k, 1.3822, -0.77857, 0.062767, -0.0020322))
	} else {
		l := math.Log(k)
		mean = poly(l, -1.5861, -0.31082, -0.083751, 0.0038915)
		sd = math.Exp(poly(l, -0.4803, -0.082676, 0.0030302))
	}
	return phi(-(y - mean) / sd)
}
