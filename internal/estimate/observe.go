package estimate

import "math"

// largest is beyond any length that means something here, µm; larger input is ignored.
const (
	largest    = 1e7
	lastMinute = 1e12
	lastPart   = 1 << 52
)

// view is a reading seen by the whole bank before it is taken in.
type view struct {
	h, g  [nModel][nState]float64
	v, s  [nModel]float64 // innovation, µm; its variance less the reading's own, in σ²
	mean  float64         // of the innovation over the bank
	sigma float64         // its standard deviation with the reading's own, µm
}

func (e *Estimator) regressors(heat int, command, zero float64) regressors {
	r := regressors{
		age: e.Age, runIn: -math.Expm1(-e.Age / runInParts),
		cold: e.Cold[heat], command: command, zero: zero,
	}
	if span := endShare * e.Life; span > 0 {
		x := math.Max(0, math.Min(1.3, (e.Age-e.Life+span)/span))
		r.end = x * x
	}
	return r
}

// look sees a reading, of own variance r in σ², at the part the models stand at.
func (e *Estimator) look(w *view, deviation, command, r float64) {
	var sum, squares, weight float64
	for i := range e.Models {
		m := &e.Models[i]
		reg := e.regressors(members[i].heat, command, 1)
		w.v[i] = deviation - m.expect(&reg, &w.h[i])
		w.s[i] = m.gain(&w.h[i], &w.g[i])
		p := m.weight()
		sum += p * w.v[i]
		squares += p * (w.v[i]*w.v[i] + (w.s[i]+r)*m.B/e.A)
		weight += p
	}
	w.mean = sum / weight
	w.sigma = math.Sqrt(math.Max(squares/weight-w.mean*w.mean, 1e-12))
}

// take absorbs what was looked at. Scale tells whether the reading says something about σ, which a
// reading after a step does not.
func (e *Estimator) take(w *view, r float64, scale bool) {
	best := e.best()
	scale = scale && w.s[best] <= 4
	fit := w.v[best] * w.v[best] / (w.s[best] + r) * e.A / e.Models[best].B
	for i := range e.Models {
		m := &e.Models[i]
		s := w.s[i] + r
		square := w.v[i] * w.v[i] / s
		m.LogW -= 0.5*math.Log(m.B*s) + 0.5*(e.A+1)*math.Log1p(square/m.B)
		if scale {
			m.B += square
		}
		m.absorb(&w.g[i], w.v[i], s)
	}
	if scale {
		e.A++
	}
	if e.A > mostA {
		for i := range e.Models {
			e.Models[i].B *= mostA / e.A
		}
		e.A = mostA
	}
	e.mend()
	e.normalise()
	e.Ready = true
	e.SuspectRow, e.SuspectSquare = 0, 0
	e.SinceStep = min(e.SinceStep+1, mostCount)
	e.Readings = min(e.Readings+1, mostCount)
	if scale {
		e.checkFit(fit)
	}
}

// meaningful tells whether the numbers are such as a shop can produce.
func (o *Observation) meaningful() bool {
	return math.Abs(o.Deviation) <= largest && math.Abs(o.Command) <= largest &&
		math.Abs(o.Minute) <= lastMinute && o.Part >= 0 && o.Part <= lastPart
}

// Observe takes a reading in.
func (e *Estimator) Observe(o Observation) Verdict {
	if !o.meaningful() || o.Recut || e.Started && o.Part < e.Part {
		return Verdict{}
	}
	if !(o.Sigma > 0) || o.Sigma > largest {
		o.Sigma = e.Settings.GaugeSigma
	}
	if e.Started && (o.Regauge || o.Part == e.Part) && o.Part == e.Part {
		switch {
		case e.Suspect.N > 0 && e.Suspect.Part == o.Part:
			return e.again(&o)
		case e.Last.N > 0 && e.Last.Part == o.Part:
			return e.more(&o)
		}
	}
	if o.Regauge && o.Part != e.Part {
		return Verdict{}
	}
	e.advance(o.Part, o.Minute)
	var w view
	e.look(&w, o.Deviation, o.Command, 1)
	z := o.Deviation - o.Command
	verdict := Verdict{Kind: Used, Innovation: w.mean, SigmaInnovation: w.sigma}
	if e.Settings.WithoutGate || math.Abs(w.mean) <= e.Settings.Gate*w.sigma {
		verdict.DroppedOutlier = e.dropSuspect()
		e.take(&w, 1, true)
		e.Last = Cut{Part: o.Part, N: 1, Parts: 1, Mean: z}
		return verdict
	}
	return e.doubt(&o, &w, z, verdict)
}

