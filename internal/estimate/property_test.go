package estimate

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// number draws sizes as a shop makes them and as a fuzzer does.
func number(t *rapid.T, name string) float64 {
	return rapid.OneOf(
		rapid.Float64Range(-20, 20), rapid.Float64Range(-1e7, 1e7), rapid.Float64(),
		rapid.SampledFrom([]float64{0, 1e-300, 1e7, -1e7, math.MaxFloat64, math.NaN(), math.Inf(1)}),
	).Draw(t, name)
}

func drawSettings(t *rapid.T) Settings {
	if rapid.Bool().Draw(t, "plain") {
		return Settings{HalfTolerance: rapid.Float64Range(1, 100).Draw(t, "half")}
	}
	return Settings{
		HalfTolerance: number(t, "half"), Noise: number(t, "noise"), GaugeSigma: number(t, "gauge"),
		SetupSigma: number(t, "setup"), EffectSigma: number(t, "effect"), ToolSpread: number(t, "spread"),
		Gate: number(t, "gate"), Weight: number(t, "weight"),
		WithoutSlope: rapid.Bool().Draw(t, "slope"), WithoutThermal: rapid.Bool().Draw(t, "thermal"),
	}
}

// sound checks what must hold after anything.
func sound(t *rapid.T, e *Estimator) {
	for i := range e.Models {
		m := &e.Models[i]
		for s := range nState {
			if !(math.Abs(m.X[s]) <= 1e300) {
				t.Fatalf("model %d, state %d is %g", i, s, m.X[s])
			}
			for u := range nState {
				p, q := m.P[at(s, u)], m.P[at(u, s)]
				if p != q {
					t.Fatalf("model %d: covariance (%d,%d) is not symmetric", i, s, u)
				}
				if bound := math.Sqrt(m.P[row0[s]]) * math.Sqrt(m.P[row0[u]]); !(math.Abs(p) <= 1.001*bound+1e-300) {
					t.Fatalf("model %d: covariance (%d,%d) %g beyond %g", i, s, u, p, bound)
				}
			}
		}
		if !(m.B > 0) || math.IsInf(m.B, 0) || !(m.LogW <= 0) || m.LogW < floorLog {
			t.Fatalf("model %d: B %g, log weight %g", i, m.B, m.LogW)
		}
	}
}

func finiteForecast(t *rapid.T, f Forecast) {
	for _, x := range []float64{f.Drift, f.Sigma, f.Effect, f.EffectSigma, f.Noise, f.Wanted()} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			t.Fatalf("forecast %+v", f)
		}
	}
	if f.Effect < 0.3 || f.Effect > 3 || f.Sigma < 0 || f.Noise < 0 {
		t.Fatalf("forecast %+v", f)
	}
}

// Whatever comes, every number stays finite and every covariance one.
func TestAnyInputStaysFinite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSettings(t)
		e, a := New(s), NewAverage(s)
		part, minute := int64(0), 0.0
		for range rapid.IntRange(1, 30).Draw(t, "inputs") {
			part += rapid.OneOf(rapid.Int64Range(0, 3), rapid.Int64Range(-5, 1<<40)).Draw(t, "parts")
			minute += rapid.OneOf(rapid.Float64Range(0, 5), rapid.Float64Range(-10, 1e9)).Draw(t, "minutes")
			if rapid.IntRange(0, 5).Draw(t, "what") == 0 {
				ev := Event{
					Kind: EventKind(rapid.IntRange(0, 6).Draw(t, "kind")),
					Part: part + rapid.Int64Range(-3, 5).Draw(t, "ahead"), Minutes: number(t, "stop"), AsFound: number(t, "found"),
				}
				e.Note(ev)
				a.Note(ev)
			} else {
				o := Observation{
					Part: part, Minute: minute, Deviation: number(t, "deviation"), Command: number(t, "command"),
					Regauge: rapid.IntRange(0, 3).Draw(t, "again") == 0, Sigma: number(t, "sigma"),
				}
				v := e.Observe(o)
				if math.IsNaN(v.Innovation) || math.IsInf(v.Innovation, 0) || math.IsNaN(v.SigmaInnovation) || math.IsInf(v.SigmaInnovation, 0) {
					t.Fatalf("verdict %+v", v)
				}
				a.Observe(o)
			}
			sound(t, e)
			finiteForecast(t, e.Forecast(part+rapid.Int64Range(0, 30).Draw(t, "lead"), minute))
			finiteForecast(t, a.Forecast(part, minute))
		}
	})
}

// The estimate does not care where zero is: a drift shifted as a whole shifts the forecast, once the
// first reading has outweighed the first guess.
func TestSettingsDefaults(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSettings(t).Defaults()
		for _, x := range []float64{s.Noise, s.SetupSigma, s.EffectSigma, s.ToolSpread, s.Gate, s.Weight} {
			if !(x > 0) || math.IsInf(x, 0) {
				t.Fatalf("defaults leave %+v", s)
			}
		}
		if s != s.Defaults() {
			t.Fatal("defaults of defaults differ")
		}
	})
}
