package config

import (
	"slices"
	"strings"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
	"offsetbridge/internal/limits"
)

// Temperatures come in one of these.
const (
	degreesC = "°C"
	degreesF = "°F"
)

// temperatureUnit reads in which unit temperatures come, which is never guessed.
func (t *table) temperatureUnit(mapped bool) (fahrenheit bool) {
	const name = "temperature_unit"
	switch has := t.has(name); {
	case mapped && !has:
		t.problem(name, "is missing, write in which unit the message's temperatures are: \"°C\" or \"°F\"")
		return false
	case !mapped && has:
		t.problem(name, "has no temperature it could speak of, map one in message as well or leave it out")
		return false
	}
	s, _ := t.choice(name, degreesC, degreesF, "C", "F")
	return s == degreesF || s == "F"
}

// expansion reads a coefficient of linear thermal expansion and its standard
// uncertainty, which is a tenth of it unless it is written (common practice, no
// source).
func (t *table) expansion() (a, sigma gauge.Expansion) {
	a, ok := t.coefficient("expansion")
	if t.has("expansion_uncertainty") {
		if sigma, _ = t.coefficient("expansion_uncertainty"); !t.has("expansion") {
			t.problem("expansion_uncertainty", "is of no use without expansion, write that as well or leave it out")
		}
		return a, sigma
	}
	if ok {
		sigma = a / 10
	}
	return a, sigma
}

func (t *table) coefficient(name string) (gauge.Expansion, bool) {
	const example = "11.5 um/m/K"
	s, ok := t.quantity(name, example)
	if !ok {
		return 0, false
	}
	for _, unit := range []string{"um/m/K", "µm/m/K", "μm/m/K", "ppm/K"} {
		number, is := strings.CutSuffix(s, unit)
		if !is {
			continue
		}
		// A billionth is to a millionth what a nanometre is to a micrometre.
		v, err := length.ParseNumber(strings.TrimSpace(number), length.UM)
		if err != nil || v <= 0 || v > 300_000 {
			break
		}
		return gauge.Expansion(v), true
	}
	t.problem(name, "is no coefficient of expansion from 0.001 to 300 µm per metre and kelvin, write it as in %q (steel)", example)
	return 0, false
}

// readMeasuring reads what the uncertainty of a gauge is made of, and how its
// readings are referred to 20 °C.
func (g *Gauge) readMeasuring(t *table) {
	in := &g.Trust.Instrument
	if v, ok := t.length("linearity", "0.0005 mm"); ok {
		if in.Linearity = v; v < 0 || g.Range.Width() > 0 && v > g.Range.Width()/4 {
			t.problem("linearity", "is no error of a gauge, write the largest one over its range, as in \"0.0005 mm\"")
		}
	}
	if n, ok := t.integer("contacts", 2, 3); ok {
		g.Trust.Contacts = gauge.Contacts(n)
	}
	m := &g.Message
	mapped := []*Field{&m.Temperature, &m.GaugeTemperature, &m.StandardTemperature}
	g.Fahrenheit = t.temperatureUnit(slices.ContainsFunc(mapped, func(f *Field) bool { return f.Kind != Absent || f.bad }))
	switch depth := m.Depth.Kind != Absent || m.Depth.bad; {
	case depth && !t.has("depth_unit"):
		t.problem("depth_unit", "is missing, write in which unit message.depth is, as in \"mm\": it is never guessed")
	case !depth && t.has("depth_unit"):
		t.problem("depth_unit", "has no depth it could speak of, map message.depth as well or leave it out")
	case depth:
		if s, ok := t.text("depth_unit"); ok {
			u, err := length.ParseUnit(s)
			if err != nil {
				t.problem("depth_unit", "%s", err)
			}
			g.DepthUnit = u
		}
	}
	x := t.table("temperature")
	if x == nil {
		if m.GaugeTemperature.Kind != Absent || m.StandardTemperature.Kind != Absent {
			t.problem("temperature", "is missing although the message brings temperatures of gauge or standard, write [gauge.temperature] with farthest and uncertainty")
		}
		return
	}
	g.readThermal(t, x)
}

