package main

import (
	"math"
	"time"

	"offsetbridge/simulators/cell"
)

// summary is what demo --json prints.
type summary struct {
	Parts       int              `json:"parts"`
	Readings    int              `json:"readings"`
	Applied     int              `json:"applied"`
	Queued      int              `json:"queued"`
	Holds       int              `json:"holds"`
	OutOfLimits int              `json:"out_of_limits"`
	RMS         float64          `json:"rms_um"`
	Uncorrected float64          `json:"rms_um_uncorrected"`
	Seconds     float64          `json:"seconds"`
	Seed        uint64           `json:"seed"`
	Features    []featureSummary `json:"features"`
}

type featureSummary struct {
	Machine     string  `json:"machine"`
	Name        string  `json:"characteristic"`
	Sizes       int     `json:"sizes"`
	OutOfLimits int     `json:"out_of_limits"`
	RMS         float64 `json:"rms_um"`
	Uncorrected float64 `json:"rms_um_uncorrected"`
	OutLeft     int     `json:"out_of_limits_uncorrected"`
}

func (d *demo) summary(took time.Duration) summary {
	d.view.mu.Lock()
	n := d.view.counts
	d.view.mu.Unlock()
	s := summary{
		Readings: n.readings, Applied: n.applied, Queued: n.queued, Holds: n.holds,
		Seconds: round(took.Seconds()), Seed: d.seed,
	}
	var all cell.Tally
	for _, u := range d.cell.Units() {
		s.Parts += int(u.Server.State().Counter)
		for _, f := range u.Machine.Features {
			t := u.Tally(f.Name)
			all = all.Add(t)
			with, without := t.RMS()
			s.OutOfLimits += t.Out
			s.Features = append(s.Features, featureSummary{
				Machine: u.Machine.Name, Name: f.Name, Sizes: t.Parts, OutOfLimits: t.Out,
				RMS: round(with), Uncorrected: round(without), OutLeft: t.TwinOut,
			})
		}
	}
	with, without := all.RMS()
	s.RMS, s.Uncorrected = round(with), round(without)
	return s
}

func round(v float64) float64 { return math.Round(v*1000) / 1000 }

func (d *demo) report(took time.Duration) error {
	s := d.summary(took)
	if d.json {
		return printJSON(d.out, s)
	}
	d.view.say("")
	d.view.say("%d parts, %d readings, %d register changes written and read back, %d asked of a person, %d holds", s.Parts, s.Readings, s.Applied, s.Queued, s.Holds)
	for _, f := range s.Features {
		d.view.say("  %s, %s: %.1f µm rms from aim, %d of %d sizes out of limits; left alone it would have been %.1f µm and %d",
			f.Machine, f.Name, f.RMS, f.OutOfLimits, f.Sizes, f.Uncorrected, f.OutLeft)
	}
	return nil
}
