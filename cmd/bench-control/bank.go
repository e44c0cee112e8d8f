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
	cost    float64 // of scrap ÷ of a re-cut; beyond 1 first parts are aimed off centre
	fresh   int64   // first part of the set-up in force
	newest  int64   // newest part read
}

type estimator interface {
	Observe(estimate.Observation) estimate.Verdict
	Note(estimate.Event)
	Forecast(part int64, minute float64) estimate.Forecast
}

func newBank(f facts, regauge bool) *estimated {
	return &estimated{
		f: f, deadIn: 0.5, regauge: regauge, newest: -1,
		est: estimate.New(estimate.Settings{HalfTolerance: f.halfTolerance}),
	}
}

func newAverage(f facts) *estimated {
	return &estimated{
		f: f, newest: -1,
		est: estimate.NewAverage(estimate.Settings{HalfTolerance: f.halfTolerance}),
	}
}

func (p *estimated) note(coming plant.Part) {
	if coming.NewTool && coming.Reported && coming.Index > 0 {
		p.est.Note(estimate.Event{Kind: estimate.ToolChange, Part: coming.Index})
		p.fresh = coming.Index
	}
	if coming.StopMinutes > 0 {
		p.est.Note(estimate.Event{Kind: estimate.Stop, Part: coming.Index, Minutes: coming.StopMinutes})
	}
}

func (p *estimated) set(asFound float64) {
	p.est.Note(estimate.Event{Kind: estimate.Setting, AsFound: asFound})
}

func (p *estimated) observe(part plant.Part, deviation float64, nth int) bool {
	p.newest = part.Index
	v := p.est.Observe(estimate.Observation{
		Part: part.Index, Minute: part.Minute, Deviation: deviation, Command: part.Command, Regauge: nth > 0,
	})
	return p.regauge && v.Kind == estimate.Suspect
}

func (p *estimated) decide(inForce float64, part int64, minute float64) float64 {
	f := p.est.Forecast(part, minute)
	wanted := f.Wanted()
	if p.cost > 1 && p.newest < p.fresh {
		// No part of this set-up has been read: scrap is dearer than a re-cut, aim towards the latter.
		off := f.Sigma * f.Sigma / (2 * p.f.halfTolerance) * math.Log(p.cost)
		wanted += p.f.reworkSide * min(off, p.f.halfTolerance) / f.Effect
	} else if !f.Ready {
		return inForce
	}
	to := nearest(wanted, inForce, p.f.stepSize)
	if math.Abs(to-inForce) < p.deadIn*f.Noise {
		return inForce
	}
	return to
}
