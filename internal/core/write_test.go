package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// ready makes the bore's loop decide an automatic write: a part too small by so
// much that the filter believes it and the bounds still allow it.
func (c *cell) ready() []Event {
	c.t.Helper()
	var out []Event
	for range 8 {
		c.off("bore", -8*um)
		c.part()
		if out = c.measure("bore", c.counter); len(only[Intended](out)) > 0 {
			return out
		}
	}
	c.t.Fatalf("no write was decided\n%s", kinds(out))
	return nil
}

// readyCard makes the bore's loop ask a person.
func (c *cell) readyCard() Open {
	c.t.Helper()
	for range 8 {
		c.off("bore", -16*um)
		c.part()
		c.measure("bore", c.counter)
		if p := c.s.proposalOf("bore"); p != nil && p.Status == Pending {
			return *p
		}
	}
	c.t.Fatal("no card")
	return Open{}
}

func away(Intent) *Outcome { return nil }

func (c *cell) pending() *Intent { return c.s.book("R1").Pending }

// Between decision and write somebody typed another value: nothing is sent, the
// card is void, the loop starts again from the value that is there.
func TestHandEditBetweenDecisionAndWrite(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome {
		c.regs[0] = 6 * um
		return c.carryOut(in)
	}
	out := c.ready()
	if o := one[Concluded](t, out); o.Result != NotSent || o.Code != "m-old" {
		t.Fatalf("outcome %+v", o)
	}
	one[Moved](t, out)
	c.free("bore")
	if c.regs[0] != 6*um || c.s.book("R1").Value != 6*um || len(c.s.Ledger.Proposals) != 0 {
		t.Fatalf("register %v, book %+v", c.regs[0], c.s.book("R1"))
	}
}

// A look at the machine while the write is on its way proves nothing, however
// long the process has been running.
func TestLookDuringAWriteDoesNotClassifyIt(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.pass(3_600_000)
	c.connect()
	c.write = away
	c.ready()
	none[Concluded](t, c.look())
	in := *c.pending()
	c.regs[0] = in.New
	none[Concluded](t, c.look())
	none[Moved](t, c.look())
	if o := one[Concluded](t, c.send(Outcome{Intent: in.ID, Result: Applied, Read: in.New})); o.Result != Applied {
		t.Fatalf("outcome %+v", o)
	}
}

func TestUnknownOutcomeIsLeftAloneThenRead(t *testing.T) {
	cases := []struct {
		name  string
		value func(Intent) length.Length
		want  Result
		code  Code
		held  Code
	}{
		{"it acted", func(in Intent) length.Length { return in.New }, Applied, "", ""},
		{"it did not", func(in Intent) length.Length { return in.Old }, NotSent, codeNotApplied, ""},
		{"a third value", func(Intent) length.Length { return 3 * um }, Differs, "", causeForeignInWindow},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			c := cellWith(t, nil)
			c.settled("bore")
			c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: Unknown, Code: "m-no-answer"} }
			c.ready()
			in := *c.pending()
			c.regs[0] = k.value(in)
			for range 4 { // during the quarantine nothing is sent and nothing concluded
				c.mono += 1000
				out := append(c.part(), c.measure("bore", c.counter)...)
				none[Concluded](t, out)
				none[Intended](t, out)
			}
			c.mono += 2000
			out := c.look()
			o := one[Concluded](t, out)
			if o.Result != k.want || o.Code != k.code || !o.Late {
				t.Fatalf("classified %+v", o)
			}
			if k.held == "" {
				c.free("bore")
			} else {
				c.held("bore", k.held)
			}
			if c.pending() != nil {
				t.Fatal("still pending")
			}
		})
	}
}

// Our value was there, and during the quarantine somebody put the old one back:
// reading the old value is no proof that nothing moved.
func TestEditedBackDuringQuarantineIsReported(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: Unknown} }
	c.ready()
	in := *c.pending()
	c.regs[0] = in.New
	c.look()
	c.regs[0] = in.Old
	one[Moved](t, c.look())
	c.held("bore", causeForeignInWindow)
}

