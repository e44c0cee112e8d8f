package capability

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Insert is what one life of a tool made by itself: sizes less what the registers added,
// by its age in parts, rising.
type Insert struct {
	Number int
	Whole  bool // it began and ended within the record
	Age, X []float64
}

// Bounds of what is kept of inserts.
const (
	mostInserts = 200
	mostOfOne   = 5000 // parts; of a longer life the newest
)

// Inserts collects them, oldest first.
type Inserts struct {
	Each  []Insert
	first int
}

// Add takes a size of a life at an age; a reading at an age that was there is taken for
// the newer one.
func (s *Inserts) Add(life, age int, x float64) {
	n := len(s.Each)
	if n == 0 || s.Each[n-1].Number != life {
		if n == 0 && s.first == 0 {
			s.first = life
		} else if n > 0 {
			s.Each[n-1].Whole = s.Each[n-1].Number != s.first
		}
		if n == mostInserts {
			s.Each = append(s.Each[:0], s.Each[1:]...)
		}
		s.Each = append(s.Each, Insert{Number: life})
		n = len(s.Each)
	}
	e := &s.Each[n-1]
	if k := len(e.Age); k > 0 && float64(age) <= e.Age[k-1] {
		if float64(age) == e.Age[k-1] {
			e.X[k-1] = x
		}
		return
	}
	if len(e.Age) == mostOfOne {
		e.Age, e.X = append(e.Age[:0], e.Age[1:]...), append(e.X[:0], e.X[1:]...)
	}
	e.Age, e.X = append(e.Age, float64(age)), append(e.X, x)
}

// after returns the insert without its first parts.
func (e *Insert) after(age float64) (ages, x []float64) {
	for i, a := range e.Age {
		if a > age {
			return e.Age[i:], e.X[i:]
		}
	}
	return nil, nil
}

// Worn is how one insert wore.
type Worn struct {
	Number, N int
	Whole     bool
	Last      float64 // age of its last part
	Slope, SE float64 // a part, after running in; NaN where it is too short
	Start     float64 // of the first parts, above the line of the later ones; NaN where it is too short
}

// path is one insert's level and wear as its readings tell them, in multiples of the
// variance of a reading: level x and slope w after the last part, with covariance p.
type path struct {
	x, w          float64
	p11, p12, p22 float64
	squares, logs float64 // Σ v²/F, Σ log F over innovations
	n             int     // innovations
}

// follow filters readings under y = x + e, x' = x + w·Δ + η, var e = 1, var η = ratio·Δ:
// a line that may wander, begun without any opinion from the first two readings (exact
// diffuse start; Durbin & Koopman 2012, from memory).
func follow(age, y []float64, ratio float64) (p path, ok bool) {
	if len(y) < 3 {
		return p, false
	}
	d := age[1] - age[0]
	p = path{x: y[1], w: (y[1] - y[0]) / d, p11: 1, p12: 1 / d, p22: (2 + ratio*d) / (d * d)}
	for i := 2; i < len(y); i++ {
		p.ahead(age[i]-age[i-1], ratio)
		f, v := p.p11+1, y[i]-p.x
		k1, k2 := p.p11/f, p.p12/f
		p.x, p.w = p.x+k1*v, p.w+k2*v
		p.p22 -= k2 * p.p12
		p.p11, p.p12 = p.p11*(1-k1), p.p12*(1-k1)
		p.squares += v * v / f
		p.logs += math.Log(f)
		p.n++
	}
	return p, true
}

// ahead moves on by so many parts.
func (p *path) ahead(d, ratio float64) {
	p.x += p.w * d
	p.p11 += 2*d*p.p12 + d*d*p.p22 + ratio*d
	p.p12 += d * p.p22
}

// learn takes in what other inserts say of the slope: mean and variance.
func (p *path) learn(mean, variance float64) {
	f, v := p.p22+variance, mean-p.w
	k1, k2 := p.p12/f, p.p22/f
	p.x, p.w = p.x+k1*v, p.w+k2*v
	p.p11 -= k1 * p.p12
	p.p12 -= k1 * p.p22
	p.p22 -= k2 * p.p22
}

// ratios are how much a process may wander, in multiples of the variance of a reading a
// part; what is not known of it is averaged over.
var ratios = []float64{0, 1e-4, 3e-4, 1e-3, 3e-3, 0.01, 0.03, 0.1, 0.3, 1}

// view is all that is believed under one ratio.
type view struct {
	weight   float64
	ratio    float64
	variance float64 // of a reading
	freedom  float64
	now      path // of the newest insert
	known    bool // now is
	slopes   []path
	mean     float64 // slope of an average insert
	meanVar  float64 // variance of that mean
	between  float64 // variance of slopes from insert to insert
}

// Wear is what inserts tell of the next parts.
type Wear struct {
	Each    []Worn
	RunIn   Figure  // of the first parts, above the line of the later ones
	Settled int     // parts until run in; 0: no running in is shown
	Slope   Figure  // of an average insert, a part
	Spread  float64 // standard deviation of slopes from insert to insert; NaN: fewer than two
	Noise   float64 // standard deviation of a part about its insert's path
	Walk    float64 // what the path wanders by in a part, standard deviation

	confidence float64
	curve      []float64 // above the later lines, by span, until run in
	views      []view
	age        float64
}

// fewestOfOne are the parts of an insert, once run in, that tell its slope, and
// fewestBefore the earlier inserts that say what the next one may be like.
const (
	fewestOfOne  = 8
	fewestBefore = 4
)

