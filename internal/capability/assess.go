package capability

import (
	"fmt"
	"math"
)

// Method names how performance indices were found.
type Method string

// The methods.
const (
	Auto       Method = ""
	Normal     Method = "normal"
	Percentile Method = "percentile"
	Fitted     Method = "johnson"
)

// Sizes of sample. Thirty: ISO 22514-3 looks at no shorter run. Hundred: what is
// commonly asked for a process (common practice, no source).
const (
	LeastRun     = 30
	FairSample   = 100
	leastFitted  = 50
	leastCounted = 3000 // the 0.135 % point has readings beyond it
)

// Sample keeps up all that an assessment needs, reading by reading, in bounded memory.
type Sample struct {
	Moments
	Tally  *Tally
	Ranges Ranges
}

// NewSample returns an empty sample whose neighbours form subgroups of size.
func NewSample(size int, way Way) *Sample {
	return &Sample{Tally: NewTally(), Ranges: Ranges{Size: size, Way: way}}
}

// Add takes the next reading.
func (s *Sample) Add(x float64) {
	s.Moments.Add(x)
	s.Tally.Add(x)
	s.Ranges.Add(x)
}

// Kind says what made the readings follow each other as they do.
type Kind int

// The kinds. A corrected or drifting process has no short-term capability that its
// neighbours would show.
const (
	Plain     Kind = iota // nothing is known; drift is looked for
	Corrected             // somebody or something corrected between the readings
)

// Options of an assessment; the zero value is 95 % and the method that fits.
type Options struct {
	Confidence float64
	Method     Method
	Kind       Kind
}

// Assessment is what a sample says about its limits.
type Assessment struct {
	N                             int
	Mean, Median, Least, Most, SD float64
	Within                        Within
	Skewness, Kurtosis, Lag1      float64
	Cp, Cpk, Pp, Ppk, Cpm         Figure
	Bound                         float64 // one-sided lower bound of Ppk at the confidence
	NormalPp, NormalPpk           Figure  // whatever the method
	Shape                         Normality
	Method                        Method
	Points                        [3]float64 // 0.135 %, 50 %, 99.865 %
	Below, Above                  int        // readings beyond the limits
	PerMillion                    float64    // expected beyond them, of a normal process
	Refused                       string     // why there is no Cp
	Notes                         []string
	Confidence                    float64
}

// Assess judges a sample against limits.
func Assess(s *Sample, l Limits, o Options) Assessment {
	if o.Confidence == 0 {
		o.Confidence = Confidence
	}
	a := Assessment{
		N: s.N, Mean: s.Mean(), Median: s.Tally.Quantile(0.5), Least: s.Least, Most: s.Most, SD: s.SD(),
		Within: s.Ranges.Within(), Lag1: s.Lag1(), Shape: JudgeShape(s.Tally), Confidence: o.Confidence,
		Cp: unknown(), Cpk: unknown(), Pp: unknown(), Ppk: unknown(), Cpm: unknown(), Bound: math.NaN(), PerMillion: math.NaN(),
		NormalPp: unknown(), NormalPpk: unknown(),
	}
	a.Skewness, a.Kurtosis = s.Shape()
	a.Below, a.Above = s.Tally.Beyond(l.Lower, l.Upper)
	if s.N < 2 || !(a.SD > 0) {
		a.note("%s", "too few different readings: no index says anything")
		return a
	}
	nu := float64(s.N - 1)
	a.NormalPp = Ratio(l, a.SD, nu, o.Confidence)
	a.NormalPpk = Nearest(l, a.Mean, a.SD, s.N, nu, o.Confidence)
	a.Cpm = Targeted(l, a.Mean, a.SD, s.N, o.Confidence)
	below, above := PerMillion(l, a.Mean, a.SD)
	a.PerMillion = below + above
	a.performance(s, l, o)
	a.shortTerm(s, l, o)
	a.sizes(s)
	return a
}

func (a *Assessment) note(form string, args ...any) {
	a.Notes = append(a.Notes, fmt.Sprintf(form, args...))
}

