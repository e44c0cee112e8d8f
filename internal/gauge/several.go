package gauge

import (
	"errors"

	"offsetbridge/internal/length"
)

// Depth is one reading of a characteristic and how deep it was taken.
type Depth struct {
	At   length.Length // from the mouth
	Size length.Length
}

// Sizes sums up several readings of one characteristic.
type Sizes struct {
	Readings int           `json:"n"`
	Mean     length.Length `json:"m"` // rounded to the nanometre, ties away from zero
	MidRange length.Length `json:"r"` // middle of smallest and largest
	Smallest length.Length `json:"s"`
	Largest  length.Length `json:"l"`
	Spread   length.Length `json:"w"`           // largest − smallest
	Taper    length.Length `json:"t,omitempty"` // mean size at the deepest − at the shallowest place; 0 with one depth
	Even     bool          `json:"e,omitempty"` // depths are equally spaced and equally often measured
}

// ErrNoReadings is returned for none.
var ErrNoReadings = errors.New("there is no reading to sum up, measure at least once")

// MaxReadings bounds the readings of one characteristic of one part.
const MaxReadings = 64

// ErrTooManyReadings is returned for more than one part can sensibly have.
var ErrTooManyReadings = errors.New("more than 64 readings of one characteristic of one part, send what belongs together")

// Combine sums up readings at depths or orientations, in any order.
func Combine(readings []Depth) (Sizes, error) {
	switch {
	case len(readings) == 0:
		return Sizes{}, ErrNoReadings
	case len(readings) > MaxReadings:
		return Sizes{}, ErrTooManyReadings
	}
	s := Sizes{Readings: len(readings), Smallest: readings[0].Size, Largest: readings[0].Size}
	sum := length.Length(0)
	for _, r := range readings {
		sum += r.Size
		s.Smallest, s.Largest = min(s.Smallest, r.Size), max(s.Largest, r.Size)
	}
	s.Mean = divide(sum, len(readings))
	s.Spread = s.Largest - s.Smallest
	s.MidRange = s.Smallest + s.Spread/2
	places := byDepth(readings)
	s.Taper = places[len(places)-1].mean() - places[0].mean()
	s.Even = even(places)
	return s, nil
}

// Steering is the size that a correction works from: the mean, or the mid-range
// where the depths are uneven, so that three readings at the mouth do not outvote
// the one at the bottom (common practice, no source).
func (s Sizes) Steering() length.Length {
	if s.Even {
		return s.Mean
	}
	return s.MidRange
}

// MayCorrect reports whether an automatic correction makes sense: taper and
// spread at most a third of the tolerance. Beyond it the form is wrong, not the
// offset (common practice, no source).
func (s Sizes) MayCorrect(tolerance length.Length) bool {
	return 3*s.Spread <= tolerance && 3*s.Taper.Abs() <= tolerance
}

// divide rounds to the nearest, ties away from zero.
func divide(sum length.Length, n int) length.Length {
	d := length.Length(n)
	if sum < 0 {
		return -((-sum + d/2) / d)
	}
	return (sum + d/2) / d
}

// place is every reading at one depth.
type place struct {
	at, sum length.Length
	n       int
}

func (p place) mean() length.Length { return divide(p.sum, p.n) }

// byDepth gathers readings by depth, shallowest first.
func byDepth(readings []Depth) []place {
	var places []place
	for _, r := range readings {
		i := 0
		for i < len(places) && places[i].at < r.At {
			i++
		}
		if i == len(places) || places[i].at != r.At {
			places = append(places, place{})
			copy(places[i+1:], places[i:])
			places[i] = place{at: r.At}
		}
		places[i].sum += r.Size
		places[i].n++
	}
	return places
}

// even reports whether the depths are equally spaced, to a tenth of the step, and
// each was measured as often.
func even(places []place) bool {
	for i := range places {
		if places[i].n != places[0].n {
			return false
		}
		if i < 2 {
			continue
		}
		first, step := places[1].at-places[0].at, places[i].at-places[i-1].at
		if 10*(step-first).Abs() > first {
			return false
		}
	}
	return true
}

// Contacts is how many points of a head touch the wall at once.
type Contacts int

// Heads by their contacts.
const (
	TwoPoint   Contacts = 2
	ThreePoint Contacts = 3
)

// Sees reports whether a head notices a form with so many lobes. A two-point head
// adds the radii at 0° and 180°, which cancel for odd lobes; a self-centring
// three-point head adds those at 0°, 120° and 240°, which cancel unless the lobes
// are a multiple of three (exact, by the sum of the roots of unity).
func (c Contacts) Sees(lobes int) bool {
	return c > 0 && lobes > 0 && lobes%int(c) == 0
}

// Blind says in words what readings of such a head cannot show, so that nobody
// takes them for it.
func (c Contacts) Blind() string {
	switch c {
	case TwoPoint:
		return "a two-point head does not see forms with an odd number of lobes, such as those of a three-jaw chuck: turn the part and use a three-point head as well"
	case ThreePoint:
		return "a three-point head does not see ovality nor 4, 5, 7 or 8 lobes, and measures neither two-point nor functional size: never report ovality from it, turn it by 60° and measure again"
	}
	return "what this head cannot see is not known"
}
