package core

// Bounds of what the plant's stream remembers.
const (
	maxTray    = 1000 // readings nobody could place
	maxPayload = 512  // bytes kept of a rejected message
)

// Rejected is a message that could not be understood; its bytes are kept,
// bounded, for the integrator to look at.
type Rejected struct {
	Gauge   string `json:"g,omitempty"`
	Topic   string `json:"t"`
	Code    Code   `json:"c"`
	Why     string `json:"w,omitempty"`
	Size    int    `json:"n"`
	Payload []byte `json:"b,omitempty"`
	Count   uint64 `json:"k,omitempty"` // how many messages it stands for, when a gauge sent too many
}

// Unplaced is a reading that fits no machine or characteristic.
type Unplaced struct {
	ID      uint64  `json:"id,omitempty"` // in its tray
	Reading Reading `json:"r"`
	Machine string  `json:"m,omitempty"` // as the message named it
	Code    Code    `json:"c"`
}

// Loaded says that a configuration was accepted for the whole plant.
type Loaded struct {
	Name     string   `json:"name"`
	Digest   string   `json:"digest"`
	Machines []string `json:"machines"`
}

// Broker says that the connection to the message broker came up or went down.
type Broker struct {
	Up   bool   `json:"up"`
	Code Code   `json:"c,omitempty"`
	Text string `json:"t,omitempty"`
}

func (Rejected) fact() {}
func (Unplaced) fact() {}
func (Loaded) fact()   {}
func (Broker) fact()   {}

func (Rejected) Kind() string { return "reject" }
func (Unplaced) Kind() string { return "tray" }
func (Loaded) Kind() string   { return "loaded" }
func (Broker) Kind() string   { return "broker" }

func (e Rejected) Keys() Keys { return Keys{Gauge: e.Gauge} }
func (e Unplaced) Keys() Keys { return Keys{Gauge: e.Reading.Gauge, Part: e.Reading.Part} }
func (Loaded) Keys() Keys     { return Keys{} }
func (Broker) Keys() Keys     { return Keys{} }

// Plant is the state machine of what belongs to no machine: rejected and
// unplaced readings, the broker, the configuration as a whole, and hold-all.
type Plant struct {
	Epoch    uint64       `json:"epoch"`
	Config   string       `json:"config"` // digest
	Rejected uint64       `json:"rejected"`
	Tray     []Unplaced   `json:"tray"`
	LastTray uint64       `json:"last_tray,omitempty"`
	Gauges   []PlantGauge `json:"gauges,omitempty"` // what was last done to each, by name
	Holds    []Held       `json:"holds"`            // at most one: hold-all
	Taken    []Taken      `json:"taken,omitempty"`  // up to where the machines' streams were taken
	BrokerUp bool         `json:"-"`
	BrokerIs Code         `json:"-"`
}

// Step decides one input and applies what it caused.
func (p *Plant) Step(in Input) []Event {
	var out []Event
	emit := func(e Event) {
		p.Apply(e)
		out = append(out, e)
	}
	switch f := tidy(in.Fact).(type) {
	case Started:
		emit(Begun{Version: f.Version, Epoch: f.Epoch})
	case Loaded:
		if f.Digest != p.Config {
			emit(f)
		}
	case Rejected:
		f.Gauge, f.Topic, f.Code = bounded(f.Gauge), bounded(f.Topic), Code(bounded(string(f.Code)))
		f.Payload, f.Why = f.Payload[:min(len(f.Payload), maxPayload)], clip(f.Why)
		emit(f)
	case Unplaced:
		f.Reading, f.Machine, f.Code = f.Reading.tidy(), bounded(f.Machine), Code(bounded(string(f.Code)))
		f.ID = p.LastTray + 1
		emit(f)
	case Set:
		if e, ok := p.checked(f.Check, true); ok {
			emit(e)
		}
	case RingChecked:
		if e, ok := p.checked(f.Check, false); ok {
			emit(e)
		}
	case FromMachine:
		if c, ok := f.check(); ok && f.Record > p.Took(f.Machine) {
			emit(RingChecked{c})
		}
	case Assign:
		emit(p.assign(f))
	case Discard:
		emit(p.discard(f))
	case Broker:
		if f.Up != p.BrokerUp || f.Code != p.BrokerIs {
			p.BrokerUp, p.BrokerIs = f.Up, f.Code
			f.Text = clip(f.Text)
			emit(f)
		}
	case Hold:
		switch {
		case !f.Who.Role.May(Operator):
			emit(Declined{What: "hold", Cause: declineRole, Who: f.Who})
		case len(p.Holds) > 0:
			emit(Declined{What: "hold", Cause: declineHeldAlready, Who: f.Who})
		default:
			emit(Held{Cause: causeHoldAll, Text: clip(f.Note), Clear: Operator, Who: &f.Who})
		}
	case Resume:
		switch {
		case len(p.Holds) == 0:
			emit(Declined{What: "resume", Cause: declineNotHeld, Who: f.Who})
		case !f.Who.Role.May(Operator):
			emit(Declined{What: "resume", Cause: declineRole, Who: f.Who})
		case f.Note == "": // the machines will not end it without one either
			emit(Declined{What: "resume", Cause: declineReason, Who: f.Who})
		default:
			emit(Resumed{Cause: causeHoldAll, Note: clip(f.Note), Who: f.Who})
		}
	}
	return out
}

// Apply folds one event.
func (p *Plant) Apply(e Event) {
	switch e := e.(type) {
	case Begun:
		p.Epoch = e.Epoch
	case Loaded:
		p.Config = e.Digest
	case Rejected:
		p.Rejected += max(1, e.Count)
	case Unplaced:
		if e.ID == 0 { // from before they were numbered
			e.ID = p.LastTray + 1
		}
		p.Tray, p.LastTray = push(p.Tray, e, maxTray), e.ID
	case Set:
		p.applyCheck(e.Check, true)
	case RingChecked:
		p.applyCheck(e.Check, false)
		p.took(e.Check)
	case Assigned:
		p.Tray = without(p.Tray, e.Item)
	case Discarded:
		p.Tray = without(p.Tray, e.Item)
	case Held:
		p.Holds = append(p.Holds[:0], e)
	case Resumed:
		p.Holds = nil
	}
}
