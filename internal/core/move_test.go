package core

import "testing"

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