func (g *Gauge) readThermal(t, x *table) {
	th := &core.Thermal{Required: x.flag("required")}
	for _, k := range []struct {
		name, say string
		to        *gauge.Celsius
	}{
		{"farthest", "how far part, gauge and standard may be from 20 °C, as in \"5 K\": beyond it nothing is corrected and nothing steers", &th.Window},
		{"uncertainty", "the standard uncertainty of each temperature, as in \"0.3 K\"", &th.Sigma},
	} {
		if !x.has(k.name) {
			x.problem(k.name, "is missing, write %s", k.say)
		}
		*k.to = x.kelvin(k.name)
	}
	th.Alpha, th.AlphaSigma = x.expansion()
	frame := g.Message.GaugeTemperature.Kind != Absent
	switch {
	case g.Message.Temperature.Kind == Absent && !g.Message.Temperature.bad:
		x.about("needs the temperature of the part, map message.temperature or leave the table out")
	case x.has("expansion") && !frame:
		x.problem("expansion", "of the gauge's own frame needs its temperature, map message.gauge_temperature or leave it out")
	case !x.has("expansion") && frame:
		x.problem("expansion", "is missing although the message brings the gauge's temperature, write that of its frame, as in \"11.5 um/m/K\"")
	}
	if !t.has("standards") {
		t.problem("standards", "is missing although readings are referred to 20 °C, list what the gauge is set on, each with its expansion")
	}
	g.Trust.Thermal = th
	x.close()
}

// checkThermal looks at the standards of a gauge that refers readings to 20 °C.
func (c *Config) checkThermal(t *table, g *Gauge) {
	if g.Trust.Thermal == nil {
		return
	}
	for _, name := range g.Trust.Instrument.Standards {
		if s := c.standard(name); s != nil && s.Alpha == 0 {
			t.problem("standards", "names %q, whose expansion is not given although readings are referred to 20 °C: write it at that standard, as in \"11.5 um/m/K\"", name)
		}
	}
}

// readMaterial reads how the part expands, and whether a gauge makes use of it.
func (l *loopReader) readMaterial(t *table, c *core.Characteristic) {
	c.Alpha, c.AlphaSigma = t.expansion()
	var thermal []string
	for _, u := range c.Gauges {
		if l.c.Gauge(u.Gauge).Trust.Thermal != nil {
			thermal = append(thermal, u.Gauge)
		}
	}
	switch {
	case len(thermal) > 0 && !t.has("expansion"):
		t.problem("expansion", "is missing although gauge %q refers its readings to 20 °C, write that of the part's material, as in \"23.1 um/m/K\" for aluminium", thermal[0])
	case len(thermal) == 0 && t.has("expansion") && len(c.Gauges) > 0:
		t.warn("expansion", "is of no use, as none of its gauges has a table temperature: sizes are taken as they are read")
	}
}

// readSeveral reads how many readings make one measurement.
func (l *loopReader) readSeveral(t *table, c *core.Characteristic) {
	x := t.table("several")
	if x == nil {
		return
	}
	v := &core.Several{Depths: 1, Orientations: 1}
	sound := true
	for _, k := range []struct {
		name string
		to   *int
	}{{"depths", &v.Depths}, {"orientations", &v.Orientations}} {
		if n, ok := x.integer(k.name, 1, gauge.MaxReadings); ok {
			*k.to = int(n)
		} else if x.has(k.name) {
			sound = false
		}
	}
	switch n := v.Depths * v.Orientations; {
	case n == 1 && sound:
		x.about("says nothing, write depths or orientations above one, or leave the table out")
	case n > gauge.MaxReadings:
		x.problem("depths", "times orientations are %d readings of one part, write at most %d", n, gauge.MaxReadings)
	}
	if x.has("correct_by") {
		v.By, _ = x.choice("correct_by", core.ByMean, core.ByMidRange)
	}
	within, _ := x.duration("within", 30*time.Minute, time.Second, 7*24*time.Hour)
	v.Within = within.Milliseconds()
	for _, u := range c.Gauges {
		m := &l.c.Gauge(u.Gauge).Message
		for _, need := range []struct {
			name  string
			n     int
			field Field
		}{{"depths", v.Depths, m.Depth}, {"orientations", v.Orientations, m.Orientation}} {
			if need.n > 1 && need.field.Kind == Absent && !need.field.bad {
				x.problem(need.name, "are %d, but gauge %q does not say at which one it reads: map message.%s there or take another gauge", need.n, u.Gauge, strings.TrimSuffix(need.name, "s"))
			}
		}
	}
	c.Several = v
	x.close()
}

// isThread reports whether a characteristic is one of a thread.
func isThread(t *table, operation string) bool {
	s, _ := t.m["limits"].(string)
	c, err := limits.Parse(s)
	return strings.Contains(operation, "thread") || err == nil && c.Limits().Family.Thread()
}
