package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// swapped is a cell whose register has acted the other way from the start, with its
// first part so far from aim; it returns after the setter's yes to the first card.
func swapped(t *testing.T, off length.Length) *cell {
	c := cellWith(t, nil)
	c.regs[0] = 0
	c.look()
	c.sign = -1
	c.drift["bore"] = off
	c.part()
	c.measure("bore", c.counter)
	c.approve(setter)
	return c
}

// A wrong sign is found on the first large move: two parts that agree, and the loop
// stops with what it asked for and what came.
func TestAWrongSignStopsTheLoopAfterOneMove(t *testing.T) {
	for _, off := range []length.Length{-20 * um, 20 * um, -30 * um} {
		c := swapped(t, off)
		moves, at := len(c.intents), c.counter
		for range 4 {
			c.part()
			c.measure("bore", c.counter)
			if c.s.HoldOn("bore") != nil {
				break
			}
		}
		h := one[Held](t, c.events)
		if h.Cause != causeResponse || h.Clear != Engineer {
			t.Fatalf("off by %v: %+v", off, h)
		}
		if c.counter-at > 3 || len(c.intents) > moves+1 {
			t.Fatalf("off by %v: held after %d parts and %d moves", off, c.counter-at, len(c.intents))
		}
	}
}

// Resumed after the sign was put right, it goes on as if nothing had been.
func TestAWrongSignPutRight(t *testing.T) {
	c := swapped(t, -20*um)
	for c.s.HoldOn("bore") == nil {
		c.part()
		c.measure("bore", c.counter)
	}
	c.sign = 1
	c.resume("bore", engineer)
	for range 12 {
		c.part()
		c.measure("bore", c.counter)
		for _, p := range c.s.Ledger.Proposals {
			if p.Status == Pending && p.Loop == "bore" {
				c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
			}
		}
	}
	c.free("bore")
	if off := (c.sizes[c.counter]["bore"] - 25*length.Millimetre).Abs(); off > 6*um {
		t.Fatalf("still %v from aim", off)
	}
}

func TestSurprises(t *testing.T) {
	read := func(count uint64, code Code, command, deviation length.Length) *Judged {
		return &Judged{Count: count, Estimate: code, Command: command, Deviation: deviation, Noise: 2 * um}
	}
	last := Last{Count: 10, Deviation: -20 * um}
	for _, c := range []struct {
		name             string
		readings         []*Judged
		unproven, proven bool
	}{
		{"wrong sign, once", []*Judged{read(11, codeSuspect, 20*um, -40*um)}, false, false},
		{"wrong sign, twice", []*Judged{read(11, codeSuspect, 20*um, -40*um), read(12, codeSuspect, 20*um, -42*um)}, true, false},
		{"wrong sign, three times", []*Judged{read(11, codeSuspect, 20*um, -40*um), read(12, codeSuspect, 20*um, -42*um), read(13, codeStep, 20*um, -39*um)}, true, true},
		{"it went where it should", []*Judged{read(11, codeSuspect, 20*um, 0), read(12, codeSuspect, 20*um, um)}, false, false},
		{"no agreement", []*Judged{read(11, codeSuspect, 20*um, -40*um), read(12, codeSuspect, 20*um, -20*um)}, false, false},
		{"the second was as expected", []*Judged{read(11, codeSuspect, 20*um, -40*um), read(12, "", 20*um, 0), read(13, codeSuspect, 20*um, -40*um)}, false, false},
		{"too small a move", []*Judged{read(11, codeSuspect, 7*um, -40*um), read(12, codeSuspect, 7*um, -40*um)}, false, false},
		{"too far for any register", []*Judged{read(11, codeSuspect, 20*um, -90*um), read(12, codeSuspect, 20*um, -90*um)}, false, false},
		{"nothing moved", []*Judged{read(11, codeSuspect, 30*um, -20*um), read(12, codeSuspect, 30*um, -20*um), read(13, codeStep, 30*um, -20*um)}, true, false},
	} {
		b := SizeBook{Last: last}
		for _, j := range c.readings {
			b.surprised(j)
		}
		if b.Surprise.contrary(false) != c.unproven || b.Surprise.contrary(true) != c.proven {
			t.Errorf("%s: %+v", c.name, b.Surprise)
		}
	}
}
