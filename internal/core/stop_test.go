package core

import "testing"

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
		s.Apply(Recorded{Cut{Count: count, Minute: minute}})
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
