package main

import (
	"cmp"
	"math"
	"slices"

	"offsetbridge/simulators/plant"
)

// The oracle knows every magnitude of the process, but no draw. It predicts the drift of each part
// from the readings known before that part was cut: a Kalman filter where all events are reported,
// and a Gaussian sum over "changed here" and "something under the anvil" where they are not. Its
// error, and the rounding of the register, are the bound that no policy can beat (nearly, for the
// Gaussian sum: it is cut off at `branches` hypotheses; and it never gauges a part again).

// The oracle's state.
const (
	osSetup = iota
	osWear  // this tool's multiple of the wear curve
	osWalk
	osCold
	osZero
	osN
)

const branches = 24

type hypothesis struct {
	x      [osN]float64
	p      [osN][osN]float64
	logw   float64
	age    int
	fouled bool // the last reading had something under the anvil, for the first time
}

type oracle struct {
	p        plant.Params
	hs       []hypothesis
	coldness float64
	hazard   float64
}

func newOracle(p plant.Params) *oracle {
	o := &oracle{p: p, coldness: 1}
	if p.ChangeMean > 0 {
		o.hazard = -math.Expm1(-1 / p.ChangeMean)
	}
	h := hypothesis{age: -1}
	h.x[osWear], h.x[osCold] = 1, p.Cold
	h.p[osSetup][osSetup] = p.SetupFirst * p.SetupFirst
	h.p[osWear][osWear] = p.ToolSpread * p.ToolSpread
	h.p[osCold][osCold] = p.Cold * p.ColdSpread * p.Cold * p.ColdSpread
	if p.SettingEvery > 0 {
		h.p[osZero][osZero] = p.SettingSigma * p.SettingSigma
	}
	o.hs = []hypothesis{h}
	return o
}

// renew forgets one state and starts it from a new draw.
func (h *hypothesis) renew(state int, mean, sigma float64) {
	for i := range osN {
		h.p[i][state], h.p[state][i] = 0, 0
	}
	h.x[state], h.p[state][state] = mean, sigma*sigma
}

func (h *hypothesis) newTool(p *plant.Params) {
	h.age = 0
	h.renew(osSetup, 0, p.SetupLater)
	h.renew(osWear, 1, p.ToolSpread)
}

// advance moves every hypothesis to the next part.
func (o *oracle) advance(part plant.Part) {
	p := &o.p
	if part.Index > 0 {
		o.coldness *= math.Exp(-p.CycleMinutes / p.HeatMinutes)
	}
	if part.StopMinutes > 0 {
		o.coldness = 1 - (1-o.coldness)*math.Exp(-part.StopMinutes/p.CoolMinutes)
	}
	known := part.NewTool && part.Reported && part.Index > 0
	for i := range o.hs {
		h := &o.hs[i]
		h.age++
		h.p[osWalk][osWalk] += p.Walk * p.Walk
		h.p[osZero][osZero] += p.ZeroWalk * p.ZeroWalk
		if part.StopMinutes > 0 {
			h.renew(osCold, p.Cold, p.Cold*p.ColdSpread)
		}
		if known {
			h.newTool(p)
		}
	}
	if o.hazard == 0 || part.Index == 0 {
		return
	}
	for i := range o.hs {
		changed := o.hs[i]
		changed.logw += math.Log(o.hazard)
		changed.newTool(p)
		o.hs[i].logw += math.Log1p(-o.hazard)
		o.hs = append(o.hs, changed)
	}
	o.prune(3 * branches)
}

func (o *oracle) row(h *hypothesis) [osN]float64 {
	return [osN]float64{osSetup: 1, osWear: o.p.Wear(h.age), osWalk: 1, osCold: o.coldness}
}

// mean is the drift expected at the part that the oracle has advanced to.
func (o *oracle) mean() float64 {
	top := math.Inf(-1)
	for i := range o.hs {
		top = math.Max(top, o.hs[i].logw)
	}
	sum, weight := 0.0, 0.0
	for i := range o.hs {
		w := math.Exp(o.hs[i].logw - top)
		m := 0.0
		for s, c := range o.row(&o.hs[i]) {
			m += c * o.hs[i].x[s]
		}
		sum += w * m
		weight += w
	}
	return sum / weight
}

