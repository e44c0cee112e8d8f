package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// A first part 20 µm off needs a setter; from then on the loop keeps itself at
// aim by itself.
func TestAutoConverges(t *testing.T) {
	c := cellWith(t, nil)
	c.off("bore", -20*um)
	c.part()
	j := c.judged(c.measure("bore", c.counter))
	if j.Route != routeQueue || j.Need != Setter || j.Bound != "first-part" {
		t.Fatalf("the first part was routed %+v", j)
	}
	c.approve(setter)
	if c.regs[0] != 0 && c.regs[0] != um { // effect −2 on a bore 20 µm too small: 10 µm less, but for the prior
		t.Fatalf("register is %v", c.regs[0])
	}
	for k := range 40 {
		c.drift["bore"] -= 300 // wear: every part 0.3 µm smaller
		c.part()
		c.measure("bore", c.counter)
		size := c.sizes[c.counter]["bore"] - 25*length.Millimetre
		if k > 3 && size.Abs() > 6*um {
			t.Fatalf("part %d came out %v from aim", c.counter, size)
		}
	}
	c.free("bore")
	if n := len(c.intents); n < 4 {
		t.Fatalf("%d intents in 40 parts of wear", n)
	}
	for _, e := range only[Intended](c.events)[1:] {
		if e.Charge <= 0 {
			t.Fatalf("an automatic move was not charged: %+v", e)
		}
	}
}

func TestConfirmAsksAPersonEveryTime(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	for range 4 {
		c.off("bore", -8*um)
		c.part()
		before := len(c.intents)
		c.measure("bore", c.counter)
		if len(c.intents) != before {
			t.Fatal("a write left without an approval")
		}
		if len(c.s.Ledger.Proposals) == 0 { // the filter may want a second part first
			continue
		}
		c.approve(operator)
		if len(c.intents) != before+1 {
			t.Fatal("an approved change was not written")
		}
	}
	if len(c.intents) == 0 {
		t.Fatal("nothing was ever proposed")
	}
	for _, e := range only[Intended](c.events) {
		if e.Charge != 0 {
			t.Fatalf("an approved move was charged: %+v", e)
		}
	}
}

func TestObserveNeverProposes(t *testing.T) {
	c := cellWith(t, mode(Observe))
	for range 8 {
		c.off("bore", -20*um)
		c.part()
		j := c.judged(c.measure("bore", c.counter))
		if j.Route != "" && j.Route != routeObserve {
			t.Fatalf("observe routed to %q", j.Route)
		}
	}
	if len(only[Proposed](c.events))+len(c.intents) != 0 {
		t.Fatal("observe proposed or wrote")
	}
}

// Three parts are cut before the change that the first of them caused; each is
// read against the register in force at its own cut, so nothing is corrected
// twice.
func TestPartsInTransitAreReadAgainstTheirOwnRegister(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.off("bore", -16*um)
	first := c.counter + 1
	for range 4 {
		c.part()
	}
	c.measure("bore", first)
	for n := first + 1; n <= c.counter; n++ {
		j := c.judged(c.measure("bore", n))
		if j.Command != -20*um {
			t.Fatalf("part %d was read with command %v, cut with register 10 µm", n, j.Command)
		}
		if p := c.s.proposalOf("bore"); p != nil && p.Status == Pending {
			c.approve(setter)
		}
	}
	moved := c.regs[0]
	if moved >= 10*um {
		t.Fatalf("register is %v after parts 16 µm too small", moved)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Command != -2*moved {
		t.Fatalf("the first part after the change has command %v, register %v", j.Command, moved)
	}
}

func TestHandEditWhileIdleIsAttributedAndVoidsTheCard(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.off("bore", -20*um)
	c.part()
	c.measure("bore", c.counter)
	c.card()
	c.regs[0] = 5 * um // typed at the panel, machine standing still
	out := c.look()
	if m := one[Moved](t, out); m.Old != 10*um || m.New != 5*um {
		t.Fatalf("moved %+v", m)
	}
	if v := one[Voided](t, out); v.Cause != causeForeign {
		t.Fatalf("voided by %s", v.Cause)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" || j.Command != -10*um {
		t.Fatalf("the next part: %+v", j)
	}
}

func TestHandEditWhileCuttingMakesThatPartAmbiguous(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.begin()
	c.regs[0] = 7 * um
	c.look()
	c.end()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtChanged {
		t.Fatalf("a part cut while the register changed gave %+v", j)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" || j.Command != -14*um {
		t.Fatalf("the part after it: %+v", j)
	}
}

// Where a new value acts from the next cycle on, an edit while cutting leaves no
// doubt: this part has the old one, the next the new.
func TestHandEditWhileCuttingActsNextCycle(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Effective = ActsNextCycle })
	c.settled("bore")
	c.begin()
	c.regs[0] = 7 * um
	c.look()
	c.end()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" || j.Command != -20*um {
		t.Fatalf("the part under way: %+v", j)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" || j.Command != -14*um {
		t.Fatalf("the next part: %+v", j)
	}
}

