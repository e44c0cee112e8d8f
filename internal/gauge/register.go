// Package gauge says what makes a reading trustworthy: a gauge that is in date,
// set to a standard that is in date, with a head that fits; readings that vary
// as a live gauge's do; a size referred to 20 °C; and an uncertainty with the
// decision it allows.
//
// Everything here is a pure function of its arguments. Lengths are exact; what
// is a standard deviation, a temperature effect or an uncertainty is worked out
// in floating point and given back as a length rounded to the nanometre.
//
// A size number steers the process. It accepts no part: threads stay subject to
// GO and NO-GO gauging, and nothing here is a safety function.
package gauge

import (
	"fmt"

	"offsetbridge/internal/length"
)

// Moment is a point in time, milliseconds since 1970 (UTC); 0 is unknown.
type Moment int64

// Past reports whether a due date has come. Without a date it never does.
func (m Moment) Past(now Moment) bool { return m != 0 && now >= m }

// Register is every gauge and every setting standard of a plant, each name once.
type Register struct {
	Instruments []Instrument
	Standards   []Standard
}

// Instrument is one gauge as its study and its calibration know it.
type Instrument struct {
	Name          string
	Resolution    length.Length // smallest step of its number
	Repeatability length.Length // standard deviation of one reading of one thing, from a study; 0 is unknown
	Linearity     length.Length // largest error over its range, from a study or its certificate
	Due           Moment        // first moment at which its calibration is out of date
	Heads         []Head        // empty: its whole range, no thread
	Standards     []string      // what it may be set on; empty: anything
}

// Head is a measuring head or a set of anvils. It covers a range of sizes and,
// for threads, one pitch only.
type Head struct {
	Name  string
	Range length.Range
	Pitch length.Length // 0: no thread
}

// Standard is a setting ring, plug or thread ring with its certificate.
type Standard struct {
	Name        string
	Value       length.Length // certified size, at 20 °C
	Uncertainty length.Length // expanded, k = 2, as certificates state it
	Pitch       length.Length // of a thread ring; 0: plain
	Certificate string
	Certified   Moment
	Due         Moment // first moment at which the certificate is out of date
	Alpha       Expansion
	AlphaSigma  Expansion
}

// Feature is what a characteristic asks of head and standard.
type Feature struct {
	Name   string
	Limits length.Range
	Pitch  length.Length // of a thread; 0: plain
}

// Instrument returns the gauge of that name, nil when there is none.
func (r *Register) Instrument(name string) *Instrument {
	for i := range r.Instruments {
		if r.Instruments[i].Name == name {
			return &r.Instruments[i]
		}
	}
	return nil
}

// Standard returns the standard of that name, nil when there is none.
func (r *Register) Standard(name string) *Standard {
	for i := range r.Standards {
		if r.Standards[i].Name == name {
			return &r.Standards[i]
		}
	}
	return nil
}

// HeadFor returns the head that measures f, or says why none does. One head per
// thread pitch: the wrong anvils give a wrong number with perfect repeatability
// (common practice, no source).
func (g *Instrument) HeadFor(f Feature) (*Head, error) {
	if len(g.Heads) == 0 {
		return nil, nil
	}
	why := error(nil)
	for i := range g.Heads {
		h := &g.Heads[i]
		err := h.fits(f)
		if err == nil {
			return h, nil
		}
		if why == nil || len(g.Heads) == 1 {
			why = err
		}
	}
	if len(g.Heads) > 1 {
		return nil, fmt.Errorf("none of the %d heads of gauge %q fits %q (%w), mount one that covers %s%s",
			len(g.Heads), g.Name, f.Name, why, f.Limits, pitchOf(f.Pitch))
	}
	return nil, fmt.Errorf("%w, mount one that covers %s%s", why, f.Limits, pitchOf(f.Pitch))
}

func (h *Head) fits(f Feature) error {
	switch {
	case h.Pitch != f.Pitch && f.Pitch == 0:
		return fmt.Errorf("head %q has thread anvils of pitch %s and %q is no thread", h.Name, h.Pitch, f.Name)
	case h.Pitch != f.Pitch && h.Pitch == 0:
		return fmt.Errorf("head %q has plain anvils and %q is a thread of pitch %s", h.Name, f.Name, f.Pitch)
	case h.Pitch != f.Pitch:
		return fmt.Errorf("head %q has anvils of pitch %s and %q has pitch %s", h.Name, h.Pitch, f.Name, f.Pitch)
	case !h.Range.Contains(f.Limits.Low) || !h.Range.Contains(f.Limits.High):
		return fmt.Errorf("head %q covers %s and the limits of %q are %s", h.Name, h.Range, f.Name, f.Limits)
	}
	return nil
}

// ringReach is how far from the limits a standard may lie, in widths of the
// limits: a gauge is set where it measures (common practice, no source).
const ringReach = 10

// Serves reports why a standard is the wrong one for f; nil when it is right.
func (s *Standard) Serves(f Feature) error {
	reach := ringReach * f.Limits.Width()
	switch {
	case s.Pitch != f.Pitch && f.Pitch == 0:
		return fmt.Errorf("standard %q is a thread of pitch %s and %q is none, take a plain one", s.Name, s.Pitch, f.Name)
	case s.Pitch != f.Pitch && s.Pitch == 0:
		return fmt.Errorf("standard %q is plain and %q is a thread, take a thread ring of pitch %s", s.Name, f.Name, f.Pitch)
	case s.Pitch != f.Pitch:
		return fmt.Errorf("standard %q has pitch %s and %q has pitch %s, take the ring of that pitch", s.Name, s.Pitch, f.Name, f.Pitch)
	case s.Value < f.Limits.Low-reach || s.Value > f.Limits.High+reach:
		return fmt.Errorf("standard %q is %s and the limits of %q are %s, take one near them", s.Name, s.Value, f.Name, f.Limits)
	}
	return nil
}

func pitchOf(p length.Length) string {
	if p == 0 {
		return ""
	}
	return " with pitch " + p.String()
}
