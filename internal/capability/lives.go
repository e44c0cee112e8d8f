package capability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Trend keeps up the straight line through readings by age (least squares).
type Trend struct {
	n          int
	x0, y0     float64 // the first
	x, y       sum
	xx, yy, xy sum
}

// Add takes the reading y at age x.
func (t *Trend) Add(x, y float64) {
	if t.n == 0 {
		t.x0, t.y0 = x, y
	}
	t.n++
	x, y = x-t.x0, y-t.y0
	t.x.add(x)
	t.y.add(y)
	t.xx.add(x * x)
	t.yy.add(y * y)
	t.xy.add(x * y)
}

// Line returns the slope, its standard error, the standard deviation about the line
// (n − 2), and how likely so steep a slope is where there is none (two-sided t). NaN
// where the readings do not tell.
func (t *Trend) Line() (slope, se, rest, p float64) {
	n := float64(t.n)
	mx, my := t.x.value()/n, t.y.value()/n
	sxx, sxy, syy := t.xx.value()-n*mx*mx, t.xy.value()-n*mx*my, max(0, t.yy.value()-n*my*my)
	if t.n < 2 || !(sxx > 0) {
		return math.NaN(), math.NaN(), math.NaN(), math.NaN()
	}
	slope = sxy / sxx
	if t.n < 3 {
		return slope, math.NaN(), math.NaN(), math.NaN()
	}
	rest = math.Sqrt(max(0, syy-slope*sxy) / (n - 2))
	se = rest / math.Sqrt(sxx)
	p = 2 * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.CDF(-math.Abs(slope/se))
	if rest == 0 && slope == 0 {
		p = 1
	}
	return slope, se, rest, p
}

// Life is what one tool life made of the sizes.
type Life struct {
	Number, N     int
	Whole         bool // it began and ended within the record
	Mean, SD      float64
	Least, Most   float64
	Slope, SE     float64 // of the sizes, a part, with its standard error
	Rest          float64 // standard deviation about that line
	Own, OwnSE    float64 // slope of what the process does by itself; NaN where it is not known
	Beyond, Ended int     // sizes outside the limits; age of the last part
}

// Bounds of what Lives keeps.
const (
	maxLives = 10_000
	maxLife  = 200_000 // parts of one life that can still be counted as a whole one
)

// Lives keeps up the figures of a process whose location changes with every tool:
// over all parts, over the lives that began and ended within the record, and of each
// life. It is the base of the time-dependent model in which location changes
// systematically (ISO 22514-2, model C, from memory): a spread from neighbours, or
// from part of a life, would leave out what the wear of a whole one adds.
type Lives struct {
	All, Whole *Sample
	Each       []Life // oldest first
	Forgotten  int    // beyond maxLives

	limits   Limits
	number   int
	first    int
	current  Moments
	size     Trend
	own      Trend
	buffer   []float64
	overflow bool
	beyond   int
	age      int
}

// NewLives returns an empty one. Sizes beyond the limits are counted.
func NewLives(l Limits) *Lives {
	return &Lives{All: NewSample(1, ""), Whole: NewSample(1, ""), limits: l}
}

// Judge sets the limits by which the sizes that follow are counted.
func (l *Lives) Judge(limits Limits) { l.limits = limits }

// Add takes the next size: x at an age of the tool's life of that number, and what the
// process would have made of it by itself (NaN where it is not known).
func (l *Lives) Add(life, age int, x, own float64) {
	if life != l.number {
		l.end(l.number != 0 && l.number != l.first)
		if l.first == 0 {
			l.first = life
		}
		l.number = life
		l.All.Ranges.Break()
	}
	l.All.Add(x)
	l.current.Add(x)
	l.size.Add(float64(age), x)
	if !math.IsNaN(own) {
		l.own.Add(float64(age), own)
	}
	if x < l.limits.Lower || x > l.limits.Upper {
		l.beyond++
	}
	l.age = age
	if len(l.buffer) == maxLife {
		l.overflow = true
		return
	}
	l.buffer = append(l.buffer, x)
}

// End says that the record ends. The last life is not a whole one.
func (l *Lives) End() { l.end(false) }

func (l *Lives) end(whole bool) {
	whole = whole && !l.overflow
	if l.current.N > 0 {
		m := &l.current
		e := Life{Number: l.number, N: m.N, Whole: whole, Mean: m.Mean(), SD: m.SD(), Least: m.Least, Most: m.Most, Beyond: l.beyond, Ended: l.age}
		e.Slope, e.SE, e.Rest, _ = l.size.Line()
		e.Own, e.OwnSE, _, _ = l.own.Line()
		if len(l.Each) == maxLives {
			l.Each = append(l.Each[:0], l.Each[1:]...)
			l.Forgotten++
		}
		l.Each = append(l.Each, e)
	}
	if whole {
		l.Whole.Ranges.Break()
		for _, x := range l.buffer {
			l.Whole.Add(x)
		}
	}
	l.current, l.size, l.own, l.buffer, l.overflow, l.beyond = Moments{}, Trend{}, Trend{}, l.buffer[:0], false, 0
}

// Within returns the spread inside the lives (about the mean of each), about the line
// of each, and of the means; with the degrees of freedom of the first. NaN where there
// are too few.
func (l *Lives) Within() (inside, about, means, freedom float64) {
	var squares, rests, restFreedom float64
	var m Moments
	for i := range l.Each {
		e := &l.Each[i]
		m.Add(e.Mean)
		if e.N > 1 {
			squares += e.SD * e.SD * float64(e.N-1)
			freedom += float64(e.N - 1)
		}
		if e.N > 2 && !math.IsNaN(e.Rest) {
			rests += e.Rest * e.Rest * float64(e.N-2)
			restFreedom += float64(e.N - 2)
		}
	}
	root := func(a, b float64) float64 {
		if b == 0 {
			return math.NaN()
		}
		return math.Sqrt(a / b)
	}
	return root(squares, freedom), root(rests, restFreedom), m.SD(), freedom
}
