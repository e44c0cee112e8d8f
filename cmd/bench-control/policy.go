package main

import (
	"math"

	"offsetbridge/simulators/plant"
)

// A policy steers one register. The bench calls it in the order in which a shop would tell it
// things; sizes are micrometres. A policy is used for one run and then dropped.
type policy interface {
	// note tells what happens before a part is cut: a new tool that was reported, a stop.
	note(coming plant.Part)
	// set tells that the gauge was set, and what it was found to deviate by.
	set(asFound float64)
	// observe takes a reading of a part; nth counts the readings of that same part from 0. It
	// returns true to have the part gauged once more before anything else happens.
	observe(part plant.Part, deviation float64, nth int) (again bool)
	// decide returns the command for the given part, whole register steps, given the one in force.
	// The minute is when that part will have been cut.
	decide(inForce float64, part int64, minute float64) float64
}

// facts are what a person configures: what a drawing and a machine say.
type facts struct {
	halfTolerance float64
	stepSize      float64 // change of size of one register step
	inTransit     int
	cycleMinutes  float64
	reworkSide    float64 // +1 where more size can still be cut away (shafts), −1 where less (bores)
}

func factsOf(p plant.Params) facts {
	// Wear moves size towards the side that can still be re-cut, inside and outside alike.
	side := 1.0
	if p.WearRate < 0 {
		side = -1
	}
	return facts{p.HalfTolerance, p.StepSize(), p.InTransit, p.CycleMinutes, side}
}

// nearest rounds to a whole number of steps, ties towards the value in force.
func nearest(wanted, inForce, step float64) float64 {
	steps := (wanted - inForce) / step
	whole := math.Ceil(math.Abs(steps) - 0.5)
	return inForce + math.Copysign(whole, steps)*step
}

// bystander leaves out what a policy does not care for.
type bystander struct{}

func (bystander) note(plant.Part) {}

func (bystander) set(float64) {}

// none never moves anything.
type none struct{ bystander }

func (none) observe(plant.Part, float64, int) bool { return false }

func (none) decide(inForce float64, _ int64, _ float64) float64 { return inForce }

// person is what the manual baselines share: the wear register goes back to zero with a new tool
// that was reported, and readings of parts cut before the last move are set aside.
type person struct {
	f     facts
	clear bool
	moved int64
}

func (p *person) note(coming plant.Part) {
	if coming.NewTool && coming.Reported && coming.Index > 0 {
		p.clear = true
	}
}

func (*person) set(float64) {}

// limitPerson corrects by the whole deviation whenever a part is outside its limits.
type limitPerson struct {
	person
	due float64
}

func (p *limitPerson) observe(part plant.Part, deviation float64, _ int) bool {
	if part.Index >= p.moved && math.Abs(deviation) > p.f.halfTolerance {
		p.due = deviation
	}
	return false
}

func (p *limitPerson) decide(inForce float64, part int64, _ float64) float64 {
	return p.move(inForce, part, &p.due)
}

// move takes what is due away, or clears the register.
func (p *person) move(inForce float64, part int64, due *float64) float64 {
	to := nearest(inForce-*due, inForce, p.f.stepSize)
	if p.clear {
		to = 0
	}
	if p.clear || *due != 0 {
		p.moved, p.clear, *due = part, false, 0
	}
	return to
}

// averageOfFive corrects by the mean of five readings when it leaves a quarter of the half
// tolerance, and starts to collect again.
type averageOfFive struct {
	person
	n   int
	sum float64
	due float64
}

func (p *averageOfFive) observe(part plant.Part, deviation float64, _ int) bool {
	if part.Index < p.moved {
		return false
	}
	p.n++
	p.sum += deviation
	if p.n == 5 {
		if mean := p.sum / 5; math.Abs(mean) > p.f.halfTolerance/4 {
			p.due = mean
		}
		p.n, p.sum = 0, 0
	}
	return false
}

func (p *averageOfFive) decide(inForce float64, part int64, _ float64) float64 {
	moved := p.moved
	to := p.move(inForce, part, &p.due)
	if p.moved != moved {
		p.n, p.sum = 0, 0
	}
	return to
}

// eachPart corrects by a share of each deviation as it comes, whatever is in transit. At a share
// of 1 it is the eager beginner, at 0.3 the fixed average in its naive form.
type eachPart struct {
	person
	share float64
	sum   float64 // the wanted command, unrounded
}

func (p *eachPart) observe(_ plant.Part, deviation float64, _ int) bool {
	p.sum = max(-band, min(band, p.sum-p.share*deviation))
	return false
}

func (p *eachPart) decide(inForce float64, _ int64, _ float64) float64 {
	if p.clear {
		p.clear, p.sum = false, 0
	}
	return nearest(p.sum, inForce, p.f.stepSize)
}
