package main

import (
	"math"

	"offsetbridge/simulators/plant"
)

// band is the hard band of the register, micrometres of size each side.
const band = 200.0

// outcome sums up runs of one policy on one scenario.
type outcome struct {
	Runs, Parts             int
	Squares, Sum            float64 // of the true deviation, µm
	Scrap, Rework           int     // parts out of tolerance on the least- and maximum-material side
	Firsts                  int     // first parts of a set-up
	FirstScrap, FirstRework int
	Moves                   int // changes of the register
	Again                   int // readings asked for again
	Prompts, Holds          int // answers a person gave; times the loop stopped for one
	Wrong                   int // runs in which it stopped for its response
}

func (o *outcome) add(p outcome) {
	o.Runs += p.Runs
	o.Parts += p.Parts
	o.Squares += p.Squares
	o.Sum += p.Sum
	o.Scrap += p.Scrap
	o.Rework += p.Rework
	o.Firsts += p.Firsts
	o.FirstScrap += p.FirstScrap
	o.FirstRework += p.FirstRework
	o.Moves += p.Moves
	o.Again += p.Again
	o.Prompts += p.Prompts
	o.Holds += p.Holds
	o.Wrong += p.Wrong
}

// count adds one part.
func (o *outcome) count(part plant.Part, f facts) {
	o.Squares += part.True * part.True
	o.Sum += part.True
	first := part.NewTool
	if first {
		o.Firsts++
	}
	switch e := part.True * f.reworkSide; {
	case e > f.halfTolerance:
		o.Rework++
		if first {
			o.FirstRework++
		}
	case e < -f.halfTolerance:
		o.Scrap++
		if first {
			o.FirstScrap++
		}
	}
}

func (o *outcome) rms() float64 { return math.Sqrt(o.Squares / float64(max(1, o.Parts))) }

// ppk is the usual index over all parts of all runs: the nearer limit over three standard deviations.
func (o *outcome) ppk(halfTolerance float64) float64 {
	n := float64(max(2, o.Parts))
	mean := o.Sum / n
	s := math.Sqrt(max(0, o.Squares-n*mean*mean) / (n - 1))
	return (halfTolerance - math.Abs(mean)) / (3 * s)
}

// answered is a policy whose proposals are answered by a person of its own.
type answered interface {
	policy
	asked() (prompts, holds int, wrong bool)
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
	inForce, f := 0.0, factsOf(p)
	var waiting card
	for k := range p.Parts {
		if j := k - 1 - p.InTransit; j >= 0 && parts[j].Gauged {
			gauge(l, pol, parts[j], &out)
		}
		coming := l.Await()
		pol.note(coming)
		to := inForce
		if _, own := pol.(answered); own || delay == 0 {
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
		out.count(part, f)
	}
	if a, own := pol.(answered); own {
		var wrong bool
		if out.Prompts, out.Holds, wrong = a.asked(); wrong {
			out.Wrong = 1
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
		r = l.ReadAgain(part)
	}
}

// step keeps a proposal up to date for the part where it will take effect, and applies it when its
// answer is due. Between, it is replaced only when the policy itself finds the move worth making.
func (c *card) step(pol policy, inForce float64, coming plant.Part, delay int, cycle float64) float64 {
	if coming.NewTool && coming.Reported && coming.Index > 0 {
		// An open proposal is void with the tool it was made for, and the return to where tools
		// start needs no answer.
		c.open = false
		return pol.decide(inForce, coming.Index, coming.Minute)
	}
	if c.open && coming.Index >= c.answer {
		c.open = false
		return c.value
	}
	answer, from := coming.Index+int64(delay), inForce
	if c.open {
		answer, from = c.answer, c.value
	}
	// What takes effect then stays for as long again at least, so it is made for the middle of that.
	middle := answer + int64(delay)/2
	lead := float64(middle-coming.Index) * cycle
	to := pol.decide(from, middle, coming.Minute+lead)
	if to != from {
		c.value, c.answer, c.open = to, answer, true
	}
	return inForce
}
