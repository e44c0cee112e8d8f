package core

import (
	"math"
	"testing"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// What no sequence of messages should bring about, and is guarded against all the same: a second
// lock behind every door, and limits that nobody reaches.

// both brings a state about that the core itself does not come to.
func (c *cell) both(change func(*State)) { change(c.s); change(c.f) }

func forceHold(s *State) {
	s.Ledger.Holds = append(s.Ledger.Holds, Held{Loop: "bore", Cause: causeByHand, Clear: Operator})
}

// A hold ends every card. Were one left, nobody could say yes to it, ask for less of it, or report
// it as typed, and what was agreed to would not be sent.
func TestACardThatOutlivedItsHold(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	p := c.largeCard()
	c.both(forceHold)
	c.declined(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter}, declineHeld)
	c.declined(Lower{Proposal: p.ID, Digest: p.Digest, New: p.Moves[0].Old + (p.Moves[0].New-p.Moves[0].Old)/(2*um)*um, Who: setter}, declineHeld)
	c.both(func(s *State) { open := s.proposal(p.ID); open.Status, open.Approval = Ready, &setter })
	if w := c.s.waiting(c.s.proposal(p.ID)); w != waitHeld {
		t.Fatalf("waits for %q", w)
	}
	none[Intended](t, c.look())

	c = handCell(t)
	c.says("R1", 0, setter)
	c.bore("57", -40*um)
	p = c.card()
	c.both(forceHold)
	declined(t, c.types(setter), declineHeld)
	if w := c.s.handWaits(c.s.proposal(p.ID)); w != waitHeld {
		t.Fatalf("waits for %q", w)
	}
}

// What is typed is checked against the register as it was last said, the tool, and the gauge.
func TestACardByHandThatIsOutOfDate(t *testing.T) {
	for want, change := range map[Code]func(*State){
		waitForeign: func(s *State) { s.book("R1").Value += um },
		waitTool:    func(s *State) { s.Ledger.Seen.Tools = []int64{9, 9} },
		waitGaugeDue: func(s *State) {
			s.Ledger.OutOfDate.Gauges = []string{"g-bore"}
		},
	} {
		c := handCell(t)
		c.says("R1", 0, setter)
		c.bore("57", -40*um)
		p := c.card()
		c.both(change)
		if w := c.s.handWaits(c.s.proposal(p.ID)); w != want {
			t.Errorf("waits for %q, want %q", w, want)
			continue
		}
		declined(t, c.types(setter), want)
	}
	c := handCell(t)
	c.says("R1", 0, setter)
	c.bore("57", -40*um)
	p := c.card()
	c.mono += 600_001
	if d := one[Declined](t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Who: setter})); d.Cause != declineVoid {
		t.Fatalf("declined for %q", d.Cause)
	}
}

// One value cannot stand for two registers.
func TestOneValueForSeveralRegisters(t *testing.T) {
	c := newCell(t)
	set := settings()
	byHand(&set)
	shaped(twoByTwo, func(l *Loop) {
		for i := range l.Characteristics {
			l.Characteristics[i].Gauges = []GaugeUse{{Gauge: "g-bore", Identity: identitySerial, Resolution: um}}
		}
	})(&set)
	c.start()
	c.send(Configure{Settings: set, Who: engineer})
	c.send(Verified{OK: true})
	c.says("X0", 0, setter)
	c.says("X1", 0, setter)
	for i, x := range set.Loops[0].Characteristics {
		c.seq["g-bore"]++
		c.send(Reading{Gauge: "g-bore", Sequence: c.seq["g-bore"], Characteristic: x.Name, Part: "57", Value: x.Aim - um*length.Length(40-70*i)})
	}
	p := c.card()
	if len(p.Moves) != 2 {
		t.Fatalf("card %+v", p)
	}
	v := p.Moves[0].New
	declined(t, c.send(HandSet{Proposal: p.ID, Digest: p.Digest, Value: &v, Who: setter}), declineSeveral)
}

// Less of a card is asked of the guards like the card: without an estimate, or too few readings,
// nothing comes of it.
func TestLessOfACardThatNothingStandsBehind(t *testing.T) {
	for want, change := range map[Code]func(*State){
		declineBounds: func(s *State) {
			l := s.Ledger.Settings.Loop("bore")
			s.estimateOf("bore", 0).renew(estimateSettings(&s.Ledger.Settings, l, 0))
		},
		codeFew: func(s *State) {
			s.Ledger.Settings.Loop("bore").MinReadings = 9
		},
	} {
		c := cellWith(t, mode(Confirm))
		p := c.largeCard()
		c.both(change)
		c.declined(Lower{Proposal: p.ID, Digest: p.Digest, New: p.Moves[0].Old + (p.Moves[0].New-p.Moves[0].Old)/(2*um)*um, Who: setter}, want)
	}
}

