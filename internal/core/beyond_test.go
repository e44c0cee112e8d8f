package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// A loop that would leave its parts where they are, past a limit, does not do so in
// silence: whatever its estimate believes, six in a row are somebody's business.
func TestPartsPastALimitThatChangeNothingHold(t *testing.T) {
	for _, off := range []length.Length{60 * um, -60 * um} {
		c := cellWith(t, func(s *Settings) { s.Loops[0].DeadBand = 150 * um })
		c.drift["bore"] += off
		for n := 1; n <= beyondLimit; n++ {
			c.free("bore")
			c.part()
			c.measure("bore", c.counter)
		}
		h := one[Held](t, c.events)
		if h.Cause != causeBeyond || h.Clear != Setter || h.Loop != "bore" {
			t.Fatalf("off by %v: %+v", off, h)
		}
		c.send(Resume{Loop: "bore", Cause: causeBeyond, Note: "measured by another gauge", Who: setter})
		c.free("bore")
		if e := c.s.estimateOf("bore", 0); e.Filter.Readings != 0 || !c.s.loopBook("bore").First {
			t.Fatal("what was learned wrongly is still believed")
		}
		c.restart()
		c.compare()
	}
}

// A further measurement of the same cut, a part in between that was good, and parts
// on the other side are not the same thing again and again.
func TestBeyond(t *testing.T) {
	ch := settings().Loops[0].Characteristics[0]
	read := func(off length.Length) *Judged { return &Judged{Deviation: off, Propose: codeDeadBand} }
	for _, c := range []struct {
		name   string
		change func(*Judged)
		want   int
	}{
		{"past the limit", func(*Judged) {}, 3},
		{"on the limit", func(j *Judged) { j.Deviation = 50 * um }, 0},
		{"past the other one", func(j *Judged) { j.Deviation = -51 * um }, 1},
		{"with a change on its way", func(j *Judged) { j.Propose = codeInFlight }, 0},
		{"with a proposal that leads further away", func(j *Judged) { j.Propose, j.Moves = "", []Move{{Size: um}} }, 3},
		{"with a proposal that leads back", func(j *Judged) { j.Propose, j.Moves = "", []Move{{Size: -um}} }, 0},
		{"with a proposal", func(j *Judged) { j.Propose = "" }, 0},
		{"cut before the last change", func(j *Judged) { j.Command = um }, 2},
		{"the same cut", func(j *Judged) { j.Regauge = true }, 2},
		{"cut again", func(j *Judged) { j.Recut = true }, 2},
		{"in doubt", func(j *Judged) { j.Estimate = codeSuspect }, 2},
		{"set aside", func(j *Judged) { j.Estimate = codeIgnored }, 2},
	} {
		b := SizeBook{}
		b.beyond(read(51*um), &ch, 0)
		b.beyond(read(52*um), &ch, 0)
		j := read(53 * um)
		c.change(j)
		if b.beyond(j, &ch, 0); b.Beyond.Parts != c.want {
			t.Errorf("%s: %d in a row, want %d", c.name, b.Beyond.Parts, c.want)
		}
	}
}
