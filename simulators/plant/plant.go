// Package plant simulates how a part comes to size on a machine tool and how a gauge sees it:
// set-up of each tool, wear with running in and end wear, a random walk, warming and cooling,
// scatter, the gauge's zero, things under the anvil, tool changes that nobody reports, registers
// that act more or less than the drawing of the machine says.
//
// The contract: the same Params, seed and sequence of calls give the same numbers, bit for bit, on
// the same architecture; nothing reads a clock; and every source of chance has a stream of its own,
// one draw a part whatever the caller does, so that two policies on the same seed meet the same
// set-ups, walk, stops and scatter. Sizes are micrometres about the aim. The model:
//
//	size    = setup + m·wear(age) + walk + cold·coldness + ratio·command + N(0, σ process)
//	reading = size + zero of the gauge + N(0, σ gauge) (+ something under the anvil)
//
// with wear(a) = rate·a + runin·(1 − e^(−a/τ)) + endwear·((a − (life − n))/n)² over the last n parts.
package plant

import (
	"math"
	"math/rand/v2"
)

// The streams of chance; the numbers are part of what a seed means.
const (
	streamSetup = iota + 1
	streamTool
	streamChange
	streamWalk
	streamProcess
	streamCold
	streamStop
	streamGauge
	streamOutlier
	streamZero
	streamSetting
	streamAgain
)

// Part is one cut part and what happened before it was cut.
type Part struct {
	Index   int64   // 0 is the first part of the plant
	Minute  float64 // machine minutes since the start, stops included, at the end of its cut
	Command float64 // size commanded by the register in force, micrometres at the nominal effect
	True    float64 // its true size about the aim
	Tool    int     // counts tools, 0 first
	Age     int     // parts this tool had cut before it

	Gauged      bool    // the plan of sampling wants it gauged
	NewTool     bool    // the first part of a tool (also of the first one)
	Reported    bool    // and the change was announced
	StopMinutes float64 // the machine stood still so long before this part
}

// Reading is what the gauge said about a part.
type Reading struct {
	Value   float64 // about the aim
	Set     bool    // the gauge was set just before this reading
	AsFound float64 // the deviation that the setting found and took away; only with Set
	Outlier bool    // something was under the anvil (hidden truth, for the tables of a bench)
}

// Plant is one running process. Make it with New; not for concurrent use.
type Plant struct {
	p    Params
	seed uint64
	rng  [streamAgain + 1]*rand.Rand

	next     int64
	minute   float64
	tool     int
	age      int
	setup    float64
	wear     float64 // this tool's multiple of the wear curve
	walk     float64
	coldness float64 // 1 is cold, 0 is warm
	cold     float64 // this run's Cold
	changeIn float64 // parts until the next change at random
	stopIn   float64 // parts until the next stop

	coming          Part // what Await returned
	waits           bool // and Cut has not taken yet
	pendingTool     bool
	pendingReported bool
	pendingStop     float64

	zero      float64
	zeroPart  int64
	lastSet   int64
	wantSet   bool
	sticking  float64 // what is still under the anvil
	dropNext  float64 // what a caller put there
	again     uint64  // readings again, of one part
	againPart int64
}

// New returns a cold plant with its first tool, the gauge just set. Fields of p that must not be
// zero are taken as 1 (Effect, EffectRatio, GaugeEvery, HeatMinutes, CoolMinutes, CycleMinutes).
func New(p Params, seed uint64) *Plant {
	for _, f := range []*float64{&p.Effect, &p.EffectRatio, &p.HeatMinutes, &p.CoolMinutes, &p.CycleMinutes} {
		if *f == 0 {
			*f = 1
		}
	}
	p.GaugeEvery = max(1, p.GaugeEvery)
	l := &Plant{p: p, seed: seed, coldness: 1, againPart: -1}
	for i := range l.rng {
		l.rng[i] = rand.New(rand.NewPCG(seed, uint64(i)))
	}
	l.setup = p.SetupFirst * l.rng[streamSetup].NormFloat64()
	l.wear = 1 + p.ToolSpread*l.rng[streamTool].NormFloat64()
	l.cold = p.Cold * (1 + p.ColdSpread*l.rng[streamCold].NormFloat64())
	l.changeIn = waiting(l.rng[streamChange], p.ChangeMean)
	l.stopIn = waiting(l.rng[streamStop], p.StopMean)
	if p.SettingEvery > 0 {
		l.zero = p.SettingSigma * l.rng[streamSetting].NormFloat64()
	}
	return l
}

// Params returns what the plant was made with.
func (l *Plant) Params() Params { return l.p }

// waiting draws whole parts until something that happens once in mean parts; infinite for 0.
func waiting(r *rand.Rand, mean float64) float64 {
	u := r.ExpFloat64()
	if mean <= 0 {
		return math.Inf(1)
	}
	return math.Max(1, math.Ceil(u*mean))
}

// ChangeTool puts a new tool in before the next part.
func (l *Plant) ChangeTool(reported bool) { l.pendingTool, l.pendingReported = true, reported }

// Stop lets the machine stand still for some minutes before the next part.
func (l *Plant) Stop(minutes float64) { l.pendingStop += math.Max(0, minutes) }

// Drop puts something under the anvil: the next reading is off by deviation, micrometres.
func (l *Plant) Drop(deviation float64) { l.dropNext = deviation }

// SetGauge sets the gauge to its standard before the next reading.
func (l *Plant) SetGauge() { l.wantSet = true }

