package main

import (
	"math"

	"offsetbridge/internal/estimate"
	"offsetbridge/simulators/plant"
)

// estimated acts on an estimator's forecast through a dead band, as the production policy does:
// attributed, damped by the filter, rounded to the nearest step.
type estimated struct {
	f       facts
	est     estimator
	deadIn  float64 // dead band in σ̂
	regauge bool
}

type estimator interface {
	Observe(estimate.Observation) estimate.Verdict
	Note(estimate.Event)
	Forecast(part int64, minute float64) estimate.Forecast
}

func newBank(f facts, regauge bool) *estimated {
	return &estimated{f: f, deadIn: 0.5, regauge: regauge,
		est: estimate.New(estimate.Settings{HalfTolerance: f.halfTolerance})}
}

func (p *estimated) note(coming plant.Part) {
	if coming.NewTool && coming.Reported && coming.Index > 0 {
		p.est.Note(estimate.Event{Kind: estimate.ToolChange, Part: coming.Index})
	}
	if coming.StopMinutes > 0 {
		p.est.Note(estimate.Event{Kind: estimate.Stop, Part: coming.Index, Minutes: coming.StopMinutes})
	}
}

func (p *estimated) set(asFound float64) {
	p.est.Note(estimate.Event{Kind: estimate.Setting, AsFound: asFound})
}

func (p *estimated) observe(part plant.Part, deviation float64, nth int) bool {
	v := p.est.Observe(estimate.Observation{
		Part: part.Index, Minute: part.Minute, Deviation: deviation, Command: part.Command, Regauge: nth > 0,
	})
	return p.regauge && v.Kind == estimate.Suspect
}

func (p *estimated) decide(inForce float64, part int64, minute float64) float64 {
	f := p.est.Forecast(part, minute)
	if !f.Ready {
		return inForce
	}
	wanted := f.Wanted()
	if math.Abs(wanted-inForce) < max(p.f.stepSize, p.deadIn*f.Noise) {
		return inForce
	}
	return nearest(wanted, inForce, p.f.stepSize)
}