// Very many cards of another loop do not make the process forget since when an
// outcome is unknown.
func TestQuarantineOutlastsAFloodOfCards(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[1].Mode = Confirm })
	c.settled("bore")
	c.pass(3_600_000)
	c.connect()
	c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: Unknown} }
	c.ready()
	for range 3000 {
		c.s.mark(c.s.Ledger.LastID + 1)
	}
	c.f.now = c.s.now
	if n := len(c.s.now.since); n > 10 {
		t.Fatalf("%d marks are kept", n)
	}
	none[Concluded](t, c.look())
}

func TestRestartWithAnOpenIntentReadsAndNeverSends(t *testing.T) {
	for _, acted := range []bool{false, true} {
		c := cellWith(t, nil)
		c.settled("bore")
		c.write = away
		c.ready()
		in := *c.pending()
		if acted {
			c.regs[0] = in.New
		}
		sent := len(c.intents)
		out := c.restart()
		if o := one[Concluded](t, out); o.Result != Unknown || o.Code != causeRestart {
			t.Fatalf("after the start: %+v", o)
		}
		out = c.connect()
		none[Concluded](t, out)
		c.mono += 6000
		out = append(out, c.look()...)
		o := one[Concluded](t, out)
		if acted && o.Result != Applied || !acted && o.Result != NotSent {
			t.Fatalf("acted %v, classified %+v", acted, o)
		}
		none[Moved](t, out)
		if len(c.intents) != sent {
			t.Fatal("a restart sent something")
		}
	}
}

// An intent whose outcome the port never tells is classified too, later.
func TestLostOutcomeIsClassifiedInTheEnd(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = away
	c.ready()
	in := *c.pending()
	c.regs[0] = in.New
	c.mono += 9900 // Fresh, 3 answers and a quarantine are 10 s
	none[Concluded](t, c.look())
	c.mono += 200
	if o := one[Concluded](t, c.look()); o.Result != Applied || o.Outcome.Intent != in.ID {
		t.Fatalf("classified %+v", o)
	}
}

func TestOutcomeOfAnotherIntentIsNotOurs(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = away
	c.ready()
	none[Concluded](t, c.send(Outcome{Intent: 9999, Result: Applied, Read: c.pending().New}))
	in := *c.pending()
	one[Concluded](t, c.send(Outcome{Intent: in.ID, Result: NotSent, Code: "m-window", Read: in.Old}))
	none[Concluded](t, c.send(Outcome{Intent: in.ID, Result: Applied, Read: in.New})) // a second one
	if c.s.book("R1").Value != in.Old {
		t.Fatal("the second outcome changed the book")
	}
}

func TestApplyMeansTheExactValueWasReadBack(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: Applied, Read: in.New + 1} }
	if o := one[Concluded](t, c.ready()); o.Result != Differs {
		t.Fatalf("outcome %+v", o)
	}
	c.held("bore", causeDiffers)
}

func TestUnheardOfResultCountsAsUnknown(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: "perhaps", Read: in.New} }
	c.ready()
	if c.pending() == nil || !c.s.book("R1").Doubtful {
		t.Fatal("a result nobody knows was taken as certain")
	}
}

func TestRefusedWriteHolds(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome { return &Outcome{Intent: in.ID, Result: Refused, Read: in.Old} }
	c.ready()
	c.held("bore", causeWriteRefused)
}

// An approved change that missed its moment is tried again as long as it is
// what was approved; an automatic one is worked out anew.
func TestApprovedChangeIsTriedAgain(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	n := 0
	c.write = func(in Intent) *Outcome {
		if n++; n <= 2 {
			return &Outcome{Intent: in.ID, Result: NotSent, Code: "m-permitted", Read: in.Old}
		}
		return c.carryOut(in)
	}
	out := c.approve(setter)
	if all := only[Intended](out); len(all) != 3 || all[2].Proposal != p.ID || all[2].Charge != 0 {
		t.Fatalf("intents %+v", all)
	}
	if c.regs[0] != p.Moves[0].New {
		t.Fatalf("register %v, approved %v", c.regs[0], p.Moves[0].New)
	}
}

func TestApprovedChangeIsNotTriedForEver(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.readyCard()
	c.write = func(in Intent) *Outcome {
		return &Outcome{Intent: in.ID, Result: NotSent, Code: "m-permitted", Read: in.Old}
	}
	if n := len(only[Intended](c.approve(setter))); n != maxTries {
		t.Fatalf("%d tries", n)
	}
	if len(c.s.Ledger.Proposals) != 0 {
		t.Fatal("the proposal is still there")
	}
}

