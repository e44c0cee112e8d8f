package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// numbered cuts a part and measures it under that number.
func (c *cell) numbered(n uint64) Judged {
	c.t.Helper()
	c.part()
	r := c.reading("bore", c.counter)
	r.Sequence = n
	return c.judged(c.send(r))
}

func (c *cell) waitsFor(loop string) Code {
	v := c.s.View()
	for i := range v.Loops {
		if v.Loops[i].Name == loop {
			return v.Loops[i].Waiting
		}
	}
	return "no such loop"
}

// fellBehind is a gauge whose gateway was restarted: numbers 101 to 105, then 1, 2 and 3.
func fellBehind(t *testing.T) *cell {
	t.Helper()
	c := cellWith(t, nil)
	c.off("bore", 0)
	for n := range uint64(5) {
		if j := c.numbered(101 + n); j.Admit != "" || j.Attribute != "" {
			t.Fatalf("number %d: %+v", 101+n, j)
		}
	}
	for n := range uint64(3) {
		if c.waitsFor("bore") != "" {
			t.Fatalf("waits after %d", n)
		}
		if j := c.numbered(1 + n); j.Admit != codeLate {
			t.Fatalf("number %d is used: %+v", 1+n, j)
		}
	}
	return c
}

// Three numbers in a row below the last one are told, and nothing of them is used until the
// gauge was put on its ring.
func TestAGaugeWhoseNumbersBeginAnew(t *testing.T) {
	c := fellBehind(t)
	if w := c.waitsFor("bore"); w != codeNumbers || w.Words() == string(w) {
		t.Fatalf("waits for %q", w)
	}
	if c.waitsFor("boss") != "" {
		t.Fatal("a loop of another gauge waits too")
	}
	c.record(1, Set{Check: check(0)})
	if w := c.waitsFor("bore"); w != "" {
		t.Fatalf("set, and waits for %q", w)
	}
	used := c.s.loopBook("bore").Evidence
	for n := range uint64(4) {
		if j := c.numbered(4 + n); j.Admit != "" || j.Attribute != "" {
			t.Fatalf("number %d of the new count: %+v", 4+n, j)
		}
	}
	if got := c.s.loopBook("bore").Evidence; got != used+4 {
		t.Fatalf("%d readings used, not 4", got-used)
	}
	c.compare()
}

// What the broker brings again is used once, of whichever count it is.
func TestNothingOfTheOldCountIsUsedAgain(t *testing.T) {
	c := fellBehind(t)
	c.record(1, Set{Check: check(0)})
	again := func(n, part uint64) Judged {
		r := c.reading("bore", part)
		r.Sequence = n
		return c.judged(c.send(r))
	}
	first := c.counter - 7
	for i, n := range []uint64{101, 102, 103, 104, 105} {
		if j := again(n, first+uint64(i)); j.Attribute != codeLate {
			t.Errorf("number %d of the old count is used: %+v", n, j)
		}
		c.s.known("g-bore").Last, c.f.known("g-bore").Last = 3, 3 // each on its own
	}
	for n := range uint64(3) {
		if j := again(1+n, first+5+n); j.Admit != codeLate && j.Admit != codeRepeated {
			t.Errorf("number %d is used: %+v", 1+n, j)
		}
	}
	if j := c.numbered(104); j.Admit != "" || j.Attribute != "" {
		t.Errorf("a part of now with a number of then: %+v", j)
	}
	if c.numbered(106); c.s.known("g-bore").Numbers.Was != 0 {
		t.Errorf("past the old count: %+v", c.s.known("g-bore").Numbers)
	}
}

// One message with a damaged number: the gauge falls behind, is set, and counts on.
func TestADamagedNumber(t *testing.T) {
	c := cellWith(t, nil)
	c.off("bore", 0)
	for _, n := range []uint64{7, 908, 9, 10, 11} {
		c.numbered(n)
	}
	if w := c.waitsFor("bore"); w != codeNumbers {
		t.Fatalf("waits for %q", w)
	}
	c.record(1, Set{Check: check(0)})
	if j := c.numbered(12); j.Admit != "" || j.Attribute != "" {
		t.Fatalf("%+v", j)
	}
}

// Two gauges with one name fall behind in turn, which comes to be told as well.
func TestTwoGaugesWithOneName(t *testing.T) {
	c := cellWith(t, nil)
	c.off("bore", 0)
	for n := range uint64(10) {
		if c.numbered(500 + n); c.waitsFor("bore") != "" {
			return
		}
		c.numbered(20 + n)
	}
	t.Fatal("not told")
}

// A few old readings that come again are nothing to tell.
func TestOldReadingsThatComeAgain(t *testing.T) {
	c := cellWith(t, nil)
	c.off("bore", 0)
	for n := range uint64(20) {
		c.numbered(50 + n)
		if n%4 == 3 {
			r := c.reading("bore", c.counter-2)
			r.Sequence = 50 + n - 2
			c.send(r)
		}
		if w := c.waitsFor("bore"); w != "" {
			t.Fatalf("waits for %q at number %d", w, 50+n)
		}
	}
}

// A task of a ring is the other way to put the gauge on it: its reading has a number of the new
// count too.
func TestTheRingsReadingMayBelongToTheNewCount(t *testing.T) {
	c := onRing(t)
	book := c.s.gauge("g-bore")
	book.Last, book.Numbers = 105, Numbers{Late: 3, Behind: behindLimit}
	*c.f.gauge("g-bore") = *book
	r := c.ringReading(25*length.Millimetre - 60*um)
	r.Sequence = 3
	if out := c.send(r); len(only[RingRead](out)) != 0 {
		t.Fatal("a number of before is taken as the ring's")
	}
	r.Sequence = 4
	if out := c.send(r); len(only[RingRead](out)) != 1 {
		t.Fatalf("came to %+v", out)
	}
	c.record(1, RingChecked{Check: check(0)})
	if n := c.s.known("g-bore").Last; n != 4 {
		t.Fatalf("the new count stands at %d", n)
	}
}
