package core

import (
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

// byHand makes the cell a machine without a connection.
func byHand(s *Settings) {
	s.ByHand, s.Lacks = true, []string{LacksCounter, "tool", "state"}
	for i := range s.Loops {
		s.Loops[i].Mode, s.Loops[i].Program = Confirm, ""
		for k := range s.Loops[i].Characteristics {
			s.Loops[i].Characteristics[k].Gauges[0].Identity = identitySerial
		}
	}
}

func handCell(t tester) *cell {
	c := newCell(t)
	set := settings()
	byHand(&set)
	c.start()
	c.send(Configure{Settings: set, Who: engineer})
	c.send(Verified{OK: true})
	return c
}

func (c *cell) says(register string, v length.Length, who Person) []Event {
	c.t.Helper()
	return c.send(HandSet{Register: register, Value: &v, Who: who})
}

// types does what the open card says, and reports it.
func (c *cell) types(who Person) []Event {
	c.t.Helper()
	p := c.card()
	return c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: who})
}

// made is a part of the bore cut with what its register holds, d off the aim at zero.
func (c *cell) bore(part string, off length.Length) Judged {
	c.t.Helper()
	c.seq["g-bore"]++
	return c.judged(c.send(Reading{
		Gauge: "g-bore", Sequence: c.seq["g-bore"], Characteristic: "bore", Part: part, Value: 25*length.Millimetre + off,
	}))
}

func declined(t tester, events []Event, cause Code) {
	t.Helper()
	if d := one[Declined](t, events); d.Cause != cause || len(events) != 1 {
		t.Fatalf("declined for %q with %d events, want %q alone", d.Cause, len(events), cause)
	}
}

// TestAFirstPartByHand: the first part comes out small, the card says what to type,
// the part is cut again and is right. Between typing and the declared first part
// nothing that is measured steers.
func TestAFirstPartByHand(t *testing.T) {
	c := handCell(t)
	if j := c.bore("57", -40*um); j.Attribute != codeUnset || len(j.Moves) != 0 {
		t.Fatalf("nobody said what the register holds, and the reading gave %+v", j)
	}
	declined(t, c.says("R1", 0, operator), declineRole)
	declined(t, c.says("R9", 0, setter), declineRegister)
	declined(t, c.says("R1", 201*um, setter), declineBand)
	declined(t, c.says("R1", 1500, setter), declineGrid)
	declined(t, c.send(HandSet{Register: "R1", Who: setter}), declineValue)
	c.says("R1", 0, setter)
	if w := c.s.View().Loops[0].Waiting; w != "" {
		t.Fatalf("the loop waits for %q", w)
	}

	if j := c.bore("57", -40*um); j.Attribute != "" || j.Route != routeQueue || !j.NoIdent {
		t.Fatalf("the first part gave %+v", j)
	}
	p := c.card()
	if p.Need != Setter || p.Moves[0].Old != 0 || p.Moves[0].New >= -15*um || p.Moves[0].New < -20*um {
		t.Fatalf("the card says %+v for a bore 40 µm small", p)
	}
	declined(t, c.send(HandSet{Proposal: p.ID, Digest: "other", Who: setter}), declineDigest)
	declined(t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: operator}), declineRole)
	out := c.types(setter)
	if e := one[Typed](t, out); e.New != p.Moves[0].New || e.Who != setter || len(c.intents) != 0 {
		t.Fatalf("typed: %+v, and %d writes to a machine without a connection", e, len(c.intents))
	}
	if len(c.s.Ledger.Proposals) != 0 || c.s.book("R1").Value != p.Moves[0].New {
		t.Fatal("the books do not hold what was typed")
	}
	if w := c.s.View().Loops[0].Waiting; w != waitFirst {
		t.Fatalf("the loop waits for %q, want the first part", w)
	}
	if j := c.bore("56", -40*um); j.Attribute != codeUndeclared {
		t.Fatalf("a part of nobody knows which side of the change gave %+v", j)
	}
	declined(t, c.send(HandFirst{Part: "57", Who: Person{Role: Viewer}}), declineRole)
	c.send(HandFirst{Part: "57", Who: operator}) // the same part, cut again
	declined(t, c.send(HandFirst{Part: "58", Who: operator}), declineNoChange)
	off := -40*um - 2*p.Moves[0].New
	j := c.bore("57", off)
	if j.Attribute != "" || !j.Recut || j.Command != -2*p.Moves[0].New {
		t.Fatalf("the part cut again gave %+v", j)
	}
	if j := c.bore("58", off); j.Command != -2*p.Moves[0].New {
		t.Fatalf("the next part was attributed to %s", j.Command)
	}
	if j := c.bore("55", -40*um); j.Command != 0 || j.Attribute != "" {
		t.Fatalf("a part from before the change, measured late, gave %+v", j)
	}
	c.restart()
	if c.s.Ledger.Hand.Open || c.s.book("R1").Value != p.Moves[0].New {
		t.Error("a restart forgets what was typed")
	}
}

