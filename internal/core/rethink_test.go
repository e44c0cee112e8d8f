package core

import (
	"math"
	"testing"

	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// worn brings a loop so far that its wear has been followed for a while by 60 µm
// of size, and its first part was proven.
func (c *cell) worn() {
	c.t.Helper()
	c.off("bore", -30*um) // a first part well off: its correction shows the direction
	for n := range 54 {
		if n > 3 {
			c.drift["bore"] -= 2 * um
		}
		c.mono += 90_000
		c.part()
		c.measure("bore", c.counter)
		c.agree()
	}
	if c.s.loopBook("bore").First || c.regs[0] > -15*um {
		c.t.Fatalf("the wear was not followed: register %v", c.regs[0])
	}
}

// agree approves whatever is asked.
func (c *cell) agree() {
	for _, p := range append([]Open(nil), c.s.Ledger.Proposals...) {
		if p.Status == Pending {
			c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
		}
	}
}

// patient keeps samples fresh over minutes.
func patient(s *Settings) { s.Fresh = math.MaxInt64 / 4 }

// newTool puts a sharp edge in.
func (c *cell) newTool() []Event {
	c.drift["bore"] = 6 * um
	c.tools[0]++
	return c.look()
}

// A reported tool change asks to go back to where tools start, before any part of
// the new tool is cut; a percentage of T does not bound that, and the size is not
// proven by it.
func TestReturnAfterAToolChange(t *testing.T) {
	c := cellWith(t, patient)
	c.worn()
	out := c.newTool()
	p := one[Proposed](t, out)
	if p.Trigger != kindReturn || p.Need != Operator || p.Reason != guard.Returning || !p.First {
		t.Fatalf("%+v", p.Proposal)
	}
	if p.Size.Abs() <= 50*um {
		t.Fatalf("a return by %v is inside the setter's step, so it shows nothing", p.Size)
	}
	none[Proposed](t, c.look()) // asked once
	in := one[Intended](t, c.approve(operator))
	if in.Charge != 0 {
		t.Errorf("an approved return cost %v", in.Charge)
	}
	if c.regs[0] < 0 || c.regs[0] > 10*um { // between where the first tool started and nothing
		t.Errorf("the register went to %v", c.regs[0])
	}
	if b := c.s.loopBook("bore"); !b.First || b.Back {
		t.Errorf("after the return: %+v", b)
	}
	if own := c.s.book("R1").Own; own != 0 {
		t.Errorf("the return counts %v as the loop's own", own)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Deviation.Abs() > 8*um {
		t.Errorf("the new tool's first part is off by %v", j.Deviation)
	}
}

func TestReturnByItself(t *testing.T) {
	for _, by := range []bool{true, false} {
		c := cellWith(t, func(s *Settings) {
			patient(s)
			s.Loops[0].Bounds.ReturnByItself = by
		})
		c.worn()
		c.unproven(-100)
		if got := len(only[Intended](c.newTool())) == 1; got != by {
			t.Errorf("returned by itself: %t, configured %t", got, by)
		}
	}
	c := cellWith(t, func(s *Settings) { // a loop that asks about everything asks about this
		patient(s)
		s.Loops[0].Bounds.ReturnByItself, s.Loops[0].Mode = true, Confirm
	})
	c.worn()
	none[Intended](t, c.newTool())
	c.card()
}

// What a setter types for the new tool stands, before the change is reported or with
// it or after it.
func TestNoReturnOverAPreset(t *testing.T) {
	for _, when := range []string{"before", "with", "after"} {
		c := cellWith(t, patient)
		c.worn()
		if when == "before" {
			c.regs[0] += 4 * um
			c.look()
		}
		c.tools[0]++
		switch when {
		case "with":
			c.regs[0] += 4 * um
		case "after":
			c.cutting = true // nothing is asked while it cuts
			c.look()
			c.regs[0] += 4 * um
			c.look()
			c.cutting = false
		}
		for range 3 {
			none[Proposed](t, c.look())
		}
	}
}

// A tool that never proved its size has no start to go back to.
func TestNoReturnWithoutAProvenStart(t *testing.T) {
	c := cellWith(t, patient)
	c.off("bore", -30*um)
	c.part()
	c.measure("bore", c.counter)
	none[Proposed](t, c.newTool())
}

// Rejected is rejected: the same return is not asked for again.
func TestRejectedReturn(t *testing.T) {
	c := cellWith(t, patient)
	c.worn()
	p := one[Proposed](t, c.newTool())
	c.send(Reject{Proposal: p.ID, Reason: "set by hand", Who: operator})
	for range 3 {
		none[Proposed](t, c.look())
	}
}

// A part of the tool before tells the estimate how tools wear, before the change:
// it moves no level of the new one, proves nothing, and writes nothing by itself.
func TestPartOfTheToolBefore(t *testing.T) {
	c := cellWith(t, patient)
	c.worn()
	c.part()
	old := c.counter
	c.newTool()
	c.agree()
	before := c.s.estimateOf("bore", 0).Filter
	readings, ready := before.Readings, before.Age
	j := c.judged(c.measure("bore", old))
	if j.Attribute != codeOldTool || j.Count != old || len(j.Moves) != 0 {
		t.Fatalf("%+v", j)
	}
	f := c.s.estimateOf("bore", 0).Filter
	if f.Readings != readings+1 || f.NEvents != 1 || f.Age != ready+1 {
		t.Errorf("the estimate has %d readings, %d events to come, age %v", f.Readings, f.NEvents, f.Age)
	}
	if b := c.s.loopBook("bore"); !b.First || b.Sizes[0].Used != 0 || b.Sizes[0].Last.Count != 0 {
		t.Errorf("it counts for the new tool: %+v", b)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Drift < 2*um || j.Drift > 10*um {
		t.Errorf("the new tool is seen at %v, it stands at 6 µm", j.Drift)
	}
}

// warm runs a machine whose size falls by 14 µm while it warms, through three
// pauses, so that the estimate knows how it cools.
func (c *cell) warm(minutes *float64) {
	c.t.Helper()
	cold := 1.0
	cut := func() {
		cold *= math.Exp(-1.5 / 24)
		c.mono += 90_000
		c.drift["boss"] = 20*um + length.Length(14_000*cold) + length.Length(c.counter*7919%7)*400 - 1200
		c.part()
		c.measure("boss", c.counter)
		c.agree()
	}
	for range 4 {
		for range 50 {
			cut()
		}
		*minutes = 0
		for range 30 {
			c.still(minutes)
			cold = 1 - (1-cold)*math.Exp(-1.0/24)
		}
	}
	for range 50 {
		cut()
	}
	c.free("boss")
}

// still lets a minute pass on a machine that stands still.
func (c *cell) still(minutes *float64) []Event {
	c.mono += 60_000
	*minutes++
	return c.look()
}

// While the machine stands still it cools, and a person is asked to let the
// register follow: by dead bands, no faster than parts would come, and only what
// the estimate has learned.
func TestStandstill(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		patient(s)
		s.Loops[1].Bounds.Travel = 3000 * um
	})
	var minutes float64
	c.warm(&minutes)
	before, first, last := c.regs[1], 0.0, -100.0
	minutes = 0
	for minutes < 40 {
		none[Intended](t, c.still(&minutes)) // whoever has his hands in the machine says yes first
		p := c.s.proposalOf("boss")
		if p == nil {
			continue
		}
		if p.Trigger != kindStill || p.Need != Operator || p.Reason != guard.Standing {
			t.Fatalf("%+v", p.Proposal)
		}
		for _, in := range only[Intended](c.approve(operator)) {
			if first == 0 {
				first = minutes
			}
			if in.Charge != 0 || in.New >= in.Old {
				t.Errorf("%+v", in)
			}
			if minutes-last < 1.5 {
				t.Errorf("moved after %v minutes and again after %v", last, minutes)
			}
			last = minutes
		}
	}
	if first < stopMinutes {
		t.Errorf("first move after %v minutes", first)
	}
	if moved := before - c.regs[1]; moved < 8*um || moved > 14*um {
		t.Errorf("40 minutes of cooling moved the register by %v, 14 µm · 0.81 were to be followed", moved)
	}
	if b := c.s.loopBook("boss"); b.First {
		t.Error("a standstill made a first part")
	}
}

// A card that nobody answers while the machine stands does not come again and again.
func TestStandstillAsksOnce(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		patient(s)
		s.Loops[1].Bounds.Travel = 3000 * um
	})
	var minutes float64
	c.warm(&minutes)
	c.mono += 300 * 60_000 // cold through
	c.look()
	c.card()
	asked := 0
	for range 120 {
		asked += len(only[Proposed](c.still(&minutes)))
	}
	if asked != 0 {
		t.Errorf("asked %d times more in two hours", asked)
	}
}

