package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
	"offsetbridge/internal/limits"
)

// Trust is what makes the readings of a gauge trustworthy, as far as the file
// says. What it does not say is not asked for.
type Trust struct {
	Instrument gauge.Instrument
	Interval   gauge.Interval
	RingWindow *length.Length // nil: gauge.RingWindow; 0: never
	Contacts   gauge.Contacts // of its head; 0: not said
	Thermal    *core.Thermal  // nil: readings are taken as they are
}

// Register returns every gauge and standard of the plant.
func (c *Config) Register() *gauge.Register {
	r := &gauge.Register{Standards: c.Standards}
	for i := range c.Gauges {
		r.Instruments = append(r.Instruments, c.Gauges[i].Trust.Instrument)
	}
	return r
}

func readStandard(t *table) gauge.Standard {
	s := gauge.Standard{Name: t.name(false)}
	if v, ok := t.needLength("value", "the certified size, not the nominal one", "28.0012 mm"); ok {
		if s.Value = v; v <= 0 {
			t.problem("value", "is not above zero, write the certified size, as in \"28.0012 mm\"")
		}
	}
	if v, ok := t.needLength("uncertainty", "the expanded uncertainty of the certificate (k = 2)", "0.0008 mm"); ok {
		if s.Uncertainty = v; v <= 0 || v > length.Millimetre {
			t.problem("uncertainty", "is no uncertainty of a standard, write what its certificate says, as in \"0.0008 mm\"")
		}
	}
	s.Pitch = t.pitch()
	s.Certificate, _ = t.text("certificate")
	if at, ok := t.date("certified"); ok {
		s.Certified = at
	}
	if !t.has("due") {
		t.problem("due", "is missing, write the last day on which its certificate is good, as in \"2027-03-31\"")
	} else {
		s.Due = t.lastDay("due")
	}
	if s.Due != 0 && s.Certified != 0 && s.Due <= s.Certified {
		t.problem("due", "lies before certified, correct one of them")
	}
	s.Alpha, s.AlphaSigma = t.expansion()
	t.close()
	return s
}

// pitch reads the pitch of thread anvils or of a thread ring; 0 is plain.
func (t *table) pitch() length.Length {
	v, ok := t.length("pitch", "1.5 mm")
	if ok && (v <= 0 || v > 100*length.Millimetre) {
		t.problem("pitch", "is no pitch of a thread, write one, as in \"1.5 mm\", or leave it out for plain ones")
		return 0
	}
	return v
}

// date reads a day as its first moment (UTC).
func (t *table) date(name string) (gauge.Moment, bool) {
	s, ok := t.text(name)
	if !ok {
		return 0, false
	}
	at, err := time.Parse(time.DateOnly, s)
	if err != nil || at.Year() < 1970 || at.Year() > 2200 {
		t.problem(name, "is no day, write it as in \"2027-03-31\"")
		return 0, false
	}
	return gauge.Moment(at.UnixMilli()), true
}

// lastDay reads a day that still counts: what is due is out of date after it.
func (t *table) lastDay(name string) gauge.Moment {
	at, ok := t.date(name)
	if !ok {
		return 0
	}
	return at + gauge.Moment((24 * time.Hour).Milliseconds())
}

// readTrust reads what is asked of a gauge, all of it optional.
func (g *Gauge) readTrust(t *table) {
	in := &g.Trust.Instrument
	in.Name, in.Resolution = g.Name, g.Resolution
	if v, ok := t.length("repeatability", "0.0003 mm"); ok {
		if in.Repeatability = v; v <= 0 || g.Range.Width() > 0 && v > g.Range.Width()/4 {
			t.problem("repeatability", "is no standard deviation of a gauge, write the one of its study, as in \"0.0003 mm\"")
		}
	}
	if t.has("calibration_due") {
		in.Due = t.lastDay("calibration_due")
	}
	in.Standards, _ = t.words("standards", `["ring 28"]`)
	if t.has("ring_window") {
		if v, ok := t.length("ring_window", "0.003 mm"); ok {
			if v < 0 {
				t.problem("ring_window", "is below zero, write how near to a standard a reading looks like one of it, \"0 mm\" for never")
			} else {
				g.Trust.RingWindow = &v
			}
		}
	}
	for _, h := range t.tables("head") {
		in.Heads = append(in.Heads, readHead(h))
	}
	if s := t.table("setting"); s != nil {
		g.Trust.Interval = readInterval(s)
	}
}

func readHead(t *table) gauge.Head {
	h := gauge.Head{Name: t.name(false)}
	if span, ok := t.needSpan("range", "what the head covers", "25.0..30.0 mm", length.ParseRange); ok {
		if h.Range = span; span.Width() == 0 {
			t.problem("range", "is empty, write what the head covers, as in \"25.0..30.0 mm\"")
		}
	}
	h.Pitch = t.pitch()
	t.close()
	return h
}

