package estimate

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// Every bit of a model survives its text form, also where the number is none.
func TestAModelReadsBackBitForBit(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		var m, again Model
		m.numbers(func(_ int, x *float64) {
			switch r.IntN(4) {
			case 0:
				*x = math.Float64frombits(r.Uint64())
			case 1:
				*x = r.NormFloat64()
			case 2:
				*x = math.Copysign(0, -1)
			}
		})
		again.numbers(func(_ int, x *float64) { *x = 7 })
		b, err := json.Marshal(m)
		if err == nil {
			err = json.Unmarshal(b, &again)
		}
		if err != nil {
			t.Fatal(err)
		}
		var want, got []uint64
		m.numbers(func(_ int, x *float64) { want = append(want, math.Float64bits(*x)) })
		again.numbers(func(_ int, x *float64) { got = append(got, math.Float64bits(*x)) })
		for i := range want {
			if want[i] != got[i] {
				t.Fatalf("number %d is %x, was %x", i, got[i], want[i])
			}
		}
	}
}

// What is cut short, too long or no text form at all is an error, never a panic.
func TestABrokenModelIsNotTaken(t *testing.T) {
	m := New(Settings{HalfTolerance: 10}).Models[5]
	good, err := m.MarshalText()
	if err != nil {
		t.Fatal(err)
	}
	full := strings.Repeat("/", len(good))
	for _, text := range []string{"", "A", string(good[:len(good)-4]), string(good) + "AAAA", full, strings.Repeat("A", 5000), "*" + string(good)} {
		var back Model
		if err := back.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("%.20q… of %d characters was taken", text, len(text))
		}
	}
}