// A loop that never saw its machine cool moves nothing while it stands.
func TestStandstillWithoutWarmth(t *testing.T) {
	c := cellWith(t, patient)
	c.settled("boss")
	for range 30 {
		c.mono += 90_000
		c.part()
		c.measure("boss", c.counter)
	}
	var minutes float64
	for minutes < 60 {
		none[Proposed](t, c.still(&minutes))
	}
}

// What a machine that cooled through needs beyond the setter's step is decided as
// after a set-up; it is not refused.
func TestStandstillBeyondTheSettersStep(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		patient(s)
		b := &s.Loops[1].Bounds
		b.AutoStep, b.OperatorStep, b.SetterStep = 2*um, 4*um, 11*um
	})
	var minutes float64
	c.warm(&minutes)
	c.mono += 120 * 60_000
	c.look()
	p := c.card()
	if p.Trigger != kindStill || p.Size.Abs() <= 11*um || p.Need != Setter || !p.First {
		t.Fatalf("%+v", p)
	}
	c.free("boss")
}

// A step that nobody reported is a set-up like any other: a setter decides.
func TestStepIsAFirstPart(t *testing.T) {
	c := cellWith(t, patient)
	c.worn()
	c.drift["bore"] += 70 * um
	c.part()
	var last []Event
	for range 3 {
		last = c.measure("bore", c.counter)
	}
	j := c.judged(last)
	if j.Estimate != codeStep || j.Need != Setter || j.Bound != guard.FirstPart {
		t.Fatalf("%+v", j)
	}
	if !c.s.loopBook("bore").First {
		t.Error("the loop goes on as if nothing had been")
	}
}

