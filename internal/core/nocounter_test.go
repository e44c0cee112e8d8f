package core

import "testing"

// TestAMachineWithoutACounterGetsProposalsOnly: nothing ties a reading to the
// register in force at its cut, so every change is a person's, whatever the mode
// says; approved, it is written and read back as everywhere.
func TestAMachineWithoutACounterGetsProposalsOnly(t *testing.T) {
	c := newCell(t)
	c.counter = 0 // what an edge shows that has no node for it
	set := settings()
	set.Lacks = []string{LacksCounter}
	c.start()
	c.send(Configure{Settings: set, Who: engineer})
	c.send(Verified{OK: true})
	c.connect()
	loop := set.Loops[0]
	reading := func(part string) Reading {
		c.seq["g"]++
		return Reading{
			Gauge: loop.Characteristics[0].Gauges[0].Gauge, Sequence: c.seq["g"], Characteristic: loop.Characteristics[0].Name,
			Part: part, Value: loop.Characteristics[0].Aim,
		}
	}
	small := func(part string) Judged {
		r := reading(part)
		r.Value -= 30 * um
		return c.judged(c.send(r))
	}
	if j := small("A"); j.Attribute != "" || !j.NoIdent || j.Regauge {
		t.Fatalf("first reading: %+v", j)
	}
	if j := small("A"); !j.Regauge {
		t.Errorf("the same part again counts as another: %+v", j)
	}
	if j := small("B"); j.Regauge || j.Count < 2 {
		t.Errorf("the next part: %+v", j)
	}
	p := c.card()
	if p.Need == "" || len(c.intents) != 0 {
		t.Fatalf("a change without a person: need %q, %d writes", p.Need, len(c.intents))
	}
	c.approve(Person{Principal: "anna", Role: Setter, Auth: "test"})
	if len(c.intents) != 1 {
		t.Fatalf("approved, but %d writes", len(c.intents))
	}
	if b := c.s.book(loop.Registers[0]); b.Pending != nil || b.Value != p.Moves[0].New {
		t.Errorf("the register is not proven: %+v", b)
	}
}
