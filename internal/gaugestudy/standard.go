package gaugestudy

import (
	"fmt"
	"math"

	"offsetbridge/internal/capability"
)

// Type1 is a study of one standard, measured many times.
type Type1 struct {
	N          int
	Mean       float64
	SD         Figure  // repeatability, with its χ² interval
	Bias       Figure  // mean − standard, with Student's interval
	T, P       float64 // of no bias
	Cg, Cgk    Figure  // NaN without a tolerance
	Share      float64 // of the tolerance, as given
	Span       float64 // in standard deviations, as given
	Confidence float64
}

// The customary figures of Cg and Cgk.
const (
	Share = 0.2 // of the tolerance
	Span  = 6.0 // standard deviations
)

// OnStandard analyses readings of one standard:
//
//	Cg  = share·T / (span·s)
//	Cgk = (share·T/2 − |bias|) / (span·s/2)
//
// with share 0.2 and span 6 unless given (a "type 1" study; common practice of the
// motor industry, from memory; others take 0.15 or a span of 4). The interval of Cg
// is that of s; that of Cgk is Bissell's (1990), as for a process between two limits.
func OnStandard(x []float64, standard, tolerance, share, span, confidence float64) (*Type1, error) {
	if len(x) < 10 {
		return nil, fmt.Errorf("%w: %d readings of the standard, take at least 10 (25 to 50 are usual)", ErrStudy, len(x))
	}
	var m, off capability.Moments
	for _, v := range x {
		m.Add(v)
		off.Add(v - standard)
	}
	n := float64(m.N)
	sd := m.SD()
	t := &Type1{N: m.N, Mean: m.Mean(), Share: share, Span: span, Confidence: confidence, Cg: unknown(), Cgk: unknown()}
	alpha := (1 - confidence) / 2
	t.SD = Figure{sd, sd * math.Sqrt((n-1)/chi(1-alpha, n-1)), sd * math.Sqrt((n-1)/chi(alpha, n-1))}
	half := studentQuantile(1-alpha, n-1) * sd / math.Sqrt(n)
	t.Bias = Figure{off.Mean(), off.Mean() - half, off.Mean() + half}
	t.T = off.Mean() / (sd / math.Sqrt(n))
	t.P = twoSided(t.T, n-1)
	if sd == 0 {
		t.T, t.P = math.NaN(), math.NaN()
	}
	if tolerance > 0 && sd > 0 {
		width := share * tolerance
		// The same arithmetic as of a process with limits ± width/2 and a span of its own.
		scale := 6 / span
		l := capability.Limits{Lower: -width / 2, Upper: width / 2, Target: math.NaN()}
		g := capability.Ratio(l, sd, n-1, confidence)
		t.Cg = Figure{scale * g.Value, scale * g.Low, scale * g.High}
		k := capability.Nearest(l, off.Mean(), sd, m.N, n-1, confidence)
		t.Cgk = Figure{scale * k.Value, scale * k.Low, scale * k.High}
	}
	return t, nil
}
