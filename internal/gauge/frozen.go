package gauge

import (
	"math"

	"offsetbridge/internal/length"
)

// FalseAlarm is the most often that a healthy gauge may look frozen, per reading.
const FalseAlarm = 1e-6

// longestRun is the longest run that is worth waiting for: a gauge whose number
// hardly ever moves cannot be told from a frozen one.
const longestRun = 1000

// RunLength returns how many identical full-resolution readings in a row mean
// that a gauge is frozen, 0 when its scatter is so small against its resolution
// that no number does. sigma is the standard deviation of one reading of one
// thing; what the parts add only makes readings differ more.
//
// A healthy reading is the nearest multiple of the resolution r to a normal
// deviate of standard deviation σ. Whatever its mean, it hits one given value
// with a probability of at most
//
//	p = erf( r / (2·√2·σ) )
//
// which is the case of a mean in the middle of that value's cell, and parts that
// differ spread the mean and can only lower it. A run that reaches k at some
// reading needs k − 1 such hits after one another, so that its probability is at
// most p^(k−1), and
//
//	k = 1 + ⌈ ln α / ln p ⌉
//
// keeps it below α = FalseAlarm (derived here; checked by simulation).
func RunLength(sigma, resolution length.Length) int {
	return runLength(float64(sigma), float64(resolution), FalseAlarm)
}

func runLength(sigma, resolution, alpha float64) int {
	if !(sigma > 0) || !(resolution > 0) {
		return 0
	}
	p := math.Erf(resolution / (2 * math.Sqrt2 * sigma))
	if p >= 1 {
		return 0
	}
	k := 1 + math.Ceil(math.Log(alpha)/math.Log(p))
	if k > longestRun {
		return 0
	}
	return int(max(k, 3)) // two equal readings are no run
}
