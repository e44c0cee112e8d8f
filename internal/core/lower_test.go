package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// largeCard is a proposal of several register steps that a setter decides.
func (c *cell) largeCard() Open {
	c.t.Helper()
	c.off("bore", -20*um)
	c.part()
	c.measure("bore", c.counter)
	p := c.card()
	if n := (p.Moves[0].New - p.Moves[0].Old).Abs(); n < 6*um {
		c.t.Fatalf("a card of %v is too small for the test", n)
	}
	return p
}

// Whoever approves may ask for less, never for more; what comes of it is another
// proposal, guarded anew, as old as the first, and has to be approved itself.
func TestASmallerAmountIsAnotherProposal(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.largeCard()
	m := p.Moves[0]
	step := c.s.Ledger.Settings.Register(m.Register).Step
	half := m.Old + (m.New-m.Old)/2/step*step
	ask := func(v length.Length, who Person) Lower {
		return Lower{Proposal: p.ID, Digest: p.Digest, New: v, Who: who}
	}
	for _, v := range []length.Length{m.Old, m.New, m.New + (m.New - m.Old), m.Old - (m.New - m.Old), half + 1, 0, length.Max, -length.Max} {
		if v != half {
			c.declined(ask(v, setter), declineSmaller)
		}
	}
	c.declined(Lower{Proposal: p.ID + 1, Digest: p.Digest, New: half, Who: setter}, declineGone)
	c.declined(Lower{Proposal: p.ID, Digest: "x", New: half, Who: setter}, declineDigest)
	c.declined(ask(half, Person{Principal: "vera", Role: Viewer}), declineRole)
	if p.Need == Setter {
		c.declined(ask(half, operator), declineRole)
	}
	c.mono += 60_000
	c.look()
	out := c.send(ask(half, setter))
	if v := one[Voided](t, out); v.Proposal != p.ID || v.Cause != causeLowered || v.Who.Principal != setter.Principal {
		t.Fatalf("%+v", v)
	}
	q := c.card()
	if q.From != p.ID || q.ID <= p.ID || q.Digest == p.Digest || q.Moves[0].New != half || q.Moves[0].Old != m.Old || q.Status != Pending || q.Need == "" ||
		q.Moves[0].Size.Abs() >= m.Size.Abs() || q.Minute != p.Minute || (q.Predicted-q.Aim).Abs() <= (p.Predicted-p.Aim).Abs() {
		t.Fatalf("from %+v came %+v", p, q)
	}
	if b := c.s.loopBook(q.Loop); b.Rejected != nil {
		t.Fatal("asking for less counts as a rejection")
	}
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter}, declineGone)
	c.declined(Approve{Proposal: q.ID, Digest: p.Digest, Who: setter}, declineDigest)
	c.approve(setter)
	if c.regs[0] != half {
		t.Fatalf("the register holds %v, want %v", c.regs[0], half)
	}
}

// A card that was made smaller expires when the first would have.
func TestASmallerAmountIsNoYounger(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.largeCard()
	m := p.Moves[0]
	for range 590 { // of 10 min
		c.pass(990)
		c.look()
	}
	step := c.s.Ledger.Settings.Register(m.Register).Step
	one[Proposed](t, c.send(Lower{Proposal: p.ID, Digest: p.Digest, New: m.Old + (m.New-m.Old)/2/step*step, Who: setter}))
	q := c.card()
	left := c.s.Ledger.Settings.Loop(q.Loop).Bounds.Expires - c.s.ageOf(&q)
	if left > 20_000 {
		t.Fatalf("%d ms left after nearly all had passed", left)
	}
}

