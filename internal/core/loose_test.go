package core

import "testing"

// One size read with a number, the other without: whatever reading asks, nothing
// leaves without a person until the loose ones weigh little.
func TestLooseReadingsAskAPersonWhoeverReadLast(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.off("bore", 6*um)
	c.part()
	r := c.reading("bore", c.counter)
	r.Sequence = 0
	if j := c.judged(c.send(r)); !j.NoIdent {
		t.Fatalf("it was tied: %+v", j)
	}
	l, tied := c.s.Ledger.Settings.Loop("bore"), &Judged{Reading: c.reading("bore", c.counter)}
	for n := range looseFor - 1 {
		if !c.s.loose(l, tied) {
			t.Fatalf("%d tied readings later nobody is asked", n)
		}
		c.off("bore", 6*um)
		c.part()
		none[Intended](t, c.measure("bore", c.counter))
	}
	if c.s.loose(l, tied) {
		t.Fatal("it is loose for ever")
	}
}

// The estimate outlives a change of bounds, and so does what it rests on.
func TestLooseReadingsOutliveAConfiguration(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.part()
	r := c.reading("bore", c.counter)
	r.Sequence = 0
	c.send(r)
	set := settings()
	set.Loops[0].Bounds.AutoStep--
	one[Configured](t, c.send(Configure{Settings: set, Who: engineer}))
	if !c.s.loose(c.s.Ledger.Settings.Loop("bore"), &Judged{Reading: c.reading("bore", c.counter)}) {
		t.Fatal("the loose reading is forgotten, the estimate is not")
	}
}

func TestTheDeadBandEndsHalfWayOut(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	l := c.s.Ledger.Settings.Loop("bore")
	d := &decision{s: c.s}
	wide := prospect{noise: 60 * um, tolerance: l.Characteristics[0].Tolerance()}
	if got, want := d.deadBand(l, &wide, um, l.Effects[0][0]), l.Characteristics[0].Tolerance()/4; got != want {
		t.Fatalf("the dead band is %v, want %v", got, want)
	}
}
