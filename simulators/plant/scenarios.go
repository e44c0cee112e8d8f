package plant

import (
	"math"
	"math/rand/v2"
)

// Params are the magnitudes of one process. Lengths are micrometres of size, spans of parts are
// parts, times are minutes. A zero switches the source off, except where a field says otherwise.
type Params struct {
	ID, Name string

	HalfTolerance float64 // half of the full tolerance
	Parts         int     // parts in one run
	CycleMinutes  float64 // machine time of one part
	InTransit     int     // parts cut between a part and the use of its reading: part k is read after part k+InTransit has been cut
	GaugeEvery    int     // every n-th part is gauged; 1 is each

	SigmaProcess float64 // scatter of the true size from part to part
	SigmaGauge   float64 // scatter of one reading of one part
	Walk         float64 // step of the machine's random walk, for each √part
	SetupFirst   float64 // standard deviation of the first set-up
	SetupLater   float64 // standard deviation of each later tool's set-up

	WearRate     float64 // change of size a part by steady wear, signed
	RunIn        float64 // change of size by running in, signed
	RunInParts   float64 // its time constant
	EndWear      float64 // extra change of size at the very end of life, signed
	EndWearParts float64 // span before Life over which it grows, quadratically
	ToolSpread   float64 // relative standard deviation of a tool's wear

	Life       int     // parts a tool lasts; 0 is for ever
	ChangeMean float64 // mean parts between changes at random, instead of Life; 0 is none
	Unreported bool    // tool changes are not announced

	Cold        float64 // size of a cold machine less that of a warm one
	ColdSpread  float64 // relative standard deviation of Cold from run to run
	HeatMinutes float64 // time constant of warming while cutting
	CoolMinutes float64 // time constant of cooling during a stop
	StopMean    float64 // mean parts between stops
	StopLeast   float64 // shortest stop, minutes
	StopMost    float64 // longest stop, minutes

	Effect      float64 // nominal change of size per unit of register, signed, not 0
	EffectRatio float64 // true effect ÷ nominal effect
	Step        float64 // one step of the register, micrometres of register

	OutlierRate  float64 // share of readings with something under the anvil
	OutlierLeast float64 // least error of such a reading, signed
	OutlierMean  float64 // mean of the exponential part added to it, same sign
	OutlierStick float64 // probability that it is still there at the next reading

	ZeroWalk     float64 // step of the gauge's zero, for each √part
	SettingEvery int     // the gauge is set each so many parts; 0 is never
	SettingSigma float64 // scatter of a setting
}

// StepSize is the change of size of one register step at the nominal effect.
func (p Params) StepSize() float64 { return math.Abs(p.Effect) * p.Step }

func base(id, name string, halfTolerance float64, inTransit int) Params {
	return Params{
		ID: id, Name: name, HalfTolerance: halfTolerance, InTransit: inTransit,
		Parts: 1200, CycleMinutes: 1.5, GaugeEvery: 1,
		SigmaProcess: 1.2, SigmaGauge: 0.9, Walk: 0.1,
		SetupFirst: 6, SetupLater: 6,
		WearRate: -0.15, ToolSpread: 0.2, Life: 200,
		HeatMinutes: 25, CoolMinutes: 40,
		Effect: 1, EffectRatio: 1, Step: 1,
	}
}

// Scenarios returns the public scenarios S0 to S11 (S8 in two halves), in order.
func Scenarios() []Params {
	all := []Params{
		base("S0", "stable", 10, 1),
		base("S1", "bore", 15, 0),
		base("S2", "bore, in transit", 15, 3),
		base("S3", "thread pitch diameter", 40, 2),
		base("S4", "shaft, warm-up", 12, 1),
		base("S5", "thread mill", 30, 2),
		base("S6", "unreported changes", 20, 2),
		base("S7", "chips", 15, 1),
		base("S8a", "effect too small", 20, 3),
		base("S8b", "effect too large", 20, 3),
		base("S9", "gauge zero", 15, 1),
		base("S10", "everything", 25, 4),
		base("S11", "long transit", 20, 10),
	}
	for i := range all {
		all[i].differ()
	}
	return all
}

