package core

import (
	"testing"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/length"
)

// What the estimate takes for a weak response makes no step more than half as large
// again, until moves have shown it.
func TestAWeakResponseIsShownBeforeItEnlargesSteps(t *testing.T) {
	c := cellWith(t, nil)
	l := c.s.Ledger.Settings.Loop("bore")
	d := &decision{s: c.s}
	now := -l.effect(0, "R1").Of(c.regs[0]) // as a change commanded
	for _, x := range []struct {
		ratio Effect
		shown float64 // by eight moves of 10 µm; 0: nothing moved yet
		want  length.Length
	}{
		{300, 0, 9 * um}, {300, 0.3, 20 * um}, {300, 1, 9 * um}, {300, 0.6, 14 * um}, {1000, 0, 20 * um}, {800, 0, 20 * um}, {2000, 0, 20 * um}, {-500, 0, 20 * um},
	} {
		var r compensate.Response
		for range 8 {
			if x.shown != 0 {
				r.Add(10*um, length.Length(x.shown*float64(10*um)), um/2)
			}
		}
		c.s.loopBook("bore").Sizes[0].Response = r
		p := prospect{drift: now + 20*um, ratio: x.ratio}
		move := d.off(&p, l, 0) - d.enlargedAside(&p, l, 0)
		if apart := (move - x.want).Abs(); apart > 2*um {
			t.Errorf("learned %d ‰, shown %g: 20 µm of command are %v, want about %v", x.ratio, x.shown, move, x.want)
		}
	}
}
