package compensate

import (
	"math"
	"testing"

	"offsetbridge/internal/length"
)

// TestFirstAimIsWhereTheCostIsLeast compares the formula with the expected cost
// itself, by numerical search: scrap beyond the least-material limit at 20, a
// re-cut beyond the other at 1.
func TestFirstAimIsWhereTheCostIsLeast(t *testing.T) {
	tail := func(z float64) float64 { return math.Erfc(z/math.Sqrt2) / 2 }
	for _, s := range []float64{3, 6, 9, 12} {
		const half, ratio = 15.0, 20.0
		best, at := math.Inf(1), 0.0
		for a := 0.0; a <= half; a += 0.001 { // so far short of the aim
			cost := ratio*tail((half+a)/s) + tail((half-a)/s)
			if cost < best {
				best, at = cost, a
			}
		}
		got := FirstAim(length.Length(s*1000), length.Length(half*1000), ratio).Micrometres()
		if math.Abs(got-at) > 0.01 {
			t.Errorf("s = %g µm: aimed %.3f µm short, the cost is least at %.3f", s, got, at)
		}
	}
}

func TestFirstAimStaysInside(t *testing.T) {
	for _, c := range []struct {
		sigma, half length.Length
		ratio       float64
		want        length.Length
	}{
		{12_000, 15_000, 1, 0},
		{12_000, 15_000, 0, 0},
		{12_000, 15_000, math.NaN(), 0},
		{12_000, 0, 20, 0},
		{90_000, 15_000, 20, 15_000},
		{length.Max, 1, 1e9, 1},
	} {
		if got := FirstAim(c.sigma, c.half, c.ratio); got != c.want {
			t.Errorf("FirstAim(%v, %v, %g) = %v, want %v", c.sigma, c.half, c.ratio, got, c.want)
		}
	}
}