// The cycle in which somebody typed a value is broken off, and the part is cut
// again with the new value: nobody can say which was in force.
func TestEditInABrokenOffCycleStaysInDoubt(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Effective = ActsNextCycle })
	c.settled("bore")
	c.begin()
	c.regs[0] = 7 * um
	c.look()
	c.cutting = false // reset, nothing counted
	c.look()
	c.look()
	c.look()
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtChanged {
		t.Fatalf("after a broken off cycle: %+v", j)
	}
}

// The state says idle one look before the counter moves; a write that slips in
// between did not act on the part that is finished.
func TestWriteBetweenStandstillAndCountLeavesThePartInDoubt(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.begin()
	c.cutting = false
	c.look()
	c.look()
	c.regs[0] = 7 * um
	c.look()
	c.look()
	c.counter++ // only now
	c.finish()
	c.look()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtChanged {
		t.Fatalf("a part counted after the change: %+v", j)
	}
}

func TestCountAtStart(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.CountsAt = CountsAtStart })
	c.off("bore", -4*um)
	c.begin()
	if n := len(c.s.Ledger.Cuts); n != 0 {
		t.Fatalf("%d cut records while the part is being cut", n)
	}
	c.end()
	if n := len(c.s.Ledger.Cuts); n != 1 || c.s.Ledger.Cuts[0].Count != 101 {
		t.Fatalf("cut records %+v", c.s.Ledger.Cuts)
	}
	if j := c.judged(c.measure("bore", 101)); j.Attribute != "" {
		t.Fatalf("judged %+v", j)
	}
}

// The machine leaves the permitted state, a door opens say, without starting a
// cycle: its counter did not go back.
func TestCountAtStartDoorOpens(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.CountsAt = CountsAtStart })
	c.part()
	c.cutting = true
	c.look()
	c.free("bore")
	c.cutting = false
	c.look()
	c.part()
	c.free("bore")
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" {
		t.Fatalf("judged %+v", j)
	}
}

func TestPartCutOutOfSightSteersNothing(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.begin()
	c.send(Link{Epoch: c.epoch, Cause: "m-down"})
	c.cutting = false
	c.counter++
	c.finish()
	c.connect()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtGap {
		t.Fatalf("judged %+v", j)
	}
	c.begin()
	c.mono += 10_000 // no look for longer than fresh, the session stays
	c.end()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtGap {
		t.Fatalf("judged %+v", j)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" {
		t.Fatalf("judged %+v", j)
	}
}

func TestStartInMidCycleMakesThatPartAmbiguous(t *testing.T) {
	c := newCell(t)
	c.cutting = true
	c.start()
	c.send(Configure{Settings: settings(), Who: engineer})
	c.connect()
	c.acts = c.regs
	c.end()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtGap {
		t.Fatalf("judged %+v", j)
	}
}

// Two parts were counted between two looks, the first of them with the value
// from before the edit.
func TestTwoPartsBetweenTwoLooks(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Effective = ActsNextCycle })
	c.settled("bore")
	c.begin()
	c.regs[0] = 7 * um
	c.look()
	c.counter += 2
	c.look()
	if a, b := c.s.cut(c.counter-1), c.s.cut(c.counter); a.Registers[0] != 10*um || b.Registers[0] != 7*um {
		t.Fatalf("records %+v and %+v", a, b)
	}
}

func TestCounterJump(t *testing.T) {
	c := cellWith(t, nil)
	c.counter += 1000
	c.look()
	c.free("bore")
	if len(c.s.Ledger.Cuts) != 0 {
		t.Fatal("parts were recorded that nobody saw")
	}
	c.sizes[c.counter] = map[string]length.Length{"bore": 25 * length.Millimetre}
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != codeNoRecord {
		t.Fatalf("judged %+v", j)
	}
}

