package main

import (
	"math"
	"testing"

	"offsetbridge/simulators/plant"

	"pgregory.net/rapid"
)

func TestNearest(t *testing.T) {
	for _, c := range []struct{ wanted, inForce, step, want float64 }{
		{2.4, 0, 1, 2}, {2.6, 0, 1, 3}, {2.5, 0, 1, 2}, {2.5, 5, 1, 3}, {-2.5, 0, 1, -2}, {-0.5, 0, 1, 0},
		{0.5, 0, 1, 0}, {3, 0, 2, 2}, {3, 4, 2, 4}, {5.1, 0, 2.54, 5.08},
	} {
		if got := nearest(c.wanted, c.inForce, c.step); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("nearest(%g, %g, %g) = %g, want %g", c.wanted, c.inForce, c.step, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		step := rapid.Float64Range(0.1, 5).Draw(t, "step")
		inForce := float64(rapid.IntRange(-50, 50).Draw(t, "steps")) * step
		wanted := rapid.Float64Range(-200, 200).Draw(t, "wanted")
		got := nearest(wanted, inForce, step)
		if math.Abs(got-wanted) > step/2+1e-9 {
			t.Fatalf("applied %g, wanted %g: more than half a step of %g", got, wanted, step)
		}
		if off := (got - inForce) / step; math.Abs(off-math.Round(off)) > 1e-9 {
			t.Fatalf("%g is not whole steps from %g", got, inForce)
		}
	})
}

// still is a process without any chance, one unit off its aim, with d parts in transit.
func still(d int) plant.Params {
	return plant.Params{
		ID: "still", Parts: 400, CycleMinutes: 1, GaugeEvery: 1, InTransit: d,
		Effect: 1, EffectRatio: 1, Step: 1e-6, HalfTolerance: 10,
	}
}

// ending is how far off the last part is when each part is corrected by a share of its deviation.
func ending(d int, share, off, wear float64) float64 {
	p := still(d)
	p.WearRate = wear
	l := plant.New(p, 1)
	pol := &eachPart{person: person{f: factsOf(p)}, share: share}
	command, last := 0.0, 0.0
	var parts []plant.Part
	for k := range p.Parts {
		if j := k - 1 - d; j >= 0 {
			pol.observe(parts[j], parts[j].True+off, 0)
		}
		command = pol.decide(command, int64(k), 0)
		parts = append(parts, l.Cut(command))
		last = parts[k].True + off
	}
	return last
}

// Correcting each part, whatever is in transit, is stable only below a gain of 2·sin(π/(2(2d+1)));
// the ramp it follows leaves it wear ÷ gain behind (both closed forms).
func TestNaiveGainLimit(t *testing.T) {
	for d, want := range map[int]float64{0: 2, 1: 1, 2: 0.618034, 3: 0.445042, 5: 0.284630} {
		limit := 2 * math.Sin(math.Pi/(2*float64(2*d+1)))
		near(t, "limit", limit, want, 1e-5)
		if e := ending(d, 0.9*limit, 1, 0); math.Abs(e) > 0.2 {
			t.Errorf("d = %d, below the limit: still %.3g off", d, e)
		}
		if e := ending(d, 1.1*limit, 1, 0); math.Abs(e) < 5 {
			t.Errorf("d = %d, above the limit: only %.3g off", d, e)
		}
	}
	for _, gain := range []float64{0.1, 0.3, 0.5, 1} {
		near(t, "behind a ramp", ending(0, gain, 0, 0.01), 0.01/gain, 1e-4)
	}
}

