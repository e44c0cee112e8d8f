package comparison

import (
	"fmt"
	"math"
	"slices"

	"offsetbridge/internal/capability"
)

// Figure is an estimate with its interval, its p value, and that value corrected.
type Figure struct {
	Value, Low, High float64
	P, Holm          float64
}

// Differs reports whether a difference is shown at a level.
func (f *Figure) Differs(level float64) bool { return f.Holm < level }

// Pair is two groups beside each other. Location is mean(B) − mean(A), Spread is
// sd(B) / sd(A).
type Pair struct {
	A, B             string
	Location, Spread Figure
	Freedom          float64 // of the comparison of locations
}

// Member is one group by itself.
type Member struct {
	Name             string
	N                int
	Mean, SD, Median float64
	MeanLow          float64 // interval of the mean, at the confidence of one look
	MeanHigh         float64
	SDLow, SDHigh    float64 // of the spread, as of normal readings
	Lag1             float64
	Inflate          float64 // variance of the mean ÷ that of independent readings
}

// Outcome is a whole comparison.
type Outcome struct {
	Members    []Member
	Pairs      []Pair
	Location   Test // all groups at once; of two groups the same as their pair
	Spread     Test
	Looks      int
	Confidence float64 // of all intervals of pairs together
}

// Compare compares every pair. Groups are taken to be in order: where neighbours
// resemble each other, as after a correction or with wear, the readings are worth
// fewer than they are, and intervals of means grow by √((1+r)/(1−r)) with the lag-one
// autocorrelation r (the large-sample variance of an AR(1) mean; from memory).
func Compare(groups []Group, confidence float64) (*Outcome, error) {
	if len(groups) < 2 || len(groups) > MostGroups {
		return nil, fmt.Errorf("%w: there are %d, give 2 to %d", ErrGroups, len(groups), MostGroups)
	}
	o := &Outcome{Confidence: confidence}
	inflate := make([]float64, len(groups))
	for i, g := range groups {
		if len(g.Values) < Fewest {
			return nil, fmt.Errorf("%w: %q has %d readings, each needs at least %d", ErrGroups, g.Name, len(g.Values), Fewest)
		}
		m := moments(g.Values)
		if m.Least == m.Most {
			return nil, fmt.Errorf("%w: all %d of %q are %g, use a gauge that resolves them", ErrConstant, m.N, g.Name, m.Least)
		}
		o.Members = append(o.Members, member(g, m, confidence))
		inflate[i] = o.Members[i].Inflate
	}
	o.Location, o.Spread = Welch(groups, inflate), BrownForsythe(groups)
	o.Looks = len(groups) * (len(groups) - 1)
	level := (1 - confidence) / float64(o.Looks)
	var p []float64
	for i := range groups {
		for k := i + 1; k < len(groups); k++ {
			pair := Pair{A: groups[i].Name, B: groups[k].Name}
			pair.Location, pair.Freedom = location(&o.Members[i], &o.Members[k], groups[i].Values, groups[k].Values, level)
			pair.Spread = spread(groups[i].Values, groups[k].Values, level)
			o.Pairs = append(o.Pairs, pair)
			p = append(p, pair.Location.P, pair.Spread.P)
		}
	}
	for i, v := range Holm(p) {
		if i%2 == 0 {
			o.Pairs[i/2].Location.Holm = v
		} else {
			o.Pairs[i/2].Spread.Holm = v
		}
	}
	return o, nil
}

// member describes one group.
func member(g Group, m *capability.Moments, confidence float64) Member {
	n := float64(m.N)
	out := Member{Name: g.Name, N: m.N, Mean: m.Mean(), SD: m.SD(), Median: Median(g.Values), Lag1: m.Lag1(), Inflate: 1}
	// Only a resemblance that is no chance counts (about one in forty by chance).
	if r := min(out.Lag1, 0.95); m.N >= 10 && r > 1.96/math.Sqrt(n) {
		out.Inflate = (1 + r) / (1 - r)
	}
	worth := max(2, n/out.Inflate)
	half := studentQuantile((1+confidence)/2, worth-1) * out.SD * math.Sqrt(out.Inflate/n)
	out.MeanLow, out.MeanHigh = out.Mean-half, out.Mean+half
	out.SDLow, out.SDHigh = sdInterval(out.SD, n-1, confidence)
	return out
}

// location compares two means as Welch does, with the degrees of freedom of
// Satterthwaite.
func location(a, b *Member, x, y []float64, level float64) (Figure, float64) {
	va, vb := a.SD*a.SD*a.Inflate/float64(a.N), b.SD*b.SD*b.Inflate/float64(b.N)
	na, nb := max(2, float64(a.N)/a.Inflate), max(2, float64(b.N)/b.Inflate)
	freedom := (va + vb) * (va + vb) / (va*va/(na-1) + vb*vb/(nb-1))
	f := Figure{Value: distance(y, x[0]) - distance(x, x[0])}
	se := math.Sqrt(va + vb)
	f.P = twoSided(f.Value/se, freedom)
	half := studentQuantile(1-level/2, freedom) * se
	f.Low, f.High = f.Value-half, f.Value+half
	return f, freedom
}

// spread compares two standard deviations: p by Brown and Forsythe, the interval of
// the ratio by D. G. Bonett (2006, from memory), which allows for the tails that the
// readings have where the usual F interval takes them as normal.
func spread(x, y []float64, level float64) Figure {
	a, b := moments(x), moments(y)
	z := normalQuantile(1 - level/2)
	na, nb := float64(a.N), float64(b.N)
	fourth := fourthPowers(x) + fourthPowers(y)
	squares := a.Squares() + b.Squares()
	kurtosis := (na + nb) * fourth / (squares * squares)
	se := math.Sqrt(max(0, (kurtosis-(na-3)/na)/(na-1)+(kurtosis-(nb-3)/nb)/(nb-1)))
	f := Figure{Value: b.SD() / a.SD(), P: BrownForsythe([]Group{{Values: x}, {Values: y}}).P}
	centre := 2 * math.Log(f.Value)
	if na > z && nb > z { // his correction of the centre for unequal numbers
		centre += math.Log(nb/(nb-z)) - math.Log(na/(na-z))
	}
	f.Low, f.High = math.Exp((centre-z*se)/2), math.Exp((centre+z*se)/2)
	return f
}

// fourthPowers sums the fourth powers of distances from a mean that is trimmed by
// 1/(2·√(n−4)) at each end.
func fourthPowers(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	n := len(s)
	cut := 0
	if n > 4 {
		cut = min((n-1)/2, int(float64(n)/(2*math.Sqrt(float64(n-4)))))
	}
	m := moments(s[cut : n-cut]).Mean()
	var sum float64
	for _, v := range s {
		d := (v - m) * (v - m)
		sum += d * d
	}
	return sum
}
