package core

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Mode says how much a loop may do by itself.
type Mode string

// The modes of a loop, from least to most.
const (
	Observe Mode = "observe" // compute and record, propose nothing
	Confirm Mode = "confirm" // every change needs a person
	Auto    Mode = "auto"    // inside the preset bounds by itself, beyond them a person
)

// Settings is the accepted configuration of one machine, as the core needs it.
// It is journaled whole, so that a fold of the journal needs nothing else.
type Settings struct {
	Machine    string     `json:"machine"`           // name, unique in the plant
	Identity   string     `json:"identity"`          // the commissioned machine's own serial: budgets survive a renaming
	ByHand     bool       `json:"by_hand,omitempty"` // no connection: people type every change and say so
	Demo       bool       `json:"demo,omitempty"`    // a simulated machine; never mixed with a real one
	CountsAt   string     `json:"counts_at"`         // "start" or "end" of the cycle
	Effective  string     `json:"effective"`         // "at once" or "next cycle": when a new register value acts
	Fresh      int64      `json:"fresh_ms"`          // a sample older than this gates every write
	Window     int64      `json:"window_ms"`         // longest time from pre-read to sending
	Answer     int64      `json:"answer_ms"`         // how long a write waits for its answer
	Quarantine int64      `json:"quarantine_ms"`     // Z plus margin: how long an unknown outcome is left alone
	Lacks      []string   `json:"lacks,omitempty"`   // what the machine does not expose: "counter", "tool", "state"
	Tools      []string   `json:"tools"`             // in the order of Sample.Tools
	Registers  []Register `json:"registers"`         // in the order of Sample.Registers
	Loops      []Loop     `json:"loops"`
	Gauges     []Trust    `json:"gauges,omitempty"` // what is asked of the gauges that serve them
}

// Register is one offset number in the control.
type Register struct {
	Name string        `json:"name"`
	Node string        `json:"node"` // identity at the machine; with Settings.Identity the key of its budget
	Tool string        `json:"tool"` // the tool whose row it is in
	Kind string        `json:"kind"` // "radius", "diameter", …: the register kind of the effect table
	Unit length.Unit   `json:"unit"` // the control's own unit
	Step length.Length `json:"step"` // smallest increment, > 0
	Band length.Range  `json:"band"` // hard band: no value outside is ever sent, whoever asks

	Graduation length.Length `json:"graduation,omitempty"` // of the screw of a hand-set head; 0 = a number of a control
	Larger     string        `json:"larger,omitempty"`     // which way the screw is turned for a larger value
}

// Loop steers registers by characteristics through a matrix of effects.
type Loop struct {
	Name            string           `json:"name"`
	Mode            Mode             `json:"mode"`
	Program         string           `json:"program,omitempty"` // the program that cuts it; empty accepts any
	Characteristics []Characteristic `json:"characteristics"`
	Registers       []string         `json:"registers"`
	Together        bool             `json:"together,omitempty"` // the registers move by the same amount, all or none, and share the effect
	Effects         [][]Effect       `json:"effects"`            // [characteristic][register]
	Damping         float64          `json:"damping"`            // weight of a new reading, 0 < λ ≤ 1
	DeadBand        length.Length    `json:"dead_band"`
	MinReadings     int              `json:"min_readings"`
	ScrapToRework   float64          `json:"scrap_to_rework,omitempty"` // what a scrapped part costs ÷ what a re-cut costs; for the first part
	Bounds          Bounds           `json:"bounds"`
	Every           uint64           `json:"measure_every,omitempty"` // how many parts are cut for each that is measured; 0: nobody said
}

// Effect is the change of size per unit of register, in thousandths, signed.
type Effect int32

// Float returns the effect as a ratio.
func (e Effect) Float() float64 { return float64(e) / 1000 }

// Of returns the change of size that a change of register causes, to the
// nearest nanometre towards zero.
func (e Effect) Of(register length.Length) length.Length {
	return length.Length(int64(e) * int64(register) / 1000)
}

