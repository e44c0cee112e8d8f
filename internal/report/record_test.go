package report

import (
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

const um = length.Micrometre

// cell writes the record of an invented mill whose bore grows smaller by wear with
// every part. It writes events as the core does, without deciding anything.
type cell struct {
	t      *testing.T
	name   string
	j      *journal.Memory
	seq    uint64
	at     int64
	count  uint64
	gen    int64
	age    int
	reg    length.Length // diameter register, effect −1
	chance *rand.Rand

	wear, scatter float64 // µm
}

func (*cell) First(string) (uint64, error) { return 1, nil }
func (c *cell) Read(s string, from uint64, visit func(journal.Record) error) error {
	return c.j.Read(s, from, visit)
}
func (c *cell) Head(s string) journal.Head { return c.j.Head(s) }
func (c *cell) Heads() []journal.Head      { return c.j.Heads() }

func (c *cell) put(e core.Event) {
	c.t.Helper()
	c.seq++
	c.at += 1000
	if err := c.j.Append(context.Background(), []journal.Record{{Stream: "machine/" + c.name, Seq: c.seq, At: c.at, Kind: e.Kind(), Body: core.Encode(e)}}); err != nil {
		c.t.Fatal(err)
	}
}

const aim = 28_016_000

func newCell(t *testing.T, mode core.Mode) *cell {
	return machineIn(t, journal.NewMemory(), "mill", mode)
}

// machineIn is a machine of that name in a journal, which may hold others.
func machineIn(t *testing.T, j *journal.Memory, name string, mode core.Mode) *cell {
	c := &cell{t: t, name: name, j: j, at: 1_700_000_000_000, gen: 1, chance: rand.New(rand.NewPCG(3, 9)), wear: -0.2, scatter: 1}
	c.put(core.Configured{Settings: core.Settings{
		Machine: name, Identity: "M-1", Tools: []string{"T1"}, Registers: []core.Register{{Name: "D1", Tool: "T1", Band: length.Range{Low: -20 * um, High: 20 * um}}},
		Gauges: []core.Trust{{Gauge: "g", Standards: []core.Ring{{Name: "ring 28", Value: 27_999_500}}}},
		Loops: []core.Loop{{
			Name: "bore", Mode: mode, Registers: []string{"D1"}, Effects: [][]core.Effect{{-1000}},
			Characteristics: []core.Characteristic{{Name: "bore 28 H8", Internal: true, Aim: aim, Limits: length.Range{Low: aim - 15*um, High: aim + 15*um}}},
			Bounds:          core.Bounds{Travel: 100 * um},
		}},
	}})
	c.put(core.Checked{Adjusted: true, Check: core.Check{Gauge: "g", Standard: "ring 28", AsFound: 1200}})
	return c
}

// make cuts and measures parts; correct writes the register by what the last was off,
// damped, as often as it says.
func (c *cell) make(n int, correct bool) {
	for range n {
		c.count++
		c.age++
		own := c.wear*float64(c.age) + c.scatter*c.chance.NormFloat64()
		size := aim + length.Length(math.Round(own*1000)) - c.reg
		c.put(core.Recorded{Cut: core.Cut{Count: c.count, Nth: 1, Tools: []int64{c.gen}, Registers: []length.Length{c.reg}}})
		drift := length.Length(c.wear * float64(c.age+1) * 1000)
		c.put(core.Judged{
			Reading: core.Reading{Gauge: "g", Characteristic: "bore 28 H8", Part: strconv.FormatUint(c.count, 10), Value: size},
			Loop:    "bore", Count: c.count, Deviation: size - aim, Command: -c.reg, Drift: drift, Noise: 1000,
		})
		if correct && c.age%5 == 0 {
			c.reg = drift // the command −register cancels it
		}
	}
}

func (c *cell) newTool() { c.gen, c.age, c.reg = c.gen+1, 0, 0 }

func (c *cell) report(o RecordOptions) (*Document, map[string]any) {
	c.t.Helper()
	if o.Series.Characteristic == "" {
		o.Series.Characteristic = "bore 28 H8"
	}
	d, err := CapabilityOfRecord(c, o)
	if err != nil {
		c.t.Fatal(err)
	}
	var v map[string]any
	if err := json.Unmarshal([]byte(written(c.t, d, JSON)), &v); err != nil {
		c.t.Fatal(err)
	}
	for _, f := range []Format{Text, CSV, HTML} {
		if out := written(c.t, d, f); c.count > 0 && !strings.Contains(out, "ring 28") {
			c.t.Errorf("%s does not name the ring", f)
		}
	}
	return d, v
}

// TestACorrectedProcess: whole tool lives count, no Cp, and what correcting was worth.
func TestACorrectedProcess(t *testing.T) {
	c := newCell(t, core.Auto)
	for range 4 {
		c.make(100, true)
		c.newTool()
	}
	c.make(20, true)
	d, v := c.report(RecordOptions{})
	if v["n"] != 300.0 || v["parts"] != 420.0 || v["lives_whole"] != 3.0 || v["cp"] != nil || v["machine"] != "mill" || v["mode"] != "auto" {
		t.Errorf("n %v of %v, %v whole lives, Cp %v", v["n"], v["parts"], v["lives_whole"], v["cp"])
	}
	if !strings.Contains(v["cp_refused"].(string), "corrected") || !strings.Contains(v["pm_refused"].(string), "no consecutive run") {
		t.Errorf("refusals: %v, %v", v["cp_refused"], v["pm_refused"])
	}
	life := v["lives"].([]any)[1].(map[string]any)
	if own := life["own_slope_per_part"].(float64); math.Abs(own+0.0002) > 4*life["own_slope_se"].(float64) || life["n"] != 100.0 || life["whole"] != true {
		t.Errorf("the second life: %v", life)
	}
	ways := v["ways"].(map[string]any)
	nobody, was := ways["nobody"].(map[string]any), ways["recorded"].(map[string]any)
	if b := nobody["below_lower"].(float64); b < 80 || was["below_lower"].(float64) != 0 || ways["below_avoided"].(float64) != b || ways["below_avoided_low"].(float64) < 20 {
		t.Errorf("ways: %v", ways)
	}
	if sd := v["forecast_error_sd"].(float64); math.Abs(sd-0.001) > 0.0001 || v["forecast_errors"].(float64) < 410 {
		t.Errorf("forecast errors: %v of %v", sd, v["forecast_errors"])
	}
	text := written(t, d, Text)
	for _, want := range []string{
		"Judged over 3 whole tool lives", "as recorded", "Cut again: ", "1 (not whole)", "certified 27.9995 mm", "found +1.2 µm",
		"a false alarm every 153 points", "limits 28.001 to 28.031 mm", "machine: mill (M-1)",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q:\n%s", want, text)
		}
	}
	if len(d.Heads) != 1 || d.Heads[0].Seq != c.seq {
		t.Errorf("heads %v", d.Heads)
	}
	if _, v := c.report(RecordOptions{Parts: true}); v["n"] != 420.0 {
		t.Errorf("all parts: %v", v["n"])
	}
}

