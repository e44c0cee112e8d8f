package main

import (
	"math"

	"offsetbridge/simulators/plant"
)

// band is the hard band of the register, micrometres of size each side.
const band = 200.0

// outcome sums up runs of one policy on one scenario.
type outcome struct {
	Runs, Parts int
	Squares     float64 // sum of squared true deviation
	Sum         float64
	Outside     int // parts out of tolerance
	Moves       int // changes of the register
	Again       int // readings asked for again
	TrueFouls   int // of those, with something under the anvil
}

func (o *outcome) add(p outcome) {
	o.Runs += p.Runs
	o.Parts += p.Parts
	o.Squares += p.Squares
	o.Sum += p.Sum
	o.Outside += p.Outside
	o.Moves += p.Moves
	o.Again += p.Again
	o.TrueFouls += p.TrueFouls
}

func (o *outcome) rms() float64 { return math.Sqrt(o.Squares / float64(max(1, o.Parts))) }

// ppk is the usual index over all parts of all runs: the nearer limit over three standard deviations.
func (o *outcome) ppk(halfTolerance float64) float64 {
	n := float64(max(2, o.Parts))
	mean := o.Sum / n
	s := math.Sqrt(max(0, o.Squares-n*mean*mean) / (n - 1))
	return (halfTolerance - math.Abs(mean)) / (3 * s)
}

// card is a proposal that waits for an answer.
type card struct {
	value  float64
	answer int64 // the part before which it is answered
	open   bool
}

// run drives a policy over one run of a plant. An approver answers each proposal after `delay`
// parts, always with yes.
func run(p plant.Params, seed uint64, pol policy, delay int) outcome {
	l := plant.New(p, seed)
	out := outcome{Runs: 1, Parts: p.Parts}
	parts := make([]plant.Part, 0, p.Parts)
	inForce := 0.0
	var waiting card
	for k := range p.Parts {
		if j := k - 1 - p.InTransit; j >= 0 && parts[j].Gauged {
			gauge(l, pol, parts[j], &out)
		}
		coming := l.Await()
		pol.note(coming)
		to := inForce
		if delay == 0 {
			to = pol.decide(inForce, coming.Index, coming.Minute)
		} else {
			to = waiting.step(pol, inForce, coming, delay, p.CycleMinutes)
		}
		to = max(-band, min(band, to))
		if to != inForce {
			out.Moves++
			inForce = to
		}
		part := l.Cut(inForce)
		parts = append(parts, part)
		out.Squares += part.True * part.True
		out.Sum += part.True
		if math.Abs(part.True) > p.HalfTolerance {
			out.Outside++
		}
	}
	return out
}

// gauge reads a part, and again as often as the policy asks for, at most twice.
func gauge(l *plant.Plant, pol policy, part plant.Part, out *outcome) {
	r := l.Read(part)
	if r.Set {
		pol.set(r.AsFound)
	}
	for nth := 0; pol.observe(part, r.Value, nth) && nth < 2; nth++ {
		out.Again++
		if r.Outlier {
			out.TrueFouls++
		}
		r = l.ReadAgain(part)
	}
}

// step keeps a proposal up to date for the part where it will take effect, and applies it when its
// answer is due. Between, it is replaced only when the policy itself finds the move worth making.
func (c *card) step(pol policy, inForce float64, coming plant.Part, delay int, cycle float64) float64 {
	if c.open && coming.Index >= c.answer {
		c.open = false
		return c.value
	}
	answer, from := coming.Index+int64(delay), inForce
	if c.open {
		answer, from = c.answer, c.value
	}
	lead := float64(answer-coming.Index) * cycle
	to := pol.decide(from, answer, coming.Minute+lead)
	if to != from {
		c.value, c.answer, c.open = to, answer, true
	}
	return inForce
}
