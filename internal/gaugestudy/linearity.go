package gaugestudy

import (
	"fmt"
	"math"
	"slices"

	"offsetbridge/internal/capability"
)

// AtReference is a reading of a part or standard whose size is known.
type AtReference struct{ Reference, Value float64 }

// Place is the bias at one reference.
type Place struct {
	Reference float64
	N         int
	Bias      Figure
	P         float64
}

// Range is a study over a range: a line through value − reference.
type Range struct {
	Places     []Place
	Slope      Figure  // of the bias over the reference
	Intercept  Figure  // of the bias at reference 0
	SlopeError float64 // standard errors
	InterError float64
	SlopeP     float64
	SD         float64 // about the line
	Lack       float64 // p of a curve, where places were measured more than once
	Mean       Figure  // bias over all places
	MeanP      float64
	Largest    float64 // of the bias along the line within the range, without sign
	Span       [2]float64
}

// Straight fits y = a + b·x by least squares about the mean of x, so that large sizes
// with small differences lose no digits.
type Straight struct {
	A, B, SEA, SEB, SD float64
	centre, level      float64 // the line passes through centre at level
	sxx, n             float64
}

// Fit fits a line; of fewer than three points its errors are unknown.
func Fit(x, y []float64) Straight {
	var mx, my capability.Moments
	for i := range x {
		mx.Add(x[i])
		my.Add(y[i])
	}
	var sxx, sxy, rest float64
	for i := range x {
		dx := x[i] - mx.Mean()
		sxx += dx * dx
		sxy += dx * (y[i] - my.Mean())
	}
	l := Straight{centre: mx.Mean(), level: my.Mean(), sxx: sxx, n: float64(len(x))}
	l.B = sxy / sxx
	l.A = l.level - l.B*l.centre
	for i := range x {
		e := y[i] - l.level - l.B*(x[i]-l.centre)
		rest += e * e
	}
	l.SD = math.Sqrt(rest / (l.n - 2))
	l.SEB = l.SD / math.Sqrt(sxx)
	l.SEA = l.SD * math.Sqrt(1/l.n+l.centre*l.centre/sxx)
	return l
}

// At is the line at x with the standard error of the line there.
func (l *Straight) At(x float64) (y, se float64) {
	d := x - l.centre
	return l.level + l.B*d, l.SD * math.Sqrt(1/l.n+d*d/l.sxx)
}

// Linearity analyses readings at several known sizes.
func Linearity(readings []AtReference, confidence float64) (*Range, error) {
	byPlace := map[float64]*capability.Moments{}
	var x, y []float64
	for _, r := range readings {
		if byPlace[r.Reference] == nil {
			byPlace[r.Reference] = &capability.Moments{}
		}
		byPlace[r.Reference].Add(r.Value - r.Reference)
		x, y = append(x, r.Reference), append(y, r.Value-r.Reference)
	}
	if len(byPlace) < 2 || len(x) < 4 {
		return nil, fmt.Errorf("%w: %d readings at %d known sizes, take at least 4 at 2 (5 sizes over the range, 10 readings each are usual)", ErrStudy, len(x), len(byPlace))
	}
	line := Fit(x, y)
	o := &Range{SlopeError: line.SEB, InterError: line.SEA, SD: line.SD, Lack: math.NaN()}
	n := float64(len(x))
	t := studentQuantile((1+confidence)/2, n-2)
	o.Slope = Figure{line.B, line.B - t*line.SEB, line.B + t*line.SEB}
	o.Intercept = Figure{line.A, line.A - t*line.SEA, line.A + t*line.SEA}
	o.SlopeP = twoSided(line.B/line.SEB, n-2)
	var pure, freedom float64
	var all capability.Moments
	for _, v := range y {
		all.Add(v)
	}
	references := make([]float64, 0, len(byPlace))
	for r := range byPlace { // any order: they are sorted
		references = append(references, r)
	}
	slices.Sort(references)
	for _, r := range references {
		m := byPlace[r]
		o.Places = append(o.Places, place(r, m, confidence))
		pure += m.Squares()
		freedom += float64(m.N - 1)
		at, _ := line.At(r)
		o.Largest = max(o.Largest, math.Abs(at))
	}
	o.Span = [2]float64{references[0], references[len(references)-1]}
	if more := n - 2 - freedom; freedom > 0 && more > 0 && pure > 0 {
		lack := line.SD*line.SD*(n-2) - pure
		o.Lack = above(lack/more/(pure/freedom), more, freedom)
	}
	whole := place(0, &all, confidence)
	o.Mean, o.MeanP = whole.Bias, whole.P
	return o, nil
}

func place(reference float64, m *capability.Moments, confidence float64) Place {
	p := Place{Reference: reference, N: m.N, Bias: Figure{m.Mean(), math.NaN(), math.NaN()}, P: math.NaN()}
	if sd := m.SD(); m.N > 1 && sd > 0 {
		se := sd / math.Sqrt(float64(m.N))
		t := studentQuantile((1+confidence)/2, float64(m.N-1))
		p.Bias.Low, p.Bias.High = m.Mean()-t*se, m.Mean()+t*se
		p.P = twoSided(m.Mean()/se, float64(m.N-1))
	}
	return p
}
