package capability

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// nodes of the quadrature by which run lengths are solved; the kernel of a narrow
// average is some twelve of them wide.
const nodes = 96

// solve returns L of L = 1 + QL, the mean number of steps before leaving.
func solve(n int, q func(i, j int) float64) []float64 {
	a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		ones.SetVec(i, 1)
		for j := range n {
			v := -q(i, j)
			if i == j {
				v++
			}
			a.Set(i, j, v)
		}
	}
	var out mat.VecDense
	if err := out.SolveVec(a, ones); err != nil && math.IsInf(float64(asCondition(err)), 0) {
		panic(fmt.Sprintf("capability: a run length has no solution: %v", err))
	}
	return out.RawVector().Data
}

func asCondition(err error) mat.Condition {
	c, ok := err.(mat.Condition)
	if !ok {
		return mat.Condition(math.Inf(1))
	}
	return c
}

func legendre(a, b float64) (x, w []float64) {
	x, w = make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, a, b)
	return x, w
}

// EWMARunLength is the mean number of readings before an EWMA chart with steady limits
// signals, where the mean lies shift standard deviations from the target: the integral
// equation of Crowder (1987), by Gauss–Legendre quadrature.
func EWMARunLength(lambda, l, shift float64) float64 {
	h := l * math.Sqrt(lambda/(2-lambda))
	x, w := legendre(-h, h)
	kernel := func(u, y float64) float64 {
		return distuv.UnitNormal.Prob((y-(1-lambda)*u)/lambda-shift) / lambda
	}
	run := solve(nodes, func(i, j int) float64 { return w[j] * kernel(x[i], x[j]) })
	out := 1.0
	for j := range x {
		out += w[j] * kernel(0, x[j]) * run[j]
	}
	return out
}

// oneCUSUM returns the mean run length of a one-sided CUSUM as a function of where it
// starts: Page's integral equation with its atom at zero.
func oneCUSUM(k, h, shift float64) func(start float64) float64 {
	x, w := legendre(0, h)
	density := func(u, y float64) float64 { return distuv.UnitNormal.Prob(y + k - u - shift) }
	run := solve(nodes+1, func(i, j int) float64 {
		u := 0.0 // the last state is zero itself
		if i < nodes {
			u = x[i]
		}
		if j == nodes {
			return phi(k - u - shift)
		}
		return w[j] * density(u, x[j])
	})
	return func(start float64) float64 {
		out := 1 + phi(k-start-shift)*run[nodes]
		for j := range x {
			out += w[j] * density(start, x[j]) * run[j]
		}
		return out
	}
}

// CUSUMRunLength is the mean number of readings before a two-sided CUSUM signals, where
// the mean lies shift standard deviations from the target. The two sides are combined
// as by Lucas & Crosier (1982), with and without a fast start at h/2.
func CUSUMRunLength(k, h, shift float64, fast bool) float64 {
	up, down := oneCUSUM(k, h, shift), oneCUSUM(k, h, -shift)
	start := 0.0
	if fast {
		start = h / 2
	}
	a, b := up(0), down(0)
	return (up(start)*b + down(start)*a - a*b) / (a + b)
}
