package app

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

// aluminiumAndSteel is the shop with parts of aluminium, a gauge set on a steel
// ring, two depths, a ring station and a scanner that says what comes next.
func aluminiumAndSteel(t testing.TB, s *shop.Shop) string {
	return s.Config(t, `mode      = "auto"`, `mode      = "confirm"`,
		"max_decimals = 4\n", `max_decimals = 4
temperature_unit = "°C"
depth_unit = "mm"
repeatability = "0.0004 mm"
linearity = "0.0003 mm"
contacts = 3
standards = ["ring 28"]
temperature = { farthest = "6 K", uncertainty = "0.2 K", required = true }
`, `part = "/part", cut`, `part = "/part", temperature = "?/t", depth = "?/at", cut`,
		`gauges    = ["bore-1"]`, `gauges    = ["bore-1"]
expansion = "23.1 um/m/K"
expansion_uncertainty = "1 um/m/K"
several = { depths = 2 }
`, "[[machine]]\n", `[[standard]]
name = "ring 28"
value = "27.9900 mm"
uncertainty = "0.0008 mm"
due = "2090-06-30"
expansion = "11.5 um/m/K"
expansion_uncertainty = "0.5 um/m/K"

[[announcement]]
name = "ring station"
kind = "setting"
topic = "hall/rings"
temperature_unit = "°C"
message = { gauge = "/gauge", standard = "/standard", as_found = "/as_found", unit = "/unit", sequence = "/n", person = "/person", temperature = "?/t" }

[[announcement]]
name = "scanner"
kind = "task"
topic = "hall/scanner"
message = { machine = "=mill-1", gauge = "=bore-1", characteristic = "=bore 28 H8", part = "?/part", ring = "?/ring" }

[[machine]]
`)
}

// deep sends one reading of a part at a depth and waits until it is judged.
func deep(t testing.TB, s *shop.Shop, d *daemon, n uint64, p shop.Part, size, more string) core.Judged {
	t.Helper()
	payload := fmt.Sprintf(`{"value":%s,"unit":"mm","sequence":%d,"characteristic":"bore 28 H8","part":"%d","state":"production"%s}`, size, n, p.Count, more)
	if err := s.Gauge.SendRaw(t.Context(), []byte(payload), false); err != nil {
		t.Fatal(err)
	}
	return d.judged(t, n)
}

