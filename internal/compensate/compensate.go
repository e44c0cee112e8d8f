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

// Response pools how sizes answered to commanded changes: the slope of seen on
// commanded change, each weighted by how surely it was seen. What the process does
// by itself meanwhile – wear that the corrections follow, heat, a new tool – must
// have been taken off the change that was seen.
type Response struct {
	XX    float64 `json:"xx"` // Σ (commanded ÷ σ)²
	XY    float64 `json:"xy"` // Σ commanded · seen ÷ σ²
	Moves int     `json:"m"`
}

// Add pools one commanded change, the change that was seen less what the process
// would have done by itself, and the standard deviation of that.
func (r *Response) Add(commanded, seen, sigma length.Length) {
	if commanded == 0 || sigma <= 0 {
		return
	}
	x, y := float64(commanded)/float64(sigma), float64(seen)/float64(sigma)
	r.XX += x * x
	r.XY += x * y
	r.Moves++
}

// Ratio returns seen ÷ commanded and its standard error.
func (r Response) Ratio() (ratio, se float64) {
	if r.XX <= 0 {
		return 1, math.Inf(1)
	}
	return r.XY / r.XX, 1 / math.Sqrt(r.XX)
}

// Proven reports whether the direction has been shown: ratio − 2 se > 0.2.
func (r Response) Proven() bool {
	ratio, se := r.Ratio()
	return r.Moves > 0 && ratio-2*se > 0.2
}

// NotDoubled reports whether it has been shown that sizes do not answer twice as
// strongly as commanded, the mistake of a radius taken for a diameter: ratio + 2 se
// < 2.
func (r Response) NotDoubled() bool {
	ratio, se := r.Ratio()
	return r.Moves > 0 && ratio+2*se < 2
}

// Contrary reports significant evidence that the response is not what was
// commanded: too small or reversed (ratio + 3.3 se < 0.45) or too large
// (ratio − 3.3 se > 1.6). Thresholds from simulation: radius taken for diameter
// gives 0.5 or 2, a wrong sign −1, a wrong register 0.
func (r Response) Contrary() bool {
	ratio, se := r.Ratio()
	return r.Moves > 1 && (ratio+3.3*se < 0.45 || ratio-3.3*se > 1.6)
}
