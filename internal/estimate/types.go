package estimate

import "math"

// Settings say what is known before the first reading. The zero value with Defaults filled in is
// good for any process; nothing here needs tuning, it only saves the first few parts some error.
// Lengths are micrometres of size.
type Settings struct {
	HalfTolerance float64 // half of the full tolerance; scales the first guess of the scatter; 0 is unknown
	Noise         float64 // standard deviation of a reading on a steady process; 0 is a tenth of HalfTolerance
	GaugeSigma    float64 // the gauge's own standard deviation; 0 is unknown
	SetupSigma    float64 // standard deviation of a set-up; 0 is four times the noise
	EffectOff     float64 // the mean of the true effect ÷ the nominal one beforehand, less 1; kept within ±3
	EffectSigma   float64 // how far the true effect may be from the nominal one, as a ratio; 0 is 0.2
	WearTimes     float64 // how many times the first guess of the wear a part; 0 is 1
	ToolSpread    float64 // relative standard deviation of wear from tool to tool; 0 is 0.2
	Gate          float64 // standard deviations beyond which a reading is suspect; 0 is 4
	Weight        float64 // of a new reading in the fixed average only; 0 is 0.3

	// Switches for tests and studies: each takes one stage out.
	WithoutGate, WithoutSlope, WithoutThermal, WithoutEffect bool
}

// Defaults returns s with every zero replaced as its field says; values that are not finite or not
// positive count as zero, and the rest are kept within what a shop can mean.
func (s Settings) Defaults() Settings {
	good := func(x *float64, otherwise, least, most float64) {
		if !(*x > 0) || math.IsInf(*x, 1) {
			*x = otherwise
		}
		*x = math.Max(least, math.Min(*x, most))
	}
	good(&s.HalfTolerance, 0, 0, largest)
	good(&s.GaugeSigma, 0, 0, largest)
	good(&s.Noise, s.HalfTolerance/10, 0, largest)
	good(&s.Noise, s.GaugeSigma*1.6, 0, largest)
	good(&s.Noise, 1.5, 1e-3, largest)
	good(&s.SetupSigma, 4*s.Noise, 1e-3, 4*largest)
	if !(math.Abs(s.EffectOff) <= 3) {
		s.EffectOff = 0
	}
	good(&s.EffectSigma, 0.2, 1e-3, 1)
	good(&s.WearTimes, 1, 1e-3, 1e3)
	good(&s.ToolSpread, 0.2, 1e-3, 1)
	good(&s.Gate, 4, 2, 100)
	good(&s.Weight, 0.3, 1e-3, 1)
	return s
}

// Observation is one reading with the register that was in force when its part was cut.
type Observation struct {
	Part      int64   // the machine's count of the cut, rising
	Minute    float64 // machine minutes at the cut, monotonic, stops included
	Deviation float64 // measured − aim, µm
	Command   float64 // Σ effect·register in force at that cut, µm
	Recut     bool    // a second cut of the same part: another population, it steers nothing here
	Regauge   bool    // further evidence on the cut that was read last
	Sigma     float64 // the gauge's own standard deviation, µm; 0 is unknown
}

// EventKind says what happened beside the readings.
type EventKind int

const (
	// ToolChange is a reported change of the tool: a new set-up, the wear curve from its start.
	ToolChange EventKind = iota + 1
	// Stop is a standstill of Event.Minutes.
	Stop
	// Setting is a setting of the gauge; Event.AsFound is the deviation it took away.
	Setting
	// ProgramChange and SetupChange void what is known of the level, not of the scatter.
	ProgramChange
	SetupChange
)

// Event is something that changes what the next readings mean.
type Event struct {
	Kind    EventKind
	Part    int64   // the first part cut after it (of a Setting: not used, it acts on the next reading)
	Minutes float64 // of a Stop
	AsFound float64 // of a Setting, µm: reading of the standard − its size
}

// VerdictKind says what became of a reading.
type VerdictKind int

const (
	// Ignored readings had no part in the estimate: late, a re-cut, not a finite number.
	Ignored VerdictKind = iota
	// Used readings went into the estimate.
	Used
	// Suspect readings wait for a second one: of the same part, or else of the next.
	Suspect
	// BelievedStep readings agreed with each other and not with the past: the past was let go.
	BelievedStep
)

// String names the kind in the journal and on screen.
func (k VerdictKind) String() string {
	switch k {
	case Used:
		return "used"
	case Suspect:
		return "suspect"
	case BelievedStep:
		return "believed step"
	}
	return "ignored"
}

// Verdict is what became of a reading, with the arithmetic.
type Verdict struct {
	Kind            VerdictKind
	Innovation      float64 // reading − what was expected, µm
	SigmaInnovation float64 // its standard deviation had nothing happened, µm
	DroppedOutlier  bool    // this reading cleared an earlier suspect one, which was let go
}

// Forecast is what the estimate says of one part that is still to be cut.
//
// For any command C in force at that cut the expected deviation is Drift + Effect·C. The command
// that brings the part to its aim is therefore
//
//	C = −Drift / Effect
//
// and the change of the register is (C − the command in force) ÷ the nominal effect. Do not
// multiply Effect into the attribution of readings: Observation.Command is nominal, the estimator
// does the rest. Effect is never below 0.3 nor above 3 here; whether a response is wrong enough to
// stop is another test's business.
type Forecast struct {
	Drift       float64 // µm
	Sigma       float64 // standard deviation of that part's true size at C = −Drift/Effect, µm
	Effect      float64 // true ÷ nominal effect, learned
	EffectSigma float64
	Noise       float64 // standard deviation of a reading on a steady process, µm
	Ready       bool    // a reading has been used since the level was last voided
}

// Wanted is the command that brings the part to its aim.
func (f Forecast) Wanted() float64 { return -f.Drift / f.Effect }