// The control's counter is set to zero for the next order: the machine is held,
// and a number of the old run never finds a part of the new one.
func TestCounterBack(t *testing.T) {
	c := cellWith(t, nil)
	c.counter = 8
	c.look()
	c.resume("", setter)
	for range 4 {
		c.part()
	}
	old := c.counter // measured late, after the reset
	c.send(Pair{Serial: "S-3", Counter: 3})
	late := c.reading("bore", old)
	c.counter = 0
	c.look()
	c.held("bore", causeCounter)
	late.Value += 9 * um
	c.send(late) // ahead of the new count by now
	c.resume("bore", setter)
	for range 13 {
		c.part()
	}
	for _, j := range only[Judged](c.events) {
		if j.Reading.Sequence == late.Sequence && j.Attribute == "" {
			t.Fatalf("a reading of the old run was used for part %d of the new one", j.Count)
		}
	}
	if cut := c.s.cut(3); cut == nil || cut.Serial != "" {
		t.Fatalf("the record of part 3 is %+v", cut)
	}
	for i := 1; i < len(c.s.Ledger.Cuts); i++ {
		if c.s.Ledger.Cuts[i-1].Count >= c.s.Ledger.Cuts[i].Count {
			t.Fatal("the cut records are out of order")
		}
	}
	if j := c.judged(c.measure("bore", c.counter)); j.Estimate == codeIgnored || j.Attribute != "" {
		t.Fatalf("the new run's readings are not used: %+v", j)
	}
}

func TestToolChange(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	c.off("bore", -20*um)
	c.part()
	inTransit := c.counter
	for range 3 { // the filter wants to see it more than once
		c.part()
		c.measure("bore", c.counter)
	}
	c.card()
	c.tools[0]++
	out := c.look()
	one[ToolChanged](t, out)
	for _, p := range c.s.Ledger.Proposals {
		if p.Trigger != kindReturn || p.Gen != c.tools[0] {
			t.Fatalf("a card outlived its tool: %+v", p)
		}
	}
	if j := c.judged(c.measure("bore", inTransit)); j.Attribute != codeOldTool {
		t.Fatalf("a part of the old tool: %+v", j)
	}
	c.off("bore", 15*um)
	c.part()
	j := c.judged(c.measure("bore", c.counter))
	if !c.card().First || j.Need != Setter {
		t.Fatalf("the new tool's first part: %+v", j)
	}
	if b := c.s.loopBook("boss"); b.First != true || b.Sizes[0].Used != 0 {
		t.Fatalf("the other tool's loop was touched: %+v", b)
	}
}

func TestOtherToolsLoopIsLeftAlone(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("boss")
	c.tools[0]++
	c.look()
	if b := c.s.loopBook("boss"); b.First {
		t.Fatal("changing T1 made the first part of T2's loop")
	}
}

func TestProgramChange(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.off("bore", -20*um)
	c.part()
	c.measure("bore", c.counter)
	c.card()
	c.program = "P2"
	if v := one[Voided](t, c.look()); v.Cause != causeProgram {
		t.Fatalf("voided by %s", v.Cause)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != codeProgram {
		t.Fatalf("judged %+v", j)
	}
	c.program = "P1"
	c.look()
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" {
		t.Fatalf("judged %+v", j)
	}
}

// A part that is counted at its start is paused, a value is typed in, and it is
// cut on: its record, made at the pause, is in doubt.
func TestCountAtStartPausedAndEdited(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.CountsAt = CountsAtStart })
	c.part()
	c.begin()
	c.cutting = false
	c.look()
	c.regs[0] = 7 * um
	c.look()
	c.cutting = true
	c.look()
	c.cutting = false
	c.finish()
	c.look()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtChanged {
		t.Fatalf("judged %+v", j)
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" || j.Command != -14*um {
		t.Fatalf("the next part: %+v", j)
	}
}

// Two loops steer registers of one tool: its change is the first part of both.
func TestTwoLoopsShareATool(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Registers[1].Tool = "T1"; mode(Confirm)(s) })
	c.off("bore", -20*um)
	c.off("boss", 20*um)
	c.part()
	c.measure("bore", c.counter)
	c.measure("boss", c.counter)
	c.tools[0]++
	if v := only[Voided](c.look()); len(v) != 2 {
		t.Fatalf("voided %+v", v)
	}
	for _, l := range []string{"bore", "boss"} {
		if b := c.s.loopBook(l); !b.First || b.Sizes[0].Used != 0 {
			t.Fatalf("%s: %+v", l, b)
		}
	}
}
