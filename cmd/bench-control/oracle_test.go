package main

import (
	"math"
	"testing"

	"offsetbridge/simulators/plant"
)

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

func boundOf(p plant.Params, seeds int) float64 {
	o := outcome{Parts: seeds * p.Parts}
	for s := range uint64(seeds) {
		o.Squares += boundRun(p, 500+s)
	}
	return o.rms()
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.5g, want %.5g ± %.2g", what, got, want, within)
	}
}

// Where there is a formula, the oracle meets it: a random walk seen through noise, d parts in
// transit, has P = (−q + √(q² + 4qR))/2 and bound² = σ²process + P + (d+1)·q + step²/12.
func TestOracleMeetsTheFormula(t *testing.T) {
	for _, d := range []int{0, 1, 4} {
		p := plant.Params{
			Parts: 6000, CycleMinutes: 1, GaugeEvery: 1, InTransit: d, Effect: 1, EffectRatio: 1, Step: 1,
			SigmaProcess: 1.2, SigmaGauge: 0.9, Walk: 0.5,
		}
		q, r := 0.25, 1.2*1.2+0.9*0.9
		steady := (-q + math.Sqrt(q*q+4*q*r)) / 2
		want := math.Sqrt(1.2*1.2 + steady + float64(d+1)*q + 1.0/12)
		near(t, "bound", boundOf(p, 10), want, 0.012*want)
	}
}

// Bounds of the public scenarios, computed beforehand with another program.
func TestOracleOnThePublicScenarios(t *testing.T) {
	for id, want := range map[string]float64{
		"S0": 1.54, "S1": 1.39, "S2": 1.61, "S3": 4.22, "S4": 1.19, "S5": 2.81, "S6": 3.82,
		"S7": 1.47, "S8a": 2.8, "S9": 1.70, "S11": 2.23,
	} {
		near(t, id, boundOf(scenario(t, id), 25), want, 0.09*want)
	}
}

// With hidden changes and chips the Gaussian sum must at least tell the two apart: taking the sum
// over chips away costs dearly.
func TestOracleSortsChipsOut(t *testing.T) {
	p := scenario(t, "S7")
	with, without := 0.0, 0.0
	for s := range uint64(5) {
		with += boundRun(p, s)
		blind := p
		l := plant.New(p, s)
		o := newOracle(blind)
		o.p.OutlierRate = 0
		for k := range p.Parts {
			part := l.Cut(0)
			if k > 0 {
				m := o.clone()
				m.advance(part)
				e := part.True - m.mean()
				without += e * e
			}
			o.advance(part)
			r := l.Read(part)
			o.observe(r, r.Value)
		}
	}
	if !(without > 2*with) {
		t.Errorf("squared error %.0f blind to chips, %.0f not", without, with)
	}
}

// Nothing beats the bound where it is exact.
func TestBankStaysAboveTheBound(t *testing.T) {
	for _, id := range []string{"S0", "S1", "S2", "S8a", "S11"} {
		p := scenario(t, id)
		var o outcome
		for s := range uint64(12) {
			o.add(run(p, 500+s, newBank(factsOf(p), true), 0))
		}
		if ratio := o.rms() / boundOf(p, 12); ratio < 0.985 || ratio > 1.07 {
			t.Errorf("%s: rms ÷ bound %.4f, want a little above 1", id, ratio)
		}
	}
}

// The oracle's own variance is right: innovations squared over it average to 1.
func TestOracleIsConsistent(t *testing.T) {
	capricious := scenario(t, "S4")
	capricious.ID, capricious.ColdSpread = "S4 with unlike runs", 0.9
	for _, p := range []plant.Params{
		scenario(t, "S1"), scenario(t, "S3"), scenario(t, "S4"), scenario(t, "S5"), scenario(t, "S9"), capricious,
	} {
		sum, n := 0.0, 0.0
		for s := range uint64(15) {
			l, o := plant.New(p, 900+s), newOracle(p)
			for range p.Parts {
				part := l.Cut(0)
				o.advance(part)
				r := l.Read(part)
				h := &o.hs[0]
				if r.Set {
					o.observe(r, r.Value)
					continue
				}
				c := o.row(h)
				c[osZero] = 1
				v, variance := h.innovation(c, r.Value, p.SigmaProcess*p.SigmaProcess+p.SigmaGauge*p.SigmaGauge)
				sum += v * v / variance
				n++
				o.observe(r, r.Value)
			}
		}
		near(t, p.ID, sum/n, 1, 0.04)
	}
}