func readInterval(t *table) gauge.Interval {
	var i gauge.Interval
	if t.has("every") {
		d, _ := t.duration("every", 8*time.Hour, time.Minute, 90*24*time.Hour)
		i.Millis = d.Milliseconds()
	}
	if n, ok := t.integer("parts", 1, 1_000_000); ok {
		i.Readings = n
	}
	i.Change = t.kelvin("temperature_change")
	if !i.Bounds() {
		t.about("says nothing, write at least one of every, parts and temperature_change, or leave the table out")
	}
	t.close()
	return i
}

// kelvin reads a difference of temperature, as in "2 K".
func (t *table) kelvin(name string) gauge.Celsius {
	s, ok := t.quantity(name, "2 K")
	if !ok {
		return 0
	}
	number, ok := strings.CutSuffix(s, "K")
	// A thousandth of a kelvin is to a kelvin what a nanometre is to a micrometre.
	v, err := length.ParseNumber(strings.TrimSpace(number), length.UM)
	if !ok || err != nil || v <= 0 || v > 50_000 {
		t.problem(name, "is no difference of temperature, write it as in \"2 K\"")
		return 0
	}
	return gauge.Celsius(v)
}

// checkStandards looks at names and at what gauges say of them.
func (c *Config) checkStandards(t *table) {
	var names []string
	for i, x := range t.tables("standard") {
		name := c.Standards[i].Name
		if name != "" && slices.Contains(names, name) {
			x.problem("name", "is taken by another standard, name each once")
		}
		names = append(names, name)
	}
	for i, x := range t.tables("gauge") {
		for _, s := range c.Gauges[i].Trust.Instrument.Standards {
			if !slices.Contains(names, s) {
				x.unknown("standards", s, "standard", names)
			}
		}
		c.checkThermal(x, &c.Gauges[i])
	}
}

// checkTrust says why a gauge is the wrong one for a characteristic: its heads do
// not fit, or what it is set on does not.
func (l *loopReader) checkTrust(t *table, g *Gauge, c *core.Characteristic) {
	in := &g.Trust.Instrument
	f := gauge.Feature{Name: c.Name, Limits: c.Limits, Pitch: threadPitch(t)}
	if _, err := in.HeadFor(f); err != nil {
		t.problem("gauges", "holds gauge %q, whose %s", g.Name, err)
	}
	window := gauge.RingWindow(c.Tolerance(), g.Resolution)
	if g.Trust.RingWindow != nil {
		window = *g.Trust.RingWindow
	}
	wrong, usable := error(nil), len(in.Standards) == 0
	for _, name := range in.Standards {
		s := l.c.standard(name)
		if s == nil {
			usable = true // reported already
			continue
		}
		if err := s.Serves(f); err != nil {
			wrong = err
			continue
		}
		usable = true
		if reach := window + c.Tolerance()/4; window > 0 && (s.Value-c.Aim).Abs() < reach {
			t.warn("gauges", "holds gauge %q, whose standard %q is %s, as near to the aim %s as good parts are: their readings would wait unassigned, write a narrower ring_window or \"0 mm\" at the gauge",
				g.Name, name, s.Value, c.Aim)
		}
	}
	if !usable {
		t.problem("gauges", "holds gauge %q, which nothing right can be set on: %s", g.Name, wrong)
	}
}

func (c *Config) standard(name string) *gauge.Standard {
	for i := range c.Standards {
		if c.Standards[i].Name == name {
			return &c.Standards[i]
		}
	}
	return nil
}

// threadPitch returns the pitch of what a characteristic's limits describe, 0
// where its size is not a pitch diameter.
func threadPitch(t *table) length.Length {
	s, _ := t.m["limits"].(string)
	feature, _ := t.m["feature"].(string)
	c, err := limits.Parse(s)
	if err != nil || feature != "" && feature != string(limits.OfPitch) || !c.Limits().Family.Thread() {
		return 0
	}
	return c.ThreadPitch()
}

// trusts returns what is asked of the gauges that serve a machine's loops.
func (c *Config) trusts(loops []core.Loop) []core.Trust {
	var all []core.Trust
	for i := range c.Gauges {
		g := &c.Gauges[i]
		t := g.trust(c)
		if t != nil && slices.ContainsFunc(loops, func(l core.Loop) bool {
			return slices.ContainsFunc(l.Characteristics, func(ch core.Characteristic) bool {
				return slices.ContainsFunc(ch.Gauges, func(u core.GaugeUse) bool { return u.Gauge == g.Name })
			})
		}) {
			all = append(all, *t)
		}
	}
	return all
}

// trust says it in the core's words, nil where the file says nothing.
func (g *Gauge) trust(c *Config) *core.Trust {
	in := &g.Trust.Instrument
	t := &core.Trust{
		Gauge: g.Name, Repeat: in.Repeatability, Interval: g.Trust.Interval, Window: g.Trust.RingWindow,
		Frozen: gauge.RunLength(in.Repeatability, in.Resolution), Linearity: in.Linearity,
		Contacts: g.Trust.Contacts, Thermal: g.Trust.Thermal,
	}
	for _, h := range in.Heads {
		t.Heads = append(t.Heads, h.Range)
	}
	for _, name := range in.Standards {
		if s := c.standard(name); s != nil {
			t.Standards = append(t.Standards, core.Ring{
				Name: name, Value: s.Value, Uncertainty: s.Uncertainty, Alpha: s.Alpha, AlphaSigma: s.AlphaSigma,
			})
		}
	}
	if t.Repeat == 0 && len(t.Heads) == 0 && len(t.Standards) == 0 && !t.Interval.Bounds() && t.Window == nil && t.Linearity == 0 && t.Contacts == 0 && t.Thermal == nil {
		return nil
	}
	return t
}

