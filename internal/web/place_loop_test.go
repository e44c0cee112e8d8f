package web

import (
	"encoding/json"
	"html"
	"net/http"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

func entry(seq uint64, e core.Event) Entry {
	return Entry{Stream: "machine/mill", Seq: seq, At: time.UnixMilli(1_700_000_000_000), Kind: e.Kind(), Event: json.RawMessage(core.Encode(e))}
}

// told is a plant whose record holds sizes, a correction, a hand at the panel and a
// new insert.
func toldPlant(s *shown) {
	who := core.Person{Principal: "p2", Role: core.Setter, Auth: "pin"}
	limits := length.Range{Low: 27_980_000, High: 28_010_000}
	s.plant.inside = core.Inside{Close: []core.LoopInside{{
		LoopView: core.LoopView{Name: "bore", Mode: core.Auto, Readings: 3, LastPart: 58}, Tool: "T12",
		Turns:   []core.RegisterView{{Name: "T12 D", Unit: length.MM, Step: 1_000, Known: true, Value: 5_000, Band: length.Range{Low: -300_000, High: 300_000}}},
		Learned: []core.Learned{{Characteristic: core.Characteristic{Name: "bore D28", Limits: limits, Aim: 27_998_000, Internal: true}, Ready: true, Noise: 1_200, Ratio: 1.04, RatioTwo: 0.08}},
		Back:    []core.Move{{Register: "T12 D", Old: 5_000, New: 12_000}},
	}, {LoopView: core.LoopView{Name: "<i>", Mode: core.Confirm}, CannotPut: "no-before", Learned: []core.Learned{{Characteristic: core.Characteristic{Name: "x", Limits: limits}}}}}}
	size := func(part string, n uint64, from length.Length) core.Judged {
		return core.Judged{Loop: "bore", Count: n, Deviation: from, Propose: "dead-band", Reading: core.Reading{Gauge: "bore-1", Characteristic: "bore D28", Part: part, Value: 27_998_000 + from}}
	}
	odd := size("58", 58, -9_000)
	odd.Estimate, odd.Propose = "suspect", ""
	s.plant.entries = []Entry{
		entry(9, size("59", 59, 1_500)),
		entry(8, odd),
		entry(7, core.ToolChanged{Tool: "T12", Who: &who}),
		entry(6, core.ToolChanged{Tool: "T7"}),
		entry(5, core.Moved{Register: "T12 D", Old: 4_000, New: 5_000}),
		entry(4, core.Concluded{Outcome: core.Outcome{Intent: 3, Result: core.Applied, Read: 4_000}, Loop: "bore", Register: "T12 D"}),
		entry(3, core.Intended{Intent: core.Intent{ID: 3, Proposal: 2, Loop: "bore", Register: "T12 D", Old: 12_000, New: 4_000}}),
		entry(2, core.Approved{Proposal: 2, Loop: "bore", Who: who}),
		entry(1, size("57", 57, -7_000)),
	}
}

func TestALoopsOwnPage(t *testing.T) {
	s := open(t, true)
	toldPlant(s)
	b := s.browser(t)
	status, body, _ := b.look("/loop?machine=mill&loop=bore")
	if status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	wants(t, "the loop", html.UnescapeString(body),
		"T12 D +0.012\u00a0mm → +0.004\u00a0mm · Bo", "T12 D +0.004\u00a0mm → +0.005\u00a0mm · typed in at the control", "T12: new insert, said Bo",
		"Far from what was expected", "1.04\u00a0±\u00a00.08", "+3σ +0.0036\u00a0mm", "lower limit 27.9800\u00a0mm", "Inside the dead band, nothing to change",
		"bore-1 read 27.9995\u00a0mm on part 59", "<b>T12 D +0.005\u00a0mm → +0.012\u00a0mm</b>", `action="/do/v1/machines/mill/loops/bore/back"`)
	const step = `action="/do/v1/machines/mill/loops/bore/step"`
	if strings.Contains(body, step) {
		t.Error("a test step is offered to somebody who is no setter")
	}
	b.signIn("p2", "805133")
	if _, body, _ := b.look("/loop?machine=mill&loop=bore"); !strings.Contains(body, step) {
		t.Error("the direction is not shown, and no test step is offered to a setter")
	}
	if strings.Contains(body, "T7") {
		t.Error("another tool's change is shown")
	}
	if n := strings.Count(body, `<circle class="ring"`); n != 1 || strings.Count(body, `<circle class="dot"`) != 2 {
		t.Errorf("%d sizes are drawn as set aside", n)
	}
	if _, body, _ = b.look("/loop?machine=mill&loop=%3Ci%3E"); strings.Contains(body, "<i>") {
		t.Error("a name is taken as markup")
	}
	wants(t, "a loop without a story", body, "No reading yet.", "There is no earlier value of this tool to put back")
	for _, path := range []string{"/loop?machine=mill&loop=none", "/loop?machine=none&loop=bore", "/loop"} {
		if status, _, _ := b.look(path); status != http.StatusNotFound {
			t.Errorf("%s: %d", path, status)
		}
	}
}

// Names of lines that lie near each other do not cover each other, and what lies
// beyond the limits stays in the picture.
func TestARunChartHoldsWhatItShows(t *testing.T) {
	limits := length.Range{Low: -20_000, High: 20_000}
	r := runOf("x", []runPoint{{Part: "1", FromAim: 90_000}, {Kind: "typed"}, {Part: "2", FromAim: -50_000}}, limits,
		[]rule{{20_000, "edge", "a"}, {19_900, "dots", "b"}, {0, "dash", "c"}, {-20_000, "edge", "d"}})
	for _, d := range r.Dots {
		if d.Y < runTop || d.Y > runFoot || d.X < runLeft || d.X > runRight {
			t.Errorf("outside the picture: %+v", d)
		}
	}
	if r.Dots[0].Y >= r.Dots[1].Y || r.Dots[0].X >= r.Marks[0].X || r.Marks[0].X >= r.Dots[1].X {
		t.Errorf("not in its order: %+v %+v", r.Dots, r.Marks)
	}
	for i := range r.Lines {
		for k := range r.Lines[:i] {
			if d := r.Lines[i].TextY - r.Lines[k].TextY; d > -17 && d < 17 {
				t.Errorf("%q and %q are %d apart", r.Lines[i].Text, r.Lines[k].Text, d)
			}
		}
	}
	if empty := runOf("x", nil, limits, nil); !empty.Nothing || empty.Path != "" {
		t.Errorf("nothing is drawn as %+v", empty)
	}
}
