package estimate

import "math"

const (
	nHeat    = 5  // no warming, and four pairs of time constants
	nModel   = 12 // members of the bank
	nZero    = 6  // sizes of the walk of a gauge's zero
	nPending = 16 // events noted ahead of the readings; the oldest acts early beyond that

	priorA        = 4.0     // degrees of freedom of the first guess of σ
	mostA         = 400.0   // beyond them the past fades
	leastVariance = 1e-9    // of σ², µm²: a tenth of a nanometre squared is below any gauge
	floorLog      = -12.0   // log weight that a member keeps, so that it can come back
	mostCount     = 1 << 20 // of outliers and steps

	// First guesses, standard deviations in σ: what wear a part, running in, end wear and a cold
	// machine may amount to. Wide on purpose; halving or doubling them costs under half a percent.
	wearPrior, runInPrior, endPrior, coldPrior = 0.12, 1.2, 2.0, 6.0

	runInParts   = 7.0  // time constant of running in
	endShare     = 0.15 // of a tool's life is end wear
	coldSpread   = 0.25 // relative standard deviation of the cold size from run to run
	coldWander   = 0.05 // of the average run's from run to run
	machineShare = 0.3  // of the walk stays with the machine when the tool goes
	settingSigma = 0.3  // of a setting, in σ
	gaugeShare   = 0.4  // of a reading's variance that the gauge has, when nobody told
)

var (
	// time constants of warming while cutting and of cooling while stopped
	heatMinutes = [nHeat]float64{0, 12, 24, 24, 48}
	coolMinutes = [nHeat]float64{0, 18, 24, 50, 72}
	// members of the bank: which warming, the variance of a step of the walk ÷ σ², prior weight.
	members = [nModel]struct {
		heat        int
		walk, prior float64
	}{
		{0, 0, 0.11}, {0, 0.0015, 0.165}, {0, 0.006, 0.19}, {0, 0.03, 0.08},
		{1, 0.001, 0.06}, {1, 0.006, 0.06}, {2, 0.001, 0.06}, {2, 0.006, 0.06},
		{3, 0.001, 0.06}, {3, 0.006, 0.06}, {4, 0.001, 0.06}, {4, 0.006, 0.06},
	}
)

// zeroWalks are the sizes of the walk of a gauge's zero that settings decide between: variance of
// a step ÷ σ², prior weight.
var zeroWalks = [nZero]struct{ walk, prior float64 }{
	{0, 0.25}, {0.003, 0.15}, {0.01, 0.2}, {0.025, 0.2}, {0.06, 0.13}, {0.15, 0.07},
}

// Estimator is the state of one loop's estimate. It is a plain value: copies share nothing, and its
// JSON form reads back to one that behaves identically, bit for bit.
type Estimator struct {
	Settings Settings
	Models   [nModel]Model
	A        float64 // degrees of freedom of σ²

	Started bool
	Ready   bool
	Part    int64   // the part the models stand at
	Minute  float64 // and its minute
	Age     float64 // parts its tool had cut before
	Life    float64 // parts a tool lasts; 0 is unknown, negative the last one where lives differ
	Cold    [nHeat]float64

	Events  pending // noted, of parts beyond Part, in order
	NEvents int

	Last    Cut // the last reading used
	Suspect Cut // what waits for a second reading

	Confirmed, Refuted int     // pairs of agreeing suspect parts that were steps, that were not
	SuspectRow         int     // parts suspect one after another
	SuspectSquare      float64 // mean square of their scatter, µm²
	StepRow            int     // steps believed with hardly a reading between
	SinceStep          int     // readings used since the last one
	BeforeStep         float64 // deviation − command that was expected before it
	Readings           int     // used so far
	Fit                float64 // mean square of recent innovations ÷ what was expected
	FitN               int     // readings in it

	Starts, StartMean float64        // set-ups seen; the mean drift that tools started with, µm
	StartSquares      float64        // sum of squares about it, µm²
	LastSetting       int64          // part of the last setting
	ZeroLogW          [nZero]float64 // log weights of zeroWalks by the settings seen
	ZeroWalk          float64        // variance of a step of the gauge's zero ÷ σ²
	ZeroScale         float64        // σ² when that was learned, µm²; 0 is not yet
}

// Cut is what is kept of the readings of one cut.
type Cut struct {
	Part  int64
	N     int     // readings of it; 0 is none
	Parts int     // parts before it, one after another and itself, that agree
	Mean  float64 // of deviation − command
}

// New returns an estimator that has seen nothing.
func New(s Settings) *Estimator {
	e := &Estimator{Settings: s.Defaults(), A: priorA, Fit: 1}
	for i := range e.Cold {
		e.Cold[i] = 1
	}
	e.begin()
	return e
}

