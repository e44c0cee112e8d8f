package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// byHand types a value at the panel and looks.
func (c *cell) byHand(v length.Length) []Event {
	c.t.Helper()
	c.regs[0] = v
	return c.look()
}

// One small edit re-bases the loop; a second one within twenty parts points at a
// second writer.
func TestForeignChangeTwice(t *testing.T) {
	c := cellWith(t, nil)
	one[Moved](t, c.byHand(8*um))
	c.free("bore")
	for range foreignWithin - 1 {
		c.part()
	}
	one[Moved](t, c.byHand(6*um))
	c.held("bore", causeForeignTwice)
	c.free("boss")
	c.resume("bore", setter)
	for range foreignWithin + 1 {
		c.part()
	}
	one[Moved](t, c.byHand(8*um))
	c.free("bore")
}

// An edit by more than a setter's step may be a cleared or a restored table.
func TestForeignJump(t *testing.T) {
	c := cellWith(t, nil)
	c.byHand(35 * um) // 25 µm of register are 50 µm of bore, the setter's step
	c.free("bore")
	c = cellWith(t, nil)
	c.byHand(36 * um)
	c.held("bore", causeForeignJump)
	if c.s.HoldOn("bore").Clear != Setter {
		t.Fatalf("cleared by %s", c.s.HoldOn("bore").Clear)
	}
}

// Between two looks a part was counted, the next begun and a value changed: that
// next part may have begun under either.
func TestChangeAroundTheCountWhileTheNextIsCut(t *testing.T) {
	c := cellWith(t, nil)
	c.begin()
	c.counter++
	c.finish()
	c.acts = []length.Length{7 * um, c.regs[1]}
	c.byHand(7 * um)
	for range 2 { // the part that was counted, and the one under way then
		if j := c.judged(c.measure("bore", c.counter)); j.Attribute != doubtChanged {
			t.Fatalf("part %d: %+v", c.counter, j)
		}
		c.end()
	}
	c.part()
	if j := c.judged(c.measure("bore", c.counter)); j.Attribute != "" {
		t.Fatalf("a later part: %+v", j)
	}
}