func TestBaselines(t *testing.T) {
	f := facts{halfTolerance: 10, stepSize: 1}
	limits := &limitPerson{person: person{f: f}}
	limits.observe(plant.Part{Index: 1}, 9, 0)
	if got := limits.decide(0, 2, 0); got != 0 {
		t.Errorf("inside its limits: moved to %g", got)
	}
	limits.observe(plant.Part{Index: 2}, -11, 0)
	if got := limits.decide(0, 3, 0); got != 11 {
		t.Errorf("11 µm under: moved to %g, want 11", got)
	}
	limits.observe(plant.Part{Index: 2}, -11, 0)
	if got := limits.decide(11, 4, 0); got != 11 {
		t.Errorf("a part cut before the move: moved to %g", got)
	}
	mean := &averageOfFive{person: person{f: f}}
	for k := range int64(5) {
		mean.observe(plant.Part{Index: k}, 4, 0)
		if got := mean.decide(0, k+1, 0); (got != 0) != (k == 4) {
			t.Errorf("after %d of five parts: %g", k+1, got)
		}
	}
	mean.note(plant.Part{Index: 9, NewTool: true, Reported: true})
	if got := mean.decide(-4, 9, 0); got != 0 {
		t.Errorf("with a new tool: %g, want the register cleared", got)
	}
}

// scripted wants what it is told, part by part.
type scripted struct {
	bystander
	want map[int64]float64
}

func (scripted) observe(plant.Part, float64, int) bool { return false }

func (s scripted) decide(inForce float64, part int64, _ float64) float64 {
	if w, ok := s.want[part]; ok {
		return w
	}
	return inForce
}

// A proposal waits for its answer, is replaced while it waits without waiting longer, and is void
// with the tool it was made for.
func TestCard(t *testing.T) {
	var c card
	pol := scripted{want: map[int64]float64{16: 3}} // made before part 10, in force from 14 to 18 on
	step := func(index int64, newTool bool) float64 {
		return c.step(pol, 0, plant.Part{Index: index, NewTool: newTool, Reported: newTool}, 4, 1)
	}
	for k := int64(10); k < 14; k++ {
		if k == 12 {
			pol.want[16] = 5
		}
		if got := step(k, false); got != 0 || !c.open || c.answer != 14 {
			t.Fatalf("before part %d: %g, card %+v", k, got, c)
		}
	}
	if got := step(14, false); got != 5 || c.open {
		t.Fatalf("answered: %g, card %+v, want the replaced value", got, c)
	}
	pol.want[26] = 2
	step(20, false)
	if !c.open {
		t.Fatal("no new card")
	}
	pol.want[21] = -1
	if got := step(21, true); got != -1 || c.open {
		t.Errorf("new tool: %g, card %+v, want the return at once and the card void", got, c)
	}
}

// With scrap dearer than a re-cut, first parts are moved to the side that can be re-cut.
func TestLopsidedFirstPart(t *testing.T) {
	p := scenario(t, "S8a")
	var plain, lopsided outcome
	for s := range uint64(15) {
		plain.add(run(p, s, newBank(factsOf(p), true), 0))
		b := newBank(factsOf(p), true)
		b.cost = 20
		lopsided.add(run(p, s, b, 0))
	}
	if lopsided.FirstScrap*2 > plain.FirstScrap || lopsided.FirstRework <= plain.FirstRework {
		t.Errorf("scrap %d, re-cuts %d of %d first parts; plain %d and %d",
			lopsided.FirstScrap, lopsided.FirstRework, plain.Firsts, plain.FirstScrap, plain.FirstRework)
	}
	if plain.Firsts != 15*12 {
		t.Errorf("%d first parts, want 180", plain.Firsts)
	}
}

func TestOutcome(t *testing.T) {
	var o outcome
	f := facts{halfTolerance: 2, reworkSide: -1}
	for i, x := range []float64{1, -1, 3, -3} {
		o.Parts++
		o.count(plant.Part{True: x, NewTool: i == 2}, f)
	}
	near(t, "rms", o.rms(), math.Sqrt(5), 1e-12)
	near(t, "ppk", o.ppk(2), 2/(3*math.Sqrt(20.0/3)), 1e-12)
	if o.Scrap != 1 || o.Rework != 1 || o.Firsts != 1 || o.FirstScrap != 1 || o.FirstRework != 0 {
		t.Errorf("%+v", o)
	}
}
