package web

import (
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// The sentences about a measurement, for one way of reading. In English they are
// those of the record (core), which a test holds them to.

// decided says what a size decides, never without the sentence that it accepts no
// part.
func (f Format) decided(m *core.Measured) string {
	d, u, open := m.Decision()
	size := f.size(m.Steers())
	if w := m.Whole; w != nil {
		size = f.T("range", "low", f.bare(w.Sizes.Smallest), "high", f.size(w.Sizes.Largest))
	}
	return f.sizeIs(size, u, string(d), open, m.Worth != nil && m.Worth.Thread)
}

func (f Format) sizeIs(size string, u length.Length, d string, open core.Code, thread bool) string {
	is := f.T("d_" + d)
	out := f.T("size_is", "size", size, "u", f.size(u), "is", is)
	if open != "" {
		out = f.T("size_is_unknown", "size", size, "is", is, "why", f.code(open))
	}
	out += "; " + f.T("accepts_none")
	if thread {
		out += "; " + f.T("plugs_decide")
	}
	return out
}

// measured says what the newest size of a characteristic decides.
func (f Format) measured(v *core.MeasuredView) string {
	size, u := f.size(v.Size), length.Length(0)
	if v.Smallest != nil && v.Largest != nil {
		size = f.T("range", "low", f.bare(*v.Smallest), "high", f.size(*v.Largest))
	}
	if v.U != nil {
		u = *v.U
	}
	return f.sizeIs(size, u, string(v.Decision), v.Unknown, v.Thread)
}

// Blind says what a gauge's head of so many contacts cannot see; of is the record's
// own sentence.
func (f Format) Blind(contacts int, of string) string {
	if key := "blind_" + strconv.Itoa(contacts); contacts != 0 && f.words.text[key] != "" {
		return f.T(key)
	}
	return of
}

// bare is a size without its unit.
func (f Format) bare(v length.Length) string {
	unit, n := f.digits()
	return f.sign(v.Text(unit, n)[:len(v.Text(unit, n))-len(" "+string(unit))])
}

// cameAbout says how a size came about.
func (f Format) cameAbout(m *core.Measured) []string {
	var how []string
	switch w := m.Worth; {
	case w == nil:
	case w.Uncorrected != "":
		how = append(how, f.code(w.Uncorrected))
	case w.Corrected() && m.Whole != nil:
		how = append(how, f.T("how_20_all"))
	case w.Corrected():
		how = append(how, f.T("how_20", "raw", f.size(m.Raw), "by", f.signed(w.Correction), "u", f.size(2*w.Thermal)))
	}
	if w := m.Whole; w != nil {
		how = append(how, f.T("how_several", "n", strconv.Itoa(w.Sizes.Readings), "size", f.size(w.Steers),
			"taper", f.signed(w.Sizes.Taper), "spread", f.size(w.Sizes.Spread)))
		if w.Form {
			how = append(how, f.code("form"))
		}
	}
	return how
}

func (f Format) springPass(w *core.Whole, internal bool, tolerance length.Length) string {
	if w.SpringPass(internal, tolerance) == "" {
		return ""
	}
	return f.T("spring_pass", "by", f.size(-w.Sizes.Taper), "tolerance", f.size(tolerance), "third", f.size(tolerance/3))
}