// Of a card beyond the automatic step, an amount inside it still needs the person who asked.
func TestLessThanTheAutomaticStep(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[0].Bounds.AutoStep = 4 * um })
	c.settled("bore")
	c.drift["bore"] -= 15 * um
	for range 4 {
		if c.part(); c.s.proposalOf("bore") == nil {
			c.measure("bore", c.counter)
		}
	}
	p := c.card()
	if p.Reason != "step-auto" {
		t.Fatalf("card %+v", p)
	}
	m := p.Moves[0]
	to := m.Old + um*length.Length(1-2*b2i(m.New < m.Old))
	c.send(Lower{Proposal: p.ID, Digest: p.Digest, New: to, Who: operator})
	if q := c.card(); q.From != p.ID || q.Need != Operator || q.Reason != codeLowered {
		t.Fatalf("of %+v came %+v", p, q)
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Nothing that is only watched can be asked to be moved, or be weighed.
func TestALoopThatOnlyWatches(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.both(func(s *State) { s.Ledger.Settings.Loops[0].Characteristics[0].Priority = Watch })
	c.declined(StepTest{Loop: "bore", Who: setter}, codeNoEffect)
	l := c.s.Ledger.Settings.Loop("bore")
	d := &decision{s: c.s}
	if _, code := d.prospects(&Judged{Loop: "bore"}, l, 0); code != codeNoEffect {
		t.Errorf("weighs %q", code)
	}
	d.reconsider(l, kindStill)
	if len(d.out) != 0 {
		t.Errorf("reconsidered: %s", kinds(d.out))
	}
	if !d.alike(l, make([]prospect, 1), nil, nil) {
		t.Error("what steers nothing tells two ways apart")
	}
}

// Before the first look nothing can be asked of a register, and no part assumed.
func TestBeforeTheFirstLook(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.both(func(s *State) { s.book("R1").Known = false })
	c.declined(StepTest{Loop: "bore", Who: setter}, waitUnknown)
	c = newCell(t)
	c.start()
	set := settings()
	set.Lacks = []string{LacksCounter, "state"}
	for i := range set.Loops {
		set.Loops[i].Mode = Confirm
	}
	c.send(Configure{Settings: set, Who: engineer})
	c.declined(Renew{Tool: "T1", Who: setter}, waitSample)
	d := &decision{s: c.s}
	if _, code := d.assumed(Reading{Part: "1"}); code != codeNoRecord {
		t.Errorf("assumed: %q", code)
	}
	if w := (&State{}).situationOf(); w != waitConfig {
		t.Errorf("without a configuration it waits for %q", w)
	}
}

// What is told of what is not there changes nothing.
func TestEventsAboutWhatIsGone(t *testing.T) {
	c := cellWith(t, nil)
	before := string(Encode(Configured{Settings: c.s.Ledger.Settings}))
	c.s.apply(Marked{Proposal: 99, On: true})
	c.s.apply(Concluded{Outcome: Outcome{Intent: 99, Result: Applied}})
	c.s.apply(Unfinished{Loop: "bore", Part: "7", Gauge: "g-bore"})
	if string(Encode(Configured{Settings: c.s.Ledger.Settings})) != before || len(c.s.Ledger.Proposals) != 0 {
		t.Error("something changed")
	}
	if k := (Unfinished{Loop: "bore", Part: "7", Gauge: "g-bore"}).Keys(); k.Loop != "bore" || k.Part != "7" || k.Gauge != "g-bore" {
		t.Errorf("found under %+v", k)
	}
	if c.s.book("R9") != nil || c.s.loopBook("none") != nil || c.s.bookAt("none", "n1") != nil {
		t.Error("a book of nothing")
	}
	(&decision{s: c.s}).compareRegister(&Register{Name: "R9"}, 0, 0, 0)
	c.s.Estimates = nil
	if c.s.estimateOf("bore", 0) != nil || c.s.noise("bore", 0) != 0 {
		t.Error("an estimate of nothing")
	}
	if _, ok := (FromMachine{Event: Begun{}}).check(); ok {
		t.Error("a start is taken for a ring check")
	}
}

// unheard is an event of nobody, which has no bytes either.
type unheard struct{ No chan int }

func (unheard) Kind() string { return "unheard" }
func (unheard) Keys() Keys   { return Keys{} }

// A mistake in the program itself stops it at once: better than a record that lacks something.
func TestMistakesOfTheProgramStopIt(t *testing.T) {
	for name, f := range map[string]func(){
		"an event nobody folds":         func() { (&State{}).apply(unheard{}) },
		"an event without bytes":        func() { Encode(unheard{}) },
		"two sentences for one code":    func() { AddWords(map[Code]string{codeLate: "another"}) },
		"a digest of what has no bytes": func() { digest(unheard{}) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: it went on", name)
				}
			}()
			f()
		}()
	}
	if _, err := Decode(Judged{}.Kind(), []byte("{")); err == nil {
		t.Error("half an event is read")
	}
}

