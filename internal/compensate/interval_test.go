package compensate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The formula against the walk it stands for.
func TestIntervalAgainstSimulation(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct{ band, step, drift, sd float64 }{
		{1.5, 1, 0, 0.3}, {1.5, 1, 0.1, 0.1}, {1.5, 1, 0.05, 0.4}, {4, 1, 0.33, 0.2}, {2, 0.1, 0.02, 0.2}, {3, 2.54, 0.1, 0.3}, {1.5, 0, 0.1, 0.05},
	} {
		parts, moves, at := 0, 0, 0.0
		for parts = 0; parts < 300_000; parts++ {
			at += c.drift + c.sd*r.NormFloat64()
			move := at
			if c.step > 0 {
				move = math.Round(at/c.step) * c.step
			}
			if math.Abs(move) >= max(c.band, c.step)-1e-9 {
				moves, at = moves+1, 0 // what rounding leaves is no part of the formula
			}
		}
		got, want := Interval(c.band, c.step, c.drift, c.sd*c.sd), float64(parts)/float64(moves)
		if math.Abs(got/want-1) > 0.10 {
			t.Errorf("%+v: a correction every %.2f parts, simulated %.2f", c, got, want)
		}
	}
}

func TestIntervalAtTheEnds(t *testing.T) {
	if v := Interval(1, 1, 0, 0); !math.IsInf(v, 1) {
		t.Fatalf("nothing moves, yet a correction every %v parts", v)
	}
	if v := Interval(1, 1, 50, 0); v != 1 {
		t.Fatalf("more than one correction a part: %v", v)
	}
	if a, b := Interval(3, 1, 0.2, 0.01), Interval(3, 1, -0.2, 0.01); a != b {
		t.Fatalf("%v one way, %v the other", a, b)
	}
	if a, b := Interval(3, 1, 0, 0.04), Interval(3, 1, 1e-9, 0.04); math.Abs(a/b-1) > 1e-3 {
		t.Fatalf("%v without drift, %v with hardly any", a, b)
	}
}