// Beyond what is configured two people have to agree, and a program is none.
func TestTwoPeopleAgree(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		mode(Confirm)(s)
		s.Loops[0].Bounds.TwoBeyond = 3 * um
	})
	p := c.largeCard()
	if !p.Two {
		t.Fatalf("card %+v", p)
	}
	yes := func(who Person) Approve { return Approve{Proposal: p.ID, Digest: p.Digest, Who: who} }
	robot := Person{Principal: "line-host", Role: Engineer, Auth: AuthToken}
	c.declined(yes(robot), declineProgram)
	out := c.send(yes(setter))
	if a := one[Approved](t, out); !a.Another || len(only[Intended](out)) != 0 || c.card().Status != Pending {
		t.Fatalf("the first of two: %s", kinds(out))
	}
	for range 3 {
		if out := c.send(yes(setter)); len(out) != 0 {
			t.Fatalf("the same person once more: %s", kinds(out))
		}
	}
	c.declined(yes(robot), declineProgram)
	c.declined(yes(operator), declineRole)
	c.look()
	if got := c.regs[0]; got != p.Moves[0].Old {
		t.Fatalf("one of two moved the register to %v", got)
	}
	out = c.send(yes(engineer))
	if a := one[Approved](t, out); a.Another || a.Who.Principal != engineer.Principal {
		t.Fatalf("the second: %+v", a)
	}
	one[Intended](t, out)
	if c.regs[0] != p.Moves[0].New {
		t.Fatalf("the register holds %v", c.regs[0])
	}
}

// A change beyond what two people have to agree to is asked for in auto as well.
func TestTwoPeopleAreAskedInAuto(t *testing.T) {
	d := &decision{s: &State{}}
	l := &Loop{Bounds: Bounds{TwoBeyond: 3 * um}}
	for size, want := range map[length.Length]Role{3 * um: "", 4 * um: Operator, -4 * um: Operator} {
		p := Proposal{Size: size, Moves: []Move{{Size: size}}}
		if d.two(l, &p); p.Need != want || p.Two != (want != "") {
			t.Errorf("%v: %+v", size, p)
		}
	}
	p := Proposal{Size: 40 * um}
	if d.two(&Loop{}, &p); p.Two {
		t.Error("two people are asked although nothing says so")
	}
}

// Measuring again is on record, stops the approval, and ends with the reading.
func TestMeasureAgainStopsTheApproval(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.largeCard()
	yes := Approve{Proposal: p.ID, Digest: p.Digest, Who: setter}
	mark := func(on bool) MeasureAgain { return MeasureAgain{Proposal: p.ID, On: on, Who: operator} }
	c.declined(MeasureAgain{Proposal: p.ID + 1, On: true, Who: operator}, declineGone)
	c.declined(MeasureAgain{Proposal: p.ID, On: true, Who: Person{Role: Viewer}}, declineRole)
	if m := one[Marked](t, c.send(mark(true))); m.Part != p.Part || !m.On || m.Keys().Person != operator.Principal {
		t.Fatalf("%+v", m)
	}
	if out := c.send(mark(true)); len(out) != 0 {
		t.Fatalf("once more: %s", kinds(out))
	}
	c.declined(yes, declineAgain)
	c.declined(Lower{Proposal: p.ID, Digest: p.Digest, New: p.Moves[0].Old, Who: setter}, declineAgain)
	one[Marked](t, c.send(mark(false)))
	one[Marked](t, c.send(mark(true)))
	c.measure("bore", c.counter) // the same part
	q := c.card()
	if q.Again != nil {
		t.Fatalf("still to be measured again: %+v", q)
	}
	one[Approved](t, c.send(Approve{Proposal: q.ID, Digest: q.Digest, Who: setter}))
}

// Neither a program nor whoever may open the local socket is a person that can be
// told from another one: the same one could agree twice.
func TestOnlyPeopleAreTwo(t *testing.T) {
	for auth, known := range map[string]bool{AuthToken: false, AuthSocket: false, "pin": true} {
		c := cellWith(t, func(s *Settings) {
			mode(Confirm)(s)
			s.Loops[0].Bounds.TwoBeyond = 3 * um
		})
		p := c.largeCard()
		out := c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: Person{Principal: "root", Role: Engineer, Auth: auth}})
		if a := only[Approved](out); (len(a) == 1) != known {
			t.Errorf("%s: %s", auth, kinds(out))
		}
		if !known && one[Declined](t, out).Cause != declineProgram {
			t.Errorf("%s: %s", auth, kinds(out))
		}
	}
}

