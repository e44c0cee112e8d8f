package core

import (
	"strconv"
	"strings"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Measured is the newest measurement of a characteristic that was tied to its
// part: of one reading, or of several.
type Measured struct {
	Gauge string        `json:"g"`
	Part  string        `json:"p,omitempty"`
	Count uint64        `json:"k"`
	Raw   length.Length `json:"r"` // as the gauge showed it, of the newest reading
	Worth *Worth        `json:"w,omitempty"`
	Whole *Whole        `json:"wh,omitempty"`
}

func measuredOf(e *Judged) *Measured {
	r := e.Reading
	return &Measured{Gauge: r.Gauge, Part: r.Part, Count: e.Count, Raw: r.Value, Worth: r.Worth, Whole: e.Whole}
}

// Measurement returns the measurement that a judged reading completed, nil when
// it completed none or was not tied to its part.
func (j Judged) Measurement() *Measured {
	if j.Admit != "" || j.Attribute != "" || j.Gather != "" {
		return nil
	}
	return measuredOf(&j)
}

// Steers returns the size that corrects.
func (m *Measured) Steers() length.Length {
	switch {
	case m.Whole != nil:
		return m.Whole.Steers
	case m.Worth != nil:
		return m.Raw + m.Worth.Correction
	}
	return m.Raw
}

// Decision returns what a measurement decides, its uncertainty, and why that is
// not known.
func (m *Measured) Decision() (gauge.Decision, length.Length, Code) {
	switch {
	case m.Whole != nil:
		return m.Whole.Decision, m.Whole.U, m.Whole.Open
	case m.Worth != nil:
		return m.Worth.Decision, m.Worth.U, m.Worth.Open
	}
	return gauge.InDoubt, 0, codeUnknownGauge
}

// MeasuredView is what a person is shown of a measurement, never without the
// sentence that it accepts no part.
type MeasuredView struct {
	Characteristic string         `json:"characteristic"`
	Gauge          string         `json:"gauge"`
	Part           string         `json:"part,omitempty"`
	Count          uint64         `json:"count,omitempty"`
	Readings       int            `json:"readings"`
	Raw            *length.Length `json:"raw_nm,omitempty"` // of one reading, as the gauge showed it
	Size           length.Length  `json:"size_nm"`          // that steers, at 20 °C where that is configured
	Correction     *length.Length `json:"to_20c_nm,omitempty"`
	U              *length.Length `json:"uncertainty_nm,omitempty"` // expanded; absent: not known
	Decision       gauge.Decision `json:"decision"`
	Smallest       *length.Length `json:"smallest_nm,omitempty"` // local size, of several readings
	Largest        *length.Length `json:"largest_nm,omitempty"`
	Taper          *length.Length `json:"taper_nm,omitempty"`
	Spread         *length.Length `json:"spread_nm,omitempty"`
	Form           bool           `json:"form,omitempty"`                // wrong form: no automatic correction
	Unknown        Code           `json:"uncertainty_unknown,omitempty"` // why its uncertainty is not known
	Thread         bool           `json:"thread,omitempty"`              // GO and NO-GO gauging stays mandatory
	Say            string         `json:"say"`                           // the decision
	How            []string       `json:"how,omitempty"`                 // how the size came about, and what it cannot show
}

// MeasurementView lays a measurement out.
func (s *Settings) MeasurementView(m *Measured, ch *Characteristic) MeasuredView {
	d, u, open := m.Decision()
	v := MeasuredView{
		Characteristic: ch.Name, Gauge: m.Gauge, Part: m.Part, Count: m.Count, Readings: 1, Size: m.Steers(), Decision: d, Say: m.Say(),
	}
	if v.Unknown, v.Thread = open, m.Worth != nil && m.Worth.Thread; open == "" {
		v.U = &u
	}
	if w := m.Whole; w != nil {
		z := w.Sizes
		v.Readings, v.Smallest, v.Largest, v.Taper, v.Spread, v.Form = z.Readings, &z.Smallest, &z.Largest, &z.Taper, &z.Spread, w.Form
	} else {
		raw := m.Raw
		v.Raw = &raw
		if m.Worth.Corrected() {
			c := m.Worth.Correction
			v.Correction = &c
		}
	}
	v.How = m.How()
	if s := m.Whole.SpringPass(ch.Internal, ch.Tolerance()); s != "" {
		v.How = append(v.How, s)
	}
	if t := s.trust(m.Gauge); t != nil && t.Contacts != 0 {
		v.How = append(v.How, t.Contacts.Blind())
	}
	return v
}

// Say returns the decision in a sentence, never without the one that a size
// accepts no part.
func (m *Measured) Say() string {
	d, u, open := m.Decision()
	size := show(m.Steers())
	if m.Whole != nil {
		size = strings.TrimSuffix(show(m.Whole.Sizes.Smallest), " mm") + ".." + show(m.Whole.Sizes.Largest)
	}
	out := size + " ±" + show(u) + " is " + string(d)
	if open != "" {
		out = size + " is " + string(d) + ", its uncertainty is not known: " + open.Words()
	}
	out += "; " + gauge.NoAcceptance
	if m.Worth != nil && m.Worth.Thread {
		out += "; " + gauge.PlugsDecide
	}
	return out
}

// How says in sentences how the size came about.
func (m *Measured) How() []string {
	var how []string
	switch w := m.Worth; {
	case w == nil:
	case w.Uncorrected != "":
		how = append(how, w.Uncorrected.Words())
	case w.Corrected() && m.Whole != nil:
		how = append(how, "every reading is referred to 20 °C")
	case w.Corrected():
		how = append(how, "the gauge showed "+show(m.Raw)+", at 20 °C that is "+w.Correction.Signed(length.MM, 4)+" (±"+show(2*w.Thermal)+")")
	}
	if w := m.Whole; w != nil {
		how = append(how, strconv.Itoa(w.Sizes.Readings)+" readings, "+show(w.Steers)+" steers; taper "+w.Sizes.Taper.Signed(length.MM, 4)+
			", spread "+show(w.Sizes.Spread))
		if w.Form {
			how = append(how, codeForm.Words())
		}
	}
	return how
}

// show writes a size to a tenth of a micrometre.
func show(l length.Length) string { return l.Text(length.MM, 4) }

// GatheringView is a measurement that waits for further readings.
type GatheringView struct {
	Characteristic string `json:"characteristic"`
	Gauge          string `json:"gauge"`
	Part           string `json:"part,omitempty"`
	Have           int    `json:"have"`
	Of             int    `json:"of"`
}

// measurements adds to a loop's view what was last measured, and what is being
// measured.
func (s *State) measurements(v *LoopView, l *Loop, b *LoopBook) {
	for i := range l.Characteristics {
		ch := &l.Characteristics[i]
		if m := b.Sizes[i].Newest; m != nil {
			v.Measured = append(v.Measured, s.Ledger.Settings.MeasurementView(m, ch))
		}
		for _, g := range s.Ledger.Gathering {
			if g.Characteristic == ch.Name && ch.Several != nil {
				v.Gathering = append(v.Gathering, GatheringView{
					Characteristic: ch.Name, Gauge: g.Gauge, Part: partName(g.Part, g.Count), Have: len(g.Places), Of: ch.Several.readings(),
				})
			}
		}
	}
}

// meaning is what decides what the readings of a characteristic mean, beside its
// aim: when it changes, those before say nothing of those after.
func (s *Settings) meaning(c *Characteristic) any {
	var thermal []*Thermal
	for _, u := range c.Gauges {
		if t := s.trust(u.Gauge); t != nil {
			thermal = append(thermal, t.Thermal)
		}
	}
	return []any{c.Several, c.Alpha, thermal}
}