// TestALoopThatIsOff: neighbours may be compared, and a run without wear is a run.
func TestALoopThatIsOff(t *testing.T) {
	c := newCell(t, core.Observe)
	c.wear = 0
	c.make(60, false)
	_, v := c.report(RecordOptions{})
	if v["cp"] == nil || v["pm_n"] != 60.0 || v["pm"] == nil || v["pm_refused"] != nil {
		t.Errorf("Cp %v, Pm %v of %v: %v", v["cp"], v["pm"], v["pm_n"], v["pm_refused"])
	}
	c.count++ // one that was not measured
	c.make(20, false)
	if _, v := c.report(RecordOptions{}); v["pm_n"] != 60.0 || v["n"] != 80.0 {
		t.Errorf("the run has %v parts of %v", v["pm_n"], v["n"])
	}
	worn := newCell(t, core.Observe)
	worn.make(60, false)
	if _, v := worn.report(RecordOptions{}); v["cp"] != nil || !strings.Contains(v["pm_refused"].(string), "trend") {
		t.Errorf("wear: Cp %v, %v", v["cp"], v["pm_refused"])
	}
}

func TestOtherLimitsThanRecorded(t *testing.T) {
	c := newCell(t, core.Observe)
	c.make(40, false)
	low := length.Length(aim - 5*um)
	d, v := c.report(RecordOptions{Lower: &low})
	if v["lower"] != 28.011 || v["upper"] != 28.031 {
		t.Errorf("limits %v to %v", v["lower"], v["upper"])
	}
	if below := v["below_lower"].(float64); below == 0 || !strings.Contains(d.Summary, "outside the limits") {
		t.Errorf("%v below, %s", below, d.Summary)
	}
}

// TestAChangeOfLimitsIsSaid, and a simulated machine.
func TestAChangeOfLimitsIsSaid(t *testing.T) {
	c := newCell(t, core.Observe)
	c.make(5, false)
	c.put(core.Configured{Settings: core.Settings{
		Machine: "mill", Identity: "M-1", Demo: true, Tools: []string{"T1"}, Registers: []core.Register{{Name: "D1", Tool: "T1"}},
		Gauges: []core.Trust{{Gauge: "g", Standards: []core.Ring{{Name: "ring 28", Value: 27_999_500}}}},
		Loops: []core.Loop{{
			Name: "bore", Mode: core.Observe, Registers: []string{"D1"}, Effects: [][]core.Effect{{-1000}},
			Characteristics: []core.Characteristic{{Name: "bore 28 H8", Internal: true, Aim: aim, Limits: length.Range{Low: aim - 10*um, High: aim + 10*um}}},
		}},
	}})
	c.make(40, false)
	d, v := c.report(RecordOptions{})
	notes := strings.Join(d.Notes, "\n")
	if v["lower"] != 28.006 || !strings.Contains(notes, "changed 1 times") || !strings.Contains(notes, "simulated") {
		t.Errorf("lower %v, notes: %s", v["lower"], notes)
	}
}