// begin gives every member its first guesses.
func (e *Estimator) begin() {
	s := e.Settings
	v := s.Noise * s.Noise
	for i := range e.Models {
		m := &e.Models[i]
		*m = Model{B: v * priorA, LogW: math.Log(members[i].prior)}
		prior := func(state int, sigma float64) { m.forget(state, 0, sigma*sigma/v) }
		prior(stLevel, 0.35*s.SetupSigma)
		prior(stSetup, s.SetupSigma)
		prior(stTool, s.ToolSpread)
		if !s.WithoutSlope {
			prior(stWear, wearPrior*s.WearTimes*s.Noise)
			prior(stRunIn, runInPrior*s.Noise)
			prior(stEnd, endPrior*s.Noise)
		}
		if members[i].heat > 0 && !s.WithoutThermal {
			prior(stCold, coldPrior*s.Noise)
			prior(stRun, coldSpread)
		}
		if !s.WithoutEffect {
			m.forget(stEffect, s.EffectOff, s.EffectSigma*s.EffectSigma/v)
		}
		m.forget(stZero, 0, settingSigma*settingSigma)
	}
	e.A = priorA
	e.normalise()
}

// best is the member with the most weight.
func (e *Estimator) best() int {
	for i := range e.Models {
		if e.Models[i].LogW == 0 {
			return i
		}
	}
	return 0
}

func (e *Estimator) normalise() {
	top := math.Inf(-1)
	for i := range e.Models {
		top = math.Max(top, e.Models[i].LogW)
	}
	for i := range e.Models {
		e.Models[i].LogW = math.Max(e.Models[i].LogW-top, floorLog)
	}
}

// setupVariance is that of a set-up, in σ²: the first guess and what tools started with since.
func (e *Estimator) setupVariance(sigma2 float64) float64 {
	const prior = 3
	s := e.Settings.SetupSigma
	return (prior*s*s + e.StartSquares) / (prior + math.Max(0, e.Starts-1)) / sigma2
}

// advance moves every model to a later part, through the events on the way.
func (e *Estimator) advance(part int64, minute float64) {
	if !e.Started {
		e.Started, e.Part, e.Minute, e.LastSetting = true, part, minute, part
		for e.NEvents > 0 && e.Events[0].Part <= part {
			e.dropEvent()
		}
		return
	}
	stops := 0.0
	for i := range e.NEvents {
		if ev := &e.Events[i]; ev.Kind == Stop && ev.Part <= part {
			stops += ev.Minutes
		}
	}
	cycle := math.Max(0, minute-e.Minute-stops) / math.Max(1, float64(part-e.Part))
	for e.NEvents > 0 && e.Events[0].Part <= part {
		ev := e.Events[0]
		e.dropEvent()
		e.walk(max(ev.Part, e.Part)-e.Part, cycle)
		e.happen(&ev)
	}
	e.walk(part-e.Part, cycle)
	e.Minute = math.Max(e.Minute, minute)
}

func (e *Estimator) dropEvent() {
	copy(e.Events[:], e.Events[1:e.NEvents])
	e.NEvents--
	e.Events[e.NEvents] = Event{}
}

// walk lets some parts be cut.
func (e *Estimator) walk(parts int64, cycle float64) {
	if parts <= 0 {
		return
	}
	n := float64(parts)
	zero := e.ZeroWalk * n
	if v := e.variance(); 0 < e.ZeroScale && e.ZeroScale < v { // a process that scatters more makes no gauge walk more
		zero *= e.ZeroScale / v
	}
	e.Part += parts
	e.Age += n
	for h := 1; h < nHeat; h++ {
		e.Cold[h] *= math.Exp(-cycle * n / heatMinutes[h])
	}
	for i := range e.Models {
		m := &e.Models[i]
		m.P[row0[stLevel]] += members[i].walk * n * machineShare
		m.P[row0[stSetup]] += members[i].walk * n * (1 - machineShare)
		m.P[row0[stZero]] += zero
	}
}

// happen applies an event to the models.
func (e *Estimator) happen(ev *Event) {
	sigma2 := e.variance()
	switch ev.Kind {
	case ToolChange:
		e.learnLife()
		e.newTool(e.setupVariance(sigma2), sigma2)
	case Stop:
		for h := 1; h < nHeat; h++ {
			e.Cold[h] = 1 - (1-e.Cold[h])*math.Exp(-ev.Minutes/coolMinutes[h])
		}
		for i := range e.Models {
			if m := &e.Models[i]; members[i].heat > 0 && !e.Settings.WithoutThermal {
				m.forget(stRun, 0, coldSpread*coldSpread/sigma2)
				seasons := coldWander * m.X[stCold]
				m.P[row0[stCold]] += seasons * seasons / sigma2
			}
		}
	case ProgramChange, SetupChange:
		wide := 4 * e.setupVariance(sigma2)
		for i := range e.Models {
			e.Models[i].forget(stLevel, 0, wide)
			e.Models[i].forget(stSetup, 0, wide)
		}
		e.Ready, e.Suspect, e.Last = false, Cut{}, Cut{}
	}
}

