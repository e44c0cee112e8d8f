// Package estimate: placeholder of the seam so that internal/core compiles while
// the estimator is being written. Whoever owns this folder replaces this file
// whole, keeping the names that internal/core uses (see internal/core/reading.go,
// apply.go).
package estimate

type Settings struct{ Damping, GaugeResolution float64 }
type Kind int

const (
	Used Kind = iota
	Suspect
	BelievedStep
	Ignored
)

type EventKind int

const (
	ToolChange EventKind = iota
	Stop
	Setting
	SetupChange
)

type Event struct {
	Kind    EventKind
	Part    int64
	Minutes float64
	AsFound float64
}
type Observation struct {
	Part                       int64
	Minute, Deviation, Command float64
	Recut, Regauge             bool
	Sigma                      float64
}
type Verdict struct {
	Kind                        Kind
	Innovation, SigmaInnovation float64
}
type Forecast struct {
	Drift, Sigma, Effect, EffectSigma, Noise float64
	Ready                                    bool
}
type Estimator struct {
	Z float64
	N int
}

func New(Settings) *Estimator { return &Estimator{} }
func (e *Estimator) Observe(o Observation) Verdict {
	z := o.Deviation - o.Command
	if e.N == 0 {
		e.Z = z
	} else {
		e.Z += 0.3 * (z - e.Z)
	}
	e.N++
	return Verdict{}
}
func (e *Estimator) Note(Event) { e.N = 0 }
func (e *Estimator) Forecast(p int64, m float64) Forecast {
	return Forecast{Drift: e.Z, Sigma: 1, Noise: 1, Ready: e.N > 0, Effect: 1}
}
