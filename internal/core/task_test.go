package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// bare sends a number without anything else, as a gateway does that knows its gauge only.
func (c *cell) bare(of uint64) []Event {
	c.t.Helper()
	r := c.reading("bore", of)
	r.Characteristic, r.Part, r.Sequence = "", "", 0
	return c.send(r)
}

func (c *cell) tasks(part string) {
	c.t.Helper()
	c.send(Task{Gauge: "g-bore", Characteristic: "bore", Part: part, For: 60_000, Who: operator})
}

// A bare number that no task gives a place waits until somebody says what it is of.
func TestABareNumberWithoutATaskWaitsInTheTray(t *testing.T) {
	c := cellWith(t, identity(identityTask))
	c.part()
	if out := c.bare(101); c.judged(out).Admit != codeNoTask || one[Unplaced](t, out).Code != codeNoTask {
		t.Fatalf("events %s", kinds(out))
	}
	r := c.reading("bore", 101) // one that knows its characteristic, and not its part
	r.Part = ""
	if out := c.send(r); c.judged(out).Attribute != codeNoTask || one[Unplaced](t, out).Code != codeNoTask {
		t.Fatalf("events %s", kinds(out))
	}
	if none[Unplaced](t, c.send(r)); len(c.s.Ledger.Tray) != 2 {
		t.Fatalf("the same delivery twice: %d in the tray", len(c.s.Ledger.Tray))
	}
	r.Gauge = "somebody's"
	none[Unplaced](t, c.send(r))

	id := c.s.Ledger.Tray[0].ID
	c.declined(Assign{Item: id, Part: "101", Reason: "just measured", Who: operator}, codeNoCharacteristic)
	c.declined(Assign{Item: id, Characteristic: "keyway", Part: "101", Reason: "just measured", Who: operator}, codeNoCharacteristic)
	c.declined(Assign{Item: id, Characteristic: "bore", Reason: "just measured", Who: operator}, codeNoPart)
	if len(c.s.Ledger.Tray) != 2 {
		t.Fatal("it is gone from the tray")
	}
	j := c.judged(c.send(Assign{Item: id, Characteristic: "bore", Part: "101", Reason: "just measured", Who: operator}))
	if j.Admit != "" || j.Attribute != "" || j.Count != 101 || len(c.s.Ledger.Tray) != 1 {
		t.Fatalf("assigned, and %+v", j)
	}
	c.compare()
}

// The task that was open when the reading came counts, not the one when its part is recorded.
func TestAReadingKeepsTheTaskItCameUnder(t *testing.T) {
	c := cellWith(t, identity(identityTask))
	c.part()
	c.tasks("102")
	c.begin()
	r := c.reading("bore", 101)
	r.Characteristic, r.Part, r.Sequence = "", "", 0
	if w := one[Waits](t, c.send(r)); w.Reading.Part != "102" {
		t.Fatalf("waits as of part %q", w.Reading.Part)
	}
	c.tasks("103")
	if j := c.judged(c.end()); j.Count != 102 || j.Attribute != "" || !j.NoIdent {
		t.Fatalf("judged %+v", j)
	}
	c.compare()
}

// A task is about one characteristic, and only while it has not expired.
func TestWhatATaskDoesNotSay(t *testing.T) {
	c := cellWith(t, identity(identityTask))
	c.part()
	c.both(func(s *State) {
		g := &s.Ledger.Settings.Loops[1].Characteristics[0]
		g.Gauges = append(g.Gauges, GaugeUse{Gauge: "g-bore", Identity: identityTask, Resolution: um})
	})
	c.send(Task{Gauge: "g-bore", Characteristic: "boss", Part: "101", For: 60_000, Who: operator})
	if j := c.judged(c.measure("bore", 101)); j.Attribute != codeNoTask {
		t.Fatalf("a task of another characteristic: %+v", j)
	}
	c.tasks("101")
	c.mono += 60_001
	if j := c.judged(c.measure("bore", 101)); j.Attribute != codeNoTask {
		t.Fatalf("an expired task: %+v", j)
	}
}

// Where nothing at the machine counts its parts, the task names them too.
func TestATaskAtAMachineThatCountsNothing(t *testing.T) {
	c := handCell(t)
	c.says("R1", 0, setter)
	c.tasks("57")
	c.seq["g-bore"]++
	j := c.judged(c.send(Reading{Gauge: "g-bore", Sequence: c.seq["g-bore"], Value: 25*length.Millimetre - 4*um}))
	if j.Attribute != "" || j.Reading.Part != "57" || !j.NoIdent || c.s.Ledger.Cuts[0].Serial != "57" {
		t.Fatalf("by hand: %+v", j)
	}
	if j = c.bore("58", 0); j.Reading.Part != "58" {
		t.Fatalf("a part that the message names: %+v", j)
	}
	c = cellWith(t, func(s *Settings) {
		s.Lacks = []string{LacksCounter}
		s.Loops[0].Characteristics[0].Gauges[0].Identity = identityTask
	})
	number := func() []Event {
		return c.send(Reading{Gauge: "g-bore", Characteristic: "bore", Value: 25*length.Millimetre - 4*um})
	}
	if j := c.judged(number()); j.Attribute != codeNoTask || len(c.s.Ledger.Tray) != 1 {
		t.Fatalf("without a task: %+v", j)
	}
	c.tasks("58")
	if j := c.judged(number()); j.Attribute != "" || c.s.Ledger.Cuts[0].Serial != "58" {
		t.Fatalf("without a counter: %+v", j)
	}
}

// A measuring plan: several sizes of one part, one number after the other. What could not be used
// as a size is measured again before the plan goes on.
func TestAPlanOfSeveralSizes(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		for i := range s.Loops {
			s.Loops[i].Characteristics[0].Gauges = []GaugeUse{{Gauge: "g-bore", Identity: identityTask, Resolution: um}}
		}
	})
	c.part()
	c.begin()
	number := func(v length.Length) []Event { return c.send(Reading{Gauge: "g-bore", Value: v}) }
	next := func() string {
		if v := c.s.Inside().Tasks; len(v) == 1 {
			return v[0].Characteristic
		}
		return "none"
	}
	c.send(Task{Gauge: "g-bore", Characteristic: "boss", Then: []string{"bore", "boss"}, Part: "101", For: 60_000, Who: operator})
	if j := c.judged(number(90 * length.Millimetre)); j.Admit != codeImplausible || next() != "boss" {
		t.Fatalf("a wild number: %+v, next %s", j, next())
	}
	if j := c.judged(number(40 * length.Millimetre)); j.Reading.Characteristic != "boss" || j.Count != 101 || next() != "bore" {
		t.Fatalf("the first: %+v, next %s", j, next())
	}
	if j := c.judged(number(25 * length.Millimetre)); j.Reading.Characteristic != "bore" || j.Count != 101 || next() != "boss" {
		t.Fatalf("the second: %+v, next %s", j, next())
	}
	for range 2 { // the last one stands, to be measured again
		if j := c.judged(number(40 * length.Millimetre)); j.Reading.Characteristic != "boss" || next() != "boss" {
			t.Fatalf("the last: %+v, next %s", j, next())
		}
	}
	c.send(Task{Gauge: "g-bore", Characteristic: "boss", Then: []string{"bore"}, Part: "102", For: 60_000, Who: operator})
	if w := one[Waits](t, number(40*length.Millimetre)); w.Reading.Part != "102" || next() != "bore" {
		t.Fatalf("a part that is still cut: %+v, next %s", w, next())
	}
	c.compare()
}