// TestAnotherValueIsTyped: what a person typed is what the register holds, and the
// proposal has ended.
func TestAnotherValueIsTyped(t *testing.T) {
	c := handCell(t)
	c.says("R1", 0, setter)
	c.bore("1", -40*um)
	p := c.card()
	v := p.Moves[0].New + 5*um
	out := c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Value: &v, Who: setter})
	if one[Voided](t, out).Cause != causeTyped || one[Typed](t, out).New != v || c.s.book("R1").Value != v {
		t.Fatalf("another value: %s", kinds(out))
	}
	declined(t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: setter}), declineVoid)
	c.send(HandFirst{Who: operator})
	if j := c.bore("2", -40*um-2*v); j.Command != -2*v {
		t.Fatalf("attributed to %s", j.Command)
	}
	if f := c.s.Ledger.Hand.Changes[0].First; f != "2" {
		t.Errorf("the first part is %q", f)
	}
	if j := c.bore("1", -40*um); j.Command != 0 {
		t.Errorf("the part before it was attributed to %s", j.Command)
	}
}

// TestByHandKeepsEveryGuard: on hold, out of date or with a card that has ended
// nothing counts as carried out, and no mode makes such a machine automatic.
func TestByHandKeepsEveryGuard(t *testing.T) {
	c := handCell(t)
	c.says("R1", 0, setter)
	c.bore("1", -40*um)
	p := c.card()
	c.send(Hold{Loop: "bore", Note: "looking", Who: operator})
	declined(t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: setter}), declineVoid) // the hold ended it
	c.resume("bore", operator)
	c.bore("2", -40*um)
	c.says("R1", 3*um, setter) // somebody turned it meanwhile
	if len(c.s.Ledger.Proposals) != 0 {
		t.Error("a card worked out from another value stays open")
	}
	c.send(HandFirst{Who: operator})
	c.bore("3", -46*um)
	p = c.card()
	c.pass(600_001)
	declined(t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: setter}), declineVoid)
	set := settings()
	byHand(&set)
	set.Loops[0].Mode = Auto
	if set.sound() {
		t.Error("a machine by hand is accepted as automatic")
	}
	if out := c.send(Link{Up: true, Epoch: 99}); len(out) != 0 {
		t.Errorf("a machine by hand has a connection: %s", kinds(out))
	}
	w := cellWith(t, nil)
	declined(t, w.says("R1", 0, setter), declineWired)
	declined(t, w.send(HandFirst{Who: setter}), declineWired)
}

