package core

import (
	"fmt"
	"strings"
	"testing"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// deep makes the bore one of several readings.
func deep(v Several) func(*Settings) {
	return func(s *Settings) {
		warm(func(t *Trust) { t.Thermal, t.Contacts = nil, gauge.ThreePoint })(s)
		s.Loops[0].Mode = Auto
		c := &s.Loops[0].Characteristics[0]
		if v.Within == 0 {
			v.Within = 600_000
		}
		c.Several = &v
	}
}

func deepCell(t tester, v Several) *cell {
	c := cellWith(t, deep(v))
	c.record(1, Set{check(0)})
	return c
}

// reads measures a part at a depth in millimetres and an orientation in degrees, so
// far from the aim.
func (c *cell) reads(n uint64, depth, turn int, off length.Length) Judged {
	c.t.Helper()
	r := c.reading("bore", n)
	at, o := length.Length(depth)*length.Millimetre, Turn(turn*1000)
	r.Depth, r.Turn, r.Value = &at, &o, 25*length.Millimetre+off
	return c.judged(c.send(r))
}

// Three depths in two orientations are one measurement: five readings are kept,
// the sixth completes it, and the estimate sees one observation.
func TestSeveralReadingsAreOneObservation(t *testing.T) {
	c := deepCell(t, Several{Depths: 3, Orientations: 2})
	c.part()
	n := 0
	for _, turn := range []int{0, 60} {
		for i, depth := range []int{15, 5, 10} {
			j := c.reads(c.counter, depth, turn, []length.Length{um, -um, 3 * um}[i]+length.Length(turn)*20)
			if n++; n < 6 {
				v := c.s.View().Loops[0]
				if j.Gather != Gathers || j.Whole != nil || v.Readings != 0 || v.Gathering[0].Have != n || v.Gathering[0].Of != 6 {
					t.Fatalf("reading %d: %+v, shown %+v", n, j, v.Gathering)
				}
				continue
			}
			// mean (1 − 1 + 3)/3 + 0.6 = 1.6; taper between 5 and 15 mm: 2 µm
			z := j.Whole.Sizes
			if j.Gather != "" || z.Readings != 6 || j.Deviation != 1600 || z.Taper != 2*um || z.Smallest != 25*length.Millimetre-um || z.Largest != 25*length.Millimetre+4200 || !z.Even {
				t.Fatalf("complete: %+v, %+v", j, j.Whole)
			}
		}
	}
	if v := c.s.View().Loops[0]; v.Readings != 1 || len(v.Gathering) != 0 || v.FromAim != 1600 {
		t.Fatalf("shown %+v", v)
	}
	m := c.s.View().Loops[0].Measured[0]
	if m.Readings != 6 || m.Raw != nil || *m.Largest-*m.Smallest != *m.Spread || m.Decision != gauge.Conforming ||
		!strings.HasPrefix(m.Say, "24.9990..25.0042 mm ±0.0013 mm is conforming; "+gauge.NoAcceptance) || !strings.Contains(m.How[len(m.How)-1], "never report ovality") {
		t.Fatalf("shown %+v", m)
	}
}

// The mean corrects where the depths are even, the mid-range where they are not,
// unless the configuration says which.
func TestWhatCorrects(t *testing.T) {
	for _, x := range []struct {
		by     string
		depths [3]int
		want   length.Length
	}{
		{"", [3]int{5, 10, 15}, 2 * um}, {"", [3]int{2, 4, 15}, 3 * um},
		{ByMean, [3]int{2, 4, 15}, 2 * um}, {ByMidRange, [3]int{5, 10, 15}, 3 * um},
	} {
		c := deepCell(t, Several{Depths: 3, Orientations: 1, By: x.by})
		c.part()
		var j Judged
		for i, depth := range x.depths {
			j = c.reads(c.counter, depth, 0, []length.Length{0, 0, 6 * um}[i])
		}
		if j.Whole == nil || j.Deviation != x.want {
			t.Errorf("%q at %v: %+v, want %s", x.by, x.depths, j.Whole, x.want)
		}
	}
}

// T = 40 µm: a taper of 13.333 µm is corrected by itself, one of 13.334 µm needs
// a person, who reads the reason.
func TestTaperIsNoOffsetProblem(t *testing.T) {
	for _, x := range []struct {
		taper length.Length
		form  bool
	}{{13_333, false}, {13_334, true}, {-13_334, true}} {
		t.Run(fmt.Sprint(x.taper), func(t *testing.T) {
			c := deepCell(t, Several{Depths: 2, Orientations: 1})
			prove(c, t)
			c.part()
			c.reads(c.counter, 5, 0, -7*um)
			j := c.reads(c.counter, 25, 0, -7*um+x.taper)
			if j.Whole == nil || j.Whole.Form != x.form {
				t.Fatalf("whole %+v", j.Whole)
			}
			for range 4 { // until a change is worth making
				if len(j.Moves) > 0 {
					break
				}
				c.part()
				c.reads(c.counter, 5, 0, -9*um)
				j = c.reads(c.counter, 25, 0, -9*um+x.taper)
			}
			if len(j.Moves) == 0 {
				t.Fatalf("no correction came of it: %+v", j)
			}
			if x.form && (j.Need != Setter || j.Bound != codeForm || j.Route != routeQueue) {
				t.Fatalf("form, and decided by %q because of %q, to %q", j.Need, j.Bound, j.Route)
			}
			if !x.form && (j.Need != "" || j.Route != routeWrite) {
				t.Fatalf("no form, and decided by %q because of %q", j.Need, j.Bound)
			}
		})
	}
}

// prove gets the loop over its first part and shows its direction.
func prove(c *cell, t *testing.T) {
	t.Helper()
	for _, s := range []*State{c.s, c.f} {
		s.loopBook("bore").First = false
	}
}

// A mean in the middle says nothing when one place is beyond the limit.
func TestBothLocalSizesAreJudged(t *testing.T) {
	c := deepCell(t, Several{Depths: 2, Orientations: 1})
	c.part()
	c.reads(c.counter, 5, 0, -23*um)
	j := c.reads(c.counter, 25, 0, 15*um)
	if j.Deviation != -4*um || j.Whole.Decision != gauge.NotConforming || j.Reading.Worth.Decision != gauge.Conforming {
		t.Fatalf("whole %+v of %+v", j.Whole, j.Reading.Worth)
	}
}

// Readings of another part, or of another cut of the same, belong to another
// measurement.
func TestSamePartAndCut(t *testing.T) {
	c := deepCell(t, Several{Depths: 2, Orientations: 1})
	c.part()
	first := c.counter
	c.part()
	c.reads(first, 5, 0, 0)
	if j := c.reads(c.counter, 25, 0, um); j.Gather != Gathers {
		t.Fatalf("two parts made one measurement: %+v", j)
	}
	if j := c.reads(first, 25, 0, um); j.Whole == nil || j.Count != first {
		t.Fatalf("the first part: %+v", j)
	}
	if j := c.reads(c.counter, 5, 0, um); j.Whole == nil || j.Count != c.counter {
		t.Fatalf("the second part: %+v", j)
	}
}

// The same place again replaces the reading there; a place too many is refused
// in words; a reading without its place says so. None of it is used.
func TestPlaces(t *testing.T) {
	c := deepCell(t, Several{Depths: 2, Orientations: 2})
	c.part()
	c.reads(c.counter, 5, 0, 0)
	if j := c.reads(c.counter, 5, 360, 4*um); j.Gather != Gathers || c.s.Ledger.Gathering[0].Places[0].Size != 25*length.Millimetre+4*um || len(c.s.Ledger.Gathering[0].Places) != 1 {
		t.Fatalf("again, a turn later: %+v", c.s.Ledger.Gathering)
	}
	c.reads(c.counter, 25, 60, 0)
	for _, x := range [][2]int{{15, 0}, {5, 90}} {
		if j := c.reads(c.counter, x[0], x[1], 0); j.Gather != codeOtherPlace {
			t.Fatalf("at %v: %+v", x, j)
		}
	}
	if j := c.measured(func(*Reading) {}); j.Gather != codeNoPlace {
		t.Fatalf("without a place: %+v", j)
	}
	same := c.reading("bore", c.counter)
	at, turn := 5*length.Millimetre, Turn(0)
	same.Sequence, same.Depth, same.Turn, same.Value = 0, &at, &turn, 25*length.Millimetre+4*um
	if j := c.judged(c.send(same)); j.Gather != codeRepeated {
		t.Fatalf("the same without a number: %+v", j)
	}
	c.reads(c.counter, 5, 60, 0)
	if j := c.reads(c.counter, 25, 0, 0); j.Whole == nil || j.Whole.Sizes.Mean != 25*length.Millimetre+um {
		t.Fatalf("complete: %+v", j)
	}
}

// A measurement that nobody goes on with ends in the record, after its time, over
// a restart as well; what is gathered later starts anew.
func TestAnUnfinishedMeasurementEnds(t *testing.T) {
	c := deepCell(t, Several{Depths: 2, Orientations: 1, Within: 600_000})
	c.part()
	c.reads(c.counter, 5, 0, 0)
	c.mono += 590_000
	if out := c.send(Tick{}); len(only[Unfinished](out)) != 0 {
		t.Fatal("ended before its time")
	}
	c.restart()
	c.connect()
	if len(c.s.Ledger.Gathering) != 1 {
		t.Fatal("lost in the restart")
	}
	c.mono += 700_000
	out := only[Unfinished](c.send(Tick{}))
	if len(out) != 1 || out[0].Cause != causeGatherLate || out[0].Have != 1 || out[0].Of != 2 || out[0].Loop != "bore" || out[0].Count != c.counter || len(c.s.Ledger.Gathering) != 0 {
		t.Fatalf("ended %+v", out)
	}
	if j := c.reads(c.counter, 25, 0, 0); j.Gather != Gathers {
		t.Fatalf("after the end: %+v", j)
	}
}

func TestWhatEndsAMeasurement(t *testing.T) {
	for name, x := range map[string]struct {
		do    func(c *cell)
		cause Code
	}{
		"the gauge is set":        {func(c *cell) { c.record(2, Set{check(um)}) }, causeAsFound},
		"the gauge is found off":  {func(c *cell) { c.record(2, RingChecked{check(9 * um)}) }, causeAsFound},
		"the gauge is found good": {func(c *cell) { c.record(2, RingChecked{check(um)}) }, ""},
		"another meaning": {func(c *cell) {
			set := settings()
			deep(Several{Depths: 3, Orientations: 1})(&set)
			c.send(Configure{Settings: set, Who: engineer})
		}, causeConfig},
		"another loop's settings": {func(c *cell) {
			set := settings()
			deep(Several{Depths: 2, Orientations: 1})(&set)
			set.Loops[1].Damping = 0.5
			c.send(Configure{Settings: set, Who: engineer})
		}, ""},
		"the counter goes back": {func(c *cell) { c.counter = 3; c.look() }, codeNoRecord},
	} {
		t.Run(name, func(t *testing.T) {
			c := deepCell(t, Several{Depths: 2, Orientations: 1})
			c.part()
			c.reads(c.counter, 5, 0, 0)
			from := len(c.events)
			x.do(c)
			ended := only[Unfinished](c.events[from:])
			if (x.cause == "") != (len(ended) == 0) || len(ended) > 0 && ended[0].Cause != x.cause {
				t.Fatalf("ended %+v, want %q", ended, x.cause)
			}
		})
	}
}

// Measurements that were begun are bounded; the one that gives way is said.
func TestGatheringIsBounded(t *testing.T) {
	c := deepCell(t, Several{Depths: 2, Orientations: 1})
	for range maxGathering + 5 {
		c.part()
		c.reads(c.counter, 5, 0, 0)
	}
	if n := len(c.s.Ledger.Gathering); n != maxGathering {
		t.Fatalf("%d wait", n)
	}
	ended := only[Unfinished](c.events)
	if len(ended) != 5 || ended[0].Cause != causeGatherFull || ended[0].Count != 101 {
		t.Fatalf("ended %+v", ended)
	}
}

// A gauge that takes the oldest part not measured stays on it until it has every
// reading, and goes on when that measurement has ended.
func TestSeveralReadingsInOrder(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		deep(Several{Depths: 2, Orientations: 1})(s)
		identity(identityOrder)(s)
	})
	c.record(1, Set{check(0)})
	for range 3 {
		c.part()
	}
	for i, want := range []uint64{101, 101, 102} {
		j := c.reads(0, []int{5, 25, 5}[i], 0, 0)
		if j.Count != want || (j.Whole != nil) != (i == 1) {
			t.Fatalf("reading %d: %+v", i, j)
		}
	}
	c.mono += 700_000
	c.look()
	if j := c.reads(0, 5, 0, 0); j.Count != 103 {
		t.Fatalf("after the second part was given up: %+v", j)
	}
}
