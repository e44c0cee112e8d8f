package report

import (
	"encoding/json"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

const bore = "bore 28 H8"

// pair is two machines that bore the same hole, in one journal.
func pair(t *testing.T, seed uint64) (north, south *cell) {
	j := journal.NewMemory()
	north, south = machineIn(t, j, "north", core.Observe), machineIn(t, j, "south", core.Observe)
	north.chance, south.chance = rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
	return north, south
}

func both(a PartsAsked) *PartsAsked {
	a.Select = []series.Options{{Machine: "north", Characteristic: bore}, {Machine: "south", Characteristic: bore}}
	a.Unit = length.MM
	if a.By == "" {
		a.By = ByMachine
	}
	if a.What == "" {
		a.What = FromAim
	}
	return &a
}

func (c *cell) compare(a *PartsAsked) (*Document, compareData) {
	c.t.Helper()
	d, err := CompareParts(c, a, 0.95)
	if err != nil {
		c.t.Fatal(err)
	}
	return d, d.Data.(compareData)
}

// TestTwoMachines: what was planted is found, in words and with an interval that holds
// it; nothing is found where nothing was planted.
func TestTwoMachines(t *testing.T) {
	north, south := pair(t, 1)
	south.scatter = 2
	north.make(120, false)
	south.make(120, false)
	d, v := north.compare(both(PartsAsked{What: Forecast, Bin: UsualBin}))
	p := v.Pairs[0]
	if !p.Spreads || p.Differs || !(p.RatioLow < 2 && p.RatioHigh > 2) {
		t.Errorf("planted a spread of 2: %+v", p)
	}
	if !strings.Contains(d.Summary, "south scatters ") || len(d.Heads) != 2 || d.Heads[0].Seq != north.seq || d.Heads[1].Seq != south.seq {
		t.Errorf("%s; heads %v", d.Summary, d.Heads)
	}
	var found int
	for seed := range uint64(60) {
		a, b := pair(t, 100+seed)
		a.make(40, false)
		b.make(40, false)
		_, v := a.compare(both(PartsAsked{What: Forecast, Bin: UsualBin}))
		if v.Pairs[0].Differs || v.Pairs[0].Spreads {
			found++
		}
	}
	if found > 8 { // 3 expected; more than 8 of 60 at 0.05 is one in 250
		t.Errorf("a difference in %d of 60 where there is none", found)
	}
}

// TestTheSameToolAge: a machine whose tools were changed seldom makes smaller holes by
// wear alone. At the same ages there is no difference.
func TestTheSameToolAge(t *testing.T) {
	north, south := pair(t, 3)
	for range 4 {
		north.make(30, false)
		north.newTool()
	}
	south.make(120, false)
	if _, v := north.compare(both(PartsAsked{})); !v.Pairs[0].Spreads {
		t.Errorf("all ages: %+v", v.Pairs[0])
	}
	d, v := north.compare(both(PartsAsked{Bin: UsualBin}))
	if v.Pairs[0].Differs || v.Pairs[0].Spreads || v.Groups[0].N != 120 || v.Groups[1].N != 30 {
		t.Errorf("the same ages: %+v of %+v", v.Pairs[0], v.Groups)
	}
	if notes := strings.Join(d.Notes, "\n"); !strings.Contains(notes, "spans of 10: 1 to 30 parts after the change of tool; 90 parts at other ages") {
		t.Errorf("notes: %s", notes)
	}
}

func TestNoAgeInCommon(t *testing.T) {
	g := &gathered{a: both(PartsAsked{Bin: 10}), names: []string{"a", "b"}, last: []int64{1, 2}, gauges: []map[string]int{{}, {}}}
	for i := range 40 {
		g.parts = append(g.parts, sampled{float64(i), int32(i % 2), int32(i%2)*100 + 1 + int32(i/8)})
	}
	s := &Compared{}
	out := g.fair(s)
	if len(out) != 2 || len(out[0].Values) != 20 || !strings.Contains(strings.Join(s.Notes, ""), "part of the difference") {
		t.Errorf("%d and %d parts; %v", len(out[0].Values), len(out[1].Values), s.Notes)
	}
	g.parts = append(g.parts, sampled{7, 1, 1}) // one is not enough
	if out := g.fair(&Compared{}); len(out[0].Values) != 20 || len(out[1].Values) != 21 {
		t.Errorf("one age in common: %d and %d parts", len(out[0].Values), len(out[1].Values))
	}
}

// ages makes a sample by hand: parts of group i at each age.
func byHand(bin int, ages map[int][]int) *gathered {
	g := &gathered{a: &PartsAsked{Bin: bin, By: ByTool}}
	for i := range len(ages) {
		g.names, g.last, g.gauges = append(g.names, string(rune('a'+i))), append(g.last, int64(i)), append(g.gauges, map[string]int{})
		for k, age := range ages[i] {
			g.parts = append(g.parts, sampled{float64(1000*i + k), int32(i), int32(age)})
		}
	}
	return g
}

func times(n int, ages ...int) (out []int) {
	for range n {
		out = append(out, ages...)
	}
	return out
}

// TestTheSameMix: each group keeps as much as it has of the common mix of ages; one part
// of unknown age is left out and spoils nothing; a group that would cost the others
// theirs is left out.
func TestTheSameMix(t *testing.T) {
	g := byHand(1, map[int][]int{0: slices.Concat(times(40, 1), times(20, 2), []int{0}), 1: slices.Concat(times(10, 1), times(5, 2), times(7, 3))})
	s := &Compared{}
	out := g.fair(s)
	if len(out[0].Values) != 60 || len(out[1].Values) != 15 || !strings.Contains(s.Notes[0], "1 to 2 parts") || !strings.Contains(s.Notes[0], "7 parts at other") || !strings.Contains(s.Notes[0], "1 of unknown age") {
		t.Errorf("%d and %d; %v", len(out[0].Values), len(out[1].Values), s.Notes)
	}
	g = byHand(1, map[int][]int{0: slices.Concat(times(30, 1), times(10, 2)), 1: times(10, 1, 2)})
	if out = g.fair(&Compared{}); len(out[0].Values) != 20 || len(out[1].Values) != 20 {
		t.Errorf("another mix: %d and %d", len(out[0].Values), len(out[1].Values))
	}
	for i, v := range out[0].Values[:10] { // evenly from first to last
		if v != float64(3*i+2) {
			t.Errorf("part %d is the %g-th", i, v)
		}
	}
	g = byHand(1, map[int][]int{0: times(30, 1, 2, 3), 1: times(30, 1, 2, 3), 2: times(4, 1)})
	s = &Compared{}
	if out = g.fair(s); len(out) != 2 || len(out[0].Values) != 90 || !strings.Contains(s.Notes[0], "c is left out: 4 parts, too few") {
		t.Errorf("%d groups of %d; %v", len(out), len(out[0].Values), s.Notes)
	}
	g = byHand(1, map[int][]int{0: times(30, 1), 1: times(30, 1), 2: times(30, 9)})
	if out = g.fair(&Compared{}); len(out) != 2 || out[1].Name != "b" {
		t.Errorf("a group without ages in common stays: %v", out)
	}
}

func TestTheNewestGroups(t *testing.T) {
	ages := map[int][]int{}
	for i := range 30 {
		ages[i] = times(5, 1)
	}
	if out := byHand(10, ages).fair(&Compared{}); len(out) != 24 || out[0].Name != string(rune('a'+6)) {
		t.Errorf("%d groups, from %q", len(out), out[0].Name)
	}
}

// TestShifts go by the clock of a place, and the last one goes on after midnight.
func TestShifts(t *testing.T) {
	a := &PartsAsked{Shifts: []time.Duration{6 * time.Hour, 14 * time.Hour, 22*time.Hour + 30*time.Minute}, Zone: time.FixedZone("plant", 2*3600)}
	for at, want := range map[string]string{"03:59": "from 22:30", "04:00": "from 06:00", "11:59": "from 06:00", "12:00": "from 14:00", "20:30": "from 22:30", "20:29": "from 14:00"} {
		when, err := time.Parse("2006-01-02 15:04", "2026-03-02 "+at)
		if err != nil {
			t.Fatal(err)
		}
		if got := a.shift(when.UnixMilli()); got != want {
			t.Errorf("%s UTC is the shift %s, want %s", at, got, want)
		}
	}
}

func TestWhatCannotBeCompared(t *testing.T) {
	north, _ := pair(t, 5)
	one := []series.Options{{Machine: "north", Characteristic: bore}}
	hours := func(h ...int) (out []time.Duration) {
		for _, v := range h {
			out = append(out, time.Duration(v)*time.Hour)
		}
		return out
	}
	for name, a := range map[string]PartsAsked{
		"nothing":        {By: ByMachine, What: FromAim},
		"by":             {Select: one, By: "colour", What: FromAim},
		"what":           {Select: one, By: ByTool, What: "weight"},
		"no shifts":      {Select: one, By: ByShift, What: FromAim},
		"falling shifts": {Select: one, By: ByShift, What: FromAim, Shifts: hours(14, 6)},
		"a long day":     {Select: one, By: ByShift, What: FromAim, Shifts: hours(6, 24)},
		"no moment":      {Select: one, By: ByTime, What: FromAim},
		"mixed":          {Select: append(slices.Clone(one), one...), By: ByMode, What: FromAim},
		"bin":            {Select: one, By: ByTool, What: FromAim, Bin: -1},
	} {
		if _, err := CompareParts(north, &a, 0.95); !errors.Is(err, ErrAsked) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestBeforeAndAfter, tools, gauge, mode: groups are named as asked.
func TestBeforeAndAfter(t *testing.T) {
	north, _ := pair(t, 6)
	north.wear = 0
	north.make(30, false)
	at := time.UnixMilli(north.at + 1)
	north.newTool()
	north.reg = 3 * um
	north.make(30, false)
	one := []series.Options{{Machine: "north", Characteristic: bore}}
	for by, want := range map[By][]string{ByTime: {"before", "after"}, ByTool: {"T1 no. 1", "T1 no. 2"}} {
		d, v := north.compare(&PartsAsked{Select: one, By: by, What: FromAim, At: at, Bin: 5, Unit: length.MM})
		if len(v.Groups) != 2 || v.Groups[0].Name != want[0] || v.Groups[1].Name != want[1] || v.Groups[1].N != 30 || !v.Pairs[0].Differs {
			t.Errorf("by %s: %+v", by, v.Groups)
		}
		for _, f := range []Format{Text, CSV, HTML, JSON} {
			if out := written(t, d, f); !strings.Contains(out, want[1]) {
				t.Errorf("%s does not name %s", f, want[1])
			}
		}
		var back map[string]any
		if err := json.Unmarshal([]byte(written(t, d, JSON)), &back); err != nil || back["report"] != "compare" {
			t.Errorf("%v, %v", back["report"], err)
		}
	}
	for _, by := range []By{ByGauge, ByMode} {
		if _, err := CompareParts(north, &PartsAsked{Select: one, By: by, What: FromAim, Unit: length.MM}, 0.95); err == nil || !strings.Contains(err.Error(), "there are 1") {
			t.Errorf("by %s: %v", by, err)
		}
	}
}

func TestTheBoundOfAComparison(t *testing.T) {
	g := &gathered{a: &PartsAsked{By: ByMode, What: FromAim, Unit: length.MM, Select: make([]series.Options, 1)}, index: map[string]int{}, parts: make([]sampled, mostParts-1)}
	g.take(&series.Options{}, &series.Part{})
	if g.full {
		t.Errorf("%d parts are refused", len(g.parts))
	}
	if g.take(&series.Options{}, &series.Part{}); !g.full {
		t.Error("one part more is taken")
	}
}

// TestHeads: of a stream that was read twice the newer end stands on the document.
func TestHeads(t *testing.T) {
	g := &gathered{}
	for _, h := range []journal.Head{{Stream: "m", Seq: 4}, {Stream: "n", Seq: 1}, {Stream: "m", Seq: 6}, {Stream: "m", Seq: 5}} {
		g.head(h)
	}
	if len(g.heads) != 2 || g.heads[0].Seq != 6 {
		t.Errorf("%v", g.heads)
	}
}
