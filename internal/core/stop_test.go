package core

import (
	"bytes"
	"testing"
)

// A pause much longer than the ordinary cycle is told to the estimates; the
// ordinary cycle itself is not.
func TestAStandstillIsTold(t *testing.T) {
	s := &State{}
	minute, events := 0.0, func() (n int) {
		for i := range s.Estimates {
			n += s.Estimates[i].Filter.NEvents
		}
		return n
	}
	s.Estimates = []Estimate{keepEstimate(nil, &Settings{}, &Loop{Characteristics: []Characteristic{{}}, Effects: [][]Effect{{1000}}}, 0)}
	cut := func(count uint64, after float64) {
		minute += after
		s.Apply(Recorded{Cut: Cut{Count: count, Minute: minute}})
	}
	for n := uint64(1); n <= 20; n++ {
		cut(n, 2)
	}
	if events() != 0 {
		t.Fatalf("%d standstills in an even run", events())
	}
	cut(21, 40)
	if events() != 1 || s.Estimates[0].Filter.Events[0].Minutes < 37 {
		t.Fatalf("a pause of 40 minutes: %d standstills, %+v", events(), s.Estimates[0].Filter.Events[0])
	}
	cut(22, 4)
	if events() != 1 {
		t.Fatal("4 minutes at a cycle of 2 pass for a standstill")
	}
	if s.Ledger.Cycle < 1.9 || s.Ledger.Cycle > 2.3 {
		t.Errorf("ordinary cycle %.2f min, want about 2", s.Ledger.Cycle)
	}
}

// Parts that take much longer, one after another, are another cycle: two pauses are
// told, the third is none any more. Breaks that differ stay breaks.
func TestALongerCycle(t *testing.T) {
	for _, c := range []struct {
		name   string
		pauses []float64
		want   int
		cycle  float64
	}{
		{"a longer part", []float64{20, 21, 19, 20, 22, 20}, 2, 19.3},
		{"breaks", []float64{20, 2, 45, 2, 20, 2}, 3, 2},
		{"breaks after single parts", []float64{20, 60, 20, 90}, 4, 2},
		{"short of a pause", []float64{5, 5, 5}, 0, 2.8},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &State{}
			s.Estimates = []Estimate{keepEstimate(nil, &Settings{}, &Loop{Characteristics: []Characteristic{{}}, Effects: [][]Effect{{1000}}}, 0)}
			minute, count := 0.0, uint64(0)
			for _, after := range append([]float64{2, 2, 2, 2, 2}, c.pauses...) {
				minute, count = minute+after, count+1
				s.Apply(Recorded{Cut: Cut{Count: count, Minute: minute}})
			}
			if n := s.Estimates[0].Filter.NEvents; n != c.want {
				t.Errorf("%d standstills told, want %d", n, c.want)
			}
			if g := s.Ledger.Cycle; g < c.cycle-0.5 || g > c.cycle+0.5 {
				t.Errorf("an ordinary cycle of %.1f min, want %.1f", g, c.cycle)
			}
		})
	}
}

// Of the first pause only the machine itself can say whether it stood still: a first
// part is measured and looked at for long, and a long cycle looks alike.
func TestTheFirstPause(t *testing.T) {
	for _, c := range []struct {
		name         string
		still, whole int64 // minutes
		cutting      bool  // it was seen to cut
		want         int
		cycle        float64
	}{
		{"seen to stand still", 55, 57, true, 1, 0}, // the next interval tells
		{"a long cycle", 0, 57, true, 0, 57},
		{"a long cycle with a look at the part", 4, 57, true, 0, 57},
		{"mostly a cycle", 30, 57, true, 0, 57},
		{"a machine that never says it cuts", 57, 57, false, 0, 57},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := cellWith(t, func(s *Settings) { s.Fresh = 120_000 })
			w.part()
			pass := func(minutes int64) {
				for range minutes {
					w.mono += 60_000
					w.look()
				}
			}
			pass(c.still)
			if c.cutting {
				w.begin()
			}
			pass(c.whole - c.still)
			if !c.cutting {
				w.counter++
				w.look()
			} else {
				w.end()
			}
			if n := w.s.Estimates[0].Filter.NEvents; n != c.want {
				t.Errorf("%d standstills told, want %d", n, c.want)
			}
			if g := w.s.Ledger.Cycle; g < c.cycle-1.5 || g > c.cycle+1.5 {
				t.Errorf("an ordinary cycle of %.1f min, want %.1f", g, c.cycle)
			}
		})
	}
}

// A replay of a record with such a pause decides as was decided.
func TestTheFirstPauseIsReplayed(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Fresh = 120_000 })
	c.part()
	for range 55 {
		c.mono += 60_000
		c.look()
	}
	told := 0
	for range 12 {
		c.begin()
		c.mono += 90_000
		c.look()
		c.end()
		c.drift["boss"] += 2 * um
		c.measure("boss", c.counter)
	}
	for _, e := range only[Recorded](c.events) {
		if e.Still > 50 {
			told++
		}
	}
	if told != 1 {
		t.Fatalf("%d records tell of a standstill, want the second part's", told)
	}
	set := settings()
	set.Fresh = 120_000
	judged, _ := replayed(t, c, set, 0)
	if was := recordedJudged(c); len(was) == 0 || !bytes.Equal(asJSON(t, was), asJSON(t, judged)) {
		t.Errorf("decided anew\n%s\nwas\n%s", asJSON(t, judged), asJSON(t, was))
	}
}