// Lists that could grow without end give up what is needed no more.
func TestTheLastPlaceOfAList(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.drift["bore"] -= 40 * um
	c.part()
	c.both(func(s *State) {
		for n := range uint64(maxRequests) {
			s.Ledger.Requests = append(s.Ledger.Requests, Request{ID: n + 1, Loop: "boss", Characteristic: "boss", Count: c.counter, Minute: 1})
		}
		s.Ledger.LastRequest = maxRequests
	})
	out := c.send(c.reading("bore", c.counter))
	if e := one[AskEnded](t, out); e.ID != 1 || e.Cause != AskLapsed {
		t.Errorf("ended: %+v", e)
	}
	one[Asked](t, out)
	for n := range maxGauges - len(c.s.Ledger.Gauges) {
		c.s.gauge("old-" + partName("", uint64(n)))
	}
	c.s.gauge("g-boss").Last = 7
	if n := len(c.s.Ledger.Gauges); n > 3 || c.s.lastSequence("g-boss") != 7 || c.s.lastSequence("old-1") != 0 {
		t.Errorf("%d gauges are kept", n)
	}
	for n := range maxColumns {
		c.s.Ledger.Virtual = append(c.s.Ledger.Virtual, VirtualBook{Name: "old-" + partName("", uint64(1000000+n))})
	}
	c.s.apply(Plugged{Loop: "bore", Name: "bore", Learned: &gauge.Virtual{}})
	if n := len(c.s.Ledger.Virtual); n != 1 || c.s.Ledger.Virtual[0].Name != "bore" {
		t.Errorf("%d virtual sizes are kept", n)
	}
}

// An older record has readings in the tray without numbers, and a tray gives nothing away that
// belongs nowhere.
func TestThePlantsTray(t *testing.T) {
	var p Plant
	p.Apply(Unplaced{Reading: Reading{Gauge: "g"}})
	p.Apply(Unplaced{Reading: Reading{Gauge: "g"}})
	if len(p.Tray) != 2 || p.Tray[1].ID != 2 {
		t.Fatalf("tray %+v", p.Tray)
	}
	for want, f := range map[Code]Fact{
		codeNoPart:       Assign{Item: 1, Machine: "mill", Reason: "found", Who: operator},
		declineNoMachine: Assign{Item: 1, Part: "7", Reason: "found", Who: operator},
		declineNoItem:    Discard{Item: 9, Reason: "a test", Who: operator},
	} {
		if d := one[Declined](t, plantStep(&p, f)); d.Cause != want {
			t.Errorf("%T: %q, want %q", f, d.Cause, want)
		}
	}
	c := cellWith(t, nil)
	c.declined(Discard{Item: 9, Reason: "a test", Who: operator}, declineNoItem)
	none[Assigned](t, c.record(1, Assigned{Item: 1, Machine: "mill"}))
}

// Numbers beyond every length, and a loop that nobody may move much.
func TestNumbersAtTheEnd(t *testing.T) {
	if fromMicrometres(math.Inf(1)) != length.Max || fromMicrometres(1e30) != length.Max {
		t.Error("a number beyond every length is one")
	}
	l := &settings().Loops[0]
	l.Bounds.SetterStep = 0
	if to, most := firstCut(l, &l.Characteristics[0]); to >= l.Characteristics[0].Aim || most != 0 {
		t.Errorf("the first part is cut to %v", to)
	}
	v := &Several{Orientations: 2}
	if _, ok := v.place(Reading{}); ok {
		t.Error("a reading is placed that does not say how the gauge was turned")
	}
}
