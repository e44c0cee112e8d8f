package core

import (
	"testing"

	"offsetbridge/internal/length"
)

func (c *cell) declined(f Fact, want Code) {
	c.t.Helper()
	before := asJSON(c.t, &c.s.Ledger)
	out := c.send(f)
	if d := one[Declined](c.t, out); d.Cause != want {
		c.t.Fatalf("declined with %q, want %q", d.Cause, want)
	}
	if len(out) != 1 || string(before) != string(asJSON(c.t, &c.s.Ledger)) {
		c.t.Fatalf("a declined input changed something: %s", kinds(out))
	}
}

func TestApprovalIsBoundToWhatWasSeen(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	c.declined(Approve{Proposal: p.ID + 1, Digest: p.Digest, Who: setter}, declineGone)
	c.declined(Approve{Proposal: p.ID, Digest: "0", Who: setter}, declineDigest)
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: Person{Principal: "vera", Role: Viewer}}, declineRole)
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: Person{Principal: "x", Role: "root"}}, declineRole)
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest}, declineRole)
	if p.Need == Setter {
		c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: operator}, declineRole)
	}
	c.begin() // the machine cuts: approved, but not sent
	yes := Approve{Proposal: p.ID, Digest: p.Digest, Who: setter}
	one[Approved](t, c.send(yes))
	if out := c.send(yes); len(out) != 0 {
		t.Fatalf("the same yes once more did %s", kinds(out))
	}
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: engineer}, declineDecided)
	out := c.end()
	if in := one[Intended](t, out); in.Proposal != p.ID || in.New != p.Moves[0].New || in.Charge != 0 {
		t.Fatalf("intent %+v for %+v", in, p)
	}
	c.declined(yes, declineGone)
	if c.regs[0] != p.Moves[0].New {
		t.Fatalf("register %v", c.regs[0])
	}
}

func TestSetterStepNeedsASetter(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.off("bore", -20*um)
	c.part()
	c.measure("bore", c.counter)
	p := c.card()
	if p.Need != Setter || !p.First {
		t.Fatalf("card %+v", p)
	}
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: operator}, declineRole)
	one[Approved](t, c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: engineer}))
}

func TestCardExpires(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	for range 599 {
		none[Voided](t, c.pass(990))
	}
	c.mono += 10_000
	out := c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
	if one[Declined](t, out).Cause != declineExpired || one[Voided](t, out).Cause != causeExpired {
		t.Fatalf("a late yes gave %s", kinds(out))
	}
}

func TestCardExpiresByParts(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.readyCard()
	var voided []Voided
	for range 21 {
		voided = append(voided, only[Voided](c.part())...)
	}
	if len(voided) != 1 || voided[0].Cause != causeExpired {
		t.Fatalf("voided %+v", voided)
	}
}

// An approved change that the machine never lets in ends with its proposal; and
// what is sent carries the end of its approval as the last moment.
func TestApprovalExpiresBeforeSending(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	c.begin()
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
	at := c.mono
	for c.mono < at+599_000 {
		c.mono += 1500
		c.look()
	}
	c.mono = at + 599_500
	c.write = away
	c.cutting = false
	out := c.look()
	if in := only[Intended](out); len(in) == 1 && in[0].SendBy > at+600_000 {
		t.Fatalf("may be sent until %d, approved until %d", in[0].SendBy, at+600_000)
	}
	c = cellWith(t, mode(Confirm))
	p = c.readyCard()
	c.begin()
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
	c.mono += 600_100
	c.cutting = false
	none[Intended](t, c.look())
}

// However often the process starts, a card does not get younger.
func TestCardExpiresAcrossRestarts(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.readyCard()
	id := c.card().ID
	for range 4 {
		c.restartAfter(200_000)
		c.connect()
	}
	if p := c.s.proposal(id); p != nil {
		t.Fatalf("open after four pauses of 200 s, expires after 600 s: %+v", p)
	}
}

// Where the wall clock went back over a start, nobody knows how old a card is.
func TestACardOfUnknownAgeEnds(t *testing.T) {
	for pause, open := range map[int64]bool{0: true, 1000: true, -1: false, -3_600_000: false} {
		c := cellWith(t, mode(Confirm))
		c.readyCard()
		id := c.card().ID
		if c.restartAfter(pause); (c.s.proposal(id) != nil) != open {
			t.Errorf("after %d ms: %+v", pause, c.s.proposal(id))
		}
	}
}

