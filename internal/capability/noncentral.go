package capability

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// noncentralT is the distribution function of Student's t with ν degrees of
// freedom and non-centrality δ: the mean of Φ(t·s − δ) over s = √(χ²ν/ν). It is
// integrated over the part of s that carries weight.
func noncentralT(t, nu, delta float64) float64 {
	square := distuv.ChiSquared{K: nu}
	const rest = 1e-13
	low, high := math.Sqrt(square.Quantile(rest)/nu), math.Sqrt(square.Quantile(1-rest)/nu)
	log := math.Log(2) + nu/2*math.Log(nu/2) - lgamma(nu/2)
	density := func(s float64) float64 { return math.Exp(log + (nu-1)*math.Log(s) - nu*s*s/2) }
	return quad.Fixed(func(s float64) float64 { return phi(t*s-delta) * density(s) }, low, high, 200, nil, 0)
}

func lgamma(x float64) float64 {
	v, _ := math.Lgamma(x)
	return v
}
