package gauge

import (
	"errors"
	"fmt"
	"math"

	"offsetbridge/internal/length"
)

// Expansion is a coefficient of linear thermal expansion in 10⁻⁹ per kelvin:
// steel's 11.5·10⁻⁶/K is 11 500.
type Expansion int64

// Body is a part, a gauge or a standard: how it expands, and how warm it is.
// Uncertainties are standard ones (k = 1). A body whose temperature is not known
// has a nil Temp.
type Body struct {
	Alpha      Expansion
	AlphaSigma Expansion
	Temp       *Celsius
	TempSigma  Celsius
}

// Thermal is what is known of the temperatures of one measurement. The gauge was
// set on Standard, which was then at Standard.Temp, while the gauge itself was at
// SetAt; now it is at Gauge.Temp and measures Part.
type Thermal struct {
	Part, Gauge, Standard Body
	SetAt                 *Celsius
	Window                Celsius // largest distance from 20 °C, and of the gauge from its setting
}

// ErrTemperature is wrapped by the errors for temperatures that no correction
// should be trusted at.
var ErrTemperature = errors.New("the temperature is outside the window")

// ErrUnknownTemperature is wrapped when a temperature that the correction needs
// is not known.
var ErrUnknownTemperature = errors.New("a temperature is not known")

// Corrected is a size referred to 20 °C, beside the raw one.
type Corrected struct {
	Raw        length.Length
	Size       length.Length // at 20 °C
	Correction length.Length // Size − Raw
	Sigma      length.Length // standard uncertainty that the temperatures leave
}

// Correct refers a reading to 20 °C (ISO 1). With the reading L, expansion
// coefficients α and temperatures t, index p for the part, s for the standard
// that the gauge was set on and g for the gauge itself,
//
//	L₂₀ = L − L·( αp·(tp − 20 °C) − αs·(ts − 20 °C) − αg·(tg − tg,set) )
//
// since the gauge was made to show the certified size of a standard that was
// itself αs·(ts − 20 °C) larger, and has grown with its own frame since. The
// first two terms are those of D. A. Swyt, J. Res. NIST 99, 31 (1994). Terms of
// second order in α are below a nanometre for any part that fits a machine and
// are left out.
//
// A gauge whose own body is not given adds nothing. The error wraps
// ErrUnknownTemperature or ErrTemperature.
func Correct(reading length.Length, t Thermal) (Corrected, error) {
	out := Corrected{Raw: reading, Size: reading}
	part, err := t.excess("part", t.Part)
	if err != nil {
		return out, err
	}
	standard, err := t.excess("standard", t.Standard)
	if err != nil {
		return out, err
	}
	grown, frame := 0.0, t.Gauge.Alpha != 0 || t.Gauge.Temp != nil
	if frame {
		if t.Gauge.Temp == nil || t.SetAt == nil {
			return out, fmt.Errorf("%w: give the gauge's when it was set and now, or leave its expansion out", ErrUnknownTemperature)
		}
		if grown, err = t.within("gauge since its setting", *t.Gauge.Temp-*t.SetAt); err != nil {
			return out, err
		}
	}
	l := float64(reading)
	a := func(b Body) float64 { return float64(b.Alpha) * 1e-9 }
	relative := a(t.Part)*part - a(t.Standard)*standard - a(t.Gauge)*grown
	out.Correction = -length.Length(math.Round(l * relative))
	out.Size = reading + out.Correction
	variance := uncertain(t.Part, part) + uncertain(t.Standard, standard)
	if frame {
		variance += uncertain(t.Gauge, grown)
	}
	out.Sigma = length.Length(math.Round(math.Abs(l) * math.Sqrt(variance)))
	return out, nil
}

// excess returns how much warmer than 20 °C a body is, in kelvin.
func (t Thermal) excess(what string, b Body) (float64, error) {
	if b.Temp == nil {
		return 0, fmt.Errorf("%w: measure the %s's or correct nothing", ErrUnknownTemperature, what)
	}
	return t.within(what, *b.Temp-Reference)
}

func (t Thermal) within(what string, difference Celsius) (float64, error) {
	if t.Window > 0 && max(difference, -difference) > t.Window {
		return 0, fmt.Errorf("%w: the %s is %+.1f K off and %.1f K are allowed, let it settle", ErrTemperature, what,
			difference.Degrees(), t.Window.Degrees())
	}
	return difference.Degrees(), nil
}

// uncertain returns the relative variance that a body's α and temperature leave:
// with the excess θ, u² = (θ·u(α))² + (α·u(t))² + (u(α)·u(t))², the last term
// being what is left at θ = 0.
func uncertain(b Body, excess float64) float64 {
	a, ua, ut := float64(b.Alpha)*1e-9, float64(b.AlphaSigma)*1e-9, b.TempSigma.Degrees()
	return excess*excess*ua*ua + a*a*ut*ut + ua*ua*ut*ut
}

// Unreferred returns the standard uncertainty of a reading that could not be
// referred to 20 °C: every body may be anywhere in the window, independently,
// which is the cautious case (a rectangle of ± window, u = α·window/√3).
func Unreferred(reading length.Length, t Thermal) length.Length {
	half := t.Window.Degrees() / math.Sqrt(3)
	var variance float64
	for _, b := range []Body{t.Part, t.Standard, t.Gauge} {
		a := float64(b.Alpha) * 1e-9 * half
		variance += a * a
	}
	return length.Length(math.Round(math.Abs(float64(reading)) * math.Sqrt(variance)))
}