// differ applies what each scenario changes against the base.
func (p *Params) differ() {
	switch p.ID {
	case "S0":
		p.SigmaProcess, p.SigmaGauge, p.Walk = 1.5, 0.7, 0
		p.WearRate, p.Life, p.SetupFirst = 0, 0, 4
	case "S3":
		p.SigmaProcess, p.SigmaGauge, p.Walk = 3, 4, 0.3
		p.WearRate, p.RunIn, p.RunInParts, p.Life = 0.35, 8, 8, 90
		p.SetupFirst, p.SetupLater, p.GaugeEvery = 10, 10, 2
	case "S4":
		p.SigmaProcess, p.SigmaGauge, p.Walk = 1, 0.6, 0.08
		p.WearRate, p.Life, p.SetupFirst, p.SetupLater = 0.05, 300, 5, 5
		p.warmUp(14)
	case "S5":
		p.SigmaProcess, p.SigmaGauge, p.Effect = 2, 2, -2
		p.WearRate, p.RunIn, p.RunInParts = -0.08, -5, 6
		p.EndWear, p.EndWearParts, p.Life = -8, 20, 150
		p.SetupFirst, p.SetupLater = 12, 12
	case "S6":
		p.WearRate, p.Life, p.ChangeMean, p.Unreported = -0.1, 0, 120, true
		p.SetupFirst, p.SetupLater = 12, 12
	case "S7":
		p.chips(-1)
	case "S8a", "S8b":
		p.SetupFirst, p.SetupLater, p.Life, p.EffectRatio = 12, 12, 100, 0.75
		if p.ID == "S8b" {
			p.EffectRatio = 1.25
		}
	case "S9":
		p.ZeroWalk, p.SettingEvery, p.SettingSigma = 0.25, 60, 0.4
	case "S10":
		p.SigmaProcess, p.SigmaGauge, p.Walk = 1.5, 1.2, 0.15
		p.WearRate, p.GaugeEvery = -0.1, 2
		p.Life, p.ChangeMean, p.Unreported = 0, 150, true
		p.SetupFirst, p.SetupLater = 10, 10
		p.EffectRatio, p.Step = 0.85, 2.54
		p.chips(1)
		p.warmUp(8)
	case "S11":
		p.WearRate, p.Life = 0.3, 150
	}
}

func (p *Params) chips(sign float64) {
	p.OutlierRate, p.OutlierStick = 0.01, 0.3
	p.OutlierLeast, p.OutlierMean = sign*15, sign*40
}

func (p *Params) warmUp(cold float64) {
	p.Cold, p.ColdSpread = cold, 0.25
	p.StopMean, p.StopLeast, p.StopMost = 120, 10, 60
}

// Redraw returns the same process with every magnitude multiplied by exp(0.3·N(0,1)), each by its
// own draw, and the effect ratio by up to ±15 %. What the plan of the job fixes stays: tolerance,
// parts, cycle, parts in transit, sampling, register, the intervals of settings.
func (p Params) Redraw(r *rand.Rand) Params {
	for _, f := range []*float64{
		&p.SigmaProcess, &p.SigmaGauge, &p.Walk, &p.SetupFirst, &p.SetupLater,
		&p.WearRate, &p.RunIn, &p.RunInParts, &p.EndWear, &p.EndWearParts, &p.ToolSpread,
		&p.ChangeMean, &p.Cold, &p.ColdSpread, &p.HeatMinutes, &p.CoolMinutes, &p.StopMean,
		&p.OutlierRate, &p.OutlierLeast, &p.OutlierMean, &p.ZeroWalk, &p.SettingSigma,
	} {
		*f *= math.Exp(0.3 * r.NormFloat64())
	}
	life := math.Exp(0.3 * r.NormFloat64())
	if p.Life > 0 {
		p.Life = max(10, int(math.Round(float64(p.Life)*life)))
		p.EndWearParts = min(p.EndWearParts, float64(p.Life))
	}
	p.EffectRatio *= 1 + 0.15*(2*r.Float64()-1)
	return p
}
