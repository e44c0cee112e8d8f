package config

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

func must(t testing.TB, text string) *Config {
	t.Helper()
	c, err := Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatalf("refused:\n%v", err)
	}
	return c
}

const um = length.Micrometre

// The defaults of a loop, worked out by hand for a 28 H8 bore: T = 33 µm, one
// step of the diameter register moves the bore by 1 µm.
func TestDefaultsOfALoop(t *testing.T) {
	c := must(t, string(read(t, "../testdata/config/good/smallest.toml")))
	got := c.Settings("mill-1").Loops[0]
	want := core.Loop{
		Name: "bore", Mode: core.Auto, Program: "BODY",
		Characteristics: []core.Characteristic{{
			Name: "bore 28 H8", Limits: length.Range{Low: 28_000 * um, High: 28_033 * um}, Aim: 28_016_500, Internal: true,
			Plausible: length.Range{Low: 27_901 * um, High: 28_132 * um},
			Gauges:    []core.GaugeUse{{Gauge: "bore-1", Identity: "counter", Resolution: um}},
		}},
		Registers: []string{"T12 D"}, Effects: [][]core.Effect{{-1000}},
		Damping: 0.3, DeadBand: um, MinReadings: 1,
		Bounds: core.Bounds{AutoStep: 3_300, OperatorStep: 8_250, SetterStep: 16_500, Travel: 99 * um, Expires: 30 * 60_000, ExpiresParts: 20},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

func TestDefaultsOfAMachine(t *testing.T) {
	c := must(t, string(read(t, "../testdata/config/good/smallest.toml")))
	s := c.Settings("mill-1")
	if s.Fresh != 5000 || s.Window != 250 || s.Answer != 2000 || s.Quarantine != 30_000 || s.Identity != "MX-20417" || s.Demo || len(s.Lacks) != 0 {
		t.Errorf("settings of the machine: %+v", s)
	}
	if c.Socket.Path != "data/offsetbridge.sock" || c.Journal.Directory != "data" || c.Journal.Keep != 730*24*time.Hour || c.MQTT.ClientID != "offsetbridge" || c.MQTT.Silence != 30*time.Minute {
		t.Errorf("defaults of journal, socket and mqtt: %+v %+v %+v", c.Journal, c.Socket, c.MQTT)
	}
	if d := cmp.Diff(core.Settings{}, c.Settings("nobody")); d != "" {
		t.Errorf("settings of an unknown machine:\n%s", d)
	}
}

// Times that are left out follow those that are written, so that a slow poll or
// a patient answer does not ask for two more keys.
func TestTimesFollow(t *testing.T) {
	text := string(read(t, "../testdata/config/good/smallest.toml"))
	m := must(t, strings.Replace(text, "effective =", "poll = \"4 s\"\nanswer = \"20 s\"\neffective =", 1)).Machine("mill-1")
	if m.Fresh != 12*time.Second || m.Quarantine != 40*time.Second {
		t.Errorf("fresh %v, quarantine %v, want 12 s and 40 s", m.Fresh, m.Quarantine)
	}
}

// The written values of the inch lathe reach the core exactly.
func TestUnitsAndShares(t *testing.T) {
	c := must(t, string(read(t, "../testdata/config/good/lathe-inch.toml")))
	s := c.Settings("lathe-2")
	r, l := s.Registers[0], s.Loops[0]
	if r.Step != 2_540 || r.Band != (length.Range{Low: -203_200, High: 203_200}) || r.Unit != length.IN {
		t.Errorf("register %+v", r)
	}
	// T = 0.0008 in = 20.32 µm; one step of the radius register moves 5.08 µm.
	want := core.Bounds{AutoStep: 2_540, OperatorStep: 5_080, SetterStep: 10_000, Travel: 60_000, Expires: 90_000, ExpiresParts: 5}
	if l.Bounds != want || l.DeadBand != 5_080 || l.Effects[0][0] != 2000 || l.Damping != 1 || l.Characteristics[0].Internal {
		t.Errorf("loop %+v, want bounds %+v", l, want)
	}
	if s.CountsAt != "start" || s.Effective != "next cycle" || c.Journal.Keep != 36*time.Hour {
		t.Errorf("machine %+v, keep %v", s, c.Journal.Keep)
	}
}

func TestSeveralSizesTakeTheSmallestTolerance(t *testing.T) {
	c := must(t, string(read(t, "../testdata/config/good/two-sizes-observed.toml")))
	l := c.Settings("lathe-2").Loops[0]
	if l.Bounds.AutoStep != 4_000 { // 10 % of the 40 µm, not of the 50 µm
		t.Errorf("automatic step %v, want 4 µm", l.Bounds.AutoStep)
	}
	if d := cmp.Diff([][]core.Effect{{0, 1000}, {2000, 0}}, l.Effects); d != "" {
		t.Errorf("effects -want +got:\n%s", d)
	}
}

// A default never asks for more than a quarter of the band allows.
func TestDefaultStepsStayInAQuarterOfTheBand(t *testing.T) {
	text := string(read(t, "../testdata/config/good/smallest.toml"))
	c := must(t, strings.Replace(text, `"-0.200..0.200 mm"`, `"-0.010..0.010 mm"`, 1))
	if b := c.Settings("mill-1").Loops[0].Bounds; b.AutoStep != 3_300 || b.OperatorStep != 5_000 || b.SetterStep != 5_000 {
		t.Errorf("bounds %+v, want operator and setter step 5 µm", b)
	}
}

func TestLacks(t *testing.T) {
	c := must(t, string(read(t, "../testdata/config/good/by-hand.toml")))
	if d := cmp.Diff([]string{"counter", "tool", "state"}, c.Settings("mill-1").Lacks); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// The same bytes give the same settings, byte for byte.
func TestSettingsAreDeterministic(t *testing.T) {
	for _, file := range append(corpus(t, "good", 10), "cell.toml", "demo.toml") {
		a, b := must(t, string(read(t, file))), must(t, string(read(t, file)))
		for _, m := range a.Machines {
			x, errX := json.Marshal(a.Settings(m.Name))
			y, errY := json.Marshal(b.Settings(m.Name))
			if errX != nil || errY != nil || !bytes.Equal(x, y) {
				t.Errorf("%s: settings of %q differ between two readings", file, m.Name)
			}
		}
	}
}

// edits change one loop of the demo each.
var edits = []struct{ key, line string }{
	{"mode", `mode = "confirm"`}, {"mode", `mode = "observe"`}, {"damping", "damping = 0.4"}, {"min_readings", "min_readings = 3"},
	{"dead_band", `dead_band = "4 um"`}, {"program", `program = "OTHER"`}, {"aim", ""}, {"bounds", ""},
}

// An approval is bound to its own loop: whatever is edited in one loop, the
// digests of the other loops stay, and its own changes.
func TestEditingOneLoopChangesNoOtherDigest(t *testing.T) {
	loops := strings.Split(string(Demo), "[[loop]]\n")
	head, loops := loops[0], loops[1:]
	digests := func(text string) map[string]string {
		c, d := must(t, text), map[string]string{}
		for _, m := range c.Machines {
			s := c.Settings(m.Name)
			for _, l := range s.Loops {
				d[m.Name+" "+l.Name] = s.Digest(l.Name)
			}
		}
		return d
	}
	before := digests(string(Demo))
	if len(before) != 3 {
		t.Fatalf("the demo has %d loops, want 3", len(before))
	}
	rapid.Check(t, func(r *rapid.T) {
		k, e := rapid.IntRange(0, len(loops)-1).Draw(r, "loop"), rapid.SampledFrom(edits).Draw(r, "edit")
		edited := append([]string(nil), loops...)
		switch e.key {
		case "aim":
			n := rapid.IntRange(1, 9).Draw(r, "share")
			l := must(t, string(Demo)).Loops[k].Characteristics[0]
			aim := l.Limits.Low + l.Tolerance()*length.Length(n)/10 + 1
			edited[k] = strings.Replace(edited[k], "limits ", fmt.Sprintf("aim = %q\nlimits ", aim), 1)
		case "bounds":
			edited[k] += "\n[loop.bounds]\nexpires = \"7 min\"\n"
		default:
			lines := strings.Split(edited[k], "\n")
			for i := range lines {
				if strings.HasPrefix(lines[i], e.key+" ") {
					lines[i] = ""
				}
			}
			edited[k] = e.line + "\n" + strings.Join(lines, "\n")
		}
		after := digests(head + "[[loop]]\n" + strings.Join(edited, "[[loop]]\n"))
		changed := 0
		for name := range before {
			if before[name] != after[name] {
				changed++
				if c := must(t, string(Demo)).Loops[k]; name != c.Machine+" "+c.Name {
					r.Fatalf("editing %s of loop %q changed the digest of %q", e.key, c.Name, name)
				}
			}
		}
		if changed != 1 || len(after) != 3 {
			r.Fatalf("editing %s changed %d digests, want 1", e.key, changed)
		}
	})
}
