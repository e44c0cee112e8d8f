package chart

import "math"

// traced is how many columns a Trace keeps.
const traced = 1024

// Trace keeps the outline of a series of any length in constant memory: the smallest
// and the largest value of equal stretches, which double as needed.
type Trace struct {
	N       int
	stretch int
	low     []float64
	high    []float64
}

// Add takes the next value.
func (t *Trace) Add(v float64) {
	if t.stretch == 0 {
		t.stretch = 1
	}
	k := t.N / t.stretch
	if k == 2*traced {
		for i := range traced {
			t.low[i] = min(t.low[2*i], t.low[2*i+1])
			t.high[i] = max(t.high[2*i], t.high[2*i+1])
		}
		t.low, t.high = t.low[:traced], t.high[:traced]
		t.stretch *= 2
		k = t.N / t.stretch
	}
	if k == len(t.low) {
		t.low, t.high = append(t.low, v), append(t.high, v)
	} else {
		t.low[k], t.high[k] = min(t.low[k], v), max(t.high[k], v)
	}
	t.N++
}

// Line returns the outline as a line: of a short series the values themselves,
// numbered from 1, of a long one the two ends of each stretch.
func (t *Trace) Line() (x, y []float64) {
	for i := range t.low {
		at := float64(i*t.stretch) + 1
		if t.stretch == 1 {
			x, y = append(x, at), append(y, t.low[i])
			continue
		}
		x, y = append(x, at, at+float64(t.stretch)/2), append(y, t.low[i], t.high[i])
	}
	return x, y
}

// Exact reports whether Line returns every value.
func (t *Trace) Exact() bool { return t.stretch <= 1 }

// Beyond returns the points of a line below low or above high; NaN is no limit.
func Beyond(x, y []float64, low, high float64) (bx, by []float64) {
	for i := range y {
		if y[i] < low || y[i] > high {
			bx, by = append(bx, x[i]), append(by, y[i])
		}
	}
	return bx, by
}

// Histogram counts into bars of a round width that is a multiple of the resolution
// (0 if it is not known), about twenty of them.
func Histogram(values []float64, times []int, resolution float64) (middle, count []float64) {
	if len(values) == 0 {
		return nil, nil
	}
	low, high := values[0], values[0]
	for _, v := range values {
		low, high = min(low, v), max(high, v)
	}
	width := (high - low) / 20
	if resolution > 0 {
		width = resolution * max(1, math.Round(width/resolution))
	}
	if !(width > 0) {
		width = max(1e-9, math.Abs(low)*1e-9)
	}
	first := low
	n := int(math.Floor((high-first)/width+0.5)) + 1
	middle, count = make([]float64, n), make([]float64, n)
	for i := range middle {
		middle[i] = first + float64(i)*width
	}
	for i, v := range values {
		k := min(n-1, int(math.Floor((v-first)/width+0.5)))
		count[k] += float64(times[i])
	}
	return middle, count
}
