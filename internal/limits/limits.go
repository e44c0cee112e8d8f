// Package limits turns a drawing callout into limits of size.
//
// Parse reads one callout: a metric thread ("M24x2-6H"), a unified thread
// ("1/4-20 UNC-2B"), a fit ("25 H7") or a plain size ("22.000 +0.033 0",
// "24.98..25.01 mm", "1.0000 ±0.0005 in", "≥ 12 mm"). A callout that it accepts
// always has limits, prints (String) as a callout that reads back to an equal
// one, and gives the same limits on every run. Nothing is guessed: what a
// standard leaves open is open here, what it does not tabulate is refused with
// the nearest valid reading.
//
// Tabulated standards govern: ISO 965-1 and ISO 724 for metric threads, ISO 286
// for fits to 500 mm, ASME B1.1 for unified threads. The tables travel inside
// the program and each names its source and how sure it is; a limit that rests
// on a doubtful cell says so in its notes.
//
// Limits of size steer a process and describe a drawing. A number inside them
// accepts no part: threads stay subject to GO and NO-GO gauging.
package limits

import (
	"errors"
	"fmt"

	"offsetbridge/internal/length"
)

// Kind says on which side of the surface the material lies.
type Kind int8

// Kinds. A plain size is Unknown until somebody says hole or shaft.
const (
	Unknown  Kind = iota
	Internal      // hole, bore, internal thread: material lies outside
	External      // shaft, boss, external thread: material lies inside
)

// String returns "unknown", "internal" or "external".
func (k Kind) String() string {
	switch k {
	case Internal:
		return "internal"
	case External:
		return "external"
	}
	return "unknown"
}

// Family is the kind of callout.
type Family int8

// Families of callouts.
const (
	Plain Family = iota + 1
	Fit
	Metric
	Unified
)

// String returns a family's name in words.
func (f Family) String() string {
	switch f {
	case Plain:
		return "plain size"
	case Fit:
		return "fit"
	case Metric:
		return "metric thread"
	case Unified:
		return "unified thread"
	}
	return "no callout"
}

// Thread reports whether the family has pitch, major and minor diameters.
func (f Family) Thread() bool { return f == Metric || f == Unified }

// Feature names what is measured on the thing that a callout describes.
type Feature string

// Features: threads have the three diameters, everything else its size.
const (
	OfSize  Feature = "size"
	OfPitch Feature = "pitch"
	OfMajor Feature = "major"
	OfMinor Feature = "minor"
)

// ErrFeature is wrapped by the error for a feature that a callout does not have.
var ErrFeature = errors.New("no such feature")

// End is one end of a tolerance. The zero End is open.
type End struct {
	At  length.Length
	Set bool
}

// At returns a closed end.
func At(l length.Length) End { return End{l, true} }

// Size is the limits of one diameter or one plain size.
type Size struct {
	Basic        End // ISO 724 or ASME B1.1 basic size; open for a bare range
	Lower, Upper End // limits of size; an open end is not toleranced
	// Reference values for open ends: what the thread's profile gives there.
	// They are for planning, not limits.
	RefLower, RefUpper End
}

// Limits is everything a callout says. The unused sizes of a family are open.
type Limits struct {
	Family              Family
	Kind                Kind
	Unit                length.Unit // unit of the drawing
	Size                Size        // fits and plain sizes
	Pitch, Major, Minor Size        // threads
	Standard            string      // the standard that governs, in words
	Notes               []string    // what a reader must know; may be empty
}

// Features lists what can be measured, the usual one first.
func (l Limits) Features() []Feature {
	if l.Family.Thread() {
		return []Feature{OfPitch, OfMajor, OfMinor}
	}
	return []Feature{OfSize}
}

// Of returns the limits of one feature. The error wraps ErrFeature.
func (l Limits) Of(f Feature) (Size, error) {
	if l.Family.Thread() {
		switch f {
		case OfPitch:
			return l.Pitch, nil
		case OfMajor:
			return l.Major, nil
		case OfMinor:
			return l.Minor, nil
		}
		return Size{}, fmt.Errorf("%w: a thread has no %q, write pitch, major or minor", ErrFeature, f)
	}
	if f != OfSize {
		return Size{}, fmt.Errorf("%w: a %s has no %q, write size", ErrFeature, l.Family, f)
	}
	return l.Size, nil
}

// View is one feature as a characteristic sees it.
type View struct {
	Feature      Feature
	Kind         Kind
	Unit         length.Unit
	Basic        End
	Lower, Upper End
	// MaximumMaterial is the limit on the side that can still be cut: the lower
	// one of an internal, the upper one of an external feature (ISO 14405-1
	// calls it the maximum material limit, from memory). LeastMaterial is the
	// scrap side. Both are open when the kind is Unknown or the end is open.
	MaximumMaterial, LeastMaterial End
	Width                          End // Upper − Lower; open when either end is
}

// View returns one feature with its material limits and width. The error wraps
// ErrFeature.
func (l Limits) View(f Feature) (View, error) {
	s, err := l.Of(f)
	if err != nil {
		return View{}, err
	}
	v := View{Feature: f, Kind: l.Kind, Unit: l.Unit, Basic: s.Basic, Lower: s.Lower, Upper: s.Upper}
	switch l.Kind {
	case Internal:
		v.MaximumMaterial, v.LeastMaterial = s.Lower, s.Upper
	case External:
		v.MaximumMaterial, v.LeastMaterial = s.Upper, s.Lower
	}
	if s.Lower.Set && s.Upper.Set {
		v.Width = At(s.Upper.At - s.Lower.At)
	}
	return v, nil
}

// Range returns both limits of the view; it reports false when an end is open.
func (v View) Range() (length.Range, bool) {
	if !v.Lower.Set || !v.Upper.Set {
		return length.Range{}, false
	}
	return length.Range{Low: v.Lower.At, High: v.Upper.At}, true
}