// TestANewInsertByHand: what a person tells of a tool is a tool change in full: the
// card ends, readings of the old insert steer nothing, the first part is a setter's.
func TestANewInsertByHand(t *testing.T) {
	c := handCell(t)
	c.says("R1", 0, setter)
	c.bore("1", -40*um)
	declined(t, c.send(Renew{Tool: "T9", Who: setter}), declineNoTool)
	declined(t, c.send(Renew{Tool: "T1", Who: operator}), declineRole)
	out := c.send(Renew{Tool: "T1", Who: setter})
	if e := one[ToolChanged](t, out); e.Old != 0 || e.New != 1 || one[Voided](t, out).Cause != causeTool {
		t.Fatalf("a new insert gave %s", kinds(out))
	}
	if j := c.bore("1", -40*um); j.Attribute != codeOldTool {
		t.Errorf("a part of the old insert gave %+v", j)
	}
	if j := c.bore("2", -10*um); j.Attribute != codeUndeclared {
		t.Errorf("a part of neither gave %+v", j)
	}
	c.send(HandFirst{Part: "2", Who: operator})
	if j := c.bore("2", -10*um); j.Attribute != "" || !c.s.loopBook("bore").First && j.Propose == "" {
		t.Errorf("the first part of the new insert gave %+v", j)
	}
}

// TestByHandUnderAnySchedule: whatever people say in whatever order, the fold of
// the journal is the running state, no write leaves, and the register's book is what
// was said last.
func TestByHandUnderAnySchedule(t *testing.T) {
	var typed, asProposed int
	rapid.Check(t, func(t *rapid.T) {
		c := handCell(t)
		c.quick = true
		told := map[string]length.Length{}
		c.check = func(_ Input, out []Event) {
			for _, e := range only[Typed](out) {
				told[e.Register], typed = e.New, typed+1
				if e.Proposal != 0 {
					asProposed++
				}
				if b := c.s.Ledger.Settings.Register(e.Register).Band; !b.Contains(e.New) {
					t.Fatalf("%s is outside the band", e.New)
				}
			}
		}
		pick := func(name string, n int) int { return rapid.IntRange(0, n-1).Draw(t, name) }
		people := []Person{operator, setter, engineer, {Role: Viewer}}
		for range rapid.IntRange(10, 60).Draw(t, "steps") {
			who := people[pick("who", len(people))]
			register := []string{"R1", "R2", "R3"}[pick("register", 3)]
			v := length.Length(pick("value", 500)-250) * um
			part := []string{"", "1", "2", "3", "7", "A"}[pick("part", 6)]
			switch pick("act", 10) {
			case 0, 1:
				c.send(HandSet{Register: register, Value: &v, Who: who})
			case 2, 3, 4:
				c.seq["g-bore"]++
				c.send(Reading{
					Gauge: "g-bore", Sequence: c.seq["g-bore"], Characteristic: "bore", Part: part, Cut: pick("cut", 3),
					Value: 25*length.Millimetre + length.Length(pick("size", 100)-50)*um,
				})
			case 5, 6:
				if len(c.s.Ledger.Proposals) > 0 {
					p := c.s.Ledger.Proposals[0]
					f := HandSet{Proposal: p.ID, Digest: p.Digest, Who: who}
					if pick("other", 4) == 0 {
						f.Value = &v
					}
					c.send(f)
				}
			case 7:
				c.send(HandFirst{Part: part, Who: who})
			case 8:
				c.send(Renew{Tool: []string{"T1", "T2", "T3"}[pick("tool", 3)], Who: who})
			case 9:
				if pick("restart", 4) == 0 {
					c.restart()
				} else if len(c.s.Ledger.Proposals) > 0 {
					p := c.s.Ledger.Proposals[0]
					c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: who})
				}
			}
			c.s.View()
			for r, v := range told {
				if b := c.s.book(r); !b.Known || b.Value != v || b.Pending != nil {
					t.Fatalf("%s holds %+v, and %s was said", r, b, v)
				}
			}
		}
		c.compare()
		if len(c.intents) != 0 {
			t.Fatal("something was written to a machine without a connection")
		}
	})
	if typed == 0 || asProposed == 0 {
		t.Fatal("the schedules exercised nothing")
	}
}
