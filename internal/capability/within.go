package capability

import "math"

// Way names how the spread within was estimated.
type Way string

// The ways.
const (
	MovingRange  Way = "moving range / d2"
	MeanRange    Way = "mean range / d2"
	MeanDeviate  Way = "mean s / c4"
	PooledWithin Way = "pooled within subgroups"
)

// Within is a short-term spread: what neighbours differ by.
type Within struct {
	SD      float64
	Mean    float64 // range, moving range or s that it was made of
	Freedom float64 // effective degrees of freedom
	Way     Way
	Size    int // of the largest subgroup, 1 for individuals
	Groups  int // or moving ranges
}

// Ranges keeps up the spread within consecutive subgroups, or of individuals by their
// moving ranges, in constant memory. The factors are those of a normal process.
type Ranges struct {
	Size int // readings a subgroup; 0 or 1 where only End ends one
	Way  Way // for subgroups: MeanRange, MeanDeviate or PooledWithin; empty chooses

	group   Moments
	last    float64
	started bool

	moving                    sum
	movings                   int
	ranges, deviates, squares sum
	groups, freedom           int
	least, most               int // readings in a subgroup of two or more
}

// Add takes the next reading.
func (r *Ranges) Add(x float64) {
	if r.started {
		r.movings++
		r.moving.add(math.Abs(x - r.last))
	}
	r.last, r.started = x, true
	r.group.Add(x)
	if r.Size > 1 && r.group.N == r.Size {
		r.End()
	}
}

// Break says that the next reading is no neighbour of the last one, as after a
// change of tool. An unfinished subgroup is left out.
func (r *Ranges) Break() {
	r.started = false
	r.group = Moments{}
}

// End ends a subgroup. One of a single reading says nothing.
func (r *Ranges) End() {
	g := &r.group
	if g.N > 1 {
		if r.groups == 0 {
			r.least, r.most = g.N, g.N
		}
		r.least, r.most = min(r.least, g.N), max(r.most, g.N)
		r.groups++
		r.ranges.add(g.Most - g.Least)
		r.deviates.add(g.SD())
		r.squares.add(g.Squares())
		r.freedom += g.N - 1
	}
	r.group = Moments{}
}

// way chooses the range for small subgroups and s beyond eight (common practice);
// unequal ones are pooled.
func (r *Ranges) way() Way {
	switch {
	case r.groups == 0:
		return MovingRange
	case r.least != r.most:
		return PooledWithin
	case r.Way != "" && r.Way != MeanRange:
		return r.Way
	case r.most <= 8 || r.Way == MeanRange && r.most <= MostInSubgroup:
		return MeanRange
	}
	return MeanDeviate
}

// Within returns the estimate; its SD is NaN where there was nothing to estimate from.
func (r *Ranges) Within() Within {
	w := Within{SD: math.NaN(), Way: r.way(), Size: r.most, Groups: r.groups}
	n := float64(r.groups)
	switch w.Way {
	case MovingRange:
		w.Size, w.Groups = 1, r.movings
		if k := float64(r.movings); k > 0 {
			d2, _ := rangeMoments(2)
			w.Mean = r.moving.value() / k
			w.SD, w.Freedom = w.Mean/d2, freedomOf(movingVariance(k))
		}
	case MeanRange:
		f := FactorsFor(r.most)
		w.Mean = r.ranges.value() / n
		w.SD, w.Freedom = w.Mean/f.D2, freedomOf(f.RelativeVar/n)
	case MeanDeviate:
		c := C4(float64(r.most - 1))
		w.Mean = r.deviates.value() / n
		w.SD, w.Freedom = w.Mean/c, freedomOf((1-c*c)/(c*c)/n)
	default:
		w.SD, w.Freedom = math.Sqrt(r.squares.value()/float64(r.freedom)), float64(r.freedom)
		w.Mean = w.SD
	}
	return w
}

// movingVariance is the relative variance of the mean of k overlapping moving
// ranges of two; for many 0.826/k (Cryer & Ryan 1990). Of normal neighbours the
// variance of |x₁−x₂| is 2 − 4/π and the covariance of |x₁−x₂| with |x₂−x₃|
// 4/π·(√¾ + π/12 − 1), by the mean of a product of absolute normals.
func movingVariance(k float64) float64 {
	mean := 4 / math.Pi
	own, shared := 2-mean, mean*(math.Sqrt(0.75)+math.Pi/12-1)
	return (own*k + 2*shared*(k-1)) / (k * k) / mean
}
