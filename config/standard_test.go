package config

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

func trusting(t *testing.T) *Config {
	t.Helper()
	return must(t, string(read(t, filepath.Join("..", "testdata", "config", "good", "trust.toml"))))
}

// What the file says of gauges reaches the core, whole and exact.
func TestTrustReachesTheCore(t *testing.T) {
	s := trusting(t).Settings("mill-1")
	if len(s.Gauges) != 1 {
		t.Fatalf("gauges %+v", s.Gauges)
	}
	g := s.Gauges[0]
	want := core.Trust{
		Gauge: "bore-1", Repeat: 300, Frozen: gauge.RunLength(300, 1000), Interval: gauge.Interval{Millis: 5_400_000, Change: 1500},
		Heads:     []length.Range{{Low: 25_000 * um, High: 30_000 * um}, {Low: 14_000 * um, High: 17_000 * um}},
		Standards: []core.Ring{{Name: "ring 28", Value: 28_016_500, Uncertainty: 800}, {Name: "plug 28", Value: 28_000_960, Uncertainty: um}},
	}
	if g.Gauge != want.Gauge || g.Repeat != want.Repeat || g.Frozen != want.Frozen || g.Frozen == 0 || g.Interval != want.Interval ||
		!slices.Equal(g.Heads, want.Heads) || !slices.Equal(g.Standards, want.Standards) || g.Window == nil || *g.Window != 0 {
		t.Errorf("%+v\nwant %+v", g, want)
	}
	if s := must(t, string(read(t, filepath.Join("..", "testdata", "config", "good", "smallest.toml")))).Settings("mill-1"); s.Gauges != nil {
		t.Errorf("a file that says nothing of its gauges asks %+v", s.Gauges)
	}
	if s := trusting(t).Settings("elsewhere"); s.Gauges != nil {
		t.Errorf("a machine that is not there asks %+v", s.Gauges)
	}
}

func TestRegisterOfTheFile(t *testing.T) {
	r := trusting(t).Register()
	s := r.Standard("ring 28")
	if s == nil || s.Uncertainty != 800 || s.Certificate != "K-1" || s.Certified != 1_712_016_000_000 || s.Due != 1_932_854_400_000 {
		t.Errorf("ring %+v", s)
	}
	in := r.Instrument("bore-1")
	if in == nil || in.Resolution != um || in.Heads[1].Pitch != 1500*um || in.Due != 1_932_768_000_000 {
		t.Errorf("gauge %+v", in)
	}
}

// The last good day still counts, in UTC; the next day does not.
func TestPastDue(t *testing.T) {
	c := trusting(t)
	for _, x := range []struct {
		at                string
		gauges, standards []string
	}{
		{"2031-03-31T23:59:59.999Z", nil, nil},
		{"2031-04-01T01:00:00+02:00", nil, nil}, // still the last day in UTC
		{"2031-04-01T00:00:00Z", []string{"bore-1"}, nil},
		{"2031-04-01T23:59:59.999Z", []string{"bore-1"}, nil},
		{"2031-04-02T00:00:00Z", []string{"bore-1"}, []string{"plug 28", "ring 28"}},
	} {
		at, err := time.Parse(time.RFC3339, x.at)
		if err != nil {
			t.Fatal(err)
		}
		d := c.PastDue("mill-1", at)
		if !slices.Equal(d.Gauges, x.gauges) || !slices.Equal(d.Standards, x.standards) {
			t.Errorf("%s: %+v", x.at, d)
		}
		if d := c.PastDue("mill-2", at); len(d.Gauges)+len(d.Standards) > 0 {
			t.Errorf("another machine: %+v", d)
		}
	}
}

func TestChecksThatCannotBe(t *testing.T) {
	c := trusting(t)
	for _, x := range []struct{ gauge, standard, say string }{
		{"bore-1", "ring 28", ""},
		{"bore-1", "plug 28", ""},
		{"bore-1", "ring 29", `standard "ring 29" is not one of gauge "bore-1", take "ring 28" or "plug 28"`},
		{"bore-2", "ring 28", `there is no gauge "bore-2", name one of "bore-1"`},
	} {
		err := c.Refuse(x.gauge, x.standard)
		if (err == nil) != (x.say == "") || err != nil && !strings.Contains(err.Error(), x.say) {
			t.Errorf("%s on %s: %v, want %q", x.gauge, x.standard, err, x.say)
		}
	}
	c.Gauges[0].Trust.Instrument.Standards = nil // any that is there
	if err := c.Refuse("bore-1", "ring 28"); err != nil {
		t.Error(err)
	}
	if err := c.Refuse("bore-1", "ring 29"); err == nil || !strings.Contains(err.Error(), `there is no standard "ring 29"`) {
		t.Error(err)
	}
}

// A thread is measured with anvils of its pitch, and its crest with plain ones.
func TestPitchOfACharacteristic(t *testing.T) {
	for _, x := range []struct {
		limits, feature string
		want            length.Length
	}{
		{"M16x1.5-6H", "", 1500 * um}, {"M16x1.5-6H", "pitch", 1500 * um}, {"M16-6H", "", 2000 * um},
		{"M16x1.5-6H", "minor", 0}, {"28 H8", "", 0}, {"28.0..28.1 mm", "", 0}, {"1/4-20 UNC-2B", "", 1_270_000},
	} {
		m := map[string]any{"limits": x.limits}
		if x.feature != "" {
			m["feature"] = x.feature
		}
		if got := threadPitch(&table{m: m}); got != x.want {
			t.Errorf("%s %s: %s, want %s", x.limits, x.feature, got, x.want)
		}
	}
}