// doubt keeps a reading beyond the gate until others agree with it.
func (e *Estimator) doubt(o *Observation, w *view, z float64, verdict Verdict) Verdict {
	agrees := e.agrees(z)
	if e.Suspect.N > 0 {
		e.SuspectRow++
		d := z - e.Suspect.Mean
		e.SuspectSquare += (d*d/2 - e.SuspectSquare) / float64(e.SuspectRow)
	}
	switch {
	case agrees:
		// Parts after one another tell of a step.
		s := &e.Suspect
		s.Parts++
		s.Mean += (z - s.Mean) / float64(s.Parts)
		s.Part, s.N = o.Part, 1
		if s.Parts < e.partsToBelieve() {
			verdict.Kind = Suspect
			return verdict
		}
		e.confirm(s.Mean)
		e.believe(w, o.Command, s.Mean, 1/float64(s.Parts))
		verdict.Kind = BelievedStep
	case e.SuspectRow >= suspectsInARow:
		// They agree with nothing, not even each other: it is the scatter that has grown.
		e.rescale(e.SuspectSquare / e.variance())
		e.believe(w, o.Command, z, 1)
		verdict.Kind = BelievedStep
	default:
		e.Suspect = Cut{Part: o.Part, N: 1, Parts: 1, Mean: z}
		verdict.Kind = Suspect
		return verdict
	}
	e.Last = Cut{Part: o.Part, N: 1, Parts: 1, Mean: z}
	return verdict
}

// agrees tells whether a suspect reading of an earlier part says the same.
func (e *Estimator) agrees(z float64) bool {
	return e.Suspect.N > 0 && math.Abs(z-e.Suspect.Mean) <= 4*math.Sqrt(2*e.variance())
}

// confirm counts a step that parts agreed on, unless it leads back to where one just came from: then
// that one was something stuck under the anvil.
func (e *Estimator) confirm(z float64) {
	if e.SinceStep <= 3 && e.StepRow > 0 && math.Abs(z-e.BeforeStep) <= 4*math.Sqrt(2*e.variance()) {
		e.Refuted = min(e.Refuted+2, mostCount)
		e.Confirmed = max(0, e.Confirmed-1)
		return
	}
	e.Confirmed = min(e.Confirmed+1, mostCount)
}

// partsToBelieve is how many parts one after another must agree before a step is believed without
// a part gauged again: three, as something under the anvil may stay for two; two where a third part
// has confirmed such pairs more often than not.
func (e *Estimator) partsToBelieve() int {
	if e.Confirmed > e.Refuted {
		return 2
	}
	return 3
}

// shares splits a reading's variance, in σ², into the process's and the gauge's own.
func (e *Estimator) shares(sigma float64) (process, gauge float64) {
	gauge = gaugeShare
	if sigma > 0 {
		gauge = math.Max(0.01, math.Min(0.9, sigma*sigma/e.variance()))
	}
	return 1 - gauge, gauge
}

// dropSuspect lets a suspect reading go, if there is one.
func (e *Estimator) dropSuspect() bool {
	dropped := e.Suspect.N > 0
	if e.Suspect.Parts >= 2 {
		e.Refuted = min(e.Refuted+1, mostCount)
	}
	e.Suspect = Cut{}
	return dropped
}

// again takes a second or third reading of a suspect cut.
func (e *Estimator) again(o *Observation) Verdict {
	s := &e.Suspect
	process, gauge := e.shares(o.Sigma)
	var w view
	e.look(&w, o.Deviation, o.Command, 1)
	z := o.Deviation - o.Command
	verdict := Verdict{Kind: Suspect, Innovation: w.mean, SigmaInnovation: w.sigma}
	if math.Abs(w.mean) <= e.Settings.Gate*w.sigma {
		verdict.Kind, verdict.DroppedOutlier = Used, e.dropSuspect()
		e.take(&w, 1, true)
		e.Last = Cut{Part: o.Part, N: 1, Parts: 1, Mean: z}
		return verdict
	}
	if n := float64(s.N); math.Abs(z-s.Mean) <= 4*math.Sqrt((1+1/n)*gauge*e.variance()) {
		s.N++
		s.Mean += (z - s.Mean) / (n + 1)
		if s.N >= 3 {
			mean := s.Mean
			e.believe(&w, o.Command, mean, process+gauge/3)
			e.Last = Cut{Part: o.Part, N: 3, Parts: 1, Mean: mean}
			verdict.Kind = BelievedStep
		}
		return verdict
	}
	*s = Cut{Part: o.Part, N: 1, Parts: 1, Mean: z}
	return verdict
}