// observe takes the reading of the part that the oracle has advanced to, its drift only.
func (o *oracle) observe(r plant.Reading, drift float64) {
	fouls := o.p.OutlierRate > 0
	for i := range o.hs {
		h := &o.hs[i]
		if r.Set {
			h.update([osN]float64{osZero: 1}, r.AsFound, o.p.SettingSigma*o.p.SettingSigma)
			h.x[osZero] -= r.AsFound
		}
		c := o.row(h)
		c[osZero] = 1
		noise := o.p.SigmaProcess*o.p.SigmaProcess + o.p.SigmaGauge*o.p.SigmaGauge
		if !fouls {
			h.logw += h.update(c, drift, noise)
			continue
		}
		chance, stuck := o.p.OutlierRate, h.fouled
		if stuck {
			chance = o.p.OutlierStick + (1-o.p.OutlierStick)*o.p.OutlierRate
		}
		bad := *h
		bad.fouled = !stuck
		bad.logw += math.Log(chance) + o.foul(h.innovation(c, drift, noise))
		h.fouled = false
		h.logw += math.Log1p(-chance) + h.update(c, drift, noise)
		o.hs = append(o.hs, bad)
	}
	o.prune(branches)
}

// foul is the log density of an innovation with something under the anvil: exponential and normal.
func (o *oracle) foul(v, s float64) float64 {
	sign := math.Copysign(1, o.p.OutlierLeast)
	v, s = sign*v-sign*o.p.OutlierLeast, math.Sqrt(s)
	m := sign * o.p.OutlierMean
	tail := math.Max(0.5*math.Erfc(-(v/s-s/m)/math.Sqrt2), 1e-300)
	return -math.Log(m) + s*s/(2*m*m) - v/m + math.Log(tail)
}

func (h *hypothesis) innovation(c [osN]float64, y, noise float64) (v, s float64) {
	v, s = y, noise
	for i := range osN {
		v -= c[i] * h.x[i]
		for j := range osN {
			s += c[i] * h.p[i][j] * c[j]
		}
	}
	return v, s
}

// update is one scalar step; it returns the log density of what was seen.
func (h *hypothesis) update(c [osN]float64, y, noise float64) float64 {
	v, s := h.innovation(c, y, noise)
	if s <= 0 {
		return 0
	}
	var g [osN]float64
	for i := range osN {
		for j := range osN {
			g[i] += h.p[i][j] * c[j]
		}
	}
	for i := range osN {
		h.x[i] += g[i] * v / s
		for j := range osN {
			h.p[i][j] -= g[i] * g[j] / s
		}
	}
	return -0.5 * (v*v/s + math.Log(2*math.Pi*s))
}

func (o *oracle) prune(most int) {
	if len(o.hs) <= most {
		return
	}
	slices.SortStableFunc(o.hs, func(a, b hypothesis) int { return cmp.Compare(b.logw, a.logw) })
	o.hs = o.hs[:most]
	top := o.hs[0].logw
	for i := range o.hs {
		o.hs[i].logw -= top
	}
}

func (o *oracle) clone() *oracle {
	c := *o
	c.hs = slices.Clone(o.hs)
	return &c
}

// boundRun returns the sum of squares of the oracle's error over one run, rounding included.
func boundRun(p plant.Params, seed uint64) float64 {
	l := plant.New(p, seed)
	o := newOracle(p)
	parts := make([]plant.Part, p.Parts)
	rounding := p.EffectRatio * p.StepSize()
	sum := 0.0
	for k := range p.Parts {
		// The readings known before part k is cut end with part k−1−d.
		if j := k - 1 - p.InTransit; j >= 0 {
			o.advance(parts[j])
			if parts[j].Gauged {
				r := l.Read(parts[j])
				o.observe(r, r.Value)
			}
		}
		parts[k] = l.Cut(0)
		o.ahead(parts[max(0, k-p.InTransit):k+1], func(mean float64) {
			// True includes this part's own scatter, which the bound must include too.
			e := parts[k].True - mean
			sum += e*e + rounding*rounding/12
		})
	}
	return sum
}

// ahead predicts the last of the parts that are still in transit. Changes that nobody reported
// are not branched on the way: their mean is this tool's, to first order.
func (o *oracle) ahead(parts []plant.Part, use func(mean float64)) {
	c := o.clone()
	c.hazard = 0
	if o.hazard > 0 && len(c.hs) > branches/2 {
		c.prune(branches / 2)
	}
	for _, part := range parts {
		if !part.Reported && part.NewTool {
			part.NewTool = false
		}
		c.advance(part)
	}
	stay := c.mean()
	if o.hazard > 0 {
		q := -math.Expm1(float64(len(parts)) * math.Log1p(-o.hazard))
		for i := range c.hs {
			c.hs[i].newTool(&o.p)
		}
		stay += q * (c.mean() - stay)
	}
	use(stay)
}
