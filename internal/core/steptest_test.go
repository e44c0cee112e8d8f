package core

import (
	"slices"
	"testing"

	"offsetbridge/internal/length"
)

// stepped plays a test step to its end: asked for, approved, one part cut with it and
// measured.
func (c *cell) stepped(f StepTest) Judged {
	c.t.Helper()
	p := one[Proposed](c.t, c.send(f))
	if card := c.card(); card.ID != p.ID {
		c.t.Fatalf("the card is %+v", card)
	}
	c.approve(setter)
	c.part()
	return c.judged(c.measure(f.Loop, c.counter))
}

// One approved test step shows the direction at the part after it, and the next
// correction brings the size back.
func TestATestStepShowsTheDirection(t *testing.T) {
	c := cellWith(t, mode(Auto))
	c.settled("bore")
	if c.s.allProven(c.s.Ledger.Settings.Loop("bore")) {
		t.Fatal("proven before anything was moved")
	}
	before := c.regs[0]
	p := one[Proposed](t, c.send(StepTest{Loop: "bore", Who: setter}))
	step := c.s.Ledger.Settings.Registers[0].Step
	if p.Trigger != kindStepTest || !p.Need.May(Setter) || p.Size >= 0 || !(p.Moves[0].New - p.Moves[0].Old).OnGrid(step) || p.By.Principal != "sven" {
		t.Fatalf("a bore's test step that does not leave metal on, or is not a setter's: %+v", p)
	}
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: operator}, declineRole)
	c.approve(setter)
	if c.regs[0] != p.Moves[0].New {
		t.Fatalf("the register holds %v", c.regs[0])
	}
	if b := c.s.book("R1"); b.Unproven != 0 || b.Spent != 0 {
		t.Fatalf("an approved step is charged: %+v", b)
	}
	c.part()
	j := c.judged(c.measure("bore", c.counter))
	if !c.s.allProven(c.s.Ledger.Settings.Loop("bore")) {
		t.Fatalf("not proven by a step of %v: %+v", p.Size, c.s.loopBook("bore").Sizes[0].Response)
	}
	if len(j.Moves) != 1 || (j.Moves[0].New-before).Abs() > 2*step {
		t.Fatalf("then %+v, not back to about %v", j.Moves, before)
	}
	c.compare()
}

// The wrong sign shows at the same step, before anything was scrapped by it.
func TestATestStepFindsTheWrongSign(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.sign = -1
	c.drift["bore"] -= 40 * um // as if it had been cut like this
	j := c.stepped(StepTest{Loop: "bore", Who: setter})
	if d := j.Reading.Value - 25*length.Millimetre; d <= 0 || d > 50*um {
		t.Fatalf("the part came out %v from the aim", d)
	}
	c.part() // the second one like it
	c.measure("bore", c.counter)
	c.held("bore", causeResponse)
}

func TestATestStepIsRefused(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	ask := StepTest{Loop: "bore", Who: setter}
	c.declined(ask, codeFew)
	c.settled("bore")
	c.declined(StepTest{Loop: "none", Who: setter}, declineNoLoop)
	c.declined(StepTest{Loop: "bore", Who: operator}, declineRole)
	c.declined(StepTest{Loop: "bore", Register: "R2", Who: setter}, codeNoEffect)
	for _, wild := range []length.Length{48 * um, -48 * um, length.Max, -length.Max, -length.Max - 1} { // ± 50 are the limits
		c.declined(StepTest{Loop: "bore", Size: wild, Who: setter}, declineNoRoom)
	}
	c.send(Hold{Loop: "bore", Who: operator})
	c.declined(ask, declineHeld)
}

// A reading that asks for no change leaves the card, and so does one whose change
// would wait for a person too. What the loop may do by itself, and a size so near a
// limit that the step does not fit any more, take its place.
func TestATestStepStandsWhileItFits(t *testing.T) {
	for _, x := range []struct {
		mode   Mode
		off    length.Length
		stands bool
	}{{Confirm, 0, true}, {Confirm, -12 * um, true}, {Auto, -8 * um, false}, {Confirm, -45 * um, false}} {
		c := cellWith(t, mode(x.mode))
		c.settled("bore")
		p := one[Proposed](t, c.send(StepTest{Loop: "bore", Size: -8 * um, Who: setter}))
		c.off("bore", x.off)
		for range 2 {
			c.part()
			c.measure("bore", c.counter)
			c.measure("bore", c.counter)
		}
		if open := c.s.proposalOf("bore"); (open != nil && open.ID == p.ID) != x.stands {
			t.Errorf("%s, %v off: open is %+v", x.mode, x.off, open)
		}
	}
}

// Whoever asks for less of a test step cannot make it an operator's.
func TestLessOfATestStepIsASetters(t *testing.T) {
	c := cellWith(t, mode(Auto))
	c.settled("bore")
	p := one[Proposed](t, c.send(StepTest{Loop: "bore", Size: -16 * um, Who: setter}))
	m := p.Moves[0]
	q := one[Proposed](t, c.send(Lower{Proposal: p.ID, Digest: p.Digest, New: m.Old + (m.New-m.Old)/4, Who: setter}))
	if q.Trigger != kindStepTest || !q.Need.May(Setter) || q.Size.Abs() >= p.Size.Abs() {
		t.Fatalf("%+v", q)
	}
}

// A replay asks for the same step, and for the same values of before.
func TestAReplayTakesWishesOver(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.stepped(StepTest{Loop: "bore", Size: -12 * um, Who: setter})
	c.send(PutBack{Loop: "bore", Who: operator})
	c.approve(setter)
	c.part()
	c.measure("bore", c.counter)
	judged, all := replayed(t, c, c.s.Ledger.Settings, 0)
	sameJudged(t, recordedJudged(c), judged)
	var kinds []Code
	for _, p := range ofKind[Proposed](all) {
		kinds = append(kinds, p.Trigger)
	}
	if !slices.Contains(kinds, kindStepTest) || !slices.Contains(kinds, kindPutBack) {
		t.Fatalf("the replay proposed %q", kinds)
	}
}
