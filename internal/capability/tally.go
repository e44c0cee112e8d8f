package capability

import (
	"maps"
	"math"
	"slices"
)

// maxDistinct bounds a Tally. Sizes come in steps of the gauge's readout, so a
// true record stays far below.
const maxDistinct = 1 << 18

// Tally counts readings by value. It is exact up to maxDistinct different values;
// beyond that values are rounded to a step that doubles as needed, and percentiles
// are right to one step.
type Tally struct {
	counts map[float64]int
	step   float64 // 0 while exact
	n      int
	sorted []Count
}

// Count is how often a value was read.
type Count struct {
	Value float64
	Times int
}

// NewTally returns an empty one.
func NewTally() *Tally { return &Tally{counts: map[float64]int{}} }

// N is how many readings were counted.
func (t *Tally) N() int { return t.n }

// Step is the rounding of the values, 0 if they are exact.
func (t *Tally) Step() float64 { return t.step }

// Add counts a reading.
func (t *Tally) Add(x float64) {
	t.counts[t.round(x)]++
	t.n++
	t.sorted = nil
	if len(t.counts) > maxDistinct {
		t.coarsen()
	}
}

func (t *Tally) round(x float64) float64 {
	if t.step == 0 {
		return x
	}
	return math.Round(x/t.step) * t.step
}

func (t *Tally) coarsen() {
	old := t.counts
	if t.step == 0 {
		low, high := math.Inf(1), math.Inf(-1)
		for x := range old { // any order: extremes
			low, high = min(low, x), max(high, x)
		}
		t.step = (high - low) / (maxDistinct / 8)
	}
	for len(t.counts) > maxDistinct/2 {
		t.step *= 2
		t.counts = make(map[float64]int, maxDistinct/2)
		for x, n := range old { // any order: sums of integers
			t.counts[t.round(x)] += n
		}
	}
}

// Counts returns the values in order.
func (t *Tally) Counts() []Count {
	if t.sorted == nil {
		t.sorted = make([]Count, 0, len(t.counts))
		for _, x := range slices.Sorted(maps.Keys(t.counts)) {
			t.sorted = append(t.sorted, Count{x, t.counts[x]})
		}
	}
	return t.sorted
}

// Quantile returns the value below which a share p lies, between the order
// statistics at 1 + (n−1)p (definition 7 of Hyndman & Fan 1996). NaN of nothing.
func (t *Tally) Quantile(p float64) float64 {
	if t.n == 0 {
		return math.NaN()
	}
	at := p * float64(t.n-1)
	low := int(math.Floor(at))
	a, b := t.Order(low), t.Order(low+1)
	return a + (at-float64(low))*(b-a)
}

// Order returns the order statistic number i, from 0, held within the readings.
func (t *Tally) Order(i int) float64 {
	seen := 0
	counts := t.Counts()
	for _, c := range counts {
		if seen += c.Times; seen > i {
			return c.Value
		}
	}
	return counts[len(counts)-1].Value
}

// Beyond counts the readings below and above limits; NaN is no limit.
func (t *Tally) Beyond(lower, upper float64) (below, above int) {
	for x, n := range t.counts { // any order: sums of integers
		if x < lower {
			below += n
		}
		if x > upper {
			above += n
		}
	}
	return below, above
}

// Resolution is the smallest distance between two values, 0 if all are equal.
func (t *Tally) Resolution() float64 {
	counts := t.Counts()
	gap := 0.0
	for i := 1; i < len(counts); i++ {
		if d := counts[i].Value - counts[i-1].Value; gap == 0 || d < gap {
			gap = d
		}
	}
	return gap
}

// spread returns at most limit readings in order. Equal ones are spread evenly over
// the resolution: a readout rounds, and a test of shape must not take the rounding
// for shape. More than limit are thinned to evenly spaced order statistics.
func (t *Tally) spread(limit int) []float64 {
	n := min(t.n, limit)
	out := make([]float64, 0, n)
	gap := t.Resolution()
	seen := 0
	counts := t.Counts()
	for i := range n {
		// The order statistic in the middle of the i-th of n equal shares.
		at := (float64(i) + 0.5) * float64(t.n) / float64(n)
		for float64(seen+counts[0].Times) <= at && len(counts) > 1 {
			seen += counts[0].Times
			counts = counts[1:]
		}
		x := counts[0].Value
		if c := counts[0].Times; c > 1 {
			x += gap * ((at-float64(seen))/float64(c) - 0.5)
		}
		out = append(out, x)
	}
	return out
}