// Characteristic is a feature of size with limits, aimed at one size.
type Characteristic struct {
	Name      string        `json:"name"`
	Limits    length.Range  `json:"limits"`
	Aim       length.Length `json:"aim"`
	Internal  bool          `json:"internal"`  // maximum-material limit is the lower one
	Plausible length.Range  `json:"plausible"` // a reading outside is no size of this feature
	Gauges    []GaugeUse    `json:"gauges"`
	Priority  Priority      `json:"priority,omitempty"` // beside the others of its loop

	Thread     bool            `json:"thread,omitempty"` // GO and NO-GO stay mandatory
	Alpha      gauge.Expansion `json:"alpha,omitempty"`  // of the part's material
	AlphaSigma gauge.Expansion `json:"alpha_sigma,omitempty"`
	Several    *Several        `json:"several,omitempty"` // nil: one reading is a measurement
}

// Tolerance returns T, the full width of the limits.
func (c Characteristic) Tolerance() length.Length { return c.Limits.Width() }

// GaugeUse says how one gauge may serve a characteristic.
type GaugeUse struct {
	Gauge      string        `json:"gauge"`
	Identity   string        `json:"identity"` // whose part it is: "counter", "serial", "order", "task"
	Resolution length.Length `json:"resolution"`
}

// Bounds are the preset limits of a loop, stated in size. A change beyond
// AutoStep needs a person, beyond SetterStep it is refused; it is never clamped.
type Bounds struct {
	AutoStep       length.Length `json:"auto_step"`
	OperatorStep   length.Length `json:"operator_step"`
	SetterStep     length.Length `json:"setter_step"`
	Travel         length.Length `json:"travel"`                     // Σ|unapproved steps| per tool life
	TwoBeyond      length.Length `json:"two_beyond,omitempty"`       // beyond it two people have to agree; 0: never
	ReturnByItself bool          `json:"return_by_itself,omitempty"` // after a reported tool change, to where tools start
	Expires        int64         `json:"expires_ms"`
	ExpiresParts   int64         `json:"expires_parts"`
}

// Digest identifies the loop's settings together with its registers: an
// approval is bound to it, so that editing one loop voids no other card.
func (s *Settings) Digest(loop string) string {
	l := s.Loop(loop)
	if l == nil {
		return ""
	}
	own := *l
	own.Every = 0 // a reminder moves nothing, and ends no card when it changes
	bound := struct {
		Loop                     *Loop
		Registers                []Register
		Identity, CountsAt, Acts string
		Lacks                    []string `json:",omitempty"`
	}{&own, nil, s.Identity, s.CountsAt, s.Effective, s.Lacks}
	for _, name := range l.Registers {
		if r := s.Register(name); r != nil {
			bound.Registers = append(bound.Registers, *r)
		}
	}
	return digest(bound)
}

func digest(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic("core: settings do not encode: " + err.Error())
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:8])
}

// Loop returns the loop of that name, nil when there is none.
func (s *Settings) Loop(name string) *Loop {
	for i := range s.Loops {
		if s.Loops[i].Name == name {
			return &s.Loops[i]
		}
	}
	return nil
}

// Register returns the register of that name, nil when there is none.
func (s *Settings) Register(name string) *Register {
	if i := s.registerIndex(name); i >= 0 {
		return &s.Registers[i]
	}
	return nil
}

// uses reports whether a gauge serves any characteristic.
func (s *Settings) uses(gauge string) bool {
	for i := range s.Loops {
		for k := range s.Loops[i].Characteristics {
			if slices.ContainsFunc(s.Loops[i].Characteristics[k].Gauges, func(u GaugeUse) bool { return u.Gauge == gauge }) {
				return true
			}
		}
	}
	return false
}

func (s *Settings) registerIndex(name string) int {
	for i := range s.Registers {
		if s.Registers[i].Name == name {
			return i
		}
	}
	return -1
}

func (s *Settings) toolIndex(name string) int {
	for i, t := range s.Tools {
		if t == name {
			return i
		}
	}
	return -1
}

// Find returns the loop and the index of the named characteristic in it.
func (s *Settings) Find(characteristic string) (loop *Loop, index int) {
	for i := range s.Loops {
		for k := range s.Loops[i].Characteristics {
			if s.Loops[i].Characteristics[k].Name == characteristic {
				return &s.Loops[i], k
			}
		}
	}
	return nil, -1
}
