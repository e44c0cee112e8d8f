package core

import (
	"math"

	"offsetbridge/internal/estimate"
)

// Estimate is the filter of one characteristic of one loop.
type Estimate struct {
	Loop           string              `json:"loop"`
	Characteristic string              `json:"characteristic"`
	Digest         string              `json:"digest"`
	Filter         *estimate.Estimator `json:"filter"`
	Rivals         []Rival             `json:"rivals"` // while the direction is unproven; empty is not none, also in a snapshot
}

// observe lets the estimate of a reading's characteristic take it, with the
// scatter of its gauge where that has been studied.
func (s *State) observe(e *Estimate, j *Judged) estimate.Verdict {
	o := estimate.Observation{
		Part: int64(min(j.Count, math.MaxInt64)), Minute: j.Minute,
		Deviation: j.Deviation.Micrometres(), Command: j.Command.Micrometres(), Regauge: j.Regauge, Recut: j.Recut,
	}
	if t := s.Ledger.Settings.trust(j.Reading.Gauge); t != nil {
		o.Sigma = t.Repeat.Micrometres()
	}
	v := e.Filter.Observe(o)
	e.contend(&o, &v)
	return v
}

// renew lets an estimate begin anew.
func (e *Estimate) renew(set estimate.Settings) {
	e.Filter = estimate.New(set)
	if e.Rivals != nil {
		e.Rivals = rivals(set)
	}
}

func (e *Estimate) forecast(part int64, minute float64) estimate.Forecast {
	return e.Filter.Forecast(part, minute)
}

func (s *State) estimateOf(loop string, c int) *Estimate {
	name := s.Ledger.Settings.Loop(loop).Characteristics[c].Name
	for i := range s.Estimates {
		if e := &s.Estimates[i]; e.Loop == loop && e.Characteristic == name {
			return e
		}
	}
	return nil
}
