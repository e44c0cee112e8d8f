package capability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// runInSpans are the ages, up to and including, in which running in is looked for, and
// beyond the last of which an insert is taken to be run in.
var runInSpans = []float64{2, 4, 8, 12, 18, 25}

// runsIn are the parts that an insert needs beyond them.
const runsIn = 15

// early is what the parts of each span lie above the line of the later ones; nil where
// the insert is too short.
func early(e *Insert) (above []float64) {
	last := runInSpans[len(runInSpans)-1]
	age, x := e.after(last)
	if len(x) < runsIn || len(e.Age) == 0 || e.Age[0] > runInSpans[0] {
		return nil
	}
	var line Trend
	var mx, my Moments
	for i := range x { // the nearest stretch: what wanders is not extrapolated far
		if age[i] > last+60 {
			break
		}
		line.Add(age[i], x[i])
		mx.Add(age[i])
		my.Add(x[i])
	}
	slope, _, _, _ := line.Line()
	from := 0.0
	for _, to := range runInSpans {
		var m Moments
		for i, a := range e.Age {
			if a > from && a <= to {
				m.Add(e.X[i] - my.Mean() - slope*(a-mx.Mean()))
			}
		}
		if m.N == 0 {
			above = append(above, math.NaN())
		} else {
			above = append(above, m.Mean())
		}
		from = to
	}
	return above
}

func start(e *Insert) float64 {
	if a := early(e); a != nil {
		return a[0]
	}
	return math.NaN()
}

// runIn finds until when inserts run in: the last span in which they lie off their later
// lines by more than chance, all inserts together (three standard errors, from what the
// inserts differ by). Fewer than three inserts do not tell.
func (w *Wear) runIn(s *Inserts) {
	spans := make([]Moments, len(runInSpans))
	for i := range s.Each {
		if i == 0 && !s.Each[i].Whole && len(s.Each) > 1 && s.Each[i].Age[0] > 1 {
			continue
		}
		for k, v := range early(&s.Each[i]) {
			if !math.IsNaN(v) {
				spans[k].Add(v)
			}
		}
	}
	if spans[0].N < 3 {
		return
	}
	for k := range spans {
		m := &spans[k]
		if m.N >= 3 && math.Abs(m.Mean()) > 3*m.SD()/math.Sqrt(float64(m.N)) && math.Abs(m.Mean()) > 0 {
			if k == 0 || w.Settled > 0 { // it begins at the first part
				w.Settled = int(runInSpans[k])
				continue
			}
		}
		break
	}
	for k := range spans {
		if runInSpans[k] <= float64(w.Settled) {
			w.curve = append(w.curve, spans[k].Mean())
		}
	}
	m := &spans[0]
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(m.N - 1)}.Quantile((1 + w.confidence) / 2)
	half := t * m.SD() / math.Sqrt(float64(m.N))
	w.RunIn = Figure{m.Mean(), m.Mean() - half, m.Mean() + half}
}

// later returns an insert's parts once it has run in; of one that has not, all of them,
// less what the others lay above their lines at that age.
func (w *Wear) later(e *Insert) (age, x []float64) {
	if age, x = e.after(float64(w.Settled)); len(x) >= 3 {
		return age, x
	}
	x = make([]float64, len(e.X))
	for i, a := range e.Age {
		x[i] = e.X[i]
		for k, v := range w.curve {
			if a <= runInSpans[k] {
				x[i] -= v
				break
			}
		}
	}
	return e.Age, x
}

// Left is how many parts are left: the middle and an interval. High is +Inf where no
// end can be named, Value too where it is as likely as not that there is none.
type Left struct{ Value, Low, High float64 }

// mostLeft is the farthest that is looked.
const mostLeft = 1e6

// beyond is the probability that the path of the insert in use lies beyond a level after
// so many more parts.
func (w *Wear) beyond(level, parts float64, above bool) float64 {
	out := 0.0
	for i := range w.views {
		v := &w.views[i]
		if !v.known {
			return math.NaN()
		}
		p := v.now
		p.ahead(parts, v.ratio)
		sd := math.Sqrt(max(p.p11*v.variance, 1e-300))
		z := (p.x - level) / sd
		if !above {
			z = -z
		}
		out += v.weight * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: max(3, v.freedom-2)}.CDF(z)
	}
	return out
}

// Now is the level of the insert in use after its last part, and its wear a part with
// its interval; false where they are not known.
func (w *Wear) Now() (level float64, slope Figure, known bool) {
	if len(w.views) == 0 || !w.views[0].known {
		return math.NaN(), unknown(), false
	}
	var square, freedom float64
	for i := range w.views {
		v := &w.views[i]
		level += v.weight * v.now.x
		slope.Value += v.weight * v.now.w
		square += v.weight * (v.now.p22*v.variance + v.now.w*v.now.w)
		freedom = max(3, v.freedom-2)
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1 + w.confidence) / 2)
	half := t * math.Sqrt(max(0, square-slope.Value*slope.Value))
	slope.Low, slope.High = slope.Value-half, slope.Value+half
	return level, slope, true
}

// Until is how many more parts the insert in use makes until its path goes beyond a
// level that lies above, or below. False where nothing can be said.
func (w *Wear) Until(level float64, above bool) (Left, bool) {
	if _, _, known := w.Now(); !known {
		return Left{}, false
	}
	at := func(p float64) float64 {
		if w.beyond(level, mostLeft, above) < p {
			return math.Inf(1)
		}
		low, high := 0.0, mostLeft
		for high-low > 0.25 {
			if m := (low + high) / 2; w.beyond(level, m, above) < p {
				low = m
			} else {
				high = m
			}
		}
		return high
	}
	tail := (1 - w.confidence) / 2
	return Left{math.Ceil(at(0.5)), math.Floor(at(tail)), math.Ceil(at(1 - tail))}, true
}

// AsBefore is how many more parts the insert in use makes if it is changed when the
// whole ones before it were: ages as of a normal distribution, one more drawn from it
// (Student), given that it has come as far as it has. False with fewer than three.
func (w *Wear) AsBefore() (left Left, lives []float64, ok bool) {
	var m Moments
	for i := range w.Each {
		if i < len(w.Each)-1 && w.Each[i].Whole {
			lives = append(lives, w.Each[i].Last)
			m.Add(w.Each[i].Last)
		}
	}
	if m.N < 3 {
		return left, lives, false
	}
	sd := m.SD() * math.Sqrt(1+1/float64(m.N))
	if sd == 0 {
		v := max(0, m.Mean()-w.age)
		return Left{v, v, v}, lives, true
	}
	t := distuv.StudentsT{Mu: m.Mean(), Sigma: sd, Nu: float64(m.N - 1)}
	gone := t.CDF(w.age)
	at := func(p float64) float64 {
		return max(0, t.Quantile(min(1-1e-12, gone+p*(1-gone)))-w.age)
	}
	tail := (1 - w.confidence) / 2
	return Left{at(0.5), math.Floor(at(tail)), math.Ceil(at(1 - tail))}, lives, true
}
