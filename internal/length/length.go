// Package length holds exact lengths.
//
// A Length is a whole number of nanometres, so that mm, µm, inch and thou
// convert into each other without loss (1 in = 25 400 000 nm by definition,
// ISO 80000-3 and the 1959 yard and pound agreement). Parsing is strict: one
// number, one unit, nothing rounded. Text that does not land on a whole
// nanometre, or that overflows, is refused rather than approximated.
package length

import (
	"errors"
	"fmt"
	"math"
)

// Length is a length or a difference of lengths in nanometres.
type Length int64

// Named lengths, in nanometres.
const (
	Nanometre  Length = 1
	Micrometre Length = 1_000
	Millimetre Length = 1_000_000
	Thou       Length = 25_400
	Inch       Length = 25_400_000
)

// Max bounds every parsed length: ± 1 km is far beyond any part, and keeps
// sums and the products used in decisions away from overflow.
const Max = 1_000_000 * Millimetre

// ErrRange is wrapped by the errors for lengths beyond ±Max.
var ErrRange = errors.New("length out of range")

// Micrometres returns the length in µm, for estimation and charts only: what
// reaches a register, a record or a screen stays a Length.
func (l Length) Micrometres() float64 { return float64(l) / 1_000 }

// FromMicrometres returns the nearest whole nanometre to v µm, ties away from
// zero. It reports false when v is not finite or lies beyond ±Max.
func FromMicrometres(v float64) (Length, bool) { return fromFloat(v, float64(Micrometre)) }

// FromFloat returns the nearest whole nanometre to v units: how a control's
// floating-point register becomes exact. It reports false when v is not
// finite, lies beyond ±Max, or u is not a unit.
func FromFloat(v float64, u Unit) (Length, bool) {
	size, ok := u.size()
	if !ok {
		return 0, false
	}
	return fromFloat(v, float64(size))
}

func fromFloat(v, scale float64) (Length, bool) {
	nm := math.Round(v * scale)
	if math.IsNaN(nm) || nm > float64(Max) || nm < -float64(Max) {
		return 0, false
	}
	return Length(nm), true
}

// Float returns the length in units of u: the double that a control's register
// holds for it, rounded once.
func (l Length) Float(u Unit) float64 {
	size, ok := u.size()
	if !ok {
		return math.NaN()
	}
	return float64(l) / float64(size)
}

// Abs returns the magnitude of l.
func (l Length) Abs() Length {
	if l < 0 {
		return -l
	}
	return l
}

// Round returns the multiple of step (counted from zero) nearest to target.
// A tie goes towards inForce, the value the register holds now, so that
// rounding alone never moves a register; when inForce is the target itself the
// tie goes towards zero. Nothing is carried over to the next rounding. The
// step must be positive.
func Round(target, inForce, step Length) Length {
	low := target - mod(target, step)
	high := low + step
	switch below, above := target-low, high-target; {
	case below < above:
		return low
	case above < below:
		return high
	}
	if inForce > target || inForce == target && target < 0 {
		return high
	}
	return low
}

// OnGrid reports whether l is a whole multiple of step.
func (l Length) OnGrid(step Length) bool { return step > 0 && l%step == 0 }

func mod(a, b Length) Length {
	if b <= 0 {
		panic(fmt.Sprintf("length: step %d nm is not positive", b))
	}
	return ((a % b) + b) % b
}

// Range is a closed interval of lengths, Low ≤ High.
type Range struct {
	Low, High Length
}

// Contains reports whether l lies in the closed interval.
func (r Range) Contains(l Length) bool { return r.Low <= l && l <= r.High }

// Width returns High − Low.
func (r Range) Width() Length { return r.High - r.Low }

// Middle returns the centre of the range, rounded down to a nanometre.
func (r Range) Middle() Length { return r.Low + r.Width()/2 }
