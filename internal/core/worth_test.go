package core

import (
	"strings"
	"testing"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

func celsius(milli int64) *gauge.Celsius { c := gauge.Celsius(milli); return &c }

// warm is a bore of aluminium measured with a gauge set on a steel ring
// (coefficients: Swyt, NIST 1994), in a window of 12 K.
func warm(change func(*Trust)) func(*Settings) {
	return ringed(func(t *Trust) {
		t.Interval = gauge.Interval{}
		t.Standards = []Ring{{Name: "R25", Value: 25*length.Millimetre - 60*um, Uncertainty: 800, Alpha: 11_500}}
		t.Thermal = &Thermal{Window: 12_000, Required: true}
		if change != nil {
			change(t)
		}
	})
}

func aluminium(s *Settings) { s.Loops[0].Characteristics[0].Alpha = 23_100 }

func warmCell(t tester, change func(*Trust)) *cell {
	c := cellWith(t, func(s *Settings) { warm(change)(s); aluminium(s) })
	k := check(0)
	k.Temp = celsius(20_000)
	c.record(1, Set{k})
	return c
}

// measured sends a reading of the newest part, changed.
func (c *cell) measured(change func(*Reading)) Judged {
	c.t.Helper()
	r := c.reading("bore", c.counter)
	change(&r)
	return c.judged(c.send(r))
}

// A part at 30 °C on a ring that was at 30 °C when the gauge was set: aluminium
// has grown 2.9 µm more than steel over 25 mm (50 mm: 5.8 µm, Swyt 1994), and the
// loop steers by the corrected size while the raw one stands beside it.
func TestTheLoopSteersByTheSizeAtTwentyDegrees(t *testing.T) {
	c := warmCell(t, nil)
	k := check(0)
	k.Temp = celsius(30_000)
	c.record(2, Set{k})
	c.part()
	j := c.measured(func(r *Reading) { r.Value, r.Temp = 25*length.Millimetre+2900, celsius(30_000) })
	w := j.Reading.Worth
	if j.Admit != "" || w == nil || w.Correction != -2900 || j.Reading.Value != 25*length.Millimetre+2900 || j.Reading.Size() != 25*length.Millimetre || j.Deviation != 0 {
		t.Fatalf("judged %+v, worth %+v", j, w)
	}
	if j.Propose != codeDeadBand {
		t.Fatalf("a size on its aim at 20 °C asks for %+v (%s)", j.Moves, j.Propose)
	}
	v := c.s.View().Loops[0].Measured
	if len(v) != 1 || v[0].Size != 25*length.Millimetre || *v[0].Raw != 25*length.Millimetre+2900 || *v[0].Correction != -2900 ||
		!strings.Contains(v[0].How[0], "the gauge showed 25.0029 mm, at 20 °C that is −0.0029 mm") {
		t.Fatalf("shown %+v", v)
	}
	// At the limit it is the corrected size that is judged.
	c.part()
	limits := c.s.Ledger.Settings.Loops[0].Characteristics[0].Limits
	if w := c.measured(func(r *Reading) { r.Value, r.Temp = limits.High+2900+10, celsius(30_000) }).Reading.Worth; w.U <= 10 || w.U > 2900 || w.Decision != gauge.InDoubt {
		t.Fatalf("10 nm above the limit at 20 °C: %+v", w)
	}
	// What nobody admitted is worth nothing, whatever the message claims.
	if j := c.measured(func(r *Reading) { r.Retained, r.Worth = true, &Worth{Decision: gauge.Conforming} }); j.Reading.Worth != nil {
		t.Fatalf("a retained reading is worth %+v", j.Reading.Worth)
	}
	// The proposal shows the corrected size, and the raw one beside it.
	for range 3 {
		c.part()
		j = c.measured(func(r *Reading) { r.Value, r.Temp = 25*length.Millimetre-12*um, celsius(30_000) })
	}
	p := c.s.proposalOf("bore")
	if p == nil || p.Measured != p.Raw-2899 || p.Raw != 25*length.Millimetre-12*um {
		t.Fatalf("proposal %+v, judged %+v", p, j)
	}
}

func TestTemperaturesThatStopAReading(t *testing.T) {
	frame := func(t *Trust) { t.Thermal.Alpha = 11_500 }
	loose := func(t *Trust) { t.Thermal.Required = false }
	both := func(t *Trust) { frame(t); loose(t) }
	for _, x := range []struct {
		name   string
		trust  func(*Trust)
		change func(*Reading)
		admit  Code
		not    Code // uncorrected, and why
	}{
		{"at the edge of the window", nil, func(r *Reading) { r.Temp = celsius(32_000) }, "", ""},
		{"beyond it", nil, func(r *Reading) { r.Temp = celsius(32_001) }, codeTooWarm, ""},
		{"the standard beyond it", nil, func(r *Reading) { r.Temp, r.TempStandard = celsius(20_000), celsius(7_999) }, codeTooWarm, ""},
		{"beyond it, not required", loose, func(r *Reading) { r.Temp = celsius(32_001) }, codeTooWarm, ""},
		{"none", nil, func(*Reading) {}, codeNoPartTemp, ""},
		{"none, not required", loose, func(*Reading) {}, "", codeNoPartTemp},
		{"of the frame missing", frame, func(r *Reading) { r.Temp = celsius(20_000) }, codeNoGaugeTemp, ""},
		{"of the frame missing, not required", both, func(r *Reading) { r.Temp = celsius(20_000) }, "", codeNoGaugeTemp},
		{"all there", frame, func(r *Reading) { r.Temp, r.TempGauge = celsius(20_000), celsius(21_000) }, "", ""},
		{"frame too far from its setting", frame, func(r *Reading) { r.Temp, r.TempGauge = celsius(20_000), celsius(33_000) }, codeTooWarm, ""},
	} {
		t.Run(x.name, func(t *testing.T) {
			c := warmCell(t, x.trust)
			c.part()
			j := c.measured(x.change)
			if j.Admit != x.admit {
				t.Fatalf("admitted %q, want %q", j.Admit, x.admit)
			}
			if x.admit != "" {
				if j.Reading.Worth != nil || x.admit.Words() == string(x.admit) {
					t.Fatalf("refused with %+v, in words %q", j.Reading.Worth, x.admit.Words())
				}
				return
			}
			if w := j.Reading.Worth; w.Uncorrected != x.not || x.not != "" && (w.Correction != 0 || w.Thermal == 0) {
				t.Fatalf("worth %+v", w)
			}
		})
	}
	t.Run("no setting on record", func(t *testing.T) {
		c := cellWith(t, func(s *Settings) { warm(nil)(s); aluminium(s) })
		c.part()
		if j := c.measured(func(r *Reading) { r.Temp = celsius(20_000) }); j.Admit != codeNoRingTemp {
			t.Fatalf("judged %+v", j)
		}
	})
}

// What a reading is worth is worked out when it comes, not when its cut is known:
// the gauge may have been set again, in another climate, meanwhile.
func TestAWaitingReadingKeepsItsWorth(t *testing.T) {
	c := warmCell(t, nil)
	c.begin()
	r := c.reading("bore", c.counter+1)
	r.Value, r.Temp = 25*length.Millimetre, celsius(30_000)
	if out := c.send(r); len(only[Waits](out)) != 1 {
		t.Fatalf("did not wait: %+v", out)
	}
	k := check(0)
	k.Temp = celsius(30_000)
	c.record(2, Set{k})
	j := c.judged(c.end())
	if j.Reading.Worth == nil || j.Reading.Worth.Correction != -5775 { // 25 mm · 23.1·10⁻⁶/K · 10 K; the steel ring was at 20 °C
		t.Fatalf("judged %+v", j.Reading.Worth)
	}
	r.Worth = &Worth{Correction: um, Decision: gauge.Conforming} // nobody brings it from outside
	r.Sequence++
	c.seq["g-bore"]++
	if j := c.judged(c.send(r)); j.Reading.Worth.Correction == um {
		t.Fatalf("taken from outside: %+v", j.Reading.Worth)
	}
}

// Certificate 0.8 µm (k = 2), repeatability 0.5 µm, linearity 0.6 µm, of which the
// root of the sum of squares is √(400² + 500² + 346²) = 728.4, rounded up 729 nm.
func TestEveryReadingIsDecidedUpon(t *testing.T) {
	c := warmCell(t, func(t *Trust) { t.Thermal, t.Linearity = nil, 600 })
	const u = 2 * 729
	limits := c.s.Ledger.Settings.Loops[0].Characteristics[0].Limits
	for _, x := range []struct {
		size length.Length
		want gauge.Decision
	}{
		{limits.Low + u, gauge.Conforming}, {limits.Low + u - 1, gauge.InDoubt}, {limits.Low - u, gauge.InDoubt},
		{limits.Low - u - 1, gauge.NotConforming}, {limits.High - u, gauge.Conforming}, {limits.High + u + 1, gauge.NotConforming},
	} {
		c.part()
		j := c.measured(func(r *Reading) { r.Value = x.size })
		if w := j.Reading.Worth; w.U != u || w.Decision != x.want {
			t.Fatalf("%s: %+v, want U %d and %s", x.size, w, u, x.want)
		}
		m := c.s.View().Loops[0].Measured[0]
		if m.Decision != x.want || !strings.Contains(m.Say, "is "+string(x.want)) || !strings.Contains(m.Say, gauge.NoAcceptance) || strings.Contains(m.Say, "GO") {
			t.Fatalf("shown %+v", m)
		}
		for _, h := range c.s.Ledger.Holds {
			c.send(Resume{Loop: h.Loop, Cause: h.Cause, Note: "looked", Who: engineer})
		}
	}
	// A check that left the gauge 2 µm off, inside its limit, is no scatter: it
	// widens U by all of it.
	c.record(2, RingChecked{check(2 * um)})
	c.part()
	if w := c.measured(func(r *Reading) { r.Value = 25 * length.Millimetre }).Reading.Worth; w.U != u+2*um {
		t.Fatalf("after a check that found it off: %+v", w)
	}
	c.record(3, Set{check(2 * um)})
	c.part()
	if w := c.measured(func(r *Reading) { r.Value = 25 * length.Millimetre }).Reading.Worth; w.U != u {
		t.Fatalf("after it was adjusted: %+v", w)
	}
}

// Without a study or a certificate nothing is decided, whatever the size, and
// the reason is said. Of a thread GO and NO-GO stay mandatory.
func TestWhatIsNotKnownIsInDoubt(t *testing.T) {
	for name, x := range map[string]struct {
		change func(*Settings)
		why    Code
	}{
		"nothing of the gauge":  {func(s *Settings) { s.Gauges = nil }, codeUnknownGauge},
		"no repeatability":      {func(s *Settings) { s.Gauges[0].Repeat = 0 }, codeNoRepeat},
		"no certificate":        {func(s *Settings) { s.Gauges[0].Standards[0].Uncertainty = 0 }, codeNoCertify},
		"nothing is said of it": {func(s *Settings) { s.Gauges[0].Standards = nil }, codeNoCertify},
	} {
		t.Run(name, func(t *testing.T) {
			c := cellWith(t, func(s *Settings) {
				warm(func(t *Trust) { t.Thermal = nil })(s)
				s.Loops[0].Characteristics[0].Thread = true
				x.change(s)
			})
			c.record(1, Set{check(0)})
			c.part()
			w := c.measured(func(*Reading) {}).Reading.Worth
			if w.Decision != gauge.InDoubt || w.Open != x.why || w.U != 0 {
				t.Fatalf("worth %+v, want %s", w, x.why)
			}
			m := c.s.View().Loops[0].Measured[0]
			if m.U != nil || !strings.Contains(m.Say, x.why.Words()) || !strings.Contains(m.Say, gauge.NoAcceptance+"; "+gauge.PlugsDecide) {
				t.Fatalf("shown %+v", m)
			}
		})
	}
}

// Where no setting is on record it may have been any of the gauge's standards: the
// largest uncertainty counts.
func TestTheWorstOfTheStandardsCounts(t *testing.T) {
	tr := &Trust{Standards: []Ring{{Name: "a", Uncertainty: 800}, {Name: "b", Uncertainty: 1200}, {Name: "c", Uncertainty: 900}}}
	for _, x := range []struct {
		standard string
		want     length.Length
		known    bool
	}{{"", 1200, true}, {"a", 800, true}, {"c", 900, true}, {"d", 0, false}} {
		if u, known := tr.certificate(x.standard); u != x.want || known != x.known {
			t.Errorf("set on %q: %s, %v", x.standard, u, known)
		}
	}
	tr.Standards[2].Uncertainty = 0
	if u, known := tr.certificate(""); known {
		t.Errorf("one without a certificate among them: %s", u)
	}
	if _, known := (&Trust{}).certificate(""); known {
		t.Error("no standard, and yet an uncertainty")
	}
}

// When what the numbers mean changes, those before say nothing of those after.
func TestAnotherMeaningStartsAnotherEstimate(t *testing.T) {
	for name, change := range map[string]func(*Settings){
		"expansion":          func(s *Settings) { s.Loops[0].Characteristics[0].Alpha++ },
		"window":             func(s *Settings) { s.Gauges[0].Thermal.Window++ },
		"no correction":      func(s *Settings) { s.Gauges[0].Thermal = nil },
		"several readings":   func(s *Settings) { s.Loops[0].Characteristics[0].Several = &Several{Depths: 2, Orientations: 1} },
		"nothing to do with": nil,
	} {
		c := warmCell(t, nil)
		c.part()
		c.measured(func(r *Reading) { r.Temp = celsius(20_000) })
		set := settings()
		warm(nil)(&set)
		aluminium(&set)
		if change != nil {
			change(&set)
		} else {
			set.Fresh++
		}
		c.send(Configure{Settings: set, Who: engineer})
		if kept := c.s.estimateOf("bore", 0).Filter.Started; kept != (change == nil) {
			t.Errorf("%s: the estimate is kept: %v", name, kept)
		}
	}
}

func TestSettingsOfMeasuringThatDoNotHoldTogether(t *testing.T) {
	for name, change := range map[string]func(*Settings){
		"too many readings":   func(s *Settings) { s.Loops[0].Characteristics[0].Several = &Several{Depths: 9, Orientations: 9} },
		"no depth":            func(s *Settings) { s.Loops[0].Characteristics[0].Several = &Several{Orientations: 2} },
		"overflowing product": func(s *Settings) { s.Loops[0].Characteristics[0].Several = &Several{Depths: 1 << 62, Orientations: 4} },
		"shrinking part":      func(s *Settings) { s.Loops[0].Characteristics[0].Alpha = -1 },
		"huge ring":           func(s *Settings) { s.Gauges[0].Standards[0].Alpha = maxAlpha + 1 },
		"negative linearity":  func(s *Settings) { s.Gauges[0].Linearity = -1 },
		"negative window":     func(s *Settings) { s.Gauges[0].Thermal.Window = -1 },
	} {
		set := settings()
		warm(nil)(&set)
		if !set.sound() {
			t.Fatal("the settings are unsound before they are changed")
		}
		if change(&set); set.sound() {
			t.Errorf("%s: sound", name)
		}
	}
}