func (c *cell) restartAfter(pause int64) {
	c.t.Helper()
	fresh := newCell(c.t)
	for _, e := range c.events {
		fresh.s.Apply(e)
		fresh.f.Apply(e)
	}
	c.s, c.f, c.mono = fresh.s, fresh.f, 5
	c.epoch++
	c.send(Started{Version: "test", Epoch: c.epoch, Pause: pause})
	c.send(Verified{OK: true})
}

func TestRestartVoidsAnUnsentApproval(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	c.begin()
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
	out := c.restart()
	if v := one[Voided](t, out); v.Proposal != p.ID || v.Cause != causeRestart {
		t.Fatalf("voided %+v", v)
	}
	c.cutting = false
	c.connect()
	if len(c.intents) != 0 {
		t.Fatal("an approval from before the start was sent")
	}
}

func TestRejectionSticksUntilSomethingChanges(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	c.declined(Reject{Proposal: p.ID, Who: setter}, declineReason)
	c.declined(Reject{Proposal: p.ID, Reason: "no", Who: Person{Role: Viewer}}, declineRole)
	c.send(Reject{Proposal: p.ID, Reason: "a chip on the anvil", Who: operator})
	shown := 0
	for range 5 {
		c.part()
		j := c.judged(c.measure("bore", c.counter))
		if j.Propose == codeRejectedBefore {
			if c.s.View().Loops[0].Waiting != codeRejectedBefore {
				t.Fatal("the loop does nothing, and nobody sees why")
			}
			shown++
		}
		if len(c.s.Ledger.Proposals) > 0 && (c.card().Moves[0].New-p.Moves[0].New).Abs() < 4*um {
			t.Fatalf("the rejected change came back: %+v", j)
		}
	}
	// A move at the panel changes what the no was said to.
	c.regs[0] += 2 * um
	c.look()
	if c.s.loopBook("bore").Rejected != nil {
		t.Fatal("the rejection outlived a change by hand")
	}
	if w := c.s.View().Loops[0].Waiting; shown == 0 || w == codeRejectedBefore {
		t.Fatalf("shown %d times, and after a change %q", shown, w)
	}
}

func TestNewerCardReplacesOlder(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.readyCard()
	for range 12 {
		c.off("bore", -40*um)
		c.part()
		out := c.measure("bore", c.counter)
		if len(only[Proposed](out)) == 1 {
			if v := one[Voided](t, out); v.Proposal != p.ID || v.Cause != causeSuperseded {
				t.Fatalf("voided %+v", v)
			}
			c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter}, declineGone)
			return
		}
		if n := len(c.s.Ledger.Proposals); n != 1 {
			t.Fatalf("%d cards", n)
		}
	}
	t.Fatal("the card was never replaced")
}

// Editing one loop voids the card of that loop and no other.
func TestConfigureVoidsItsOwnLoopsCardOnly(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.off("bore", -20*um)
	c.off("boss", 20*um)
	c.part()
	c.measure("bore", c.counter)
	c.measure("boss", c.counter)
	if len(c.s.Ledger.Proposals) != 2 {
		t.Fatalf("%d cards", len(c.s.Ledger.Proposals))
	}
	set := settings()
	mode(Confirm)(&set)
	set.Loops[0].Bounds.AutoStep--
	out := c.send(Configure{Settings: set, Who: engineer})
	if v := one[Voided](t, out); v.Loop != "bore" || v.Cause != causeConfig {
		t.Fatalf("voided %+v", v)
	}
	if c.s.proposalOf("boss") == nil {
		t.Fatal("the other loop's card is gone")
	}
	if len(c.send(Configure{Settings: set, Who: engineer})) != 0 {
		t.Fatal("the same configuration again is news")
	}
}

