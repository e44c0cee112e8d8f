package core

import (
	"bytes"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

// replayed runs what a cell recorded through other settings. The wall clock of the
// cell is its monotonic one.
func replayed(t tester, c *cell, set Settings, answer int) (judged []Judged, again []Again) {
	t.Helper()
	r := NewReplay(answer)
	if !r.Begin(set) {
		t.Fatal("the settings are not sound")
	}
	for i, e := range c.events {
		d, err := Decode(e.Kind(), Encode(e))
		if err != nil {
			t.Fatal(err)
		}
		a := r.Take(c.at[i], d)
		again = append(again, a)
		for _, e := range a.Events {
			if j, ok := e.(Judged); ok {
				j.live = false
				judged = append(judged, j)
			}
		}
	}
	return judged, again
}

func recordedJudged(c *cell) (out []Judged) {
	for _, j := range only[Judged](c.events) {
		j.live = false
		out = append(out, j)
	}
	return out
}

// Under the settings of the record, and where nothing went wrong, a replay decides
// as it was decided, to the last figure: warm-up, tool changes, parts in transit,
// readings that come while the next part is cut or before their own is counted.
func TestTheSameSettingsDecideTheSame(t *testing.T) {
	moves := 0
	rapid.Check(t, func(t *rapid.T) {
		c := cellWith(t, func(s *Settings) {
			s.CountsAt = rapid.SampledFrom([]string{CountsAtStart, CountsAtEnd}).Draw(t, "counts")
			s.Effective = rapid.SampledFrom([]string{ActsAtOnce, ActsNextCycle}).Draw(t, "acts")
			s.Loops[1].MinReadings = rapid.IntRange(1, 3).Draw(t, "fewest")
		})
		var late []uint64
		for range rapid.IntRange(5, 60).Draw(t, "parts") {
			c.drift["bore"] -= length.Length(rapid.IntRange(-2000, 3000).Draw(t, "wear"))
			c.drift["boss"] += length.Length(rapid.IntRange(-2000, 2500).Draw(t, "noise"))
			if rapid.IntRange(0, 14).Draw(t, "change") == 0 {
				c.tools[rapid.IntRange(0, 1).Draw(t, "tool")]++
				c.look()
			}
			if rapid.IntRange(0, 9).Draw(t, "pause") == 0 {
				c.mono += int64(rapid.IntRange(1, 3_000_000).Draw(t, "for"))
				c.look()
				c.look()
			}
			c.begin()
			if rapid.Bool().Draw(t, "meanwhile") {
				for _, n := range late {
					c.measure("boss", n)
				}
				late = nil
			}
			c.mono += int64(rapid.IntRange(1, 1900).Draw(t, "cycle"))
			c.end()
			c.measure("bore", c.counter)
			late = append(late, c.counter)
		}
		want := recordedJudged(c)
		got, _ := replayed(t, c, c.s.Ledger.Settings, 0)
		sameJudged(t, want, got)
		moves += len(c.intents)
	})
	if moves == 0 {
		t.Fatal("nothing was ever written")
	}
	t.Logf("%d register changes", moves)
}

func sameJudged(t tester, want, got []Judged) {
	t.Helper()
	for i := range min(len(want), len(got)) {
		if a, b := asJSON(t, want[i]), asJSON(t, got[i]); !bytes.Equal(a, b) {
			t.Fatalf("reading %d of %d\nrecorded %s\nreplayed %s", i, len(want), a, b)
		}
	}
	if len(want) != len(got) {
		t.Fatalf("%d readings recorded, %d replayed", len(want), len(got))
	}
}

// Whatever happened, a replay under any settings ends, twice the same, and its
// registers stay in their bands.
func TestReplayOfAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		for range rapid.IntRange(1, 80).Draw(t, "steps") {
			w.act()
		}
		set := w.set
		set.Loops = slices.Clone(set.Loops)
		for i := range set.Loops {
			l := &set.Loops[i]
			l.Mode = rapid.SampledFrom([]Mode{Auto, Confirm, Observe}).Draw(t, "other mode")
			l.Damping = rapid.Float64Range(0.05, 1).Draw(t, "damping")
			l.DeadBand = length.Length(rapid.IntRange(0, 20_000).Draw(t, "band"))
		}
		answer := rapid.IntRange(0, 5).Draw(t, "answer")
		_, first := replayed(t, w.cell, set, answer)
		_, again := replayed(t, w.cell, set, answer)
		if a, b := fmt.Sprint(texts(t, first)), fmt.Sprint(texts(t, again)); a != b {
			t.Fatalf("%s\n%s", a, b)
		}
		for _, a := range first {
			for _, e := range a.Events {
				if in, ok := e.(Intended); ok && !set.Register(in.Register).Band.Contains(in.New) {
					t.Fatalf("%+v", in)
				}
			}
		}
	})
}

