package capability

import "math"

// Band is a control chart's centre line and limits, three standard deviations of what
// is plotted unless said otherwise (ISO 7870-2; NIST e-Handbook 6.3.2).
type Band struct{ Center, Low, High float64 }

// Out reports whether a plotted value lies beyond the limits.
func (b Band) Out(v float64) bool { return v < b.Low || v > b.High }

// Individuals returns the bands of single readings and of their moving ranges.
func Individuals(mean float64, w Within) (single, moving Band) {
	f := FactorsFor(2)
	single = Band{mean, mean - 3*w.SD, mean + 3*w.SD}
	bar := w.SD * f.D2
	return single, Band{bar, f.RD3 * bar, f.RD4 * bar}
}

// Subgroups returns the bands of subgroup means, and of their ranges or standard
// deviations, whichever the spread within was estimated by. All subgroups have the
// size of w.
func Subgroups(mean float64, w Within) (means, spread Band) {
	n := float64(w.Size)
	c := C4(n - 1)
	half := 3 * w.SD / math.Sqrt(n)
	means = Band{mean, mean - half, mean + half}
	if w.Way == MeanRange {
		f := FactorsFor(w.Size)
		return means, Band{f.D2 * w.SD, f.RD1 * w.SD, f.RD2 * w.SD}
	}
	s := 3 * math.Sqrt(1-c*c)
	return means, Band{c * w.SD, max(0, c-s) * w.SD, (c + s) * w.SD}
}

// EWMA is a chart of an exponentially weighted moving average (Roberts 1959; ISO
// 7870-6): z = λx + (1−λ)z, from the target.
type EWMA struct {
	Lambda float64 // weight of the newest, 0 < λ ≤ 1
	L      float64 // limits at L standard deviations of z
	Target float64
	Sigma  float64 // of one reading

	z float64
	n int
}

// Add takes a reading and returns the average and its exact limits, which widen to
// their steady value as the average forgets where it started.
func (e *EWMA) Add(x float64) (z float64, b Band) {
	if e.n == 0 {
		e.z = e.Target
	}
	e.n++
	e.z = e.Lambda*x + (1-e.Lambda)*e.z
	grown := 1 - math.Pow(1-e.Lambda, 2*float64(e.n))
	half := e.L * e.Sigma * math.Sqrt(e.Lambda/(2-e.Lambda)*grown)
	return e.z, Band{e.Target, e.Target - half, e.Target + half}
}

// Steady returns the limits once the start is forgotten.
func (e *EWMA) Steady() Band {
	half := e.L * e.Sigma * math.Sqrt(e.Lambda/(2-e.Lambda))
	return Band{e.Target, e.Target - half, e.Target + half}
}

// CUSUM is a two-sided chart of cumulative sums (Page 1954; ISO 7870-4): each side adds
// how far the reading lies beyond the target by more than K standard deviations and
// signals beyond H. With Fast it starts, and starts again after a signal, at H/2: the
// fast initial response of Lucas & Crosier (1982).
type CUSUM struct {
	K, H   float64 // in standard deviations of a reading
	Target float64
	Sigma  float64
	Fast   bool

	up, down float64
	n        int
}

// Add takes a reading and returns both sums, in standard deviations, and whether one of
// them signals. After a signal the sums start again.
func (c *CUSUM) Add(x float64) (up, down float64, signal bool) {
	if c.n == 0 {
		c.start()
	}
	c.n++
	y := (x - c.Target) / c.Sigma
	c.up, c.down = max(0, c.up+y-c.K), max(0, c.down-y-c.K)
	up, down = c.up, c.down
	if signal = up > c.H || down > c.H; signal {
		c.start()
	}
	return up, down, signal
}

func (c *CUSUM) start() {
	c.up, c.down = 0, 0
	if c.Fast {
		c.up, c.down = c.H/2, c.H/2
	}
}
