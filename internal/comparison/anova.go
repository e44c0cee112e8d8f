package comparison

import (
	"math"
	"slices"

	"offsetbridge/internal/capability"
)

// Anova is a one-way analysis of variance.
type Anova struct {
	Between, Within     float64 // sums of squares
	DfBetween, DfWithin float64
	F, P                float64
	R2                  float64 // share of the sum of squares that lies between the groups
	SD                  float64 // within the groups
}

// OneWay analyses groups that are taken to scatter alike. Sums are of distances from
// the first reading of all, with the error of each addition kept, as certified values
// ask for (NIST StRD).
func OneWay(groups []Group) Anova {
	var all, means capability.Moments
	var a Anova
	within := make([]float64, 0, len(groups))
	for _, g := range groups {
		m := moments(g.Values)
		within = append(within, m.Squares())
		for _, x := range g.Values {
			all.Add(x)
		}
		means.Add(m.Mean())
	}
	slices.Sort(within)
	for _, w := range within {
		a.Within += w
	}
	grand := all.Mean()
	for _, g := range groups {
		d := distance(g.Values, grand)
		a.Between += float64(len(g.Values)) * d * d
	}
	a.DfBetween, a.DfWithin = float64(len(groups)-1), float64(all.N-len(groups))
	a.F = (a.Between / a.DfBetween) / (a.Within / a.DfWithin)
	a.P = above(a.F, a.DfBetween, a.DfWithin)
	a.R2 = a.Between / (a.Between + a.Within)
	a.SD = math.Sqrt(a.Within / a.DfWithin)
	return a
}

// distance is mean(x) − c without the rounding of the mean itself.
func distance(x []float64, c float64) float64 {
	var m capability.Moments
	for _, v := range x {
		m.Add(v - c)
	}
	return m.Mean()
}

func moments(x []float64) *capability.Moments {
	m := &capability.Moments{}
	for _, v := range x {
		m.Add(v)
	}
	return m
}

// Test is a statistic with its degrees of freedom.
type Test struct{ F, Df1, Df2, P float64 }

// Welch tests whether all groups have one location, whatever their spreads are
// (B. L. Welch 1951). inflate, where given, is by how much the variance of each mean
// is larger than of independent readings.
func Welch(groups []Group, inflate []float64) Test {
	k := float64(len(groups))
	var weights, sum float64
	w, mean := make([]float64, len(groups)), make([]float64, len(groups))
	first := groups[0].Values[0] // against cancellation
	for i, g := range groups {
		m := moments(g.Values)
		n := float64(m.N)
		w[i] = n / (m.Squares() / (n - 1))
		if inflate != nil {
			w[i] /= inflate[i]
		}
		mean[i] = distance(g.Values, first)
		weights += w[i]
		sum += w[i] * mean[i]
	}
	centre := sum / weights
	var between, lambda float64
	for i, g := range groups {
		between += w[i] * (mean[i] - centre) * (mean[i] - centre)
		u := 1 - w[i]/weights
		lambda += u * u / (effective(len(g.Values), inflate, i) - 1)
	}
	t := Test{Df1: k - 1, Df2: (k*k - 1) / (3 * lambda)}
	t.F = between / (k - 1) / (1 + 2*(k-2)*lambda/(k*k-1))
	t.P = above(t.F, t.Df1, t.Df2)
	return t
}

// effective is how many independent readings a group is worth, two at least.
func effective(n int, inflate []float64, i int) float64 {
	if inflate == nil {
		return float64(n)
	}
	return max(2, float64(n)/inflate[i])
}

// BrownForsythe tests whether all groups spread alike: a one-way analysis of the
// distances from each group's median (M. B. Brown, A. B. Forsythe 1974), which holds
// for skewed and long-tailed readings too.
func BrownForsythe(groups []Group) Test {
	far := make([]Group, len(groups))
	for i, g := range groups {
		m := Median(g.Values)
		far[i].Values = make([]float64, len(g.Values))
		for k, x := range g.Values {
			far[i].Values[k] = math.Abs(x - m)
		}
	}
	a := OneWay(far)
	return Test{a.F, a.DfBetween, a.DfWithin, a.P}
}

// Median is the middle one, or the mean of the middle two; NaN of nothing.
func Median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(x))
	m := len(s) / 2
	if len(s)%2 == 1 {
		return s[m]
	}
	return s[m-1] + (s[m]-s[m-1])/2
}

// Holm corrects p values for the number of looks, so that the chance of calling any
// difference that is none stays below the level (S. Holm 1979). NaN is no look.
func Holm(p []float64) []float64 {
	out := slices.Clone(p)
	order := make([]int, 0, len(p))
	for i := range p {
		if !math.IsNaN(p[i]) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	worst := 0.0
	for rank, i := range order {
		worst = max(worst, min(1, float64(len(order)-rank)*p[i]))
		out[i] = worst
	}
	return out
}