// performance chooses the method and finds Pp and Ppk by it.
func (a *Assessment) performance(s *Sample, l Limits, o Options) {
	a.Method = o.Method
	normal := !(a.Shape.P < Significance)
	if a.Method == Auto {
		switch {
		case normal:
			a.Method = Normal
		case s.N < leastFitted:
			a.Method = Normal
			a.note("the sizes are hardly normal (%s p = %.2g), and %d readings are too few to fit another distribution: take the indices as rough", a.Shape.Test, a.Shape.P, s.N)
		case s.N < leastCounted:
			a.Method = Fitted
		default:
			a.Method = Percentile
		}
	}
	if a.Method == Fitted {
		pp, ppk, points, ok := johnsonFigures(l, s.Tally.spread(leastCounted), o.Confidence)
		if ok {
			a.Pp, a.Ppk, a.Points = pp, ppk, points
			a.unusual("a Johnson distribution fitted to four quantiles")
			return
		}
		a.Method = Percentile
		a.note("%s", "no distribution fits both the middle and the ends of the readings: some parts went their own way, look at the largest and the smallest")
	}
	if a.Method == Percentile {
		a.Pp, a.Ppk, a.Points = percentileFigures(l, s.Tally, o.Confidence)
		a.unusual("the percentiles of the readings")
		if s.N < leastCounted {
			a.note("%d readings do not reach the 0.135 %% points: below %d the percentiles are the extremes", s.N, leastCounted)
		}
		return
	}
	a.Pp, a.Ppk = a.NormalPp, a.NormalPpk
	a.Points = [3]float64{a.Mean - 3*a.SD, a.Mean, a.Mean + 3*a.SD}
	a.Bound = a.oneSided(l, s.N)
}

// unusual says that the indices are not those of a normal process.
func (a *Assessment) unusual(how string) {
	if a.Shape.P < Significance {
		a.note("the sizes are not normal (%s p = %.2g on %d): Pp and Ppk are by %s", a.Shape.Test, a.Shape.P, a.Shape.N, how)
		return
	}
	a.note("Pp and Ppk are by %s, as asked", how)
}

// oneSided is the exact bound towards the nearer limit (non-central t).
func (a *Assessment) oneSided(l Limits, n int) float64 {
	if math.IsNaN(a.Ppk.Value) || n > 100_000 {
		return a.Ppk.Low
	}
	return SideBound(a.Ppk.Value, n, float64(n-1), a.Confidence)
}

// drifting is how far the autocorrelation of independent neighbours hardly ever goes,
// in units of 1/√n (one in two thousand).
const drifting = 3.3

// shortTerm finds Cp and Cpk, or says why there are none.
func (a *Assessment) shortTerm(s *Sample, l Limits, o Options) {
	w := a.Within
	switch {
	case w.Way != MovingRange:
	case o.Kind == Corrected:
		a.Refused = "the process was corrected between the readings, so what neighbours differ by is not its spread: use Pp and Ppk over whole tool lives"
	case a.Lag1 > drifting/math.Sqrt(float64(s.N)):
		a.Refused = fmt.Sprintf("neighbours resemble each other (autocorrelation %.2f), the process drifts: a spread from moving ranges would flatter it; use Pp and Ppk over whole tool lives", a.Lag1)
	}
	if a.Refused != "" || !(w.SD > 0) {
		return
	}
	a.Cp = Ratio(l, w.SD, w.Freedom, o.Confidence)
	a.Cpk = Nearest(l, a.Mean, w.SD, s.N, w.Freedom, o.Confidence)
}

// sizes says what the size of the sample and the readout allow.
func (a *Assessment) sizes(s *Sample) {
	switch {
	case s.N < LeastRun:
		a.note("%d readings are fewer than %d: the interval is all that can be said", s.N, LeastRun)
	case s.N < FairSample:
		a.note("%d readings are fewer than the %d usually asked for a process: look at the lower end of the interval", s.N, FairSample)
	}
	if step := s.Tally.Resolution(); step > a.SD/2 {
		a.note("the readout's step %.6g is more than half a standard deviation: the spread is partly rounding", step)
	}
	if step := s.Tally.Step(); step > 0 {
		a.note("more than %d different values: percentiles are rounded to %.3g", maxDistinct, step)
	}
}
