package gauge

import (
	"math"

	"offsetbridge/internal/length"
)

// NoAcceptance is said with every decision about a size.
const NoAcceptance = "a size number steers the process, it accepts no part"

// Budget is what a reading's uncertainty is made of.
type Budget struct {
	Certificate   length.Length // expanded (k = 2) of the standard the gauge was set on
	Repeatability length.Length // standard deviation of one reading
	Readings      int           // averaged; below 1 counts as 1
	Resolution    length.Length // smallest step of the gauge
	Linearity     length.Length // largest error over the range, taken as a half-width
	Temperature   length.Length // standard uncertainty that the temperatures leave
	Bias          length.Length // what a check found the gauge off by and nobody adjusted
}

// Standard returns the combined standard uncertainty: the root of the sum of
// squares of
//
//	certificate:   U/2            (k = 2)
//	repeatability: s/√n
//	resolution:    step/(2·√3)    (a rectangle of ± half a step)
//	linearity:     e/√3           (a rectangle of ± e)
//	temperature:   u
//
// of which resolution counts only where it is more than the repeatability, which
// has it in it already (the usual rule of an uncertainty budget after ISO
// 14253-2; from memory).
func (b Budget) Standard() length.Length {
	n := math.Sqrt(float64(max(b.Readings, 1)))
	repeat, step := float64(b.Repeatability), float64(b.Resolution)/(2*math.Sqrt(3))
	if step > repeat {
		repeat = step * n // rounding does not average out
	}
	var sum float64
	for _, u := range []float64{
		float64(b.Certificate) / 2, repeat / n, float64(b.Linearity) / math.Sqrt(3), float64(b.Temperature),
	} {
		sum += u * u
	}
	return length.Length(math.Ceil(math.Sqrt(sum)))
}

// Expanded returns U = 2·u + |bias|, about 95 %. A known deviation that nobody
// corrected is no scatter: it widens U by its whole amount (the simple way of
// ISO 14253-2; from memory).
func (b Budget) Expanded() length.Length { return 2*b.Standard() + b.Bias.Abs() }

// Decision is what a size says about conformity.
type Decision string

// Decisions after ISO 14253-1.
const (
	Conforming    Decision = "conforming"
	NotConforming Decision = "not conforming"
	InDoubt       Decision = "in doubt"
)

// Decide compares a size and its expanded uncertainty with limits of size
// (ISO 14253-1; from memory, with U itself as the guard band, the stricter older
// reading of its default rule): conforming inside the limits narrowed by U,
// not conforming outside the limits widened by U, in doubt between. U is not
// negative.
func Decide(size, expanded length.Length, limits length.Range) Decision {
	u := max(expanded, 0)
	switch {
	case size >= limits.Low+u && size <= limits.High-u:
		return Conforming
	case size < limits.Low-u || size > limits.High+u:
		return NotConforming
	}
	return InDoubt
}

// PlugsDecide is said with every decision about a thread (ASME B1.3 asks for GO
// gauging in all its systems).
const PlugsDecide = "GO and NO-GO gauging stays mandatory"

// Say returns the decision in a sentence that never goes without NoAcceptance.
func (d Decision) Say(size, expanded length.Length) string {
	return size.Text(length.MM, 4) + " ±" + expanded.Text(length.MM, 4) + " is " + string(d) + "; " + NoAcceptance
}

// DecideAll judges several local sizes: the smallest and the largest must both be
// good, since each must lie within the limits (two-point size is the default of
// ISO 14405-1; from memory).
func DecideAll(s Sizes, expanded length.Length, limits length.Range) Decision {
	low, high := Decide(s.Smallest, expanded, limits), Decide(s.Largest, expanded, limits)
	for _, d := range []Decision{NotConforming, InDoubt} {
		if low == d || high == d {
			return d
		}
	}
	return Conforming
}