func TestNoParts(t *testing.T) {
	c := newCell(t, core.Auto)
	d, v := c.report(RecordOptions{})
	if v["n"] != 0.0 || !strings.Contains(d.Summary, "nothing") {
		t.Errorf("%v: %s", v["n"], d.Summary)
	}
	if _, err := CapabilityOfRecord(c, RecordOptions{Series: series.Options{Characteristic: "nose"}}); err == nil {
		t.Error("an unknown characteristic")
	}
}

func charted20(f func(i int) float64, n, size int) *Charted {
	c := &Charted{Size: size}
	for i := range n {
		c.Add(f(i), strconv.Itoa(i+1), false)
	}
	return c
}

// TestControlCharts: each kind finds a shift of the last third, and leaves a steady
// series alone about as often as it says.
func TestControlCharts(t *testing.T) {
	for _, kind := range ChartKinds {
		chance := rand.New(rand.NewPCG(2, 2))
		steady := charted20(func(int) float64 { return 10 + 0.01*chance.NormFloat64() }, 300, 5)
		shifted := charted20(func(i int) float64 { return 10 + 0.01*chance.NormFloat64() + 0.02*float64(i/200) }, 300, 5)
		s := &Subject{Name: "size", Unit: length.MM}
		o := ChartOptions{Kind: kind, Target: 10}
		a, b := Control(s, steady, o), Control(s, shifted, o)
		x, y := a.Data.(controlData), b.Data.(controlData)
		if x.Many > 6 || y.Many < 1 || kind != EWMAChart && y.Many < 5 || y.Run < 90 || y.Shifted > y.Run/5 {
			t.Errorf("%s: %d signals steady, %d shifted, run lengths %v, %v", kind, x.Many, y.Many, y.Run, y.Shifted)
		}
		if y.Signals[0].Point < 20 || !strings.Contains(b.Summary, "The process changed. If it was one step, it began at point ") {
			t.Errorf("%s: first signal %+v; %s", kind, y.Signals[0], b.Summary)
		}
		for _, f := range []Format{Text, JSON, CSV, HTML} {
			if out := written(t, b, f); len(out) < 300 {
				t.Errorf("%s as %s: %s", kind, f, out)
			}
		}
	}
}

func TestAChartStartsAgainAtABreak(t *testing.T) {
	c := &Charted{}
	for i := range 40 {
		c.Add(10+0.001*float64(i%3), "", i == 20)
	}
	p := work(c, ChartOptions{Target: math.NaN()})
	if !math.IsNaN(p.second[20]) || math.IsNaN(p.second[19]) {
		t.Error("a moving range goes across a break")
	}
	if d := Control(&Subject{Name: "x", Unit: length.MM}, &Charted{Values: []float64{1, 1, 1}}, ChartOptions{}); !strings.Contains(d.Summary, "do not differ") {
		t.Errorf("equal readings: %s", d.Summary)
	}
}

func TestALongSeriesKeepsItsNewest(t *testing.T) {
	c := &Charted{}
	for i := range MaxCharted + 10 {
		c.Add(float64(i), strconv.Itoa(i), i == MaxCharted-5)
	}
	if len(c.Values) != len(c.Names) || c.Left != MaxCharted/2 || c.Values[len(c.Values)-1] != MaxCharted+9 || !c.Breaks[MaxCharted/2-5] {
		t.Errorf("%d kept, %d names, %d left, breaks %v", len(c.Values), len(c.Names), c.Left, c.Breaks)
	}
}

func TestOneRunOfATable(t *testing.T) {
	s := &Subject{Name: "d", Unit: length.MM, Lower: size(t, "73.95"), Upper: size(t, "74.05")}
	c := Collect(1, "")
	chance := rand.New(rand.NewPCG(1, 1))
	for range 50 {
		c.Add(74 + 0.012*chance.NormFloat64())
	}
	var v map[string]any
	if err := json.Unmarshal([]byte(written(t, Capability(s, c, capability.Options{}, true), JSON)), &v); err != nil {
		t.Fatal(err)
	}
	if v["pm"] != v["pp"] || v["pm_n"] != 50.0 || v["n"] != 50.0 {
		t.Errorf("Pm %v, Pp %v", v["pm"], v["pp"])
	}
}
