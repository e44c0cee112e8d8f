package core

import "testing"

// What a plan asks for is counted in parts: the first one of a new tool, then every
// fifth; it moves nothing, and changing it ends no card.
func TestWhenTheNextMeasurementIsDue(t *testing.T) {
	every := func(n uint64) func(*Settings) {
		return func(s *Settings) { s.Loops[0].Every = n }
	}
	c := cellWith(t, every(5))
	due := func() int64 {
		t.Helper()
		in := c.s.View().Loops[0].Due
		if in == nil {
			t.Fatal("nothing is ever due")
		}
		return *in
	}
	if c.s.View().Loops[1].Due != nil {
		t.Error("a loop without a plan has something due")
	}
	c.settled("bore")
	c.part()
	c.measure("bore", c.counter)
	for want := int64(5); want >= -2; want-- {
		if got := due(); got != want {
			t.Fatalf("due in %d parts, want %d", got, want)
		}
		c.part()
	}
	c.newTool()
	for want := int64(1); want >= -1; want-- { // what the old tool's parts left open is gone with it
		if got := due(); got != want {
			t.Fatalf("with a new tool due in %d parts, want %d", got, want)
		}
		c.part()
	}
	c = cellWith(t, mode(Confirm))
	c.readyCard()
	set := settings()
	mode(Confirm)(&set)
	every(7)(&set)
	out := c.send(Configure{Settings: set, Who: engineer})
	none[Voided](t, out)
	one[Configured](t, out)
	if got := due(); got < 1 || got > 7 {
		t.Errorf("due in %d parts", got)
	}
}