func texts(t tester, all []Again) (out []string) {
	for _, a := range all {
		for _, e := range a.Events {
			out = append(out, e.Kind()+string(asJSON(t, e)))
		}
		out = append(out, fmt.Sprint(a.Size, a.Alone, a.Sized))
	}
	return out
}

// worn is a record of parts that wear by a micrometre each, and answer as they should.
func worn(t *testing.T, parts int, change func(*Settings)) *cell {
	c := cellWith(t, change)
	c.settled("bore")
	for range parts {
		c.drift["bore"] -= um
		c.part()
		c.measure("bore", c.counter)
		for _, p := range c.s.Ledger.Proposals {
			if p.Status == Pending {
				c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
			}
		}
	}
	return c
}

func ofKind[E Event](all []Again) (out []E) {
	for _, a := range all {
		out = append(out, only[E](a.Events)...)
	}
	return out
}

// Of a loop that would only have watched, the sizes are those of the process
// alone; what it would have done otherwise is read off them.
func TestReplayWithoutCorrections(t *testing.T) {
	c := worn(t, 30, nil)
	if len(c.intents) < 5 {
		t.Fatalf("%d corrections recorded", len(c.intents))
	}
	set := settings()
	set.Loops[0].Mode = Observe
	judged, all := replayed(t, c, set, 0)
	if n := len(ofKind[Intended](all)); n != 0 {
		t.Fatalf("an observing loop wrote %d times", n)
	}
	sized := 0
	for _, a := range all {
		if !a.Sized {
			continue
		}
		if want := 25*length.Millimetre - length.Length(sized)*um; a.Size != want || a.Alone != want {
			t.Fatalf("part %d would have been %v, or %v left alone, want %v", sized, a.Size, a.Alone, want)
		}
		sized++
	}
	if sized != 31 || len(judged) != 31 {
		t.Fatalf("%d sizes of %d readings", sized, len(judged))
	}
}

// Corrections that were never recorded act on the sizes that follow.
func TestReplayOfALoopThatOnlyWatched(t *testing.T) {
	c := worn(t, 30, mode(Observe))
	_, all := replayed(t, c, settings(), 0)
	if n := len(ofKind[Concluded](all)); n < 5 {
		t.Fatalf("%d corrections", n)
	}
	for i, a := range all {
		if a.Sized && (a.Size-25*length.Millimetre).Abs() > 6*um {
			t.Fatalf("event %d: the size would have been %v", i, a.Size)
		}
	}
}

func TestReplayWithAWiderDeadBandAsksLess(t *testing.T) {
	c := worn(t, 60, mode(Confirm))
	_, same := replayed(t, c, settingsIn(Confirm, um), 0)
	_, wide := replayed(t, c, settingsIn(Confirm, 12*um), 0)
	a, b := len(ofKind[Proposed](same)), len(ofKind[Proposed](wide))
	if a != len(only[Proposed](c.events)) || b == 0 || 2*b > a {
		t.Fatalf("%d cards recorded, %d replayed, %d with a wide dead band", len(only[Proposed](c.events)), a, b)
	}
	_, slow := replayed(t, c, settingsIn(Confirm, 3*um), 8)
	if n := len(ofKind[Approved](slow)); n == 0 || n >= a {
		t.Fatalf("%d approvals by somebody who takes eight parts", n)
	}
}

func settingsIn(m Mode, band length.Length) Settings {
	s := settings()
	mode(m)(&s)
	s.Loops[0].DeadBand = band
	return s
}

