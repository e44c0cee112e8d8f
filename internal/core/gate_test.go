package core

import (
	"testing"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/length"
)

// A change that is ready waits for a fresh look at the machine.
func TestNothingIsSentOnAStaleLook(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	for range 8 {
		c.off("bore", -8*um)
		c.part()
		c.mono += 3000 // longer than fresh
		none[Intended](t, c.measure("bore", c.counter))
		none[Intended](t, c.send(Tick{}))
		if c.s.proposalOf("bore") != nil {
			one[Intended](t, c.look())
			return
		}
		c.look()
	}
	t.Fatal("no change was ready")
}

// What the loop had added before a person set the register is the person's now:
// going back on it needs a person again.
func TestEditByHandTakesOverWhatTheLoopAdded(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.ready()
	if c.s.book("R1").Own <= 0 {
		t.Fatalf("the loop added %v", c.s.book("R1").Own)
	}
	c.regs[0] -= um
	c.look()
	if own := c.s.book("R1").Own; own != 0 {
		t.Fatalf("%v are still the loop's", own)
	}
}

// The very reading that puts a loop on hold for its response also asks for a
// change. Nothing of it is proposed.
func TestReadingThatHoldsProposesNothing(t *testing.T) {
	c := cellWith(t, nil)
	c.settled("bore")
	c.byHand(9 * um)
	c.drift["bore"] -= 12 * um
	c.part()
	for _, s := range []*State{c.s, c.f} {
		b := s.loopBook("bore")
		b.Sizes[0].Contrary, b.Sizes[0].Response = contraryLimit-1, compensate.Response{XX: 100_000, XY: -100_000, Moves: 9}
	}
	out := c.measure("bore", c.counter)
	j := c.judged(out)
	if j.Route != routeQueue && j.Route != routeWrite {
		t.Fatalf("the reading asks for nothing: %+v", j)
	}
	c.held("bore", causeResponse)
	none[Proposed](t, out)
	none[Intended](t, out)
}

// A change waits for the machine, and a newer reading asks for one that nobody
// may make: the verdict has changed, however little the value has.
func TestRefusalIsNotHiddenByAnOpenChange(t *testing.T) {
	var low length.Length
	for range 2 { // the first round finds out what will be asked for
		c := cellWith(t, func(s *Settings) {
			s.Loops[0].DeadBand = 6 * um
			if low != 0 {
				s.Registers[0].Band.Low = low
			}
		})
		c.settled("bore")
		c.drift["bore"] -= 9 * um
		c.part()
		c.begin()
		for range 6 {
			c.measure("bore", c.counter)
			if c.s.proposalOf("bore") != nil {
				break
			}
			c.end()
			c.begin()
		}
		p := c.s.proposalOf("bore")
		if p == nil {
			t.Fatal("nothing is open")
		}
		if low == 0 {
			low = p.Moves[0].New
			continue
		}
		for range 12 {
			c.drift["bore"] -= um / 2
			c.end0()
			j := c.judged(c.measure("bore", c.counter))
			if len(j.Moves) > 0 && j.Moves[0].New < low {
				if j.Route != routeRefused {
					t.Fatalf("a change to %v, band from %v: %+v", j.Moves[0].New, low, j)
				}
				c.held("bore", causeRefused)
				return
			}
		}
		t.Fatal("nothing beyond the band was asked for")
	}
}

// end0 finishes a part and begins the next so quickly that no look falls between.
func (c *cell) end0() {
	c.t.Helper()
	c.counter++
	c.finish()
	c.look()
}
