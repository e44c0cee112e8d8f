package gauge

import (
	"math"
	"math/rand/v2"
	"testing"

	"offsetbridge/internal/length"
)

const um = length.Micrometre

// Worked by hand from the formula: σ = r gives p = erf(0.35355) = 0.38292, and
// ln 10⁻⁶ / ln 0.38292 = 14.39.
func TestRunLength(t *testing.T) {
	for _, c := range []struct {
		sigma, resolution length.Length
		want              int
	}{
		{um, um, 16},
		{10 * um, um, 6},     // p = 0.03988: 4.29
		{100 * um, um, 4},    // p = 0.00399: 2.50
		{10_000 * um, um, 3}, // two equal readings are no run
		{um / 2, um, 38},     // p = 0.68269: 36.19
		{um / 4, um, 298},    // p = 0.95450: 296.7
		{um / 6, um, 0},      // p = 0.9973: 5111, which nobody would wait for
		{um / 100, um, 0},
		{0, um, 0}, {um, 0, 0}, {-um, um, 0}, {um, -um, 0},
	} {
		if got := RunLength(c.sigma, c.resolution); got != c.want {
			t.Errorf("σ %s, step %s: %d, want %d", c.sigma, c.resolution, got, c.want)
		}
	}
}

// runs counts how many readings complete a run of at least k.
func runs(rng *rand.Rand, n, k int, sigma float64, mean func(i int) float64) (trips int) {
	last, run := math.NaN(), 0
	for i := range n {
		v := math.Round(mean(i) + sigma*rng.NormFloat64())
		if run++; v != last {
			last, run = v, 1
		}
		if run >= k {
			trips++
		}
	}
	return trips
}

// A healthy gauge trips no more often than the bound says, at a bound that can be
// counted: in the worst case, a mean in the middle of a step, and in milder ones.
// In the worst case it trips nearly as often, so that the run is no longer than
// it must be.
func TestRunLengthBySimulation(t *testing.T) {
	const n, alpha = 2_000_000, 1e-3
	rng := rand.New(rand.NewPCG(3, 4))
	for _, sigma := range []float64{0.4, 0.7, 1, 3} {
		k := runLength(sigma, 1, alpha)
		p := math.Erf(1 / (2 * math.Sqrt2 * sigma))
		expected := n * math.Pow(p, float64(k-1)) // the bound; the true rate is at most that
		worst := runs(rng, n, k, sigma, func(int) float64 { return 0 })
		edge := runs(rng, n, k, sigma, func(int) float64 { return 0.5 })
		wear := runs(rng, n, k, sigma, func(i int) float64 { return 0.01 * float64(i) })
		parts := runs(rng, n, k, sigma, func(int) float64 { return 2 * rng.NormFloat64() })
		t.Logf("σ %g: k = %d, %d trips in %d at worst, %.0f by the bound; at an edge %d, wearing %d, with parts that differ %d", sigma, k, worst, n, expected, edge, wear, parts)
		slack := 4 * math.Sqrt(alpha*n)
		for name, trips := range map[string]int{"worst": worst, "edge": edge, "wear": wear, "parts": parts} {
			if float64(trips) > alpha*n+slack {
				t.Errorf("σ %g, %s: %d trips in %d, at most %g wanted", sigma, name, trips, n, alpha*n)
			}
		}
		if float64(worst) < expected/10 {
			t.Errorf("σ %g: only %d trips at worst, the run is needlessly long", sigma, worst)
		}
	}
}

// And at the bound itself: ten million readings of a healthy gauge.
func TestAHealthyGaugeHardlyEverTrips(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const n = 10_000_000
	for _, sigma := range []float64{0.5, 1} {
		k := RunLength(length.Length(sigma*1000), um)
		if trips := runs(rng, n, k, sigma, func(int) float64 { return 0 }); trips > 25 { // 10 expected at most, 25 is 5 σ
			t.Errorf("σ %g, k %d: %d trips in %d", sigma, k, trips, n)
		}
	}
}