func TestAutomaticChangeIsWorkedOutAnewAndChargedOnce(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome {
		return &Outcome{Intent: in.ID, Result: NotSent, Code: "m-permitted", Read: in.Old}
	}
	out := c.ready()
	in := one[Intended](t, out)
	if b := c.s.book("R1"); b.Spent != in.Charge {
		t.Fatalf("spent %v for one try of %v", b.Spent, in.Charge)
	}
	none[Intended](t, c.look())
	c.write = nil
	if in := one[Intended](t, c.ready()); in.Charge == 0 {
		t.Fatalf("the next one: %+v", in)
	}
}

// A hold that came while the write was on its way ends it: what did not leave
// does not leave after the resume either.
func TestHoldWhileAnApprovedWriteIsOnItsWay(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.readyCard()
	c.write = away
	c.approve(setter)
	in := *c.pending()
	c.send(Hold{Loop: "bore", Who: operator})
	c.send(Outcome{Intent: in.ID, Result: NotSent, Code: "m-gate", Read: in.Old})
	c.write = nil
	none[Intended](t, c.resume("bore", operator))
	if len(c.s.Ledger.Proposals) != 0 {
		t.Fatal("a change from before the hold is still there")
	}
}

// The loop's settings change while an approved write is on its way: it is not
// tried again under settings nobody approved.
func TestConfigureWhileAnApprovedWriteIsOnItsWay(t *testing.T) {
	for _, remove := range []bool{false, true} {
		c := cellWith(t, mode(Confirm))
		c.readyCard()
		c.write = away
		c.approve(setter)
		in := *c.pending()
		set := settings()
		if mode(Confirm)(&set); remove {
			set.Loops = set.Loops[1:]
		} else {
			set.Loops[0].Bounds.SetterStep += um
		}
		c.send(Configure{Settings: set, Who: engineer})
		c.s.View()
		none[Intended](t, c.send(Outcome{Intent: in.ID, Result: NotSent, Code: "m-permitted", Read: in.Old}))
		if len(c.s.Ledger.Proposals) != 0 || c.s.bookOfIntent(in.ID) != nil {
			t.Fatalf("removed %v: something is left of it", remove)
		}
	}
}

// The register itself is taken out of the configuration while a write is on its
// way, and comes back: its account is still there, and the outcome is read.
func TestRegisterVanishesWhileAWriteIsOnItsWay(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = away
	c.ready()
	in := *c.pending()
	spent := c.s.book("R1").Spent
	full := c.s.Ledger.Settings
	less := settings()
	less.Registers, less.Loops, less.Tools = less.Registers[1:], less.Loops[1:], less.Tools[1:]
	c.send(Configure{Settings: less, Who: engineer})
	c.regs, c.tools = c.regs[1:], c.tools[1:]
	c.connect()
	c.part()
	c.s.View()
	c.send(Configure{Settings: full, Who: engineer})
	if b := c.s.book("R1"); b.Pending == nil || b.Spent != spent {
		t.Fatalf("the account came back as %+v", b)
	}
	c.regs, c.tools = append([]length.Length{in.New}, c.regs...), append([]int64{3}, c.tools...)
	c.mono += 60_000
	out := c.connect()
	if o := one[Concluded](t, out); o.Result != Applied {
		t.Fatalf("classified %+v", o)
	}
}

// What the old session still says after the columns changed would be read into
// the wrong registers.
func TestSamplesOfTheOldColumnsDoNotCount(t *testing.T) {
	c := cellWith(t, nil)
	set := settings()
	set.Registers[0], set.Registers[1] = set.Registers[1], set.Registers[0]
	c.send(Configure{Settings: set, Who: engineer})
	c.look()
	if c.s.Ledger.Seen != nil {
		t.Fatalf("a sample of the old columns was taken: %+v", c.s.Ledger.Seen)
	}
	c.regs[0], c.regs[1] = c.regs[1], c.regs[0]
	c.connect()
	c.part()
	if b := c.s.book("R1"); b.Value != 10*um || b.Foreign != nil {
		t.Fatalf("book %+v", b)
	}
}