// A first part whose spread would reach beyond the least-material limit is aimed
// short of the aim, so far that a setter may agree, and not refused.
func TestFirstPartIsAimedInsideItsRisk(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		ch := &s.Loops[0].Characteristics[0]
		ch.Limits = length.Range{Low: ch.Aim - 10*um, High: ch.Aim + 10*um}
	})
	e := c.s.estimateOf("bore", 0)
	if f := e.Filter.Forecast(1, 0); f.Sigma < 1 {
		t.Fatalf("σ %v", f.Sigma)
	}
	p := prospect{sigma: 8 * um}
	d := &decision{s: c.s}
	l := &c.s.Ledger.Settings.Loops[0]
	if got := d.firstAside(&Judged{}, &p, l, 0); got != 7*um { // 2 · 8 + half a step of 2 − 10
		t.Errorf("aimed %v aside", got)
	}
	if got := d.firstAside(&Judged{kind: kindReturn}, &p, l, 0); got != 0 {
		t.Errorf("a return is aimed %v aside", got)
	}
	p.sigma = 4 * um
	if got := d.firstAside(&Judged{}, &p, l, 0); got != 0 {
		t.Errorf("with room enough: %v", got)
	}
	p.sigma = 90 * um
	if got := d.firstAside(&Judged{}, &p, l, 0); got != 10*um {
		t.Errorf("beyond the limit itself: %v", got)
	}
}

