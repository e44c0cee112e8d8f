package limits

import (
	"errors"
	"fmt"
	"strings"

	"offsetbridge/internal/length"
)

// MaxPlating bounds the thickness of a coating.
const MaxPlating = length.Millimetre

// Plating moves the limits over a coating of thickness Min to Max on every
// surface. The zero Plating moves nothing.
type Plating struct {
	Side     PlatingSide
	Min, Max length.Length
}

// PlatingSide says which limits are asked for.
type PlatingSide int8

// Sides of the plating bath.
const (
	BeforePlating PlatingSide = iota + 1 // the drawing holds when plated; give the limits to machine to
	AfterPlating                         // the drawing holds when machined; give the limits that plated parts can have
)

func (s PlatingSide) String() string {
	switch s {
	case BeforePlating:
		return "before"
	case AfterPlating:
		return "after"
	}
	return ""
}

// String returns the end of a callout: " before plating 5..8 µm".
func (p Plating) String() string {
	if p.Side == 0 {
		return ""
	}
	if p.Min == p.Max {
		return fmt.Sprintf(" %s plating %s µm", p.Side, p.Max.In(length.UM))
	}
	return fmt.Sprintf(" %s plating %s..%s µm", p.Side, p.Min.In(length.UM), p.Max.In(length.UM))
}

// cutPlating takes "before plating 5..8 µm" off the end of a callout.
func cutPlating(s string) (rest string, p Plating, err error) {
	for _, side := range []PlatingSide{BeforePlating, AfterPlating} {
		head, tail, ok := strings.Cut(s, " "+side.String()+" ")
		if !ok {
			continue
		}
		thickness, front := strings.CutPrefix(tail, "plating ")
		if !front {
			if thickness, ok = strings.CutSuffix(tail, " plating"); !ok {
				return "", p, fmt.Errorf("%q does not say plating, write it as in \"before plating 5..8 µm\"", clip(tail))
			}
		}
		r, err := thicknessRange(thickness)
		if err != nil {
			return "", p, err
		}
		if r.Low <= 0 || r.High > MaxPlating {
			return "", p, fmt.Errorf("plating %q is not over 0 and up to 1 mm thick, correct it", clip(thickness))
		}
		return strings.TrimRight(head, " ,"), Plating{side, r.Low, r.High}, nil
	}
	return s, p, nil
}

func thicknessRange(s string) (length.Range, error) {
	if strings.Contains(s, "..") {
		return length.ParseRange(s)
	}
	l, err := length.Parse(s)
	return length.Range{Low: l, High: l}, err
}

// apply moves every closed end. Both surfaces of a diameter grow by the
// thickness (2×); the flanks of a 60° thread stand at 30° to the axis's normal,
// so its pitch diameter grows by 2/sin 30° = 4×.
func (p Plating) apply(l Limits) (Limits, error) {
	if p.Side == 0 {
		return l, nil
	}
	if l.Kind == Unknown {
		return Limits{}, errors.New("plating makes a hole smaller and a shaft larger, write hole or shaft before the size")
	}
	for _, m := range []struct {
		size  *Size
		times length.Length
		name  Feature
	}{{&l.Size, 2, OfSize}, {&l.Pitch, 4, OfPitch}, {&l.Major, 2, OfMajor}, {&l.Minor, 2, OfMinor}} {
		if err := p.move(m.size, l.Kind, m.times); err != nil {
			return Limits{}, fmt.Errorf("%s: %w", m.name, err)
		}
		for _, e := range []End{m.size.Lower, m.size.Upper} {
			if e.Set && e.At <= 0 && l.Family != Plain {
				return Limits{}, fmt.Errorf("the plating is too thick for this diameter, its %s limit would be %s", m.name, e.At)
			}
		}
	}
	words := "these limits hold before plating, the callout's hold after it"
	if p.Side == AfterPlating {
		words = "these limits hold after plating, the callout's hold before it"
	}
	l.Notes = append(l.Notes, words)
	if l.Family.Thread() {
		l.Notes = append(l.Notes, "a coating moves the pitch diameter by 4 times its thickness and the other diameters by 2")
	}
	return l, nil
}

func (p Plating) move(s *Size, k Kind, times length.Length) error {
	thin, thick := times*p.Min, times*p.Max
	// Growth of the diameter at its lower and at its upper limit when plated.
	lower, upper := thin, thick
	if k == Internal {
		lower, upper = -thick, -thin
	}
	if p.Side == BeforePlating {
		lower, upper = -lower, -upper
	}
	shift(&s.Lower, lower)
	shift(&s.Upper, upper)
	shift(&s.RefLower, lower)
	shift(&s.RefUpper, upper)
	if s.Lower.Set && s.Upper.Set && s.Lower.At > s.Upper.At {
		return fmt.Errorf("the plating varies by more than the tolerance allows, narrow it to less than %s µm of spread", ((s.Upper.At - s.Lower.At + thick - thin) / times).In(length.UM))
	}
	return nil
}

func shift(e *End, by length.Length) {
	if e.Set {
		e.At += by
	}
}