func TestToolChangeWhileAWriteIsOnItsWayKeepsTheFirstPart(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = away
	out := c.ready()
	in := one[Intended](t, out)
	c.part() // seen, and still nobody knows whether it acts on the old tool or the new one
	c.tools[0]++
	c.look()
	if b := c.s.book("R1"); b.Spent != in.Charge {
		t.Fatalf("the new tool begins with %v spent, %v was sent after the last look at the old one", b.Spent, in.Charge)
	}
	c.regs[0] = in.New
	c.send(Outcome{Intent: in.Intent.ID, Result: Applied, Read: in.New})
	if b := c.s.loopBook("bore"); !b.First {
		t.Fatal("the old tool's write made the first part of the new one")
	}
	c.write = nil
	c.look() // the way back to where tools start
	c.look()
	c.tools[0]++
	c.look()
	if b := c.s.book("R1"); b.Spent != 0 {
		t.Fatalf("spent %v after another new tool", b.Spent)
	}
}

// A tool that cannot be read for a moment is no tool change: the budget stays.
func TestUnreadableToolIsNoToolChange(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.ready()
	spent := c.s.book("R1").Spent
	c.tools[0] = -1
	none[Seen](t, c.look())
	c.tools[0] = 3
	none[ToolChanged](t, c.look())
	if b := c.s.book("R1"); b.Spent != spent || spent == 0 {
		t.Fatalf("spent %v, was %v", b.Spent, spent)
	}
}

func TestNothingIsAutomaticWhileTheToolIsUnknown(t *testing.T) {
	c := newCell(t)
	c.tools[0] = -1
	c.start()
	c.send(Configure{Settings: settings(), Who: engineer})
	c.send(Verified{OK: true})
	c.connect()
	for range 6 {
		c.off("bore", -8*um)
		c.part()
		c.measure("bore", c.counter)
	}
	if len(c.intents) != 0 {
		t.Fatal("an automatic write with an unknown tool")
	}
	c.tools[0] = 3
	none[ToolChanged](t, c.look())
}

func TestGenerationBackHoldsAndResetsNoBudget(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.ready()
	spent := c.s.book("R1").Spent
	c.look()
	c.tools[0]--
	c.look()
	c.held("bore", causeGeneration)
	c.resume("bore", setter)
	if b := c.s.book("R1"); b.Spent != spent {
		t.Fatalf("spent %v, was %v", b.Spent, spent)
	}
}

// An approved change that never left is tried again while it is still what was approved, and ends
// where the machine was seen to have changed while it was under way.
func TestAChangeThatNeverLeftIsTriedAgainOrEnds(t *testing.T) {
	for name, x := range map[string]struct {
		change func(*cell)
		again  bool
	}{
		"nothing":  {func(*cell) {}, true},
		"tool":     {func(c *cell) { c.tools[0]++ }, false},
		"register": {func(c *cell) { c.regs[0] += 3 * um }, false},
		"program":  {func(c *cell) { c.program = "P2" }, false},
	} {
		c := cellWith(t, mode(Confirm))
		c.largeCard()
		c.write = away
		in := one[Intended](t, c.approve(setter))
		x.change(c)
		c.look()
		resumeAll(c)
		e := one[Concluded](t, c.send(Outcome{Intent: in.ID, Result: NotSent, Code: "not now"}))
		if e.Again != x.again || (c.s.proposalOf("bore") != nil) != x.again {
			t.Errorf("%s changed: again %v, open %+v", name, e.Again, c.s.proposalOf("bore"))
		}
	}
}

// A register that is named anew while a write to it is under way keeps its account:
// what the loop took off is counted under the new name.
func TestRegisterNamedAnewWhileAWriteIsUnderWay(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.write = func(in Intent) *Outcome {
		c.carryOut(in)
		return nil // its answer is lost
	}
	in := one[Intended](t, c.ready()).Intent
	before := c.s.book("R1").Own
	set := settings()
	set.Registers[0].Name, set.Loops[0].Registers = "bore wear", []string{"bore wear"}
	c.send(Configure{Settings: set, Who: engineer})
	c.pass(60_000)
	o := one[Concluded](t, c.look())
	if o.Result != Applied || o.Register != "bore wear" {
		t.Fatalf("concluded %+v", o)
	}
	if got, want := c.s.book("bore wear").Own-before, c.s.Ledger.Settings.Loop("bore").cutsMore("bore wear", in.New-in.Old); got != want || got == 0 {
		t.Fatalf("the loop's account moved by %v, its write cut %v", got, want)
	}
}
