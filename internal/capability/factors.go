package capability

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// C4 is the mean of a standard deviation with ν degrees of freedom over σ:
// √(2/ν)·Γ((ν+1)/2)/Γ(ν/2). The usual c4(n) is C4(n−1).
func C4(nu float64) float64 {
	a, _ := math.Lgamma((nu + 1) / 2)
	b, _ := math.Lgamma(nu / 2)
	return math.Sqrt(2/nu) * math.Exp(a-b)
}

// MostInSubgroup bounds the size of a subgroup judged by its range.
const MostInSubgroup = 25

// Factors of control charts for subgroups of N from a normal process. They are
// computed, not looked up: d2 and d3 by the integrals of Tippett (1925), c4 by
// gamma functions. Names are those of ISO 7870-2 and the NIST e-Handbook 6.3.2.
type Factors struct {
	N                        int
	D2, D3, C4               float64 // mean and standard deviation of the range, mean of s, over σ
	A, A2, A3, E2            float64
	B3, B4, B5, B6           float64
	RD1, RD2, RD3, RD4       float64 // D1 to D4 of the range chart
	MedianRange, RelativeVar float64 // median of the range over σ; (d3/d2)²
}

// FactorsFor returns the factors of subgroups of n, 2 ≤ n ≤ MostInSubgroup.
func FactorsFor(n int) Factors {
	f := Factors{N: n, C4: C4(float64(n - 1))}
	f.D2, f.D3 = rangeMoments(n)
	f.RelativeVar = (f.D3 / f.D2) * (f.D3 / f.D2)
	f.MedianRange = medianRange(n)
	root := math.Sqrt(float64(n))
	f.A, f.A2, f.A3, f.E2 = 3/root, 3/(f.D2*root), 3/(f.C4*root), 3/f.D2
	s := math.Sqrt(1 - f.C4*f.C4)
	f.B5, f.B6 = max(0, f.C4-3*s), f.C4+3*s
	f.B3, f.B4 = f.B5/f.C4, f.B6/f.C4
	f.RD1, f.RD2 = max(0, f.D2-3*f.D3), f.D2+3*f.D3
	f.RD3, f.RD4 = f.RD1/f.D2, f.RD2/f.D2
	return f
}

// reach is where a normal tail no longer counts.
const reach = 9

// rangeMoments integrates the distribution of the range of n standard normals.
// Mean: ∫ 1 − Φⁿ − (1−Φ)ⁿ. Second moment: 2 ∫ r (1 − F(r)) dr.
func rangeMoments(n int) (mean, sd float64) {
	if n == 2 { // closed form: |x₁ − x₂|
		return 2 / math.Sqrt(math.Pi), math.Sqrt(2 - 4/math.Pi)
	}
	k := float64(n)
	mean = quad.Fixed(func(x float64) float64 {
		p := phi(x)
		return 1 - math.Pow(p, k) - math.Pow(1-p, k)
	}, -reach, reach, 160, nil, 0)
	square := quad.Fixed(func(r float64) float64 { return 2 * r * (1 - rangeCDF(r, n)) }, 0, 2*reach, 120, nil, 0)
	return mean, math.Sqrt(square - mean*mean)
}

// rangeCDF is the distribution of the range of n standard normals:
// n ∫ φ(x) [Φ(x+r) − Φ(x)]ⁿ⁻¹ dx.
func rangeCDF(r float64, n int) float64 {
	return quad.Fixed(func(x float64) float64 {
		return float64(n) * distuv.UnitNormal.Prob(x) * math.Pow(phi(x+r)-phi(x), float64(n-1))
	}, -reach, reach, 160, nil, 0)
}

func medianRange(n int) float64 {
	return bisect(func(r float64) float64 { return rangeCDF(r, n) - 0.5 }, 0, 2*reach)
}

func phi(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// bisect finds where an increasing function is 0 between a and b.
func bisect(f func(float64) float64, a, b float64) float64 {
	for range 200 {
		m := a + (b-a)/2
		if m == a || m == b {
			break
		}
		if f(m) < 0 {
			a = m
		} else {
			b = m
		}
	}
	return a + (b-a)/2
}

// freedomOf returns the degrees of freedom of the chi distribution with the same
// relative variance as an estimate of σ (Patnaik 1950, on the scale of s):
// (1 − c4²)/c4² = relative variance.
func freedomOf(relative float64) float64 {
	return bisect(func(nu float64) float64 {
		c := C4(nu)
		return relative - (1-c*c)/(c*c)
	}, 1e-3, 1e9)
}
