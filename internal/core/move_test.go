package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// An automatic change waits for the machine; meanwhile the direction stops being
// proven, and three unproven moves are spent. It is not sent.
func TestAutomaticChangeThatOutgrewItsBounds(t *testing.T) {
	for _, cause := range []Code{"unproven", "budget"} {
		c := cellWith(t, nil)
		c.settled("bore")
		for range 8 {
			c.off("bore", -8*um)
			c.part()
			c.begin() // measured while the next part is cut
			if len(only[Proposed](c.measure("bore", c.counter-1))) > 0 {
				break
			}
			c.measure("bore", c.counter)
			if c.s.proposalOf("bore") != nil {
				break
			}
			c.end()
		}
		p := c.s.proposalOf("bore")
		if p == nil || p.Status != Ready {
			t.Fatalf("nothing waits for the machine: %+v", p)
		}
		for _, s := range []*State{c.s, c.f} {
			switch b := s.book("R1"); cause {
			case "unproven":
				b.Unproven = maxUnproven
			case "budget":
				b.Spent = s.Ledger.Settings.Loops[0].Bounds.Travel
			}
		}
		out := c.end()
		none[Intended](t, out)
		if v := one[Voided](t, out); v.Cause != cause || cause.Words() == string(cause) {
			t.Fatalf("voided %+v", v)
		}
	}
}

func TestBudget(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[0].Bounds.Travel = 12 * um })
	c.settled("bore")
	var asked bool
	for range 20 {
		c.drift["bore"] -= 3 * um
		c.part()
		j := c.judged(c.measure("bore", c.counter))
		if b := c.s.book("R1"); b.Spent > 12*um {
			t.Fatalf("spent %v of 12 µm", b.Spent)
		}
		asked = asked || j.Bound == "budget" && j.Need == Operator
	}
	if !asked {
		t.Fatal("the budget never asked for a person")
	}
	before := c.s.book("R1").Spent
	c.restart()
	if b := c.s.book("R1"); b.Spent != before {
		t.Fatalf("a restart changed what was spent from %v to %v", before, b.Spent)
	}
}

// The identity of a budget is the machine and its node, whatever the
// configuration calls the register.
func TestRenamingKeepsTheBudget(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.ready()
	spent := c.s.book("R1").Spent
	set := settings()
	set.Machine, set.Registers[0].Name, set.Loops[0].Name, set.Loops[0].Registers = "other", "X", "hole", []string{"X"}
	c.send(Configure{Settings: set, Who: engineer})
	if b := c.s.book("X"); b.Spent != spent || spent == 0 {
		t.Fatalf("spent %v under the new name, was %v", b.Spent, spent)
	}
}

func TestThreeUnprovenMovesThenAPerson(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.sign = -1 // the machine answers the wrong way: the direction is never proven
	c.drift["bore"] -= 40 * um
	var asked bool
	for range 60 {
		c.drift["bore"] -= um
		c.part()
		out := c.measure("bore", c.counter)
		for _, j := range only[Judged](out) {
			asked = asked || j.Bound == "unproven"
		}
		c.s.now.verified = true
	}
	n := 0
	for _, e := range only[Intended](c.events) {
		if e.Charge > 0 {
			n++
		}
	}
	if n > maxUnproven {
		t.Fatalf("%d automatic moves the wrong way", n)
	}
	if !asked && c.s.HoldOn("bore") == nil {
		t.Fatal("nobody was told")
	}
}

func TestBackingOffNeedsAPersonBeyondWhatTheLoopAdded(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	var reason Code
	for range 10 {
		c.off("bore", 8*um) // too large: cut less
		c.part()
		j := c.judged(c.measure("bore", c.counter))
		if j.Bound != "" {
			reason = j.Bound
			break
		}
	}
	if reason != "back-off" {
		t.Fatalf("bound by %q", reason)
	}
}

func TestGridAndBand(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		s.Registers[0].Step = 2 * um
		s.Registers[0].Band = length.Range{Low: 8 * um, High: 200 * um}
	})
	c.settled("bore")
	for range 10 {
		c.off("bore", -10*um) // wants the register lower and lower
		c.part()
		c.measure("bore", c.counter)
		if c.s.HoldOn("bore") != nil {
			break
		}
	}
	c.held("bore", causeRefused)
	if c.s.HoldOn("bore").Text != "band" {
		t.Fatalf("held by %+v", c.s.HoldOn("bore"))
	}
	for _, in := range c.intents {
		if in.New%(2*um) != 0 || in.New < 8*um {
			t.Fatalf("intent %+v", in)
		}
	}
}

// Ten parts in transit: each further part may carry one further move, whichever
// part's reading asked for it.
func TestOneMovePerNewPart(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	first := c.counter + 1
	c.drift["bore"] -= 9 * um
	for range 10 {
		c.part()
	}
	for n := first; n < first+10; n++ {
		before := len(c.intents)
		c.measure("bore", n)
		c.measure("bore", n) // re-gauged
		if len(c.intents)-before > 1 || before > 0 && len(c.intents) > before {
			t.Fatalf("%d moves without a new part", len(c.intents))
		}
	}
	if len(c.intents) != 1 {
		t.Fatalf("%d moves", len(c.intents))
	}
}