// more takes a further reading of a cut whose reading was used. What the process scattered on that
// part is the same in both, so that only the gauge's own scatter averages out: given the mean of
// the first n, the further reading less p/(p+g/n) of it is a fresh reading of the rest.
func (e *Estimator) more(o *Observation) Verdict {
	l := &e.Last
	process, gauge := e.shares(o.Sigma)
	n := float64(l.N)
	share := process / (process + gauge/n)
	z := o.Deviation - o.Command
	var w view
	e.look(&w, o.Deviation, o.Command, 1)
	verdict := Verdict{Innovation: w.mean, SigmaInnovation: w.sigma}
	if math.Abs(z-l.Mean) > e.Settings.Gate*math.Sqrt((1+1/n)*gauge*e.variance()) {
		return verdict
	}
	verdict.Kind = Used
	r := process*gauge/n/(process+gauge/n) + gauge
	for i := range e.Models {
		m := &e.Models[i]
		// v of the mean of the first n under today's state:
		first := w.v[i] - z + l.Mean
		v := w.v[i] - share*first
		k := 1 - share
		for j := range nState {
			w.g[i][j] *= k
		}
		m.absorb(&w.g[i], v, k*k*w.s[i]+r)
	}
	l.N++
	l.Mean += (z - l.Mean) / (n + 1)
	return verdict
}

// believe takes in what was seen after a step, as deviation less command, of own variance r. The
// past of the level is let go as an unreported new tool would; only where one step chases the
// other is it the scatter that has grown, and the level stays.
func (e *Estimator) believe(seen *view, command, z, r float64) {
	if e.SinceStep > readingsBetweenSteps {
		e.StepRow = 0
	}
	e.StepRow++
	e.BeforeStep = z - seen.mean
	e.SinceStep, e.Suspect = 0, Cut{}
	sigma2 := e.variance()
	if e.StepRow >= stepsInARow {
		e.StepRow = 0
		e.rescale(0.25 * seen.mean * seen.mean / sigma2)
	} else {
		e.newTool(math.Max(e.setupVariance(sigma2), 0.5*seen.mean*seen.mean/sigma2), sigma2)
	}
	var w view
	e.look(&w, z+command, command, r)
	e.take(&w, r, false)
}

// Forecast says what is to be expected of a part that is cut at the given minute. Parts before the
// last one read are taken as that one.
func (e *Estimator) Forecast(part int64, minute float64) Forecast {
	c := *e
	if c.Started {
		c.advance(max(part, c.Part), math.Max(minute, c.Minute))
	}
	var drift, effect, weight float64
	var h, g [nState]float64
	for i := range c.Models {
		m := &c.Models[i]
		p := m.weight()
		if p == 0 {
			continue
		}
		r := c.regressors(members[i].heat, 0, 0)
		drift += p * m.expect(&r, &h)
		effect += p * (1 + m.X[stEffect])
		weight += p
	}
	f := Forecast{Drift: drift / weight, Ready: c.Ready}
	f.Effect = math.Max(0.3, math.Min(3, effect/weight))
	command := f.Wanted()
	var squares, ratios float64
	for i := range c.Models {
		m := &c.Models[i]
		p := m.weight() / weight
		if p == 0 {
			continue
		}
		r := c.regressors(members[i].heat, command, 0)
		sigma2 := m.B / c.A
		mean := m.expect(&r, &h)
		squares += p * (mean*mean + m.gain(&h, &g)*sigma2)
		d := 1 + m.X[stEffect] - f.Effect
		ratios += p * (d*d + m.P[row0[stEffect]]*sigma2)
	}
	sigma2 := c.variance()
	process, _ := c.shares(c.Settings.GaugeSigma)
	f.Noise = math.Sqrt(sigma2)
	f.Sigma = math.Sqrt(squares + process*sigma2)
	f.EffectSigma = math.Sqrt(ratios)
	return f
}

// Effect is the true effect ÷ the nominal one, as learned so far.
func (e *Estimator) Effect() float64 {
	sum, weight := 0.0, 0.0
	for i := range e.Models {
		w := e.Models[i].weight()
		sum += w * (1 + e.Models[i].X[stEffect])
		weight += w
	}
	return sum / weight
}
