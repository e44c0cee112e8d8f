package capability

import (
	"fmt"
	"math"
)

// Run finds a consecutive run of parts in a series: every part measured, one tool, and
// nothing corrected. Of several it keeps the newest that is long enough.
type Run struct {
	now, kept []float64
}

// longestRun bounds a run; a longer one is judged by its newest parts.
const longestRun = 5000

// Add takes the next size. goes says that it follows the one before it in the same
// run; a size that belongs to no run at all is given to Break.
func (r *Run) Add(x float64, goes bool) {
	if !goes {
		r.Break()
	}
	if len(r.now) == longestRun {
		r.now = append(r.now[:0], r.now[longestRun/2:]...)
	}
	r.now = append(r.now, x)
}

// Break ends the run.
func (r *Run) Break() {
	if len(r.now) >= LeastRun || len(r.kept) < LeastRun && len(r.now) > len(r.kept) {
		r.kept = append(r.kept[:0], r.now...)
	}
	r.now = r.now[:0]
}

// Sizes returns the newest run of at least LeastRun parts, else the longest.
func (r *Run) Sizes() []float64 {
	if len(r.now) >= LeastRun || len(r.kept) < LeastRun && len(r.now) > len(r.kept) {
		return r.now
	}
	return r.kept
}

// Performance is what a machine alone makes of the sizes, over a short time.
type Performance struct {
	N       int
	Pm, Pmk Figure
	Method  Method
	Refused string // why there is none
	Notes   []string
}

// MachinePerformance judges a run (ISO 22514-3, whose scope excludes tool wear,
// autocorrelation and runs below 30; scope seen, text not opened). Where the run has a
// trend or resembles itself from part to part it is refused and says so.
func MachinePerformance(x []float64, l Limits, o Options) Performance {
	out := Performance{N: len(x), Pm: unknown(), Pmk: unknown()}
	if len(x) < LeastRun {
		out.Refused = fmt.Sprintf("the longest consecutive run without corrections has %d parts, %d are needed", len(x), LeastRun)
		if len(x) == 0 {
			out.Refused = fmt.Sprintf("there is no consecutive run without corrections; %d parts in a row are needed, each measured, by one tool, with the loop off", LeastRun)
		}
		return out
	}
	s := NewSample(1, "")
	var t Trend
	for i, v := range x {
		s.Add(v)
		t.Add(float64(i), v)
	}
	slope, _, _, p := t.Line()
	switch {
	case p < Significance:
		out.Refused = fmt.Sprintf("the run of %d parts has a trend (%.3g a part, p = %.2g): wear is no part of machine performance", len(x), slope, p)
		return out
	case s.Lag1() > drifting/math.Sqrt(float64(s.N)):
		out.Refused = fmt.Sprintf("the parts of the run resemble their neighbours (autocorrelation %.2f)", s.Lag1())
		return out
	}
	a := Assess(s, l, o)
	out.Pm, out.Pmk, out.Method, out.Notes = a.Pp, a.Ppk, a.Method, a.Notes
	return out
}
