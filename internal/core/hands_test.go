package core

import (
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

// hands is a person at the machine in a random world: new inserts, values put
// back, limit gauges, signatures.
func (w *world) hands() {
	switch w.pick("hands", 5) {
	case 0:
		w.send(Renew{Tool: rapid.SampledFrom([]string{"T1", "T2", "T3"}).Draw(w.draw, "insert"), Who: setter})
	case 1:
		w.send(PutBack{Loop: w.loop(), Who: operator})
	case 2:
		w.send(StepTest{Loop: w.loop(), Size: length.Length(w.pick("test step", 41)-20) * um, Who: setter})
	default:
		for _, l := range w.s.Ledger.Settings.Loops {
			x := w.s.Inside()
			for _, c := range x.Close {
				w.send(SignFirst{Loop: c.Name, Part: c.FirstPart, Who: setter})
			}
			w.send(Plug{Characteristic: l.Characteristics[0].Name, Part: "101", Plug: PlugGO, Enters: w.pick("enters", 4) > 0, Who: operator})
		}
	}
}

func TestANewInsertThatNobodyButAPersonTellsOf(t *testing.T) {
	c := cellWith(t, mode(Auto))
	c.settled("bore")
	old := c.counter
	c.off("bore", -8*um)
	c.part()
	c.declined(Renew{Tool: "T1", Who: operator}, declineRole)
	c.declined(Renew{Tool: "T9", Who: setter}, declineNoTool)
	c.part()
	late := c.counter
	out := c.send(Renew{Tool: "T1", Who: setter})
	if e := one[ToolChanged](t, out); e.Tool != "T1" || e.Last != late || e.Who.Principal != "sven" || e.New != 3 {
		t.Fatalf("recorded as %+v", e)
	}
	if b := c.s.loopBook("bore"); !b.First || b.Sizes[0].Used != 0 {
		t.Fatalf("the loop does not begin anew: %+v", b)
	}
	if b := c.s.loopBook("boss"); b.Sizes[0].Used == 0 && b.Evidence > 0 {
		t.Fatalf("another tool's loop begins anew: %+v", b)
	}
	for _, n := range []uint64{old, late} { // cut by the insert before
		if j := c.judged(c.measure("bore", n)); j.Attribute != codeOldTool {
			t.Fatalf("part %d of the insert before: %+v", n, j)
		}
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" || j.Propose == "" && j.Need == "" {
		t.Fatalf("the first part of the new insert: %+v", j)
	}
	c.compare()
}

// Who taps while the machine cuts may have changed the insert before or after: the
// part under way moves nothing.
func TestANewInsertWhileCutting(t *testing.T) {
	c := cellWith(t, mode(Auto))
	c.settled("bore")
	c.begin()
	if e := one[ToolChanged](t, c.send(Renew{Tool: "T1", Who: setter})); e.Last != c.counter+1 {
		t.Fatalf("recorded as %+v at part %d", e, c.counter)
	}
	c.end()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != codeOldTool {
		t.Fatalf("the part under way: %+v", j)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" {
		t.Fatalf("the part after it: %+v", j)
	}
}

// A write that was sent before the insert was changed proves nothing of the new
// one.
func TestAWriteFromBeforeTheNewInsert(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	var in Intent
	c.write = func(i Intent) *Outcome { in = i; return nil }
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
	if in.ID == 0 {
		t.Fatal("nothing was sent")
	}
	c.send(Renew{Tool: p.Tool, Who: setter})
	c.write = nil
	o := c.carryOut(in)
	c.send(*o)
	if b := c.s.loopBook(p.Loop); !b.First || b.Before != nil {
		t.Fatalf("the new insert is taken as proven by a write of before: %+v", b)
	}
}

func (c *cell) corrected() (before, after length.Length) {
	c.t.Helper()
	c.settled("bore")
	before = c.regs[0]
	for range 6 {
		c.off("bore", -14*um)
		c.part()
		c.measure("bore", c.counter)
		if p := c.s.proposalOf("bore"); p != nil && p.Status == Pending {
			c.approve(setter)
		}
		if c.regs[0] != before {
			return before, c.regs[0]
		}
	}
	c.t.Fatal("nothing was corrected")
	return 0, 0
}

func TestPutBackIsACorrectionLikeAnyOther(t *testing.T) {
	c := cellWith(t, mode(Auto))
	c.declined(PutBack{Loop: "bore", Who: operator}, declineNothing)
	before, after := c.corrected()
	c.declined(PutBack{Loop: "none", Who: operator}, declineNoLoop)
	c.declined(PutBack{Loop: "bore", Who: Person{Principal: "vera", Role: Viewer}}, declineRole)
	out := c.send(PutBack{Loop: "bore", Who: operator})
	p := one[Proposed](t, out)
	if len(p.Moves) != 1 || p.Moves[0].Old != after || p.Moves[0].New != before || p.By.Principal != "olga" || !p.Need.May(Operator) {
		t.Fatalf("proposed %+v", p)
	}
	none[Intended](t, out) // a person decides, in whatever mode
	card := c.card()
	out = c.send(Approve{Proposal: card.ID, Digest: card.Digest, Who: setter})
	if in := one[Intended](t, out); in.New != before || c.regs[0] != before || in.Charge != 0 {
		t.Fatalf("intended %+v, the register holds %v", in, c.regs[0])
	}
	if b := c.s.loopBook("bore"); b.Before[0] != after || b.Rejected == nil {
		t.Fatalf("what was before is not remembered: %+v", b)
	}
	c.part() // the same size again asks for the same change again, which somebody has just taken back
	if j := c.judged(c.measure("bore", c.counter)); j.Propose != codeRejectedBefore && j.Route == routeWrite && j.Moves[0].New == after {
		t.Fatalf("the change comes back: %+v", j)
	}
	c.compare()
}

func TestPutBackTakesBackWhatWasTypedIn(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	before := c.regs[0]
	c.regs[0] += 3 * um
	one[Moved](t, c.look())
	if p := one[Proposed](t, c.send(PutBack{Loop: "bore", Who: operator})); p.Moves[0].New != before {
		t.Fatalf("proposed %+v", p)
	}
	c.send(Hold{Loop: "bore", Who: operator})
	c.declined(PutBack{Loop: "bore", Who: operator}, declineHeld)
}

// What nobody may approve is not proposed because a person asks for it.
func TestPutBackStaysInsideTheGuards(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.regs[0] += 24 * um // 48 µm of size: a setter's step
	one[Moved](t, c.look())
	for i := range c.s.Ledger.Settings.Loops {
		c.s.Ledger.Settings.Loops[i].Bounds.SetterStep, c.f.Ledger.Settings.Loops[i].Bounds.SetterStep = 40*um, 40*um
	}
	if d := one[Declined](t, c.send(PutBack{Loop: "bore", Who: engineer})); d.Cause != "step-hard" {
		t.Fatalf("declined with %q", d.Cause)
	}
}

func TestTheFirstPartIsSigned(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		mode(Confirm)(s)
		s.Loops[0].Characteristics[0].Thread = true
	})
	sign := func(part string) SignFirst { return SignFirst{Loop: "bore", Part: part, Note: "good", Who: setter} }
	c.declined(sign("101"), declineNotMeasured)
	c.settled("bore")
	c.declined(SignFirst{Loop: "bore", Part: "101", Who: operator}, declineRole)
	c.declined(sign("100"), declineNotMeasured)
	c.declined(sign("101"), declineGO)
	plug := func(kind string, enters bool) {
		c.send(Plug{Characteristic: "bore", Part: "101", Plug: kind, Enters: enters, Who: operator})
	}
	plug(PlugGO, false)
	c.declined(sign("101"), declineGO)
	plug(PlugGO, true)
	c.declined(sign("101"), declineNOGO)
	plug(PlugNOGO, true)
	c.declined(sign("101"), declineNOGO)
	plug(PlugNOGO, false)
	if x := c.s.Inside().Close[0]; x.CannotFO != "" || x.FirstPart != "101" || x.Signed != nil {
		t.Fatalf("before the signature: %+v", x)
	}
	e := one[FirstOff](t, c.send(sign("101")))
	if len(e.Sizes) != 1 || e.Sizes[0].GO != PlugEnters || e.Sizes[0].NOGO != PlugRefused || e.Sizes[0].Size != 25*length.Millimetre ||
		e.Tool != "T1" || e.Gen != 3 || e.Program != "P1" || len(e.Registers) != 1 || e.Registers[0].Value != c.regs[0] || e.Who.Principal != "sven" {
		t.Fatalf("signed %+v", e)
	}
	if x := c.s.Inside().Close[0]; x.Signed == nil || x.Signed.Part != "101" {
		t.Fatalf("after the signature: %+v", x)
	}
	c.send(Renew{Tool: "T1", Who: setter})
	if x := c.s.Inside().Close[0]; x.Signed != nil || x.CannotFO != declineNotMeasured {
		t.Fatalf("after a new insert: %+v", x)
	}
	c.compare()
}