// learnLife remembers how long the tool lasted, while tools last about equally long.
func (e *Estimator) learnLife() {
	was := e.Life
	e.Life = math.Max(e.Age, 1)
	if was != 0 && math.Abs(math.Abs(was)-e.Life) > 0.15*e.Life || e.Life < 20 {
		e.Life = -e.Life
	}
}

// newTool starts a tool's own states afresh and remembers where the old one started.
func (e *Estimator) newTool(setup, sigma2 float64) {
	if e.Ready {
		e.learnStart(sigma2)
	}
	spread := e.Settings.ToolSpread
	for i := range e.Models {
		m := &e.Models[i]
		m.forget(stSetup, 0, setup)
		m.forget(stTool, 0, spread*spread/sigma2)
	}
	e.Age = 0
}

// learnStart remembers what the tool that goes started with. A shop that presets its tools with a
// constant error starts all of them off the same way; that is believed beyond four standard errors
// from four tools, as believing it wrongly costs at each change.
func (e *Estimator) learnStart(sigma2 float64) {
	const most, least, errors = 8, 4, 4
	start, weight := 0.0, 0.0
	for i := range e.Models {
		w := e.Models[i].weight()
		start += w * (e.Models[i].X[stLevel] + e.Models[i].X[stSetup])
		weight += w
	}
	start /= weight
	keep := math.Min(e.Starts, most) / math.Max(1, e.Starts)
	e.Starts = math.Min(e.Starts, most) + 1
	off := start - e.StartMean
	e.StartMean += off / e.Starts
	e.StartSquares = keep*e.StartSquares + off*(start-e.StartMean)
	if e.Starts < least {
		return
	}
	of := math.Max(e.setupVariance(sigma2), e.StartSquares/(e.Starts-1)/sigma2) / e.Starts
	square := e.StartMean * e.StartMean / sigma2
	if square < errors*errors*of {
		return
	}
	for i := range e.Models {
		e.Models[i].forget(stLevel, e.StartMean*(1-of/square), of)
	}
}

// Note takes an event. Events of parts that are still to be read wait for their readings.
func (e *Estimator) Note(ev Event) {
	ok := math.Abs(ev.Minutes) <= largest && math.Abs(ev.AsFound) <= largest &&
		ev.Part >= 0 && ev.Part <= lastPart
	if !ok {
		return
	}
	ev.Minutes = math.Max(0, ev.Minutes)
	if ev.Kind == Setting {
		e.set(ev.AsFound)
		return
	}
	if e.NEvents == nPending {
		e.advance(e.Events[0].Part, e.Minute)
	}
	if e.NEvents == nPending {
		e.dropEvent()
	}
	i := e.NEvents
	for i > 0 && e.Events[i-1].Part > ev.Part {
		e.Events[i] = e.Events[i-1]
		i--
	}
	e.Events[i] = ev
	e.NEvents++
}

// set takes the gauge's zero back by what was found, and learns how far it walks between settings.
func (e *Estimator) set(asFound float64) {
	sigma2 := e.variance()
	parts := float64(e.Part - e.LastSetting)
	e.LastSetting = e.Part
	const scatter = settingSigma * settingSigma
	was := e.ZeroWalk
	e.learnZeroWalk(asFound*asFound/sigma2, parts)
	e.ZeroScale = sigma2
	missed := math.Max(0, e.ZeroWalk-was) * parts
	for i := range e.Models {
		m := &e.Models[i]
		// The walk that was not reckoned with went into the level.
		m.P[row0[stLevel]] += missed
		m.P[row0[stZero]] += missed
		m.P[at(stLevel, stZero)] -= missed
		var h, g [nState]float64
		h[stZero] = 1
		s := m.gain(&h, &g) + scatter
		m.absorb(&g, asFound-m.X[stZero], s)
		m.X[stZero] -= asFound
	}
}

// learnZeroWalk weighs a few sizes of the zero's walk by how well they explain what was found.
func (e *Estimator) learnZeroWalk(square, parts float64) {
	sum, weight := 0.0, 0.0
	for i, q := range zeroWalks {
		v := q.walk*parts + 2*settingSigma*settingSigma
		e.ZeroLogW[i] -= 0.5 * (math.Log(v) + math.Min(square, 1e6)/v)
		if i == 0 || e.ZeroLogW[i] > weight {
			weight = e.ZeroLogW[i]
		}
	}
	top := weight
	weight = 0
	for i, q := range zeroWalks {
		e.ZeroLogW[i] = math.Max(e.ZeroLogW[i]-top, floorLog)
		w := q.prior * math.Exp(e.ZeroLogW[i])
		sum += w * q.walk
		weight += w
	}
	e.ZeroWalk = sum / weight
}