func cut(t testing.TB, s *shop.Shop) shop.Part {
	t.Helper()
	p, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// setAt tells of a setting at a temperature.
func (r *ringStationSender) setAt(celsius string) {
	r.t.Helper()
	r.n++
	payload := fmt.Sprintf(`{"gauge":"bore-1","standard":"ring 28","as_found":0.0001,"unit":"mm","n":%d,"person":"S. Etter","t":%s}`, r.n, celsius)
	if err := r.g.SendRaw(r.t.Context(), []byte(payload), false); err != nil {
		r.t.Fatal(err)
	}
}

// TestTemperatureAndDepthsOverMQTT: sizes at 20 °C at two depths are one
// measurement, with its uncertainty and what it decides; what lacks its
// temperature or is too warm steers nothing, and says so.
func TestTemperatureAndDepthsOverMQTT(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	d := start(t, aluminiumAndSteel(t, s))
	d.live(t)
	p := cut(t, s)
	if j := deep(t, s, d, 1, p, "28.0130", `,"t":25.0,"at":5`); j.Admit != "temp-ring" {
		t.Fatalf("before the setting told its temperature: %s", core.Encode(j))
	}
	station(t, s, stationTopic).setAt("22.0")
	nth(t, d, 1)
	if j := deep(t, s, d, 2, p, "28.0130", `,"at":5`); j.Admit != "temp-part" {
		t.Fatalf("without its temperature: %s", core.Encode(j))
	}
	d.hears(t, "reading not used: the temperature of the part is not known")
	if j := deep(t, s, d, 3, p, "28.0130", `,"t":26.1,"at":5`); j.Admit != "temp-far" {
		t.Fatalf("too warm: %s", core.Encode(j))
	}
	if j := deep(t, s, d, 4, p, "28.0130", `,"t":25.0`); j.Gather != "no-place" {
		t.Fatalf("without its depth: %s", core.Encode(j))
	}
	if j := deep(t, s, d, 5, p, "28.0130", `,"t":25.0,"at":5`); j.Gather != core.Gathers {
		t.Fatalf("the first depth: %s", core.Encode(j))
	}
	if g := d.status(t).Machines[0].Loops[0].Gathering; len(g) != 1 || g[0].Have != 1 || g[0].Of != 2 {
		t.Fatalf("waiting for the other depth: %+v", g)
	}
	j := deep(t, s, d, 6, p, "28.0170", `,"t":25.0,"at":25`)
	at20 := func(mm float64) length.Length { // 23.1·10⁻⁶/K over 5 K, less 11.5·10⁻⁶/K over 2 K
		return length.Length(math.Round(mm*1e6)) - length.Length(math.Round(mm*1e6*92.5e-6))
	}
	small, large := at20(28.0130), at20(28.0170)
	if j.Whole == nil || j.Whole.Sizes.Smallest != small || j.Whole.Sizes.Largest != large || j.Whole.Sizes.Taper != large-small || j.Whole.Decision != "conforming" {
		t.Fatalf("complete: %s, want %s to %s", core.Encode(j), small, large)
	}
	if want := (small+large+1)/2 - shop.Aim; j.Deviation != want {
		t.Fatalf("steers %s off the aim, want %s", j.Deviation, want)
	}
	// U = 2·√(400² + 400² + 173² + u²) with u of the temperatures, 28 mm ·
	// √((5·1)² + (23.1·0.2)² + (0.2·1)² + (2·0.5)² + (11.5·0.2)² + (0.5·0.2)²)·10⁻⁶
	u := 28.017 * math.Sqrt(25+4.62*4.62+0.04+1+2.3*2.3+0.01)
	if want := 2 * math.Sqrt(2*400*400+173.2*173.2+u*u); math.Abs(float64(j.Whole.U)-want) > 3 {
		t.Fatalf("U is %s, want %.0f nm", j.Whole.U, want)
	}
	var answer web.Status
	if err := d.client.Get(t.Context(), "/v1/status", nil, &answer); err != nil {
		t.Fatal(err)
	}
	m := answer.Machines[0].Loops[0].Measured
	if len(m) != 1 || m[0].Readings != 2 || m[0].Decision != "conforming" || !strings.Contains(m[0].Say, "it accepts no part") ||
		!strings.Contains(strings.Join(m[0].How, "; "), "every reading is referred to 20 °C; 2 readings") || !strings.Contains(strings.Join(m[0].How, "; "), "never report ovality") {
		t.Fatalf("status shows %+v", m)
	}
	said := 0
	for _, e := range history(t, d, web.HistoryQuery{Gauge: "bore-1", Limit: 100}) {
		if strings.Contains(e.Say, "is conforming; a size number steers the process, it accepts no part") {
			said++
		}
	}
	if said != 1 {
		t.Errorf("the record tells the decision of the measurement %d times", said)
	}
	untouched(t, s)
}

// TestTaperGoesToAPersonOverMQTT: form is no offset problem, and the card says so.
func TestTaperGoesToAPersonOverMQTT(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	d := start(t, aluminiumAndSteel(t, s))
	d.live(t)
	station(t, s, stationTopic).setAt("20.0")
	nth(t, d, 1)
	p := cut(t, s)
	deep(t, s, d, 1, p, "28.0000", `,"t":20.0,"at":5`)
	j := deep(t, s, d, 2, p, "28.0111", `,"t":20.0,"at":25`)
	if !j.Whole.Form || j.Whole.Decision != "in doubt" || j.Need != core.Setter {
		t.Fatalf("a taper of 11.1 µm of 33: %s", core.Encode(j))
	}
	d.hears(t, "taper or spread is more than a third of the tolerance")
	c := d.card(t)
	if !strings.Contains(strings.Join(c.How, "; "), "form and no offset puts it right") || !strings.Contains(c.Decision, "is in doubt; a size number") {
		t.Fatalf("the card says %+v", c)
	}
	untouched(t, s)
}

// scan tells what the next bare reading of the gauge measures.
func scan(t testing.TB, s *shop.Shop, payload string) {
	t.Helper()
	if err := station(t, s, "hall/scanner").g.SendRaw(t.Context(), []byte(payload), false); err != nil {
		t.Fatal(err)
	}
}

// TestARingByTaskOverMQTT: with a task of a ring the next reading is a ring check
// of the whole plant, and the one after is of a part again.
func TestARingByTaskOverMQTT(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	d := start(t, aluminiumAndSteel(t, s))
	d.live(t)
	p := cut(t, s)
	scan(t, s, `{"ring":"ring 28"}`)
	awaits(t, d, "the task is open", func(k core.Tasked) bool { return k.Ring == "ring 28" })
	payload := `{"value":27.9910,"unit":"mm","sequence":1,"characteristic":"bore 28 H8","part":"0","state":"production","t":21.5}`
	if err := s.Gauge.SendRaw(t.Context(), []byte(payload), false); err != nil {
		t.Fatal(err)
	}
	c := nth(t, d, 1)
	if c.Adjusted || c.Verdict != "" || c.Check.AsFound != 1000 || c.Check.Standard != "ring 28" || *c.Check.Temp != 21_500 || c.Check.Who.Principal != "scanner" {
		t.Fatalf("the reading on the ring came to %s", core.Encode(c))
	}
	if j := deep(t, s, d, 2, p, "28.0165", `,"t":21.5,"at":5`); j.Admit != "" || j.Gather != core.Gathers {
		t.Fatalf("the next part: %s", core.Encode(j))
	}
	if n := len(find(d, func(core.RingChecked) bool { return true })); n != 1 {
		t.Errorf("the plant recorded %d ring checks", n)
	}
}

// TestARingReadIsToldAfterARestart: recorded by the machine and not yet by the
// plant when the process ended, it is handed over at the next start, once.
func TestARingReadIsToldAfterARestart(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	path := aluminiumAndSteel(t, s)
	d := opened(t, path, nil)
	task := core.Task{Gauge: "bore-1", Characteristic: "bore 28 H8", Ring: "ring 28", For: 600_000, Who: core.Person{Principal: "scanner", Auth: "message"}}
	reading := core.Reading{Gauge: "bore-1", Sequence: 1, Characteristic: "bore 28 H8", Part: "1", Value: 27_990_500}
	for _, f := range []core.Fact{task, reading} {
		if _, err := d.Call(t.Context(), shop.Mill, f); err != nil {
			t.Fatal(err)
		}
	}
	d.end()
	if n := len(find(d, func(core.RingChecked) bool { return true })); n != 0 {
		t.Fatalf("%d were told before the stop", n)
	}
	for range 2 {
		d = start(t, path)
		if got := d.gauge(t); got.Ring != "ring 28" {
			t.Fatalf("after a restart %+v", got)
		}
		d.end()
	}
	d = start(t, path)
	var took uint64
	if err := d.plant.Look(context.Background(), func(p bridge.Decider) { took = p.(*core.Plant).Took(shop.Mill) }); err != nil || took == 0 {
		t.Errorf("the plant took up to record %d, %v", took, err)
	}
	if n := len(history(t, d, web.HistoryQuery{Gauge: "bore-1", Limit: 100})); n != 4 { // task, reading, the plant's record, the machine's
		t.Errorf("%d events of the gauge after three starts", n)
	}
}