// A person's answers to the same cards are taken over: who said no, and when.
func TestReplayTakesAnswersOver(t *testing.T) {
	c := cellWith(t, mode(Confirm))
	c.settled("bore")
	for k := range 12 {
		c.off("bore", -9*um)
		c.part()
		c.measure("bore", c.counter)
		if len(c.s.Ledger.Proposals) == 0 {
			continue
		}
		c.part() // a part later
		if k%2 == 0 {
			p := c.card()
			c.send(Reject{Proposal: p.ID, Reason: "chip", Who: operator})
		} else {
			c.approve(operator)
		}
	}
	rejected := 0
	for _, v := range only[Voided](c.events) {
		if v.Cause == causeRejected {
			rejected++
		}
	}
	judged, all := replayed(t, c, c.s.Ledger.Settings, 0)
	sameJudged(t, recordedJudged(c), judged)
	for _, v := range ofKind[Voided](all) {
		if v.Cause == causeRejected {
			rejected--
		}
	}
	if a, b := len(only[Approved](c.events)), len(ofKind[Approved](all)); rejected != 0 || a == 0 || a != b {
		t.Fatalf("%d approvals recorded, %d replayed, %d rejections short", a, b, rejected)
	}
}

// A register that a hand moved, moves by as much; one that was set to zero is.
func TestReplayOfAHandEdit(t *testing.T) {
	c := worn(t, 20, nil)
	c.byHand(c.regs[0] + 4*um)
	c.part()
	c.measure("bore", c.counter)
	set := settings()
	set.Loops[0].Mode = Observe
	_, all := replayed(t, c, set, 0)
	m := one[Moved](t, ofKindEvents(all))
	if m.Old != 10*um || m.New != 14*um {
		t.Fatalf("the hand's change came out as %+v", m)
	}
	last := all[len(all)-1]
	for i := len(all) - 1; !last.Sized; i-- {
		last = all[i]
	}
	if want := last.Alone - 8*um; last.Size != want {
		t.Fatalf("the part after it would have been %v, want %v", last.Size, want)
	}
	c.byHand(0)
	_, all = replayed(t, c, set, 0)
	if moved := only[Moved](ofKindEvents(all)); moved[1].New != 0 {
		t.Fatalf("set to zero it came out as %+v", moved[1])
	}
}

func ofKindEvents(all []Again) (out []Event) {
	for _, a := range all {
		out = append(out, a.Events...)
	}
	return out
}

// Another configuration of the record's table is followed by node, not by place.
func TestReplayFindsTheColumns(t *testing.T) {
	c := worn(t, 20, nil)
	set := settings()
	set.Registers[0], set.Registers[1] = set.Registers[1], set.Registers[0]
	set.Tools = []string{"T2", "T1"}
	judged, _ := replayed(t, c, set, 0)
	sameJudged(t, recordedJudged(c), judged)
	set.Registers[1].Name, set.Registers[1].Node = "R9", "n9"
	set.Loops[0].Registers = []string{"R9"}
	r := NewReplay(0)
	if !r.Begin(set) {
		t.Fatal("not sound")
	}
	for i, e := range c.events {
		if a := r.Take(c.at[i], e); a.Sized {
			t.Fatalf("%+v has a size without a register", e)
		}
	}
	if r.Reads(&r.Settings().Loops[0]) || !r.Reads(&r.Settings().Loops[1]) {
		t.Fatal("which loops the record can be replayed for is wrong")
	}
}

// A replay may begin in the middle: what was decided before stands.
func TestReplayFromTheMiddle(t *testing.T) {
	c := worn(t, 40, nil)
	r := NewReplay(0)
	var got []Judged
	for i, e := range c.events {
		if i == len(c.events)/2 && !r.Begin(c.s.Ledger.Settings) {
			t.Fatal("not sound")
		}
		e, err := Decode(e.Kind(), Encode(e))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range r.Take(c.at[i], e).Events {
			if j, ok := e.(Judged); ok {
				j.live = false
				got = append(got, j)
			}
		}
	}
	want := recordedJudged(c)
	sameJudged(t, want[len(want)-len(got):], got)
	if len(got) < 10 {
		t.Fatalf("%d readings", len(got))
	}
}

// What a hand types while a part is cut acts on the next one where the control says
// so: the part itself keeps what it was begun with, here as in the record.
func TestReplayOfAHandEditWhileCutting(t *testing.T) {
	c := worn(t, 20, func(s *Settings) { s.Effective = ActsNextCycle })
	c.begin()
	c.byHand(c.regs[0] + 4*um)
	c.end()
	c.measure("bore", c.counter)
	for range 3 {
		c.part()
		c.measure("bore", c.counter)
	}
	judged, _ := replayed(t, c, c.s.Ledger.Settings, 0)
	sameJudged(t, recordedJudged(c), judged)
}
