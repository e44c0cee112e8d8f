package capability

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Step is one part of a corrected process, from its aim, in the unit of the caller.
type Step struct {
	Own       float64 // what the process did by itself: size − aim − Command
	Command   float64 // what the registers in force added
	Low, High float64 // limits from the aim; NaN is none
}

// Outcome is what a way of correcting makes of the parts.
type Outcome struct {
	RMS        float64 // from aim
	Below      int     // beyond the lower limit
	Above      int     // beyond the upper limit
	beneath    []int32 // running counts, for resampling
	aboveSoFar []int32
}

// Alternatives compares what was made with what other ways of correcting would have
// made of the same process.
type Alternatives struct {
	N     int
	AsIs  Outcome // as recorded
	None  Outcome // the registers of the first part, throughout
	Full  Outcome // every deviation taken out whole before the next part
	Block int     // parts resampled together
}

// Alternate works them out. The process is taken to be what it was whatever the
// registers held, and the effects to be as configured.
func Alternate(steps []Step) Alternatives {
	n := len(steps)
	out := Alternatives{N: n, Block: blockOf(n)}
	if n == 0 {
		return out
	}
	full := steps[0].Command
	first := full
	a, b, c := newOutcome(n), newOutcome(n), newOutcome(n)
	for i := range steps {
		s := &steps[i]
		a.add(s.Own+s.Command, s)
		b.add(s.Own+first, s)
		off := s.Own + full
		c.add(off, s)
		full -= off
	}
	out.AsIs, out.None, out.Full = a.done(n), b.done(n), c.done(n)
	return out
}

func newOutcome(n int) *Outcome {
	return &Outcome{beneath: make([]int32, 1, n+1), aboveSoFar: make([]int32, 1, n+1)}
}

func (o *Outcome) add(off float64, s *Step) {
	o.RMS += off * off
	if off < s.Low {
		o.Below++
	}
	if off > s.High {
		o.Above++
	}
	o.beneath = append(o.beneath, int32(o.Below))
	o.aboveSoFar = append(o.aboveSoFar, int32(o.Above))
}

func (o *Outcome) done(n int) Outcome {
	o.RMS = math.Sqrt(o.RMS / float64(n))
	return *o
}

// blockOf is how many parts are resampled together: neighbours are alike, and a tool's
// wear makes long stretches alike.
func blockOf(n int) int { return max(1, min(n/8, max(25, int(math.Sqrt(float64(n))*2)))) }

// Side is one side of the limits.
type Side int

// The sides.
const (
	LowerSide Side = iota
	UpperSide
)

// Avoided is how many parts fewer lie beyond a limit in b than in a, of all N, with an
// interval by resampling blocks of parts (circular block bootstrap, Politis & Romano
// 1992; its start is fixed). The interval is unknown where there are fewer than eight
// blocks.
func (t *Alternatives) Avoided(a, b *Outcome, side Side, confidence float64) Figure {
	of := func(o *Outcome) []int32 {
		if side == LowerSide {
			return o.beneath
		}
		return o.aboveSoFar
	}
	if t.N == 0 {
		return unknown()
	}
	x, y := of(a), of(b)
	total := func(from, to int) float64 { return float64((x[to] - x[from]) - (y[to] - y[from])) }
	out := Figure{total(0, t.N), math.NaN(), math.NaN()}
	blocks := t.N / t.Block
	if blocks < 8 {
		return out
	}
	chance := rand.New(rand.NewPCG(5, uint64(t.N)))
	const resamples = 2000
	again := make([]float64, resamples)
	for i := range again {
		for range blocks {
			from := chance.IntN(t.N)
			to := from + t.Block
			if to <= t.N {
				again[i] += total(from, to)
			} else {
				again[i] += total(from, t.N) + total(0, to-t.N)
			}
		}
		again[i] *= float64(t.N) / float64(blocks*t.Block)
	}
	slices.Sort(again)
	half := (1 - confidence) / 2
	out.Low, out.High = quantile(again, half), quantile(again, 1-half)
	return out
}
