package report

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

func (c *cell) chart(o RecordCharted) (*Document, controlData) {
	c.t.Helper()
	o.Series, o.Unit = series.Options{Characteristic: bore}, length.MM
	if o.What == "" {
		o.What = Forecast
	}
	d, err := ChartOfRecord(c, o)
	if err != nil {
		c.t.Fatal(err)
	}
	return d, d.Data.(controlData)
}

// TestAChartOfARecord: forecast errors of a corrected process, with why, the head of the
// journal, and subgroups that no change of tool divides.
func TestAChartOfARecord(t *testing.T) {
	c := newCell(t, core.Auto)
	c.chance = rand.New(rand.NewPCG(3, 10))
	for range 3 {
		c.make(64, true)
		c.newTool()
	}
	d, v := c.chart(RecordCharted{})
	if v.N < 187 || v.Center != 0 || math.Abs(float64(v.Sigma)-0.001) > 0.0001 || v.Many > 5 || d.Heads[0].Seq != c.seq {
		t.Errorf("%+v", v)
	}
	if text := written(t, d, Text); !strings.Contains(text, "sizes of a corrected process are not charted") || !strings.Contains(text, "machine: mill") {
		t.Errorf("it does not say why: %s", text)
	}
	if _, v := c.chart(RecordCharted{Chart: ChartOptions{Kind: MeanRangeChart}, Size: 5}); v.Points != 36 { // 12 of each tool, of 63 or 64 forecasts
		t.Errorf("%d subgroups", v.Points)
	}
	d, v = c.chart(RecordCharted{What: FromAim, Chart: ChartOptions{Target: math.NaN()}})
	if v.N != 192 || !strings.Contains(strings.Join(d.Notes, ""), whySizes) {
		t.Errorf("%d sizes, notes %v", v.N, d.Notes)
	}
	if _, err := ChartOfRecord(c, RecordCharted{What: "weight"}); err == nil {
		t.Error("weight is charted")
	}
}

// TestWhereItBegan: probability, place and size of a planted change; what may be
// overlooked where none is.
func TestWhereItBegan(t *testing.T) {
	c := newCell(t, core.Observe)
	c.wear = 0
	c.make(60, false)
	steady, v := c.chart(RecordCharted{What: FromAim, Chart: ChartOptions{Target: math.NaN()}})
	if v.Began != 0 || !(v.Missed > 0.001 && v.Missed < 0.004) || !strings.Contains(steady.Summary, "may be overlooked") {
		t.Errorf("steady: %s %+v", steady.Summary, v)
	}
	c.reg = -2 * um // 2 µm larger from part 61 on
	c.make(60, false)
	for _, kind := range ChartKinds {
		size, part := 1, 61
		if kind == MeanRangeChart || kind == MeanSChart {
			size, part = 5, 13
		}
		d, v := c.chart(RecordCharted{What: FromAim, Size: size, Chart: ChartOptions{Kind: kind, Target: math.NaN()}})
		if v.Chance > 0.05 || v.Since > part || v.Until < part || v.Until-v.Since > 12 || !(v.ByLow < 0.002 && v.ByHigh > 0.002 && v.ByLow > 0.001) {
			t.Errorf("%s: %+v", kind, v)
		}
		for _, want := range []string{"so many or more with probability", "If it was one step, it began at point ", " mm (+0.001"} {
			if !strings.Contains(d.Summary, want) {
				t.Errorf("%s does not say %q: %s", kind, want, d.Summary)
			}
		}
	}
	_, v = c.chart(RecordCharted{What: FromAim, Chart: ChartOptions{Kind: CUSUMChart, Fast: true, Target: -0.003}})
	if v.Began != 1 || !(v.ByLow > 0.002) {
		t.Errorf("off its target from the first: %+v", v)
	}
}

// TestTheSpreadOfSubgroups signals by itself, and is no change of the mean.
func TestTheSpreadOfSubgroups(t *testing.T) {
	c := charted20(func(i int) float64 { return []float64{10, 10.1, 9.9, 10.05, 9.95}[i%5] + 0.01*float64(i/5%2) }, 100, 5)
	c.Values[50], c.Values[51] = 10.5, 9.5
	d := Control(&Subject{Name: "x", Unit: length.MM}, c, ChartOptions{Kind: MeanSChart, Target: math.NaN()})
	if v := d.Data.(controlData); v.Many != 1 || v.Alarms != 0 || v.Began != 0 || !strings.Contains(d.Summary, "but 1 by the standard deviation") {
		t.Errorf("%s %+v", d.Summary, v)
	}
	few := Control(&Subject{Name: "x", Unit: length.MM}, charted20(func(i int) float64 { return float64(i % 2) }, 4, 5), ChartOptions{Kind: MeanSChart, Target: math.NaN()})
	if !strings.Contains(few.Summary, "cannot be charted") {
		t.Errorf("less than a subgroup: %s", few.Summary)
	}
}

// TestASteadyProcess is seldom said to have changed, whichever chart: limits come from
// the same 300 readings, so a little more often than one in twenty.
func TestASteadyProcess(t *testing.T) {
	for _, kind := range ChartKinds {
		chance, said := rand.New(rand.NewPCG(6, 6)), 0
		const runs = 20
		for range runs {
			c := charted20(func(int) float64 { return 10 + 0.01*chance.NormFloat64() }, 300, 5)
			if p := work(c, ChartOptions{Kind: kind, Target: math.NaN()}); p.chance < shownBelow {
				said++
			}
		}
		if said > 4 { // more than 4 of 20 at 0.05: one in 390
			t.Errorf("%s: %d of %d steady series are said to have changed", kind, said, runs)
		}
	}
}
