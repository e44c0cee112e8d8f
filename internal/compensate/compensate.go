// Package compensate turns an estimate of size into a wanted register value. It
// knows effects (change of size per unit of register), aims, dead bands and the
// proof of response; it knows nothing of bounds, which are guard's, nor of
// machines.
package compensate

import (
	"math"

	"offsetbridge/internal/length"
)

// Target returns the register value at which a part with the forecast drift
// (deviation − effect · register, so what the process does by itself) comes out
// at its aim: −drift / effect, to the nearest nanometre. The effect is in
// thousandths and not zero.
func Target(drift length.Length, effect int32) length.Length {
	n, d := -1000*int64(drift), int64(effect)
	if d < 0 {
		n, d = -n, -d
	}
	if n >= 0 {
		return length.Length((n + d/2) / d)
	}
	return length.Length(-((-n + d/2) / d))
}

// FirstAim returns how far from the aim, towards the maximum-material side, the
// first part after a set-up is best cut when scrapping it costs more than cutting
// it again: a* = (s²/2h)·ln(C_scrap/C_rework), for a normal size of standard
// deviation s inside limits ± h, where the two tails' marginal costs are equal
// (derived here, checked by simulation: h = 15 µm, cost ratio 20 gives 0.9 µm at
// s = 3 µm and 14.4 µm at s = 12 µm). It never goes beyond the limit itself.
func FirstAim(sigma, half length.Length, scrapToRework float64) length.Length {
	if half <= 0 || !(scrapToRework > 1) || math.IsInf(scrapToRework, 1) {
		return 0
	}
	s, h := sigma.Micrometres(), half.Micrometres()
	shift, ok := length.FromMicrometres(s * s / (2 * h) * math.Log(scrapToRework))
	if !ok {
		return half
	}
	return min(shift, half)
}

// Band returns the dead band in size: at least what was configured, one
// register step, and k standard deviations of a reading, so that noise alone
// moves nothing.
func Band(configured, step length.Length, effect int32, noise length.Length, k float64) length.Length {
	one := length.Length(math.Abs(float64(effect)) * float64(step) / 1000)
	return max(configured, one, length.Length(math.Round(k*float64(noise))))
}

// Response pools how sizes answered to commanded changes, over the differences
// of consecutive parts: the slope of seen on commanded change. Wear moves sizes
// too, in step with the corrections that follow it; so a common drift from part
// to part is taken off, as far as parts without a change of register, or changes
// of different size, tell the two apart (ridge regression with the drift as the
// only penalised coefficient).
type Response struct {
	X     float64 `json:"x"`  // Σ commanded, µm
	Y     float64 `json:"y"`  // Σ seen, µm
	XX    float64 `json:"xx"` // Σ commanded², µm²
	XY    float64 `json:"xy"` // Σ commanded · seen, µm²
	N     int     `json:"n"`  // differences
	Moves int     `json:"m"`  // of them with a commanded change
}

// driftPenalty is the variance of a difference of two readings over that of the
// drift from part to part, before anything is known: a drift of half a reading's
// standard deviation is ordinary.
const driftPenalty = 2 / (0.5 * 0.5)

// Add pools the difference of two consecutive parts: the change that was
// commanded between them, zero for none, and the change that was seen.
func (r *Response) Add(commanded, seen length.Length) {
	x, y := commanded.Micrometres(), seen.Micrometres()
	r.X += x
	r.Y += y
	r.XX += x * x
	r.XY += x * y
	r.N++
	if commanded != 0 {
		r.Moves++
	}
}

// Ratio returns seen ÷ commanded and its standard error, given the standard
// deviation of one reading. A difference of two readings carries it √2 times.
func (r Response) Ratio(noise length.Length) (ratio, se float64) {
	n := float64(r.N) + driftPenalty
	xx, xy := r.XX-r.X*r.X/n, r.XY-r.X*r.Y/n
	if r.Moves == 0 || xx <= 0 {
		return 1, math.Inf(1)
	}
	return xy / xx, math.Sqrt2 * noise.Micrometres() / math.Sqrt(xx)
}

// Proven reports whether the direction has been shown: ratio − 2 se > 0.2.
func (r Response) Proven(noise length.Length) bool {
	ratio, se := r.Ratio(noise)
	return r.Moves > 0 && ratio-2*se > 0.2
}

// Contrary reports significant evidence that the response is not what was
// commanded: too small or reversed (ratio + 3.3 se < 0.45) or too large
// (ratio − 3.3 se > 1.6). Thresholds from simulation: radius taken for diameter
// gives 0.5 or 2, a wrong sign −1, a wrong register 0.
func (r Response) Contrary(noise length.Length) bool {
	ratio, se := r.Ratio(noise)
	return r.Moves > 1 && (ratio+3.3*se < 0.45 || ratio-3.3*se > 1.6)
}