// At a machine by hand both agree before anybody types, and a part that is to be
// measured again is measured again first.
func TestTwoPeopleAgreeBeforeOneTypes(t *testing.T) {
	c := handCell(t)
	set := c.s.Ledger.Settings
	set.Loops = append([]Loop(nil), set.Loops...)
	set.Loops[0].Bounds.TwoBeyond = 8 * um
	c.send(Configure{Settings: set, Who: engineer})
	c.says("R1", 0, setter)
	c.bore("57", -40*um)
	p := c.card()
	if !p.Two {
		t.Fatalf("card %+v", p)
	}
	c.send(MeasureAgain{Proposal: p.ID, On: true, Who: operator})
	declined(t, c.types(setter), declineAgain)
	c.send(MeasureAgain{Proposal: p.ID, Who: operator})
	declined(t, c.types(setter), codeTwo)
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
	declined(t, c.types(setter), codeTwo)
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: engineer})
	if e := one[Typed](t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: operator})); e.New != p.Moves[0].New {
		t.Fatalf("typed %+v", e)
	}
}

// What is put back is a change of its size like any other.
func TestTwoPeopleAgreeToWhatIsPutBack(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.regs[0] += 5 * um
	one[Moved](t, c.look())
	for i := range c.s.Ledger.Settings.Loops {
		c.s.Ledger.Settings.Loops[i].Bounds.TwoBeyond, c.f.Ledger.Settings.Loops[i].Bounds.TwoBeyond = 8*um, 8*um
	}
	if p := one[Proposed](t, c.send(PutBack{Loop: "bore", Who: operator})); !p.Two {
		t.Fatalf("proposed %+v", p)
	}
}

// Whoever agrees to more than what may happen by itself proves who they are once
// more.
func TestBeyondWhatHappensByItself(t *testing.T) {
	b := &Bounds{AutoStep: 3 * um}
	for _, x := range []struct {
		p    Proposal
		want bool
	}{
		{Proposal{Moves: []Move{{Size: -3 * um}, {Size: 3 * um}}}, false},
		{Proposal{Moves: []Move{{Size: 1 * um}, {Size: -4 * um}}}, true},
		{Proposal{First: true}, true},
		{Proposal{Reason: "step-auto"}, true},
		{Proposal{Reason: "step-setter"}, true},
		{Proposal{Reason: "confirm"}, false},
	} {
		if got := x.p.Beyond(b); got != x.want {
			t.Errorf("%+v: %v", x.p, got)
		}
	}
}

// Less is asked for of a card that is open, not of one that is decided, that has
// expired at this very moment, or of which less would still make scrap.
func TestASmallerAmountOfWhatIsOpen(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.largeCard()
	m := p.Moves[0]
	ask := Lower{Proposal: p.ID, Digest: p.Digest, New: m.Old + (m.New-m.Old)/2/um*um, Who: setter}
	c.mono += 600_001 // nothing has come meanwhile that would have ended it
	if d := one[Declined](t, c.send(ask)); d.Cause != declineExpired {
		t.Fatalf("declined with %q", d.Cause)
	}

	c = cellWith(t, mode(Confirm))
	p = c.largeCard()
	c.begin() // while cutting nothing is sent
	c.approve(setter)
	if p := c.s.proposal(p.ID); p == nil || p.Status != Ready {
		t.Fatalf("the approved card does not wait: %+v", p)
	}
	c.declined(ask, declineDecided)

	c = cellWith(t, mode(Confirm))
	c.off("bore", 70*um) // 20 µm beyond its limit
	c.part()
	c.measure("bore", c.counter)
	p = c.card()
	m = p.Moves[0]
	if !p.First || (m.New-m.Old).Abs() < 20*um {
		t.Fatalf("card %+v", p)
	}
	c.declined(Lower{Proposal: p.ID, Digest: p.Digest, New: m.Old + (m.New-m.Old)/(m.New-m.Old).Abs()*um, Who: setter}, declineBounds)
	if q := c.card(); q.ID != p.ID {
		t.Fatalf("the card has ended: %+v", q)
	}
}