// WearOf judges inserts, of which the last one is in use.
func WearOf(s *Inserts, confidence float64) *Wear {
	nan := math.NaN()
	w := &Wear{confidence: confidence, RunIn: Figure{nan, nan, nan}, Slope: Figure{nan, nan, nan}, Spread: nan, Noise: nan, Walk: nan}
	if len(s.Each) == 0 {
		return w
	}
	last := &s.Each[len(s.Each)-1]
	if n := len(last.Age); n > 0 {
		w.age = last.Age[n-1]
	}
	w.runIn(s)
	for _, r := range ratios {
		if v, ok := w.under(s, r); ok {
			w.views = append(w.views, v)
		}
	}
	w.weigh()
	w.summary(s)
	return w
}

// under judges all inserts under one ratio.
func (w *Wear) under(s *Inserts, ratio float64) (v view, ok bool) {
	v.ratio = ratio
	var squares, logs float64
	n := 0
	for i := range s.Each {
		newest := i == len(s.Each)-1
		age, x := s.Each[i].after(float64(w.Settled))
		if newest {
			age, x = w.later(&s.Each[i])
		}
		p, enough := follow(age, x, ratio)
		if !enough || !newest && len(x) < fewestOfOne {
			continue
		}
		squares, logs, n = squares+p.squares, logs+p.logs, n+p.n
		if len(x) >= fewestOfOne {
			v.slopes = append(v.slopes, p)
		}
		if newest {
			v.now, v.known = p, true
		}
	}
	if n < 5 || !(squares > 0) {
		return v, false
	}
	v.variance, v.freedom = squares/float64(n), float64(n)
	v.weight = -0.5 * (float64(n)*math.Log(v.variance) + logs)
	v.pool()
	earlier := v.slopes
	if v.known && len(earlier) > 0 && v.now == earlier[len(earlier)-1] { // it is told of by itself
		earlier = earlier[:len(earlier)-1]
	}
	v.expect(earlier)
	return v, true
}

// pool averages slopes: what they differ by beyond their own uncertainty is from insert
// to insert (DerSimonian & Laird 1986, from memory).
func (v *view) pool() { v.mean, v.meanVar, v.between = pooled(v.slopes, v.variance) }

func pooled(slopes []path, variance float64) (mean, meanVar, between float64) {
	var a, b, c, q float64 // Σ weight, Σ weight², Σ weight·slope
	for i := range slopes {
		k := 1 / (slopes[i].p22 * variance)
		a, b, c = a+k, b+k*k, c+k*slopes[i].w
	}
	if len(slopes) == 0 {
		return math.NaN(), math.NaN(), math.NaN()
	}
	if len(slopes) > 1 {
		for i := range slopes {
			d := slopes[i].w - c/a
			q += d * d / (slopes[i].p22 * variance)
		}
		between = max(0, (q-float64(len(slopes)-1))/(a-b/a))
	}
	a, c = 0, 0
	for i := range slopes {
		k := 1 / (slopes[i].p22*variance + between)
		a, c = a+k, c+k*slopes[i].w
	}
	return c / a, 1 / a, between
}

// expect lets earlier inserts say what the newest one may be like: its slope is one more
// of theirs. Their number is small, so its variance is that of Student's distribution.
func (v *view) expect(earlier []path) {
	j := float64(len(earlier))
	if !v.known || len(earlier) < fewestBefore {
		return
	}
	mean, meanVar, between := pooled(earlier, v.variance)
	variance := (between + meanVar) * (j - 1) / (j - 3)
	v.now.learn(mean, variance/v.variance)
}

// weigh turns likelihoods into weights that sum to one.
func (w *Wear) weigh() {
	most := math.Inf(-1)
	for i := range w.views {
		most = max(most, w.views[i].weight)
	}
	total := 0.0
	for i := range w.views {
		w.views[i].weight = math.Exp(w.views[i].weight - most)
		total += w.views[i].weight
	}
	for i := range w.views {
		w.views[i].weight /= total
	}
}

// summary is what stands in a table.
func (w *Wear) summary(s *Inserts) {
	for i := range s.Each {
		e := &s.Each[i]
		o := Worn{Number: e.Number, N: len(e.X), Whole: e.Whole, Slope: math.NaN(), SE: math.NaN(), Start: start(e)}
		if n := len(e.Age); n > 0 {
			o.Last = e.Age[n-1]
		}
		age, x := e.after(float64(w.Settled))
		if len(x) >= fewestOfOne {
			o.Slope, o.SE = 0, 0
			for k := range w.views {
				v := &w.views[k]
				p, _ := follow(age, x, v.ratio)
				o.Slope += v.weight * p.w
				o.SE += v.weight * math.Sqrt(p.p22*v.variance)
			}
			if len(w.views) == 0 {
				o.Slope, o.SE = math.NaN(), math.NaN()
			}
		}
		w.Each = append(w.Each, o)
	}
	if len(w.views) == 0 {
		return
	}
	var mean, variance, between, noise, walk, freedom float64
	n := 0
	for i := range w.views {
		v := &w.views[i]
		n = max(n, len(v.slopes))
		mean, variance, between = mean+v.weight*v.mean, variance+v.weight*v.meanVar, between+v.weight*v.between
		noise, walk, freedom = noise+v.weight*v.variance, walk+v.weight*v.variance*v.ratio, v.freedom
	}
	w.Noise, w.Walk = math.Sqrt(noise), math.Sqrt(walk)
	if n > 1 {
		w.Spread = math.Sqrt(between)
		freedom = float64(n - 1)
	}
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile((1+w.confidence)/2) * math.Sqrt(variance)
	w.Slope = Figure{mean, mean - half, mean + half}
}