func TestUnsoundConfigurationIsRefused(t *testing.T) {
	cases := map[string]func(*Settings){
		"two loops own one register":              func(s *Settings) { s.Loops[1].Registers = []string{"R1"} },
		"a register nobody has":                   func(s *Settings) { s.Loops[0].Registers = []string{"R9"} },
		"no characteristic":                       func(s *Settings) { s.Loops[0].Characteristics = nil },
		"no effect":                               func(s *Settings) { s.Loops[0].Effects = nil },
		"a step of zero":                          func(s *Settings) { s.Registers[0].Step = 0 },
		"a huge effect":                           func(s *Settings) { s.Loops[0].Effects[0][0] = 1 << 30 },
		"one node twice":                          func(s *Settings) { s.Registers[1].Node = "n1" },
		"one characteristic twice":                func(s *Settings) { s.Loops[1].Characteristics[0].Name = "bore" },
		"a band upside down":                      func(s *Settings) { s.Registers[0].Band.Low, s.Registers[0].Band.High = um, -um },
		"steps upside down":                       func(s *Settings) { s.Loops[0].Bounds.AutoStep = 90 * um },
		"no travel":                               func(s *Settings) { s.Loops[0].Bounds.Travel = -1 },
		"too many registers":                      func(s *Settings) { s.Loops[0].Registers = make([]string, 1000) },
		"sizes without effects":                   func(s *Settings) { s.Loops[0].Effects[0] = nil },
		"a gauge that repeats worse than nothing": func(s *Settings) { s.Gauges = []Trust{{Gauge: "g-bore", Repeat: -1}} },
		"heads upside down":                       func(s *Settings) { s.Gauges = []Trust{{Gauge: "g-bore", Heads: []length.Range{{Low: um, High: -um}}}} },
		"a ring beyond every length": func(s *Settings) {
			s.Gauges = []Trust{{Gauge: "g-bore", Standards: []Ring{{Name: "R", Value: length.Max + 1}}}}
		},
		"a name that is none": func(s *Settings) { s.Loops[0].Name = "" },
		"no number":           func(s *Settings) { s.Loops[0].Damping /= 0 * s.Loops[0].Damping },
		"no text":             func(s *Settings) { s.Loops[0].Program = "\xff" },
	}
	for name, change := range cases {
		t.Run(name, func(t *testing.T) {
			c := cellWith(t, nil)
			set := settings()
			change(&set)
			c.declined(Configure{Settings: set, Who: engineer}, declineUnsound)
		})
	}
}

func TestHoldAndResume(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.readyCard()
	c.declined(Hold{Loop: "bore", Who: Person{Role: Viewer}}, declineRole)
	c.declined(Hold{Loop: "nothing", Who: operator}, declineNoLoop)
	out := c.send(Hold{Loop: "bore", Note: "coolant", Who: operator})
	if v := one[Voided](t, out); v.Cause != causeHeld {
		t.Fatalf("voided by %s", v.Cause)
	}
	c.declined(Hold{Loop: "bore", Who: operator}, declineHeldAlready)
	c.free("boss")
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Route != "" && j.Route != routeHeld {
		t.Fatalf("routed %q on hold", j.Route)
	}
	if len(c.s.Ledger.Proposals) != 0 {
		t.Fatal("a card on hold")
	}
	c.declined(Resume{Loop: "boss", Cause: causeByHand, Note: "ok", Who: operator}, declineNotHeld)
	c.declined(Resume{Loop: "bore", Cause: causeCounter, Note: "ok", Who: operator}, declineCause)
	c.declined(Resume{Loop: "bore", Cause: causeByHand, Who: operator}, declineReason)
	c.declined(Resume{Loop: "bore", Cause: causeByHand, Note: "ok", Who: Person{Role: Viewer}}, declineRole)
	one[Resumed](t, c.send(Resume{Loop: "bore", Cause: causeByHand, Note: "ok", Who: operator}))
	if c.s.loopBook("bore").Sizes[0].Used != 0 {
		t.Fatal("the window did not start empty")
	}
}

func TestHoldAllStopsEveryLoop(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.settled("boss")
	c.send(Hold{Plant: true, Who: operator})
	c.held("bore", causeHoldAll)
	c.held("boss", causeHoldAll)
	for range 6 {
		c.off("bore", -8*um)
		c.part()
		c.measure("bore", c.counter)
	}
	if len(c.intents) != 0 {
		t.Fatal("a write on hold-all")
	}
}

// A hold by hand hides nothing: what was found meanwhile still needs the role it
// needs.
func TestWorseCauseOutlivesAHoldByHand(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.send(Hold{Who: operator})
	c.send(Verified{Text: "record 7"})
	c.held("bore", causeByHand)
	c.resume("bore", operator)
	c.held("bore", causeJournal)
	c.declined(Resume{Cause: causeJournal, Note: "ok", Who: operator}, declineRole)
	c.resume("bore", engineer)
	c.free("bore")
	for range 6 {
		c.off("bore", -8*um)
		c.part()
		c.measure("bore", c.counter)
	}
	if len(c.intents) != 0 {
		t.Fatal("an automatic write on a damaged journal")
	}
}

