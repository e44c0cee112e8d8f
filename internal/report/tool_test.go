package report

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// worn is a mill whose tool was changed after so many parts each, with 40 cut by the one
// in use. Its diameter register may go to ±20 µm.
func worn(t *testing.T, mode core.Mode, lives ...int) *cell {
	c := newCell(t, mode)
	for _, n := range lives {
		c.make(n, mode == core.Auto)
		c.newTool()
	}
	c.make(40, mode == core.Auto)
	return c
}

func (c *cell) tool() (*Document, toolData) {
	c.t.Helper()
	d, err := ToolOfRecord(c, ToolAsked{Series: series.Options{Characteristic: bore}, Unit: length.MM, Confidence: 0.95})
	if err != nil {
		c.t.Fatal(err)
	}
	for _, f := range []Format{Text, CSV, HTML} {
		if out := written(c.t, d, f); !strings.Contains(out, "T1 at mill") {
			c.t.Errorf("%s does not name the tool", f)
		}
	}
	return d, d.Data.(toolData)
}

func (d *toolData) end(t *testing.T, what string) endData {
	t.Helper()
	for _, e := range d.Ends {
		if strings.Contains(e.What, what) {
			return e
		}
	}
	t.Fatalf("no end by %q: %+v", what, d.Ends)
	return endData{}
}

// TestPartsLeftOfARecord: wear of −0.2 µm a part against a reach of 20 µm is 100 parts,
// of which 40 are gone; changed after 100 parts leaves as many.
func TestPartsLeftOfARecord(t *testing.T) {
	d, v := worn(t, core.Auto, 97, 103, 99, 101, 100).tool()
	band := v.end(t, "hard band of D1")
	if !(band.Low <= 60 && band.High >= 60 && band.High-band.Low < 25) || math.Abs(float64(band.Level)+0.02) > 1e-9 {
		t.Errorf("band: %+v", band)
	}
	as := v.end(t, "changed as the 4 before it were") // the first may be older than the record
	if !(as.Low < 61 && as.High > 60) || v.Life != 6 || v.Age != 40 || v.Settled != 0 {
		t.Errorf("as before: %+v; %+v", as, v)
	}
	if !(v.InUseLow < -0.0002 && v.InUseHigh > -0.0002 && v.SlopeLow < -0.0002 && v.SlopeHigh > -0.0002) {
		t.Errorf("wear: %+v", v)
	}
	if limit := v.end(t, "limit of size"); math.Abs(float64(limit.Level)+0.0222) > 0.0005 { // 7.2 µm are corrected
		t.Errorf("limit: %+v", limit)
	}
	travel := v.end(t, "without being asked") // 100 µm, at 0.2 a part and what chance adds
	if !(travel.Low < travel.Parts && travel.Parts > 300 && travel.Parts < 480) {
		t.Errorf("budget: %+v", travel)
	}
	for _, want := range []string{"bout ", " parts (", " until ", "It makes sizes smaller by 0.0", "machine: mill", "6 (in use)", "1 (not whole)"} {
		if text := written(t, d, Text); !strings.Contains(text, want) {
			t.Errorf("it does not say %q:\n%s", want, text)
		}
	}
	var back map[string]any
	if err := json.Unmarshal([]byte(written(t, d, JSON)), &back); err != nil || back["parts_left"] == nil || back["until"] == "" {
		t.Errorf("%v: %v", back, err)
	}
}

// TestWhereNobodyCorrects the limit of size comes first: 15 µm at −0.2 a part, 40 gone.
func TestWhereNobodyCorrects(t *testing.T) {
	_, v := worn(t, core.Observe, 80, 80).tool()
	if limit := v.end(t, "limit of size"); v.Until != limit.What || !(limit.Low <= 35 && limit.High >= 35 && limit.High < 70) {
		t.Errorf("first %q, limit %+v", v.Until, limit)
	}
	if as := len(v.Ends); as != 2 { // one whole life says nothing of the next, and nothing travels
		t.Errorf("%d ends: %+v", as, v.Ends)
	}
}

func TestALongWayAhead(t *testing.T) {
	c := newCell(t, core.Auto)
	c.wear = -0.02
	c.make(100, true)
	d, v := c.tool()
	if band := v.end(t, "hard band"); band.Low < 150 || !strings.Contains(strings.Join(d.Notes, "\n"), "far beyond the 100") {
		t.Errorf("%+v; %v", band, d.Notes)
	}
}

func TestAToolOfWhichLittleIsKnown(t *testing.T) {
	c := newCell(t, core.Auto)
	c.make(3, false)
	d, v := c.tool()
	if len(v.Ends) != 0 || !strings.Contains(d.Summary, "cannot be told yet") {
		t.Errorf("%s %+v", d.Summary, v)
	}
	empty := Tool(&Tooled{Name: "T1 at mill", Unit: "mm"}, 0.95)
	if out := written(t, empty, HTML); !strings.Contains(out, "cannot be told yet") {
		t.Errorf("of nothing: %s", out)
	}
}

func TestPartsLeftInWords(t *testing.T) {
	inf := math.Inf(1)
	for want, l := range map[string]capability.Left{
		"about 60 parts (40 to 85)":          {Value: 60, Low: 40, High: 85},
		"about 60 parts":                     {Value: 60, Low: 60, High: 60},
		"about 60 parts (40 at least)":       {Value: 60, Low: 40, High: inf},
		"no end in sight, 40 parts at least": {Value: inf, Low: 40, High: inf},
	} {
		if got := leftInWords(&l); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if e := first([]ToolEnd{{What: "a", Left: capability.Left{Value: 9}}, {What: "b", Left: capability.Left{Value: 3}, Aside: true}, {What: "c", Left: capability.Left{Value: inf}}}); e.What != "a" {
		t.Errorf("%s comes first", e.What)
	}
}
