package core

import (
	"testing"

	"offsetbridge/internal/guard"
)

// chased is a proven loop whose tool has just given way and was corrected by itself:
// a step of 8 µm in the size, of 10 µm allowed.
func chased(t *testing.T) *cell {
	t.Helper()
	c := cellWith(t, func(s *Settings) { s.Loops[0].DeadBand = 7 * um })
	c.settled("bore")
	c.stepped(StepTest{Loop: "bore", Who: setter})
	c.approve(setter) // and back
	for range 3 {
		c.part()
		c.measure("bore", c.counter)
	}
	if !c.s.allProven(c.s.Ledger.Settings.Loop("bore")) {
		t.Fatal("not proven")
	}
	if _, in := c.givesWay(); len(in) != 1 || in[0].Charge == 0 {
		t.Fatalf("the first large move: %+v", in)
	}
	return c
}

// givesWay makes the bore 9 µm smaller and cuts parts until something large is moved or asked for.
func (c *cell) givesWay() (Judged, []Intended) {
	c.t.Helper()
	c.drift["bore"] -= 9 * um
	for range 8 {
		c.part()
		out := c.measure("bore", c.counter)
		if j := c.judged(out); len(j.Moves) == 1 && 3*j.Moves[0].Size.Abs() >= 20*um {
			return j, only[Intended](out)
		}
	}
	c.t.Fatal("nothing large was proposed")
	return Judged{}, nil
}

// One sudden change is corrected; a second one in a few parts is a cause to look for.
func TestASecondLargeCorrectionAsks(t *testing.T) {
	c := chased(t)
	j, in := c.givesWay()
	if len(in) != 0 || j.Need != Operator || j.Bound != guard.Chasing {
		t.Fatalf("asks %q for %q, moved %+v", j.Need, j.Bound, in)
	}
	c.approve(operator)
	if c.s.book("R1").Alone != 0 {
		t.Fatal("an approved move counts as unapproved")
	}
	c.compare()
}

func TestALargeCorrectionMuchLaterGoesByItself(t *testing.T) {
	c := chased(t)
	for range chaseParts + 1 {
		c.part()
		c.measure("bore", c.counter)
	}
	if _, in := c.givesWay(); len(in) != 1 {
		t.Fatalf("asks: %+v", c.s.proposalOf("bore"))
	}
}

// A new insert, or a hand at the register, ends the count.
func TestANewToolEndsTheChase(t *testing.T) {
	for what, ends := range map[string]func(*cell){
		"tool": func(c *cell) { c.tools[0]++; c.look() },
		"hand": func(c *cell) { c.regs[0] += um; c.look() },
	} {
		c := chased(t)
		if c.s.book("R1").Alone == 0 {
			t.Fatal("nothing is remembered")
		}
		if ends(c); c.s.book("R1").Alone != 0 {
			t.Errorf("%s: still remembered", what)
		}
	}
}
