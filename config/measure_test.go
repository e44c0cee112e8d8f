package config

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// What the file says of temperatures, uncertainty and several readings reaches the
// core, whole and exact.
func TestMeasuringReachesTheCore(t *testing.T) {
	c := must(t, string(read(t, filepath.Join("..", "testdata", "config", "good", "measuring.toml"))))
	s := c.Settings("mill-1")
	g := s.Gauges[0]
	thermal := &core.Thermal{Window: 7500, Sigma: 250, Required: true, Alpha: 10_000, AlphaSigma: 1_000}
	if d := cmp.Diff(thermal, g.Thermal); d != "" || g.Linearity != 508 || g.Contacts != gauge.ThreePoint {
		t.Errorf("gauge %+v\n%s", g, d)
	}
	rings := []core.Ring{
		{Name: "ring 28", Value: 28_016_500, Uncertainty: 800, Alpha: 11_500, AlphaSigma: 600},
		{Name: "plug 28", Value: 28_000_960, Uncertainty: um, Alpha: 11_500, AlphaSigma: 1_150},
	}
	if d := cmp.Diff(rings, g.Standards); d != "" {
		t.Errorf("standards:\n%s", d)
	}
	ch := s.Loops[0].Characteristics[0]
	several := &core.Several{Depths: 3, Orientations: 2, By: core.ByMidRange, Within: 90_000}
	if d := cmp.Diff(several, ch.Several); d != "" || ch.Alpha != 23_100 || ch.AlphaSigma != 2_310 || ch.Thread {
		t.Errorf("characteristic %+v\n%s", ch, d)
	}
	at := c.Gauges[0]
	if !at.Fahrenheit || at.DepthUnit != length.IN || at.Message.StandardTemperature != (Field{Kind: Pointer, Text: "/ring", Optional: true}) {
		t.Errorf("gauge %+v", at)
	}
}

// A gauge of which only the linearity or the head is known is asked for that.
func TestAnyPartOfTrustReachesTheCore(t *testing.T) {
	for _, in := range []Trust{
		{Instrument: gauge.Instrument{Linearity: 1}}, {Contacts: gauge.TwoPoint}, {Thermal: &core.Thermal{}},
	} {
		if (&Gauge{Trust: in}).trust(&Config{}) == nil {
			t.Errorf("%+v is lost", in)
		}
	}
	if (&Gauge{}).trust(&Config{}) != nil {
		t.Error("nothing is asked, and yet something is")
	}
}

// GO and NO-GO stay mandatory for whatever is a thread, by its limits or by how it
// is made.
func TestWhatIsAThread(t *testing.T) {
	for _, x := range []struct {
		limits, operation string
		want              bool
	}{
		{"M16x1.5-6H", "milled internal thread", true}, {"1/4-20 UNC-2B", "milled bore", true},
		{"15.026..15.216 mm", "milled internal thread", true}, {"28 H8", "milled bore", false}, {"nonsense", "turned outside", false},
	} {
		if got := isThread(&table{m: map[string]any{"limits": x.limits}}, x.operation); got != x.want {
			t.Errorf("%s, %s: %v", x.limits, x.operation, got)
		}
	}
}