// PastDue returns the gauges and standards of a machine that are out of date at
// a moment, sorted.
func (c *Config) PastDue(machine string, now time.Time) core.Dates {
	var d core.Dates
	at := gauge.Moment(now.UnixMilli())
	for _, l := range c.Loops {
		if l.Machine != machine {
			continue
		}
		for _, ch := range l.Characteristics {
			for _, u := range ch.Gauges {
				in := &c.Gauge(u.Gauge).Trust.Instrument
				if in.Due.Past(at) && !slices.Contains(d.Gauges, in.Name) {
					d.Gauges = append(d.Gauges, in.Name)
				}
				for _, name := range in.Standards {
					if s := c.standard(name); s != nil && s.Due.Past(at) && !slices.Contains(d.Standards, name) {
						d.Standards = append(d.Standards, name)
					}
				}
			}
		}
	}
	slices.Sort(d.Gauges)
	slices.Sort(d.Standards)
	return d
}

// Refuse says why a check of a gauge on a standard cannot be one: a name that is
// not known, or a standard that is not this gauge's. It returns nil when it can.
func (c *Config) Refuse(name, standard string) error {
	g := c.Gauge(name)
	if g == nil {
		return fmt.Errorf("there is no gauge %q, name one of %s", clip(name), list(quoted(c.gaugeNames()), "or"))
	}
	in := &g.Trust.Instrument
	switch {
	case len(in.Standards) > 0 && !slices.Contains(in.Standards, standard):
		return fmt.Errorf("standard %q is not one of gauge %q, take %s", clip(standard), name, list(quoted(in.Standards), "or"))
	case len(in.Standards) == 0 && c.standard(standard) == nil:
		return fmt.Errorf("there is no standard %q, add a section [[standard]] or name one that is there", clip(standard))
	}
	return nil
}

func (c *Config) standardNames() []string {
	var names []string
	for _, s := range c.Standards {
		names = append(names, s.Name)
	}
	return names
}

// ofGauge reports whether the announcement is about a gauge on its standard.
func (a *Announcement) ofGauge() bool { return a.Kind == Setting || a.Kind == RingCheck }

// readForms reads how the numbers and the time of a setting are written.
func (a *Announcement) readForms(t *table) {
	a.TextNumbers, a.DecimalComma = t.flag("text_numbers"), t.flag("decimal_comma")
	a.TimeFormat, _ = t.choice("time_format", "rfc3339", "ms", "s")
	if a.DecimalComma && !a.TextNumbers {
		t.problem("decimal_comma", "needs numbers in quotes, as a plain JSON number has no comma: write text_numbers = true as well")
	}
	for _, name := range []string{"text_numbers", "decimal_comma", "time_format", "temperature_unit"} {
		if t.has(name) && a.Kind != "" && !a.ofGauge() {
			t.problem(name, "is of no use here, as only a setting or a ring check brings such a value: leave it out")
		}
	}
}

// checkForms looks at what needs the message to be read first.
func (a *Announcement) checkForms(t *table) {
	switch has := a.Message.Time.Kind != Absent; {
	case !a.ofGauge():
	case has && a.TimeFormat == "":
		t.problem("time_format", "is missing, write how message.time is written: \"rfc3339\", \"ms\" or \"s\" (since 1970, UTC)")
	case !has && a.TimeFormat != "":
		t.problem("time_format", "has no time it could speak of, map message.time as well or leave it out")
	}
	if a.ofGauge() && a.Message.Time.Kind == Absent && a.Message.Sequence.Kind == Absent {
		t.warn("message", "brings neither sequence nor time: a setting that is delivered twice counts twice")
	}
}

func (a *Announcement) readCheck(t *table, read func(*Field, mapped)) {
	at := &a.Message
	read(&at.Gauge, mapped{"gauge", anywhere, false, gaugeField})
	read(&at.Standard, mapped{"standard", anywhere, false, "where the standard stands, as in \"/standard\", or its name, as in \"=ring 28\""})
	read(&at.AsFound, mapped{"as_found", []FieldKind{Pointer}, false, "where the deviation before adjusting stands (reading of the standard minus its certified value), as in \"/as_found\""})
	read(&at.Unit, mapped{"unit", anywhere, false, "where the unit stands, as in \"/unit\", or the unit itself, as in \"=mm\": it is never guessed"})
	read(&at.Person, mapped{"person", sent, true, ""})
	read(&at.Temperature, mapped{"temperature", sent, true, ""})
	read(&at.Sequence, mapped{"sequence", sent, true, ""})
	read(&at.Time, mapped{"time", sent, true, ""})
	if at.Unit.Kind == Constant {
		if _, err := length.ParseUnit(at.Unit.Text); err != nil {
			t.problem("unit", "%s", err)
		}
	}
}
