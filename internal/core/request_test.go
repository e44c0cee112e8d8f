package core

import (
	"slices"
	"testing"

	"offsetbridge/internal/length"
)

// steady is a cell whose bore has come out at its aim for a while, with a scatter
// that the filter has learned.
func steady(t *testing.T, change func(*Settings)) *cell {
	c := cellWith(t, change)
	c.settled("bore")
	for k := range 30 {
		c.off("bore", length.Length(k%3-1)*um)
		c.part()
		c.measure("bore", c.counter)
	}
	none[Asked](t, c.events)
	return c
}

// again measures a part once more, as so far from aim.
func (c *cell) again(n uint64, off length.Length) []Event {
	c.t.Helper()
	r := c.reading("bore", n)
	r.Value = 25*length.Millimetre + off
	return c.send(r)
}

func TestAChipIsMeasuredAgain(t *testing.T) {
	c := steady(t, nil)
	c.off("bore", 0)
	c.part()
	a := one[Asked](t, c.again(c.counter, -60*um))
	if a.Characteristic != "bore" || a.Part != partName("", c.counter) || a.Count != c.counter || a.Gauge != "g-bore" || a.Nth != 1 || a.Reason != codeSuspect {
		t.Fatalf("%+v", a)
	}
	v := c.s.View().Requests
	if len(v) != 1 || v[0].ID != a.ID || v[0].Left <= 0 || v[0].Parts != requestParts || v[0].Say == "" {
		t.Fatalf("shown as %+v", v)
	}
	out := c.again(c.counter, um)
	if e := one[AskEnded](t, out); e.ID != a.ID || e.Cause != AskAnswered {
		t.Fatalf("%+v", e)
	}
	none[Asked](t, out)
	if len(c.s.Ledger.Requests) != 0 || c.judged(out).Estimate != "" {
		t.Fatalf("%+v after %+v", c.s.Ledger.Requests, c.judged(out))
	}
}

// A jump that three readings of one part agree on is believed at once.
func TestAJumpIsBelievedAfterTwoRequests(t *testing.T) {
	c := steady(t, nil)
	c.off("bore", -40*um)
	c.part()
	first := one[Asked](t, c.again(c.counter, -40*um))
	out := c.again(c.counter, -41*um)
	if e, a := one[AskEnded](t, out), one[Asked](t, out); e.Cause != AskAnswered || a.Nth != 2 || a.ID <= first.ID {
		t.Fatalf("%+v, %+v", e, a)
	}
	out = c.again(c.counter, -39*um)
	if e, j := one[AskEnded](t, out), c.judged(out); e.Cause != AskAnswered || j.Estimate != codeStep || len(j.Moves) == 0 {
		t.Fatalf("%+v, %+v", e, j)
	}
	none[Asked](t, out)
}

// Nobody answers: the request lapses by parts or by minutes, and the parts that
// follow tell the loop what it wanted to know.
func TestNobodyMeasuresAgain(t *testing.T) {
	c := steady(t, nil)
	c.off("bore", -40*um)
	c.part()
	one[Asked](t, c.measure("bore", c.counter))
	at := c.counter
	var ended []AskEnded
	for range requestParts {
		ended = append(ended, only[AskEnded](c.part())...)
	}
	if len(ended) != 0 {
		t.Fatalf("ended after %d parts: %+v", c.counter-at, ended)
	}
	if e := one[AskEnded](t, c.part()); e.Cause != AskLapsed || e.Count != at {
		t.Fatalf("%+v", e)
	}
	c.off("bore", -40*um)
	steps := 0
	for range 3 {
		c.part()
		for _, j := range only[Judged](c.measure("bore", c.counter)) {
			if j.Estimate == codeStep && len(j.Moves) > 0 {
				steps++
			}
		}
	}
	if steps != 1 || len(c.s.Ledger.Requests) != 0 {
		t.Fatalf("%d steps believed without an answer, open %+v", steps, c.s.Ledger.Requests)
	}
}

func TestARequestLapsesByTime(t *testing.T) {
	c := steady(t, nil)
	c.part()
	a := one[Asked](t, c.again(c.counter, -60*um))
	none[AskEnded](t, c.pass(RequestMillis-1000))
	if e := one[AskEnded](t, c.pass(2000)); e.ID != a.ID || e.Cause != AskLapsed {
		t.Fatalf("%+v", e)
	}
	c.off("bore", 0)
	c.look()
	c.part()
	a = one[Asked](t, c.again(c.counter, 60*um))
	c.restart()
	if r := c.s.Ledger.Requests; len(r) != 1 || r[0].ID != a.ID {
		t.Fatalf("a restart forgot the request: %+v", r)
	}
	one[AskEnded](t, c.pass(RequestMillis))
}

// What comes after may settle it, ask about a newer part, or make it pointless.
func TestRequestsThatEndOtherwise(t *testing.T) {
	ask := func(c *cell) {
		c.off("bore", 0)
		c.part()
		one[Asked](t, c.again(c.counter, -60*um))
	}
	c := steady(t, nil)
	ask(c)
	c.part()
	if e := one[AskEnded](t, c.measure("bore", c.counter)); e.Cause != AskSettled {
		t.Fatalf("%+v", e)
	}
	ask(c)
	c.part()
	out := c.again(c.counter, 70*um)
	if e, a := one[AskEnded](t, out), one[Asked](t, out); e.Cause != AskNewer || a.Count != c.counter || a.Nth != 1 {
		t.Fatalf("%+v, %+v", e, a)
	}
	c.tools[0]++
	if e := one[AskEnded](t, c.look()); e.Cause != askTool {
		t.Fatalf("%+v", e)
	}
	c = steady(t, nil)
	ask(c)
	set := c.s.Ledger.Settings
	set.Loops = slices.Clone(set.Loops[1:])
	if e := one[AskEnded](t, c.send(Configure{Settings: set, Who: engineer})); e.Cause != askGone {
		t.Fatalf("%+v", e)
	}
}

// A gauge that takes the oldest part not measured cannot be asked for one again.
func TestAGaugeThatTakesPartsInOrderIsNotAsked(t *testing.T) {
	c := cellWith(t, identity(identityOrder))
	for k := range 30 {
		c.off("bore", length.Length(k%3-1)*um)
		c.part()
		c.measure("bore", c.counter)
	}
	c.part()
	if j := c.judged(c.again(c.counter, -60*um)); j.Estimate != codeSuspect {
		t.Fatalf("%+v", j)
	}
	none[Asked](t, c.events)
}