func TestAPartOutsideItsLimitsIsNotSigned(t *testing.T) {
	c := cellWith(t, mode(Observe))
	c.off("boss", 70*um)
	c.part()
	c.measure("boss", c.counter)
	c.declined(SignFirst{Loop: "boss", Part: "101", Who: setter}, declineOutside)
	c = cellWith(t, mode(Confirm))
	c.off("boss", 20*um)
	c.part()
	c.measure("boss", c.counter)
	c.declined(SignFirst{Loop: "boss", Part: "101", Who: setter}, declineOpen)
}

func TestACloseLook(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	x := c.s.Inside()
	if len(x.Tools) != 2 || x.Tools[0].Loops[0] != "bore" || x.Tools[0].Generation != 3 {
		t.Fatalf("tools %+v", x.Tools)
	}
	if z := x.Close[0].Learned[0]; z.Aside == nil || *z.Aside != 25*length.Millimetre-25*um || z.Reachable != 50*um {
		t.Fatalf("where to cut first: %+v", z)
	}
	if z := x.Close[1].Learned[0]; *z.Aside != 40*length.Millimetre+25*um {
		t.Fatalf("where to cut an outside first: %+v", z)
	}
	before := asJSON(t, c.s)
	c.corrected()
	c.part()
	x = c.s.Inside()
	l := x.Close[0]
	if l.InTransit != 1 || l.Tool != "T1" || len(l.Turns) != 1 || l.Turns[0].Name != "R1" || len(l.Back) != 1 || l.Learned[0].Newest == nil || l.Learned[0].Aside != nil {
		t.Fatalf("close %+v", l)
	}
	if p := x.Parts[0]; p.Count != c.counter || len(p.Missing) != 2 || len(x.Parts) < 2 || x.Parts[1].Missing[0] != "boss" {
		t.Fatalf("parts %+v", x.Parts)
	}
	c.send(Task{Gauge: "g-bore", Part: "7", For: 60_000, Who: operator})
	c.pass(10_000)
	if x = c.s.Inside(); len(x.Tasks) != 1 || x.Tasks[0].Left < 49_000 || x.Tasks[0].Left > 50_000 {
		t.Fatalf("tasks %+v", x.Tasks)
	}
	after := asJSON(t, c.s)
	c.s.Inside()
	if string(after) != string(asJSON(t, c.s)) || string(before) == string(after) {
		t.Fatal("looking changed something")
	}
}
