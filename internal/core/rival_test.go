package core

import (
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

// unlike runs a loop whose register acts otherwise than configured, with a setter
// who agrees to everything, and returns how many parts were cut until it was held.
func unlike(t *testing.T, acts func(c *cell), parts int) (*cell, int) {
	t.Helper()
	c := cellWith(t, patient)
	acts(c)
	for n := range parts {
		noise := int64(c.counter*7919%7)*400 - 1200
		c.mono += 90_000
		c.part()
		size := c.sizes[c.counter]
		size["bore"] += length.Length(noise)
		if c.measure("bore", c.counter); c.s.HoldOn("bore") != nil {
			return c, n + 1
		}
		c.agree()
	}
	return c, 0
}

// A wrong sign is found on the second part cut after the first move, a register
// without effect soon after; both before anything else would stop them.
func TestWrongSignIsHeld(t *testing.T) {
	c, n := unlike(t, func(c *cell) {
		c.sign = -1
		c.drift["bore"] = -2*c.regs[0] + 30*um
	}, 40)
	c.held("bore", causeResponse)
	if text := c.s.HoldOn("bore").Text; n > 3 || text == "" {
		t.Errorf("held after %d parts: %q", n, text)
	}
}

func TestRegisterWithoutEffectIsHeld(t *testing.T) {
	c, n := unlike(t, func(c *cell) {
		c.sign = 0
		c.drift["bore"] = 30 * um
	}, 40)
	c.held("bore", causeResponse)
	if text := c.s.HoldOn("bore").Text; n > 8 || !strings.Contains(text, "no effect") {
		t.Errorf("held after %d parts: %q", n, text)
	}
	c.resume("bore", engineer)
	c.free("bore")
	for _, r := range c.s.estimateOf("bore", 0).Rivals {
		if r.Odds != 0 || r.Row != 0 {
			t.Errorf("a person looked, and %+v goes on", r.Odds)
		}
	}
}

// Wear that every correction follows from the first part on is no wrong response,
// and proves none either; a first move well out of the noise does, and then the
// rivals are forgotten.
func TestRightResponse(t *testing.T) {
	c, n := unlike(t, func(c *cell) { c.off("bore", 46*um) }, 60)
	if n != 0 || c.s.estimateOf("bore", 0).Rivals != nil || !c.s.allProven(&c.s.Ledger.Settings.Loops[0]) {
		t.Fatalf("held after %d parts, rivals %d, %+v", n, len(c.s.estimateOf("bore", 0).Rivals), c.s.loopBook("bore").Sizes[0].Response)
	}
	c = cellWith(t, patient)
	c.settled("bore")
	for range 60 {
		c.mono += 90_000
		c.drift["bore"] -= um
		c.part()
		c.measure("bore", c.counter)
		c.agree()
	}
	c.free("bore")
}

// The response alone proves nothing while a rival explains the sizes as well.
func TestRivalsDelayTheProof(t *testing.T) {
	b := &SizeBook{}
	b.Response.Add(30*um, 30*um, um)
	e := &Estimate{Rivals: []Rival{{Acts: 0, Odds: -1}}}
	if e.shown(b) {
		t.Error("shown, and a register without effect does as well")
	}
	e.Rivals[0].Odds = -4
	if !e.shown(b) {
		t.Error("not shown")
	}
	if e.proved(b); e.Rivals != nil {
		t.Error("rivals are kept")
	}
}

// One part cut again shows the sign and not the size: automatic moves are unlocked,
// the rivals stay, the size comes from a fresh part.
func TestRecutShowsTheSign(t *testing.T) {
	c := cellWith(t, patient)
	c.off("bore", -40*um)
	c.serial = "A"
	c.part()
	c.measure("bore", c.counter)
	c.agree()
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); !j.Recut {
		t.Fatalf("%+v", j)
	}
	b, e := &c.s.loopBook("bore").Sizes[0], c.s.estimateOf("bore", 0)
	if !b.recutShows() || b.Response.Moves != 0 {
		t.Fatalf("%+v", b)
	}
	if !e.shown(b) || e.Rivals == nil || e.Filter.Readings != 1 {
		t.Errorf("shown %t, %d rivals, %d readings", e.shown(b), len(e.Rivals), e.Filter.Readings)
	}
	rub := &SizeBook{}
	rub.Recuts.Add(30*um, 15*um, um)
	if rub.recutShows() {
		t.Error("half of what was commanded may be what any second pass removes")
	}
}
