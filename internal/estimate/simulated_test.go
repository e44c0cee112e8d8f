package estimate

import (
	"math"
	"testing"

	"offsetbridge/simulators/plant"
)

// filter is what the two estimators share.
type filter interface {
	Observe(Observation) Verdict
	Note(Event)
	Forecast(part int64, minute float64) Forecast
}

func scenario(t testing.TB, id string) plant.Params {
	t.Helper()
	for _, p := range plant.Scenarios() {
		if p.ID == id {
			return p
		}
	}
	t.Fatalf("no scenario %s", id)
	return plant.Params{}
}

// closed is what one or more closed loops came to.
type closed struct {
	squares, parts float64 // of the true deviation
	standard, due  float64 // squares of it ÷ Forecast.Sigma², and their number
}

func (c *closed) rms() float64 { return math.Sqrt(c.squares / c.parts) }

// steer closes the loop: it wants the forecast taken away, to the nearest micrometre, beyond half a σ.
func (c *closed) steer(p plant.Params, seed uint64, f filter, regauge bool) {
	l := plant.New(p, seed)
	parts := make([]plant.Part, 0, p.Parts)
	command := 0.0
	for k := range p.Parts {
		if j := k - 1 - p.InTransit; j >= 0 && parts[j].Gauged {
			c.read(l, parts[j], f, regauge)
		}
		next := l.Await()
		if next.NewTool && next.Reported && k > 0 {
			f.Note(Event{Kind: ToolChange, Part: next.Index})
		}
		if next.StopMinutes > 0 {
			f.Note(Event{Kind: Stop, Part: next.Index, Minutes: next.StopMinutes})
		}
		forecast := f.Forecast(next.Index, next.Minute)
		if forecast.Ready {
			to := math.Round(forecast.Wanted()/p.StepSize()) * p.StepSize()
			if math.Abs(to-command) >= 0.5*forecast.Noise {
				command = math.Max(-200, math.Min(200, to))
			}
		}
		part := l.Cut(command)
		parts = append(parts, part)
		c.squares += part.True * part.True
		c.parts++
		if k > 100 {
			expected := forecast.Drift + forecast.Effect*command
			d := (part.True - expected) / forecast.Sigma
			c.standard += d * d
			c.due++
		}
	}
}

func (c *closed) read(l *plant.Plant, part plant.Part, f filter, regauge bool) {
	r := l.Read(part)
	if r.Set {
		f.Note(Event{Kind: Setting, AsFound: r.AsFound})
	}
	o := Observation{Part: part.Index, Minute: part.Minute, Deviation: r.Value, Command: part.Command}
	for again := 0; f.Observe(o).Kind == Suspect && regauge && again < 2; again++ {
		o.Regauge, o.Deviation = true, l.ReadAgain(part).Value
	}
}

// simulate closes the loop on some seeds.
func simulate(t testing.TB, id string, seeds int, make func(plant.Params) filter, regauge bool) closed {
	t.Helper()
	p := scenario(t, id)
	var c closed
	for s := range uint64(seeds) {
		c.steer(p, 7000+s, make(p), regauge)
	}
	return c
}

func bank(s Settings) func(plant.Params) filter {
	return func(p plant.Params) filter { s.HalfTolerance = p.HalfTolerance; return New(s) }
}

// Each stage earns its keep where its effect exists: taken out, the loop is clearly worse.
func TestEachStageIsNeeded(t *testing.T) {
	for _, c := range []struct {
		stage, id string
		without   Settings
		worse     float64
	}{
		{"gate", "S7", Settings{WithoutGate: true}, 1.3},
		{"slope", "S11", Settings{WithoutSlope: true}, 1.15},
		{"thermal", "S4", Settings{WithoutThermal: true}, 1.15},
		{"effect", "S8a", Settings{WithoutEffect: true}, 1.03},
	} {
		with := simulate(t, c.id, 6, bank(Settings{}), true)
		without := simulate(t, c.id, 6, bank(c.without), true)
		ratio := without.rms() / with.rms()
		t.Logf("%s, %s: %.3f with, %.3f without, ratio %.3f", c.id, c.stage, with.rms(), without.rms(), ratio)
		if ratio < c.worse {
			t.Errorf("%s without %s is only %.3f times as bad, want at least %.2f", c.id, c.stage, ratio, c.worse)
		}
	}
}

// What the bank reaches, with some room for the few seeds; the bench measures it properly.
func TestHoldsSize(t *testing.T) {
	for _, c := range []struct {
		id   string
		most float64 // rms, µm
	}{
		{"S0", 1.62}, {"S1", 1.45}, {"S2", 1.68}, {"S3", 4.75}, {"S4", 1.47}, {"S5", 3.05},
		{"S7", 1.56}, {"S8a", 2.95}, {"S8b", 2.95}, {"S9", 1.96}, {"S11", 2.35},
	} {
		got := simulate(t, c.id, 6, bank(Settings{}), true)
		t.Logf("%s: %.3f µm", c.id, got.rms())
		if !(got.rms() <= c.most) {
			t.Errorf("%s: rms %.3f µm, want at most %.2f", c.id, got.rms(), c.most)
		}
	}
}

// The bank beats the fixed average everywhere it is built for.
func TestBeatsTheFixedAverage(t *testing.T) {
	average := func(p plant.Params) filter { return NewAverage(Settings{HalfTolerance: p.HalfTolerance}) }
	for _, id := range []string{"S1", "S2", "S4", "S7", "S9", "S11"} {
		b, a := simulate(t, id, 4, bank(Settings{}), true), simulate(t, id, 4, average, true)
		if !(b.rms() < 0.95*a.rms()) {
			t.Errorf("%s: bank %.3f, fixed average %.3f µm", id, b.rms(), a.rms())
		}
	}
}

// The stated uncertainty of the next size is honest: errors are about as large as it says.
func TestSigmaIsHonest(t *testing.T) {
	for _, id := range []string{"S0", "S1", "S2", "S3", "S4", "S5", "S8a", "S11"} {
		c := simulate(t, id, 4, func(p plant.Params) filter {
			return New(Settings{HalfTolerance: p.HalfTolerance, GaugeSigma: p.SigmaGauge})
		}, true)
		share := c.standard / c.due
		t.Logf("%s: mean squared standardised error %.3f", id, share)
		if share < 0.8 || share > 1.3 {
			t.Errorf("%s: mean squared standardised error %.3f, want about 1", id, share)
		}
	}
}

// A first guess of the scatter that is far off costs little.
func TestWrongToleranceIsHarmless(t *testing.T) {
	good := simulate(t, "S1", 4, bank(Settings{}), true)
	for _, factor := range []float64{0.01, 0.1, 10} {
		c := simulate(t, "S1", 4, func(p plant.Params) filter {
			return New(Settings{HalfTolerance: p.HalfTolerance * factor})
		}, true)
		if !(c.rms() < 1.15*good.rms()) {
			t.Errorf("with a tolerance %g times as wide: rms %.3f µm against %.3f", factor, c.rms(), good.rms())
		}
	}
}
