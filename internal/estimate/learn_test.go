package estimate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The first setting tells that what the level followed was the gauge.
func TestFirstSettingGivesTheWalkBack(t *testing.T) {
	e := New(Settings{HalfTolerance: 15})
	r := rand.New(rand.NewPCG(6, 6))
	for k := range int64(120) {
		e.Observe(observed(k, 5*math.Sqrt(float64(k)/119)+1.2*r.NormFloat64(), 0))
	}
	before := e.Forecast(120, 180).Drift
	e.Note(Event{Kind: Setting, AsFound: 5})
	after := e.Forecast(120, 180).Drift
	if before < 4 || after > before-2.5 {
		t.Errorf("drift %.2f before a setting that found 5 µm, %.2f after: want most of it gone", before, after)
	}
}

// What wear does at the end of life is learned from tools that lasted equally long, and stays with
// the tool.
func TestEndOfLifeIsLearned(t *testing.T) {
	e := New(Settings{HalfTolerance: 20})
	r := rand.New(rand.NewPCG(7, 7))
	drift := func(age int64) float64 {
		x := math.Max(0, float64(age-80)/20)
		return -0.05*float64(age) - 9*x*x
	}
	var worst float64
	for k := range int64(600) {
		if k%100 == 0 && k > 0 {
			e.Note(Event{Kind: ToolChange, Part: k})
		}
		if k > 400 && k%100 > 85 {
			worst = math.Max(worst, math.Abs(e.Forecast(k, 1.5*float64(k)).Drift-drift(k%100)))
		}
		e.Observe(observed(k, drift(k%100)+1.5*r.NormFloat64(), 0))
	}
	if worst > 2.2 {
		t.Errorf("in the last parts of a life the forecast is %.2f µm off, want under 2.2", worst)
	}
	if e.Life != 100 {
		t.Errorf("life %.0f parts, want 100", e.Life)
	}
	for k := int64(600); k < 650; k++ {
		e.Observe(observed(k, 0, 0))
	}
	e.Note(Event{Kind: ToolChange, Part: 650})
	e.Forecast(650, 975)
	e.Observe(observed(650, 0, 0))
	if e.Life >= 0 {
		t.Errorf("life %.0f parts after one of 150, want unknown", e.Life)
	}
}

func TestScatterFarBelowTheFirstGuess(t *testing.T) {
	e := New(Settings{HalfTolerance: 1000})
	r := rand.New(rand.NewPCG(8, 8))
	for k := range int64(60) {
		e.Observe(observed(k, 3+r.NormFloat64(), 0))
	}
	if noise := e.Forecast(60, 90).Noise; noise > 2.5 || noise < 0.5 {
		t.Errorf("scatter 1 µm under a first guess of 100: estimate %.2f", noise)
	}
}

// Where each part is "a step" and its second reading agrees, it is the process that scatters.
func TestStepsInARowAreScatter(t *testing.T) {
	e := settled(0, 100)
	r := rand.New(rand.NewPCG(9, 9))
	for k := int64(100); k < 160; k++ {
		o := observed(k, 15*r.NormFloat64(), 0)
		for again := 0; e.Observe(o).Kind == Suspect && again < 2; again++ {
			o.Regauge = true
		}
	}
	f := e.Forecast(160, 240)
	if f.Noise < 7 || f.Noise > 25 || math.Abs(f.Drift) > 9 {
		t.Errorf("scatter grew from 1 to 15 µm about 0: noise %.2f, drift %.2f", f.Noise, f.Drift)
	}
}

// pair shows two parts off by 20 µm; with a third when the step is real.
func pair(e *Estimator, k int64, real bool) (kinds [3]VerdictKind) {
	level := 0.0
	if e.Last.N > 0 {
		level = e.Last.Mean
	}
	for i := range int64(3) {
		d := level + 20
		if i == 2 && !real {
			d = level
		}
		kinds[i] = e.Observe(observed(k+i, d, 0)).Kind
	}
	for i := int64(3); i < 20; i++ {
		d := level
		if real {
			d += 20
		}
		e.Observe(observed(k+i, d, 0))
	}
	return kinds
}

// Something that stays under the anvil for two parts makes pairs suspect for as long as pairs that
// were steps have not outnumbered them.
func TestPairsAreJudgedByHowSuchPairsEnded(t *testing.T) {
	e := settled(0, 60)
	three := [3]VerdictKind{Suspect, Suspect, BelievedStep}
	if got := pair(e, 100, false); got != [3]VerdictKind{Suspect, Suspect, Used} {
		t.Fatalf("a stuck chip: %v", got)
	}
	for i, k := range []int64{200, 300} {
		if got := pair(e, k, true); got != three {
			t.Fatalf("step %d after a stuck chip: %v, want three parts", i+1, got)
		}
	}
	if got := pair(e, 400, true); got[1] != BelievedStep {
		t.Fatalf("third step: %v, want two parts", got)
	}
	// Now a stuck chip passes for a step, and leads back.
	level := e.Last.Mean
	for i, d := range []float64{20, 20, 0, 0} {
		e.Observe(observed(500+int64(i), level+d, 0))
	}
	for k := int64(504); k < 530; k++ {
		e.Observe(observed(k, level, 0))
	}
	near(t, "drift after a false step", e.Forecast(530, 795).Drift, level, 0.03)
	if got := pair(e, 600, true); got != three {
		t.Errorf("after a pair led back: %v, want three parts again", got)
	}
}

// A gauge whose zero walks, as settings have found, explains no lasting error of the parts: not
// where the process has come to scatter much more than it did then.
func TestAProcessThatScattersMakesNoGaugeWalk(t *testing.T) {
	e := New(Settings{HalfTolerance: 40, Noise: 2, GaugeSigma: 0.5})
	r := rand.New(rand.NewPCG(9, 9))
	k := int64(0)
	cut := func(n int, at, scatter float64) {
		for range n {
			e.Observe(observed(k, at+scatter*r.NormFloat64(), 0))
			k++
		}
	}
	for i := range 8 {
		cut(12, 0, 0.8)
		e.Note(Event{Kind: Setting, Part: k, AsFound: 3 * float64(1-2*(i%2))})
	}
	cut(60, 0, 8)
	cut(40, -18, 8)
	if d := e.Forecast(k, 1.5*float64(k)).Drift; math.Abs(d+18) > 5 {
		t.Errorf("the drift is reckoned %.1f µm after 40 parts at -18", d)
	}
}
