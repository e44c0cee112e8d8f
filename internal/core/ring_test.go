package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// onRing is a cell whose gauge has a task: measure the ring R25.
func onRing(t tester) *cell {
	c := cellWith(t, ringed(nil))
	c.part()
	c.send(Task{Gauge: "g-bore", Ring: "R25", For: 60_000, Who: Person{Principal: "scanner", Auth: ByMessage}})
	return c
}

func (c *cell) ringReading(value length.Length) Reading {
	r := c.reading("bore", c.counter)
	r.Value, r.Temp = value, celsius(21_500)
	return r
}

// A bare reading with a task of a ring is a ring check: as found is the reading
// minus the certified value. It ends the task; the next reading is of a part again.
func TestABareReadingOnARingIsARingCheck(t *testing.T) {
	for _, bare := range []bool{false, true} {
		c := onRing(t)
		r := c.ringReading(25*length.Millimetre - 57*um)
		if bare { // a gateway that sends nothing but a number
			r.Characteristic, r.Part, r.Sequence = "", "", 0
		}
		out := c.send(r)
		e := only[RingRead](out)
		if len(e) != 1 || len(out) != 1 || e[0].AsFound != 3*um || e[0].Ring != "R25" || e[0].Who != "scanner" || len(c.s.Ledger.Tasks) != 0 {
			t.Fatalf("bare %v: %+v", bare, out)
		}
		p := &Plant{}
		f := FromMachine{Machine: "mill", Record: 7, Event: e[0]}
		told := p.Step(Input{Fact: f})
		if len(told) != 1 || told[0].(RingChecked).AsFound != 3*um || *told[0].(RingChecked).Temp != 21_500 || told[0].(RingChecked).Standard != "R25" || p.Took("mill") != 7 {
			t.Fatalf("the plant records %+v", told)
		}
		if again := p.Step(Input{Fact: f}); len(again) != 0 {
			t.Fatalf("handed over twice: %+v", again)
		}
		if k := only[Checked](c.record(1, told[0]))[0]; k.Verdict != "" || k.Adjusted || k.Check.AsFound != 3*um {
			t.Fatalf("the machine makes of it %+v", k)
		}
		if !bare {
			if j := c.judged(c.send(r)); j.Admit != codeRepeated {
				t.Fatalf("the same delivery again: %+v", j)
			}
		}
		c.part()
		if j := c.judged(c.measure("bore", c.counter)); j.Admit != "" || j.Attribute != "" {
			t.Fatalf("the next part: %+v", j)
		}
	}
}

func TestWhatIsNoReadingOfTheRing(t *testing.T) {
	ring := 25*length.Millimetre - 60*um
	for name, x := range map[string]struct {
		change func(*Reading)
		task   func(*Task)
		admit  Code // empty: taken as a ring check
	}{
		"just near enough": {func(r *Reading) { r.Value = ring + farthestRing }, nil, ""},
		"too far":          {func(r *Reading) { r.Value = ring - farthestRing - 1 }, nil, codeNotRing},
		"another ring":     {nil, func(t *Task) { t.Ring = "R26" }, codeRingUnknown},
		"retained":         {func(r *Reading) { r.Retained = true }, nil, codeRetained},
		"entered by hand":  {func(r *Reading) { r.Manual = &operator }, nil, codeNotProduction},
	} {
		t.Run(name, func(t *testing.T) {
			c := onRing(t)
			if x.task != nil {
				task := c.s.Ledger.Tasks[0]
				x.task(&task)
				c.send(task)
			}
			r := c.ringReading(ring)
			if x.change != nil {
				x.change(&r)
			}
			out := c.send(r)
			if x.admit == "" {
				if len(only[RingRead](out)) != 1 {
					t.Fatalf("came to %+v", out)
				}
				return
			}
			if j := c.judged(out); j.Admit != x.admit || len(c.s.Ledger.Tasks) != 1 {
				t.Fatalf("judged %+v, want %q and the task still open", j, x.admit)
			}
		})
	}
	t.Run("the task has expired", func(t *testing.T) {
		c := onRing(t)
		c.mono += 61_000
		if j := c.judged(c.send(c.ringReading(ring))); j.Admit != waitNeverSet {
			t.Fatalf("judged %+v", j)
		}
	})
}

// A gateway that sends a bare number gets part and characteristic from the task.
func TestATaskNamesTheCharacteristic(t *testing.T) {
	c := cellWith(t, identity(identityTask))
	c.part()
	c.send(Task{Gauge: "g-bore", Characteristic: "bore", Part: "101", For: 60_000, Who: operator})
	r := c.reading("bore", 101)
	r.Characteristic, r.Part, r.Sequence = "", "", 0
	if j := c.judged(c.send(r)); j.Admit != "" || j.Attribute != "" || j.Count != 101 || j.Reading.Characteristic != "bore" || !j.NoIdent {
		t.Fatalf("judged %+v", j)
	}
}
