package estimate

import (
	"math"
	"testing"
)

// Under steady wear β an exponential average lags by β(1/λ + d), d parts in transit: why the bank
// carries a slope.
func TestAverageLagsWear(t *testing.T) {
	for _, c := range []struct {
		lambda, wear float64
		inTransit    int64
	}{{0.3, 0.3, 0}, {0.3, 0.3, 10}, {0.5, -0.15, 3}, {0.1, 1, 0}} {
		a := NewAverage(Settings{Weight: c.lambda})
		const last = 400
		for k := range int64(last + 1) {
			a.Observe(observed(k, c.wear*float64(k), 0))
		}
		next := last + c.inTransit + 1
		lag := c.wear*float64(next) - a.Forecast(next, 0).Drift
		near(t, "lag", lag, c.wear*(1/c.lambda+float64(c.inTransit)), 1e-9)
	}
}

// The average's noise estimate takes its own wander off: on white noise Var(innovation) is
// σ²·2/(2 − λ).
func TestAverageNoise(t *testing.T) {
	a := NewAverage(Settings{Noise: 5, Weight: 0.3})
	squares := 0.0
	for k := range int64(20000) {
		x := math.Mod(float64(k*k%9973)*0.6180339887, 1)*math.Sqrt(12) - math.Sqrt(3)
		squares += x * x
		a.Observe(observed(k, x, 0))
	}
	near(t, "noise", a.Forecast(20000, 0).Noise, math.Sqrt(squares/20000), 0.2)
}

func TestAverageHarmonicThenFixed(t *testing.T) {
	a := NewAverage(Settings{})
	for k, want := range []float64{6, 3, 2, 1.4} {
		x := 0.0
		if k == 0 {
			x = 6
		}
		a.Observe(observed(int64(k), x, 0))
		near(t, "drift", a.Forecast(9, 0).Drift, want, 1e-12)
	}
}

func TestAverageToolChangeAndAgain(t *testing.T) {
	a := NewAverage(Settings{})
	for k := range int64(20) {
		a.Observe(observed(k, 4-float64(k), 0))
	}
	a.Note(Event{Kind: ToolChange, Part: 22})
	if d := a.Forecast(21, 0).Drift; d > -10 {
		t.Errorf("old tool's part: drift %.2f", d)
	}
	near(t, "new tool's first part, where the first one started", a.Forecast(22, 0).Drift, 4, 1e-12)
	a.Observe(observed(22, 8, 0))
	near(t, "after it", a.Forecast(23, 0).Drift, 8, 1e-12)
	o := observed(22, 6, 0)
	o.Regauge = true
	a.Observe(o)
	near(t, "after it was gauged again", a.Forecast(23, 0).Drift, 7, 1e-12)
	if v := a.Observe(observed(5, 0, 0)); v.Kind != Ignored {
		t.Errorf("a late reading was %v", v.Kind)
	}
}