// The reading that proves the wrong response also asks for a change; nothing of
// it may be left for after the resume.
func TestContraryResponseLeavesNothingBehind(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.settled("boss")
	c.off("boss", 30*um)
	c.part()
	c.measure("boss", c.counter)
	c.sign = -1
	for range 40 {
		c.part()
		c.measure("bore", c.counter)
		if h := c.s.HoldOn("bore"); h != nil {
			break
		}
		if c.s.proposalOf("bore") != nil {
			c.send(Approve{Proposal: c.s.proposalOf("bore").ID, Digest: c.s.proposalOf("bore").Digest, Who: setter})
		} else {
			c.drift["bore"] -= 4 * um
		}
	}
	if c.s.HoldOn("bore") == nil {
		t.Fatal("a machine that answers the wrong way was not noticed")
	}
	if p := c.s.proposalOf("bore"); p != nil {
		t.Fatalf("open on hold: %+v", p)
	}
	if c.s.HoldOn("boss") != nil {
		t.Fatal("the other loop is on hold")
	}
	cause := c.s.HoldOn("bore").Cause
	none[Intended](t, c.resume("bore", engineer))
	t.Logf("held by %s after %d writes", cause, len(c.intents))
}

func TestBadLinkHolds(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.send(Link{Epoch: c.epoch, Cause: "m-serial", Text: "another machine", Bad: true})
	c.held("bore", "m-serial")
	if c.s.HoldOn("bore").Clear != Engineer {
		t.Fatalf("cleared by %s", c.s.HoldOn("bore").Clear)
	}
}

// The end of a session that is over already does not end the one that came
// after it.
func TestLateEndOfAnOldSession(t *testing.T) {
	c := cellWith(t, nil)
	old := c.epoch
	c.connect()
	none[Linked](t, c.send(Link{Epoch: old, Cause: "m-lost"}))
	if !c.s.now.up {
		t.Fatal("the old session's end took the new one down")
	}
	late := c.read()
	late.Epoch, late.Counter = old, 500
	none[Seen](t, c.send(late))
}

// A loop on hold that is given another name is still on hold.
func TestRenamingDoesNotEndAHold(t *testing.T) {
	c := cellWith(t, nil)
	c.send(Hold{Loop: "bore", Who: setter})
	set := settings()
	set.Loops[0].Name = "hole"
	c.send(Configure{Settings: set, Who: engineer})
	c.held("hole", causeByHand)
	c.free("boss")
}

// Hold-all on a machine that is on hold already is not lost with the first hold.
func TestHoldAllBehindAnotherHold(t *testing.T) {
	c := cellWith(t, nil)
	c.send(Hold{Who: operator})
	one[Held](t, c.send(Hold{Plant: true, Who: operator}))
	c.declined(Hold{Plant: true, Who: operator}, declineHeldAlready)
	c.send(Resume{Cause: causeByHand, Note: "ok", Who: operator})
	c.held("bore", causeHoldAll)
	c.send(Hold{Loop: "bore", Who: operator})
	c.send(Resume{Cause: causeHoldAll, Note: "ok", Who: operator})
	c.held("bore", causeByHand)
	c.free("boss")
}

// A loop whose readings mean something else after an edit starts as after a
// set-up; another loop does not.
func TestConfigureThatChangesTheMeaningOfReadings(t *testing.T) {
	for name, change := range map[string]func(*Settings){
		"aim":      func(s *Settings) { s.Loops[0].Characteristics[0].Aim += 5 * um },
		"effect":   func(s *Settings) { s.Loops[0].Effects[0][0] = -1000 },
		"register": func(s *Settings) { s.Registers[0].Node = "n9" },
		"program":  func(s *Settings) { s.Loops[0].Program = "P9" },
	} {
		c := cellWith(t, nil)
		c.settled("bore")
		c.settled("boss")
		set := settings()
		change(&set)
		c.send(Configure{Settings: set, Who: engineer})
		b := c.s.loopBook("bore")
		if !b.First || b.Sizes[0].Used != 0 || b.Sizes[0].Last.Count != 0 || c.s.estimateOf("bore", 0).Filter.Started {
			t.Fatalf("%s: %+v", name, b)
		}
		if o := c.s.estimateOf("boss", 0); !o.Filter.Started || name != "register" && c.s.loopBook("boss").First {
			t.Fatalf("%s: the other loop was touched: %+v", name, c.s.loopBook("boss"))
		}
	}
}