// Await lets happen what happens before the next part and returns it, still uncut: its index, the
// minute when it will have been cut, a new tool, a stop. Cut calls it when the caller did not.
func (l *Plant) Await() Part {
	if l.waits {
		return l.coming
	}
	part := Part{
		Index: l.next, NewTool: l.next == 0, Reported: l.next == 0,
		Gauged: l.next%int64(l.p.GaugeEvery) == 0,
	}
	l.events(&part)
	part.Minute, part.Tool, part.Age = l.minute+l.p.CycleMinutes, l.tool, l.age
	l.coming, l.waits = part, true
	return part
}

// Cut makes the next part. Command is the size that the register in force at this cut commands:
// register × nominal effect, micrometres.
func (l *Plant) Cut(command float64) Part {
	part := l.Await()
	l.waits = false
	part.Command = command
	l.minute += l.p.CycleMinutes
	l.walk += l.p.Walk * l.rng[streamWalk].NormFloat64()
	part.True = l.setup + l.wear*l.p.Wear(l.age) + l.walk + l.cold*l.coldness +
		l.p.EffectRatio*command + l.p.SigmaProcess*l.rng[streamProcess].NormFloat64()
	l.coldness *= math.Exp(-l.p.CycleMinutes / l.p.HeatMinutes)
	l.age++
	l.next++
	return part
}

// events lets happen what is due before a part, and writes it into the part.
func (l *Plant) events(part *Part) {
	l.changeIn--
	l.stopIn--
	due := l.p.Life > 0 && l.age >= l.p.Life
	if l.changeIn <= 0 {
		due = true
		l.changeIn = waiting(l.rng[streamChange], l.p.ChangeMean)
	}
	if due || l.pendingTool {
		part.NewTool, part.Reported = true, !l.p.Unreported
		if l.pendingTool {
			part.Reported = l.pendingReported
		}
		l.pendingTool, l.pendingReported = false, false
		l.tool++
		l.age = 0
		l.setup = l.p.SetupLater * l.rng[streamSetup].NormFloat64()
		l.wear = 1 + l.p.ToolSpread*l.rng[streamTool].NormFloat64()
	}
	minutes := l.pendingStop
	l.pendingStop = 0
	if l.stopIn <= 0 {
		minutes += l.p.StopLeast + (l.p.StopMost-l.p.StopLeast)*l.rng[streamStop].Float64()
		l.stopIn = waiting(l.rng[streamStop], l.p.StopMean)
	}
	if minutes > 0 {
		part.StopMinutes = minutes
		l.minute += minutes
		l.coldness = 1 - (1-l.coldness)*math.Exp(-minutes/l.p.CoolMinutes)
		l.cold = l.p.Cold * (1 + l.p.ColdSpread*l.rng[streamCold].NormFloat64())
	}
}

// Wear is the wear curve of an average tool after so many parts, micrometres of size.
func (p Params) Wear(age int) float64 {
	a := float64(age)
	w := p.WearRate * a
	if p.RunIn != 0 && p.RunInParts > 0 {
		w -= p.RunIn * math.Expm1(-a/p.RunInParts)
	}
	if p.EndWear != 0 && p.EndWearParts > 0 && p.Life > 0 {
		if x := (a - (float64(p.Life) - p.EndWearParts)) / p.EndWearParts; x > 0 {
			w += p.EndWear * x * x
		}
	}
	return w
}

// Read gauges a part for the first time. Parts come to the gauge in the order of their index; the
// gauge's zero walks with that index, and a setting falls due by it.
func (l *Plant) Read(part Part) Reading {
	var r Reading
	if walked := part.Index - l.zeroPart; walked > 0 {
		l.zero += l.p.ZeroWalk * math.Sqrt(float64(walked)) * l.rng[streamZero].NormFloat64()
		l.zeroPart = part.Index
	}
	every := int64(l.p.SettingEvery)
	if l.wantSet || every > 0 && part.Index-l.lastSet >= every {
		r.Set, l.wantSet, l.lastSet = true, false, part.Index
		r.AsFound = l.zero + l.p.SettingSigma*l.rng[streamSetting].NormFloat64()
		l.zero -= r.AsFound
	}
	l.gauge(part, &r, l.rng[streamGauge], l.rng[streamOutlier])
	return r
}

// ReadAgain gauges the part that was read last once more. Its chance comes from a stream of that
// part, so that asking again moves nothing else.
func (l *Plant) ReadAgain(part Part) Reading {
	var r Reading
	if part.Index != l.againPart {
		l.again, l.againPart = 0, part.Index
	}
	l.again++
	stream := rand.New(rand.NewPCG(l.seed^uint64(part.Index)<<20, streamAgain<<32|l.again))
	l.gauge(part, &r, stream, stream)
	return r
}

// gauge fills in the value; three draws of the outlier stream whatever happens.
func (l *Plant) gauge(part Part, r *Reading, noise, chance *rand.Rand) {
	hit, size, stays := chance.Float64(), chance.ExpFloat64(), chance.Float64()
	r.Value = part.True + l.zero + l.p.SigmaGauge*noise.NormFloat64()
	under := l.sticking
	l.sticking = 0
	switch {
	case under != 0:
	case l.dropNext != 0:
		under, l.dropNext = l.dropNext, 0
	case hit < l.p.OutlierRate:
		under = l.p.OutlierLeast + l.p.OutlierMean*size
		if stays < l.p.OutlierStick {
			l.sticking = under
		}
	}
	r.Value += under
	r.Outlier = under != 0
}
