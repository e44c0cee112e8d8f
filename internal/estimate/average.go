package estimate

import "math"

// Average is the simple alternative: a fixed exponential average of the attributed drift, weighted
// 1, 1/2, 1/3 … after a set-up until Settings.Weight is reached. It has no gate, carries no slope,
// no heat and no response, so it lags wear by wear·(1/Weight + parts in transit) and takes every
// outlier in. Same seam as Estimator, plain value, same promises.
type Average struct {
	Settings Settings
	Z        float64 // drift, µm
	N        int     // readings since the set-up
	Start    float64 // mean drift of the first part after a set-up
	Starts   int
	Square   float64 // mean square of innovations, µm²
	Squares  int     // in it

	Started bool
	Part    int64
	Last    Cut

	Changes  [nPending]int64 // first parts of new tools, still to be read, rising
	NChanges int
}

// NewAverage returns an average that has seen nothing.
func NewAverage(s Settings) *Average {
	s = s.Defaults()
	return &Average{Settings: s, Square: s.Noise * s.Noise}
}

// Observe takes a reading in.
func (a *Average) Observe(o Observation) Verdict {
	if !o.meaningful() || o.Recut || a.Started && o.Part < a.Part {
		return Verdict{}
	}
	z := o.Deviation - o.Command
	if o.Regauge || a.Started && o.Part == a.Part {
		if a.Last.N == 0 || a.Last.Part != o.Part {
			return Verdict{}
		}
		move := (z - a.Last.Mean) / float64(a.Last.N+1)
		a.Last.N = min(a.Last.N+1, mostCount)
		a.Last.Mean += move
		a.Z += a.weight() * move
		return Verdict{Kind: Used, Innovation: z - a.Z, SigmaInnovation: a.sigma()}
	}
	a.pass(o.Part)
	a.Started, a.Part = true, o.Part
	verdict := Verdict{Kind: Used, Innovation: z - a.expected(), SigmaInnovation: a.sigma()}
	if a.N == 0 {
		verdict.SigmaInnovation = math.Hypot(verdict.SigmaInnovation, a.Settings.SetupSigma)
		a.Starts = min(a.Starts+1, mostCount)
		a.Start += (z - a.Start) / float64(a.Starts)
		a.Z = z
	} else {
		a.Squares = min(a.Squares+1, 200)
		a.Square += (verdict.Innovation*verdict.Innovation - a.Square) / float64(a.Squares+1)
	}
	a.N = min(a.N+1, mostCount)
	a.Z += a.weight() * (z - a.Z)
	a.Last = Cut{Part: o.Part, N: 1, Parts: 1, Mean: z}
	return verdict
}

func (a *Average) weight() float64 { return math.Max(a.Settings.Weight, 1/float64(max(1, a.N))) }

// expected is the drift of a part at the tool that the average stands at.
func (a *Average) expected() float64 {
	if a.N == 0 {
		return a.Start
	}
	return a.Z
}

// sigma is the standard deviation of an innovation in the run.
func (a *Average) sigma() float64 { return math.Sqrt(math.Max(a.Square, leastVariance)) }

// pass goes through the changes up to a part.
func (a *Average) pass(part int64) {
	for a.NChanges > 0 && a.Changes[0] <= part {
		copy(a.Changes[:], a.Changes[1:a.NChanges])
		a.NChanges--
		a.Changes[a.NChanges] = 0
		if a.Started {
			a.N, a.Last = 0, Cut{}
		}
	}
}

// Note takes an event; stops and settings mean nothing to it.
func (a *Average) Note(ev Event) {
	switch ev.Kind {
	case ToolChange, ProgramChange, SetupChange:
	default:
		return
	}
	if a.NChanges == nPending {
		a.pass(a.Changes[0])
	}
	i := a.NChanges
	for i > 0 && a.Changes[i-1] > ev.Part {
		a.Changes[i] = a.Changes[i-1]
		i--
	}
	a.Changes[i] = ev.Part
	a.NChanges++
}

// Forecast expects of a part what the average says, whenever it is cut.
func (a *Average) Forecast(part int64, _ float64) Forecast {
	c := *a
	c.pass(part)
	lambda := a.Settings.Weight
	noise := a.sigma() * math.Sqrt((2-lambda)/2)
	sigma := a.sigma()
	if c.N == 0 {
		sigma = math.Hypot(sigma, a.Settings.SetupSigma)
	}
	return Forecast{
		Drift: c.expected(), Sigma: sigma, Effect: 1, EffectSigma: a.Settings.EffectSigma,
		Noise: noise, Ready: a.Started,
	}
}
