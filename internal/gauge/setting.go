package gauge

import "offsetbridge/internal/length"

// AsFoundLimit is how far a gauge may be off when it is put on its standard,
// before anybody adjusts it: the larger of a tenth of the tolerance and twice
// the repeatability of the check, so that a check is not blamed on scatter
// (common practice, no source).
func AsFoundLimit(tolerance, repeatability length.Length) length.Length {
	return max(tolerance/10, 2*repeatability)
}

// RingWindow is how near to a standard's certified value a reading must lie to
// look like a reading of that standard: the larger of a tenth of the tolerance
// and five steps of the gauge (common practice, no source).
func RingWindow(tolerance, resolution length.Length) length.Length {
	return max(tolerance/10, 5*resolution)
}

// Celsius is a temperature in thousandths of a degree Celsius; of a difference,
// in thousandths of a kelvin.
type Celsius int64

// Reference is the temperature at which sizes hold (ISO 1: 20 °C).
const Reference Celsius = 20_000

// Degrees returns the temperature in °C.
func (c Celsius) Degrees() float64 { return float64(c) / 1000 }

// Interval is how long a setting of a gauge holds. Zeros do not bound.
type Interval struct {
	Millis   int64   `json:"ms,omitempty"`
	Readings int64   `json:"readings,omitempty"`
	Change   Celsius `json:"change_mk,omitempty"` // of temperature since the setting
}

// Bounds reports whether the interval asks for a setting at all.
func (i Interval) Bounds() bool { return i != Interval{} }

// Since is what has passed since a gauge was last found or made good.
type Since struct {
	Known    bool // it ever was
	Millis   int64
	Readings int64
	Change   Celsius // 0 where a temperature is not known
}

// Overdue is why a gauge must be set again.
type Overdue string

// Reasons to set a gauge again.
const (
	InTime          Overdue = ""
	NeverSet        Overdue = "never"
	TooLong         Overdue = "time"
	TooManyReadings Overdue = "parts"
	OtherClimate    Overdue = "climate"
)

// Overdue says why a setting no longer holds, InTime when it does.
func (i Interval) Overdue(s Since) Overdue {
	change := s.Change
	if change < 0 {
		change = -change
	}
	switch {
	case !i.Bounds():
		return InTime
	case !s.Known:
		return NeverSet
	case i.Millis > 0 && s.Millis > i.Millis:
		return TooLong
	case i.Readings > 0 && s.Readings >= i.Readings:
		return TooManyReadings
	case i.Change > 0 && change > i.Change:
		return OtherClimate
	}
	return InTime
}
