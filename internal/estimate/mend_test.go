package estimate

import (
	"encoding/json"
	"math"
	"testing"
)

// steady feeds some parts of a quiet process.
func steady(e *Estimator, from int64) {
	for i := range int64(30) {
		e.Observe(Observation{Part: from + i, Minute: float64(i), Deviation: float64(i%3) - 1, Command: 5})
	}
}

// However far off a member of the bank is, it spoils nothing and can come back.
func TestAMemberBeyondAllBoundsStartsAgain(t *testing.T) {
	for name, spoil := range map[string]func(*Model){
		"level":        func(m *Model) { m.X[stLevel] = 1e56 },
		"no number":    func(m *Model) { m.X[stWear] = math.NaN() },
		"variance":     func(m *Model) { m.P[row0[stCold]] = 4e235 },
		"infinite":     func(m *Model) { m.P[row0[stCold]] = math.Inf(1) },
		"scatter":      func(m *Model) { m.B = 1e106 },
		"no scatter":   func(m *Model) { m.B = 0 },
		"weight":       func(m *Model) { m.LogW = math.NaN() },
		"weight of no": func(m *Model) { m.LogW = math.Inf(-1) },
	} {
		a, b := New(Settings{HalfTolerance: 40}), New(Settings{HalfTolerance: 40})
		steady(a, 1)
		steady(b, 1)
		for _, i := range []int{3, 5} { // without heat, and with
			if spoil(&b.Models[i]); b.Models[i].sound(b.A) {
				t.Fatalf("%s: such a member is taken for sound", name)
			}
		}
		b.mend()
		b.normalise()
		for i := range b.Models {
			if m := &b.Models[i]; !m.sound(b.A) || m.LogW < floorLog {
				t.Fatalf("%s: member %d is %+v", name, i, m)
			}
		}
		if b.Models[5].P[row0[stCold]] <= 0 || b.Models[3].P[row0[stCold]] != 0 {
			t.Errorf("%s: members with and without heat are mixed up", name)
		}
		steady(a, 40)
		steady(b, 40)
		if _, err := json.Marshal(b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if x, y := a.Forecast(71, 40).Drift, b.Forecast(71, 40).Drift; math.Abs(x-y) > 0.5 {
			t.Errorf("%s: %g is expected, and %g without it", name, y, x)
		}
	}
}

func TestABankWithoutASoundMemberBeginsAnew(t *testing.T) {
	e := New(Settings{})
	steady(e, 1)
	for i := range e.Models {
		e.Models[i].X[stLevel] = math.Inf(1)
	}
	e.mend()
	e.normalise()
	fresh := New(Settings{})
	for i := range e.Models {
		if e.Models[i] != fresh.Models[i] {
			t.Fatalf("member %d is %+v", i, e.Models[i])
		}
	}
}

// A gauge that is stuck while the register moves fits no model; whatever that makes
// of the bank, its numbers stay numbers.
func TestAStuckGaugeLeavesNumbers(t *testing.T) {
	e := New(Settings{HalfTolerance: 40})
	part := int64(0)
	for round := range 400 {
		command := float64(round*37%141) - 70
		if round%7 == 3 {
			e.Note(Event{Kind: Stop, Part: part + 1, Minutes: 200})
		}
		for range 3 + round%5 {
			part++
			e.Observe(Observation{Part: part, Minute: float64(part) / 3, Deviation: 2, Command: command})
		}
		for i := range e.Models {
			if !e.Models[i].sound(e.A) {
				t.Fatalf("round %d: member %d is %+v", round, i, e.Models[i])
			}
		}
	}
}
