package core

import (
	"testing"

	"offsetbridge/internal/length"
)

func TestSwing(t *testing.T) {
	for _, c := range []struct {
		name    string
		changes []length.Length
		want    int
	}{
		{"to and fro", []length.Length{4, -4, 4, -4, 4, -4}, 6},
		{"further and further", []length.Length{-3, 4, -6, 9}, 4},
		{"smaller and smaller", []length.Length{9, -6, 4, -3}, 1},
		{"all one way", []length.Length{4, 4, 4}, 1},
		{"one of a step is rounding", []length.Length{4, -4, 4, -2}, 0},
		{"and it begins anew", []length.Length{4, -4, 1, 5, -6}, 2},
	} {
		var w Swing
		for _, d := range c.changes {
			w.swung(d*um, um)
		}
		if w.Row != c.want {
			t.Errorf("%s: %d, want %d", c.name, w.Row, c.want)
		}
	}
}

// A loop whose corrections are carried out twice over swings about its aim: it is
// held, and not by the size of its corrections.
func TestCorrectionsToAndFroHold(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[0].Bounds.Travel = 10_000 * um })
	way := 8 * um
	for n := 1; n <= swingLimit; n++ {
		c.free("bore")
		old := c.regs[0]
		c.s.Apply(Proposed{Proposal{ID: uint64(900 + n), Loop: "bore", Moves: []Move{{Register: "R1", Old: old, New: old + way}}}})
		in := Intent{ID: uint64(950 + n), Proposal: uint64(900 + n), Loop: "bore", Register: "R1", Old: old, New: old + way, Tool: "T1", Gen: 3, Count: 1}
		c.s.Apply(Intended{Intent: in})
		c.regs[0] = in.New
		c.s.Step(Input{At: Instant{Mono: c.mono}, Fact: Outcome{Intent: in.ID, Result: Applied, Read: in.New}})
		way = -way
	}
	h := c.s.HoldOn("bore")
	if h == nil || h.Cause != causeSwing || h.Clear != Engineer {
		t.Fatalf("%+v", h)
	}
	c.s.Step(Input{At: Instant{Mono: c.mono}, Fact: Resume{Loop: "bore", Cause: causeSwing, Note: "halved the damping", Who: engineer}})
	if c.s.HoldOn("bore") != nil || c.s.book("R1").Swing.Row != 0 {
		t.Fatal("it does not go on")
	}
}

// Parts that nobody measures stop nothing, and are told.
func TestNoReadingForLongIsTold(t *testing.T) {
	c := cellWith(t, nil)
	c.part()
	c.measure("bore", c.counter)
	told := func() Code { return c.s.View().Loops[0].Waiting }
	for range silentParts - 1 {
		c.part()
	}
	if w := told(); w != "" {
		t.Fatalf("waiting %q after %d parts", w, silentParts-1)
	}
	c.part()
	if w := told(); w != waitReading || waitReading.Words() == string(waitReading) {
		t.Fatalf("waiting %q after %d parts", w, silentParts)
	}
	c.measure("bore", c.counter)
	if w := told(); w != "" {
		t.Fatalf("waiting %q after a reading", w)
	}
}
