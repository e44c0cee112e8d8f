package report

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// plant puts an event into the plant's stream, hours later.
func (c *cell) plant(seq *uint64, hours float64, e core.Event) {
	c.t.Helper()
	*seq++
	c.at += int64(hours * 3_600_000)
	if err := c.j.Append(context.Background(), []journal.Record{{Stream: "plant", Seq: *seq, At: c.at, Kind: e.Kind(), Body: core.Encode(e)}}); err != nil {
		c.t.Fatal(err)
	}
}

// again measures the newest part so often again, with the gauge's own scatter.
func (c *cell) again(n int, scatter float64) {
	for range n {
		size := aim + length.Length(math.Round(scatter*1000*c.chance.NormFloat64()))
		c.put(core.Judged{Reading: core.Reading{Gauge: "g", Characteristic: bore, Value: size}, Loop: "bore", Count: c.count, Regauge: true, Deviation: size - aim, Noise: 1000})
	}
}

// steadyGauge is a mill with a gauge that scatters by 0.5 µm and drifts by 0.3 µm in 8 h.
func steadyGauge(t *testing.T) *cell {
	c := newCell(t, core.Observe)
	var seq uint64
	for i := range 24 {
		found := length.Length(300 + math.Round(500*math.Sqrt2*c.chance.NormFloat64()))
		c.plant(&seq, 8, core.Set{Check: core.Check{Gauge: "g", Standard: "ring 28", AsFound: found}})
		if i == 5 {
			c.plant(&seq, 0, core.Set{Check: core.Check{Gauge: "other", Standard: "ring 28", AsFound: 90_000}})
		}
	}
	for range 30 {
		c.scatter = 0.5 // of one reading of parts that are all alike
		c.wear = 0
		c.make(1, false)
		c.again(2, 0.5)
	}
	return c
}

func (c *cell) gauge(a GaugeAsked) (*Document, gaugeRecordData) {
	c.t.Helper()
	a.Unit, a.Confidence = length.MM, 0.95
	d, err := GaugeOfRecord(c, a)
	if err != nil {
		c.t.Fatal(err)
	}
	return d, d.Data.(gaugeRecordData)
}

// TestAGaugeOfARecord: settings tell how steady it is, parts that were read again how it
// repeats, and both are set beside what the configuration says.
func TestAGaugeOfARecord(t *testing.T) {
	c := steadyGauge(t)
	d, v := c.gauge(GaugeAsked{Gauge: "g"})
	if v.N != 23 || v.Visits != 24 || math.Abs(float64(v.steadyData.Mean)-0.0003) > 0.0005 || v.On["ring 28"] != 24 {
		t.Errorf("visits: %+v", v)
	}
	if v.Parts != 30 || v.Freedom != 60 || v.Readings != 90 || !(v.repeatData.Low < 0.0005 && v.repeatData.High > 0.0005) {
		t.Errorf("read again: %+v", v)
	}
	text := written(t, d, Text)
	for _, want := range []string{"From one setting or check to the next, 8.0 h apart", "On 30 parts that it read more than once it repeats to 0.000", `repeatability = "0.000`, "No repeatability of this gauge is configured", "the readings simply arrive", "certified 27.9995 mm"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q:\n%s", want, text)
		}
	}
	if len(d.Heads) != 2 {
		t.Errorf("heads: %v", d.Heads)
	}
	for repeat, want := range map[length.Length]string{100: "repeats worse than the 0.0001 mm", 3000: "repeats better than the 0.003 mm", 450: ""} {
		known := []core.Settings{{Gauges: []core.Trust{{Gauge: "g", Repeat: repeat}}}}
		g := &series.GaugeRecord{Trust: &known[0].Gauges[0]}
		notes := strings.Join(against(g, &v, length.MM), "\n")
		if want != "" && !strings.Contains(notes, want) || want == "" && strings.Contains(notes, "repeats") {
			t.Errorf("%v configured: %s", repeat, notes)
		}
		if repeat == 100 && !strings.Contains(notes, "moves by more than its repeatability") {
			t.Errorf("it moves: %s", notes)
		}
	}
}

func TestAGaugeOfWhichLittleIsKnown(t *testing.T) {
	c := newCell(t, core.Observe)
	c.make(3, false)
	d, v := c.gauge(GaugeAsked{Gauge: "g", Head: "three-point"})
	if v.Visits != 0 || !strings.Contains(d.Summary, "do not yet say how steady") || !strings.Contains(d.Summary, "0 parts were read more than once") {
		t.Errorf("%s %+v", d.Summary, v)
	}
	for _, f := range []Format{Text, JSON, CSV, HTML} {
		if out := written(t, d, f); !strings.Contains(out, "the readings simply arrive") || !strings.Contains(out, "4, 5, 7") {
			t.Errorf("%s says neither how to collect nor what the head is blind to", f)
		}
	}
	if _, err := GaugeOfRecord(c, GaugeAsked{Gauge: "nobody", Unit: length.MM, Confidence: 0.95}); !errors.Is(err, series.ErrGauge) {
		t.Errorf("an unknown gauge: %v", err)
	}
}