// While it is not shown that a register does not act twice as strongly as configured,
// a move towards the least-material limit is so small that twice of it would end
// before that limit; one away from it is made whole.
func TestTwiceTheEffectWouldStayInside(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		ch := &s.Loops[0].Characteristics[0]
		ch.Limits = length.Range{Low: ch.Aim - 15*um, High: ch.Aim + 15*um}
	})
	d, l := &decision{s: c.s}, &c.s.Ledger.Settings.Loops[0]
	commanded := l.Effects[0][0].Of(c.s.book(l.Registers[0]).Value)
	for _, at := range []struct{ off, sigma, left length.Length }{
		{-6 * um, um, 0},         // (6 + 15 − 2 − 2) ÷ 2 = 8.5 and less may be cut
		{-14 * um, um, 1500},     // (14 + 15 − 2 − 2) ÷ 2 = 12.5
		{-14 * um, 4 * um, 4500}, // (14 + 15 − 8 − 2) ÷ 2 = 9.5
		{-14 * um, 90 * um, 7 * um},
		{-40 * um, um, 0}, // out of its limits: whole, as it has to be cut again
		{12 * um, um, 0},  // cut too much: back at once
	} {
		p := prospect{sigma: at.sigma, drift: at.off - commanded, ratio: 1000}
		if got := d.doubledAside(&p, l, 0); got != at.left {
			t.Errorf("%v off, σ %v: %v are left, not %v", at.off, at.sigma, got, at.left)
		}
	}
	b := &c.s.loopBook("bore").Sizes[0]
	b.Response.Add(30*um, 30*um, um)
	if got := d.doubledAside(&prospect{sigma: um, drift: -14*um - commanded, ratio: 1000}, l, 0); got != 0 {
		t.Errorf("after a move that answered once: %v are left", got)
	}
}

// An approved change that was asked about for its budget starts the budget anew.
func TestBudgetIsAPersonsToRenew(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[0].Bounds.Travel = 20 * um })
	c.settled("bore")
	c.unproven(-100)
	asked := false
	for range 30 {
		c.drift["bore"] -= 2 * um
		c.part()
		c.measure("bore", c.counter)
		for _, p := range append([]Open(nil), c.s.Ledger.Proposals...) {
			if p.Status == Pending && p.Reason == guard.Budget {
				asked = true
				if c.s.book("R1").Spent == 0 {
					t.Fatal("nothing was spent")
				}
				c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: operator})
				if spent := c.s.book("R1").Spent; spent != 0 {
					t.Fatalf("%v are spent after a person looked", spent)
				}
			}
		}
		c.agree()
	}
	if !asked {
		t.Fatal("nobody was asked")
	}
}

// What a person agreed to leave on is the new start, not a debt.
func TestApprovedBackingOff(t *testing.T) {
	b := &RegisterBook{Own: 3 * um}
	b.added(-8*um, &Open{Approval: &operator})
	if b.Own != 0 {
		t.Errorf("own %v", b.Own)
	}
	b.added(2*um, nil)
	b.added(-um, nil)
	if b.Own != um {
		t.Errorf("own %v", b.Own)
	}
}

// A change beyond what anybody may approve holds the loop; once a setter has looked
// and resumed it, it is decided as after a set-up, instead of being refused again.
func TestResumedAfterARefusalIsASetUp(t *testing.T) {
	c := cellWith(t, patient)
	c.worn()
	for _, s := range []*State{c.s, c.f} {
		s.Apply(Held{Loop: "bore", Cause: causeRefused, Clear: Setter})
	}
	c.resume("bore", setter)
	if b := c.s.loopBook("bore"); !b.First {
		t.Fatalf("%+v", b)
	}
}
