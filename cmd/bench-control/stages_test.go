package main

import (
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/estimate"
	"offsetbridge/simulators/plant"
)

// The stages of the production core, each taken out in turn: what it is worth on a scenario made
// for it. Fixed seeds, so the numbers are the same each time.

// lacking is the core's shop with one stage taken out.
type lacking struct {
	*shop
	newest bool // a reading is taken as one of the newest part: no attribution
	once   bool // nothing is gauged again
}

func (s lacking) observe(part plant.Part, deviation float64, nth int) bool {
	if s.newest {
		s.finish()
		part.Index = int64(s.sample.Counter) - 1
	}
	return s.shop.observe(part, deviation, nth) && !s.once
}

func rmsOf(t *testing.T, id string, parts int, without func(*shop) policy) outcome {
	t.Helper()
	p := scenario(t, id)
	p.Parts = parts
	var sum outcome
	for s := range uint64(6) {
		sum.add(run(p, s+1, without(newShop(p, configured(p, "", "", ""), 0)), 0))
	}
	return sum
}

func whole(s *shop) policy { return s }

// estimating gives the core another estimator before it has seen anything.
func estimating(change func(*estimate.Settings)) func(*shop) policy {
	return func(s *shop) policy {
		e := &s.state.Estimates[0]
		set := e.Filter.Settings
		change(&set)
		e.Filter = estimate.New(set)
		return s
	}
}

func TestEachStageIsWorthItself(t *testing.T) {
	for _, c := range []struct {
		stage, id string
		parts     int
		without   func(*shop) policy
		worth     float64 // rms without ÷ with, at least
	}{
		{"attribution", "S2", 400, func(s *shop) policy { return lacking{shop: s, newest: true} }, 1.1},
		{"slope", "S11", 400, estimating(func(s *estimate.Settings) { s.WithoutSlope = true }), 1.3},
		{"warmth", "S4", 600, estimating(func(s *estimate.Settings) { s.WithoutThermal = true }), 1.2},
		{"gate", "S7", 400, estimating(func(s *estimate.Settings) { s.WithoutGate = true }), 1.2},
		{"effect too small", "S8a", 400, estimating(func(s *estimate.Settings) { s.WithoutEffect = true }), 1.02},
		{"effect too large", "S8b", 400, estimating(func(s *estimate.Settings) { s.WithoutEffect = true }), 1.02},
		{"first part's weight", "S5", 600, estimating(func(s *estimate.Settings) { s.SetupSigma = s.Noise / 4 }), 1.02},
		{"second readings", "S6", 600, func(s *shop) policy { return lacking{shop: s, once: true} }, 1.05},
	} {
		with, without := rmsOf(t, c.id, c.parts, whole), rmsOf(t, c.id, c.parts, c.without)
		worth := without.rms() / with.rms()
		t.Logf("%-19s %s: rms %.2f µm, without %.2f (× %.2f)", c.stage, c.id, with.rms(), without.rms(), worth)
		if worth < c.worth {
			t.Errorf("without %s the rms on %s is %.2f times as large, want %.2f at least", c.stage, c.id, worth, c.worth)
		}
	}
}

// Without a dead band a stable process is corrected after nearly every part: the step of this
// register would allow it.
func TestDeadBandLeavesAStableProcessAlone(t *testing.T) {
	p := scenario(t, "S0")
	p.Step, p.Parts = 0.1, 400
	var with, without outcome
	for s := range uint64(4) {
		with.add(run(p, s+1, newShop(p, configured(p, "", "", ""), 0), 0))
		b := newBank(factsOf(p), true)
		b.deadIn = 0
		without.add(run(p, s+1, b, 0))
	}
	t.Logf("%d moves, without %d", with.Moves, without.Moves)
	if with.Moves*4 > without.Moves {
		t.Errorf("%d moves in %d parts, without a dead band %d", with.Moves, with.Parts, without.Moves)
	}
}

// Nothing is written on a first part before a setter has agreed, however long that takes.
func TestFirstPartWaitsForItsSetter(t *testing.T) {
	p := firstPlant()
	for s := range uint64(20) {
		shop := newShop(p, configured(p, "", "", ""), mostCuts)
		moves := 0
		shop.watch = func(e core.Event) {
			if _, ok := e.(core.Intended); ok {
				moves++
			}
		}
		run(p, s+1, shop, 0)
		first := shop.state.Ledger.Loops[0].First
		if first && moves > 0 {
			t.Errorf("seed %d: %d writes on a first part that nobody agreed to", s+1, moves)
		}
	}
}

// Scrap that is twenty times as dear makes a first part rare scrap; and two cuts are what it takes.
func TestFirstParts(t *testing.T) {
	all := measureFirst(options{Seeds: 200, First: 1})
	by := map[string]FirstPart{}
	for _, f := range all {
		by[f.Policy] = f
	}
	if dear := by["core, scrap 20 × as dear"]; dear.Later*4 > by["core"].Later || dear.Rework <= by["core"].Rework {
		t.Errorf("later first parts with scrap 20 × as dear: %+v, else %+v", dear, by["core"])
	}
	plain, full, limits := by["core"], by["full"], by["limits"]
	if plain.Median > 2 || plain.Most > 3 {
		t.Errorf("%+v", plain)
	}
	if plain.Scrapped > full.Scrapped+1 || plain.Scrapped > limits.Scrapped+1 {
		t.Errorf("core %+v, full correction %+v, go/no-go person %+v", plain, full, limits)
	}
}

// Without the rivals a register that does nothing is found much later, or never.
func TestResponseIsWatched(t *testing.T) {
	o := options{Seeds: 30, First: 1}
	for _, f := range measureFaults(o) {
		if (f.Name == "wrong sign" || f.Name == "wrong register") && !f.Met {
			t.Errorf("%+v", f)
		}
		if f.Ratio == 1 && f.Writes > 0 {
			t.Errorf("written in another unit: %+v", f)
		}
	}
	late := 0
	for s := range uint64(30) {
		found, _, _ := faultRun("wrong register", faultPlant(1e-9, 0, s+1), s+1, func(s *shop) { s.state.Estimates[0].Rivals = nil })
		if found == 0 || found > 9 {
			late++
		}
	}
	if late < 20 {
		t.Errorf("without rivals %d of 30 runs were found late", late)
	}
}
