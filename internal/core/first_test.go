package core

import "testing"

// TestTheFirstPartIsAimedShortWhenScrapIsDear: the bore's first part after a
// set-up is aimed smaller than the aim, since a small bore can be cut again; the
// change asked for brings it there, not to the aim, and the next part goes to it.
func TestTheFirstPartIsAimedShortWhenScrapIsDear(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[0].ScrapToRework = 20 })
	loop := c.s.Ledger.Settings.Loops[0]
	c.off(loop.Name, 15*um)
	c.part()
	j := c.judged(c.measure(loop.Name, c.counter))
	if j.Aside >= 0 {
		t.Fatalf("aimed %v aside, want below the aim of an internal feature", j.Aside)
	}
	p := c.card()
	if got := p.Predicted - p.Aim; got > j.Aside+2*um || got < j.Aside-2*um {
		t.Errorf("the next part is predicted %v from the aim, want about %v", got, j.Aside)
	}
	if p.Need != Setter {
		t.Errorf("a first part is decided by %q", p.Need)
	}
	c.approve(Person{Principal: "anna", Role: Setter, Auth: "test"})
	c.part()
	if j := c.judged(c.measure(loop.Name, c.counter)); j.Aside != 0 {
		t.Errorf("the second part is still aimed %v aside", j.Aside)
	}
}

// Without a cost ratio nothing is aimed aside.
func TestTheFirstPartGoesToTheAimByDefault(t *testing.T) {
	c := cellWith(t, nil)
	loop := c.s.Ledger.Settings.Loops[0].Name
	c.off(loop, 15*um)
	c.part()
	if j := c.judged(c.measure(loop, c.counter)); j.Aside != 0 {
		t.Errorf("aimed %v aside", j.Aside)
	}
}
