package capability

import (
	"math"
	"math/rand/v2"
	"testing"
)

// worn is a process whose own deviation grows by wear a part under scatter, and that a
// loop keeps at its aim by a command with the wear of two parts before.
func worn(n int, wear, scatter, h float64, seed uint64) []Step {
	chance := rand.New(rand.NewPCG(seed, 8))
	out := make([]Step, n)
	for i := range out {
		out[i] = Step{Own: wear*float64(i%200) + scatter*chance.NormFloat64(), Command: -wear * float64(max(0, i%200-2)), Low: -h, High: h}
	}
	return out
}

// TestWhatCorrectingWasWorth: the counts by hand, from the same numbers.
func TestWhatCorrectingWasWorth(t *testing.T) {
	steps := worn(2000, 0.1, 1, 5, 1)
	a := Alternate(steps)
	var asIs, none, full [2]int
	c, squares := 0.0, 0.0
	for _, s := range steps {
		for k, off := range []float64{s.Own + s.Command, s.Own, s.Own + c} {
			to := []*[2]int{&asIs, &none, &full}[k]
			if off < s.Low {
				to[0]++
			}
			if off > s.High {
				to[1]++
			}
			if k == 1 {
				squares += off * off
			}
		}
		c -= s.Own + c
	}
	for k, o := range []*Outcome{&a.AsIs, &a.None, &a.Full} {
		if want := [][2]int{asIs, none, full}[k]; o.Below != want[0] || o.Above != want[1] {
			t.Errorf("way %d: %d below, %d above, want %v", k, o.Below, o.Above, want)
		}
	}
	near(t, "rms of nobody", a.None.RMS, math.Sqrt(squares/2000), 1e-12)
	// Correcting each part whole doubles the variance of what is steady (a known result:
	// the difference of two independent readings).
	steady := Alternate(worn(20_000, 0, 1, 5, 2))
	near(t, "rms of full correction of a steady process", steady.Full.RMS/steady.AsIs.RMS, math.Sqrt2, 0.02)

	f := a.Avoided(&a.None, &a.AsIs, UpperSide, 0.95)
	if f.Value != float64(none[1]-asIs[1]) || !(f.Low < f.Value && f.Value < f.High) || f.Low < 0.7*f.Value {
		t.Errorf("avoided %+v", f)
	}
	if g := a.Avoided(&a.None, &a.AsIs, UpperSide, 0.95); g != f {
		t.Error("the second time it differs")
	}
}

// TestAvoidedHoldsTheTruth: parts of independent scatter, where the count is binomial.
func TestAvoidedHoldsTheTruth(t *testing.T) {
	hit := 0
	const runs, n = 200, 1000
	p := phi(-2) // beyond the limit where nobody corrects an offset of one
	q := phi(-3)
	for seed := range uint64(runs) {
		chance := rand.New(rand.NewPCG(seed, 77))
		steps := make([]Step, n)
		for i := range steps {
			steps[i] = Step{Own: 1 + chance.NormFloat64(), Command: -1, Low: math.NaN(), High: 3}
		}
		steps[0].Command = 0 // nobody had corrected yet
		a := Alternate(steps)
		f := a.Avoided(&a.None, &a.AsIs, UpperSide, 0.95)
		if truth := n * (p - q); f.Low <= truth && truth <= f.High {
			hit++
		}
	}
	if hit < 174 || hit > 200 {
		t.Errorf("the interval holds the truth in %d of %d", hit, runs)
	}
}

func TestFewPartsHaveNoInterval(t *testing.T) {
	if a := Alternate(nil); a.N != 0 || !math.IsNaN(a.Avoided(&a.None, &a.AsIs, LowerSide, 0.95).Value) {
		t.Error("nothing was avoided by nobody")
	}
	a := Alternate(worn(7, 1, 1, 5, 3))
	if f := a.Avoided(&a.None, &a.AsIs, UpperSide, 0.95); math.IsNaN(f.Value) || !math.IsNaN(f.Low) {
		t.Errorf("%+v", f)
	}
}
