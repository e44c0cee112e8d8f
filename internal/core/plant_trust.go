package core

import (
	"cmp"
	"slices"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Set: a gauge was put on a standard and adjusted to it.
type Set struct{ Check }

// RingChecked: a gauge was put on a standard and left as it was.
type RingChecked struct{ Check }

func (Set) fact()         {}
func (RingChecked) fact() {}

func (Set) Kind() string         { return "set" }
func (RingChecked) Kind() string { return "ring" }

func (e Set) Keys() Keys         { return e.keys() }
func (e RingChecked) Keys() Keys { return e.keys() }

func (c Check) keys() Keys { return Keys{Gauge: c.Gauge, Person: c.Who.Principal} }

// PlantGauge is what the plant remembers of a gauge.
type PlantGauge struct {
	Gauge    string         `json:"gauge"`
	Standard string         `json:"standard"`
	Adjusted bool           `json:"adjusted"`
	AsFound  length.Length  `json:"as_found_nm"`
	Temp     *gauge.Celsius `json:"temperature_mc,omitempty"`
	Who      string         `json:"who"`
	Sequence uint64         `json:"sequence,omitempty"`
	Source   int64          `json:"source_ms,omitempty"`
}

// checked takes a setting or a ring check. The same message again is not
// recorded twice.
func (p *Plant) checked(c Check, adjusted bool) (Event, bool) {
	c = c.tidy()
	if c.Who.Auth != ByMessage && !c.Who.Role.May(Operator) {
		return Declined{What: "setting", Cause: declineRole, Who: c.Who}, true
	}
	if last := p.gauge(c.Gauge); last != nil && (c.Sequence != 0 || c.Source != 0) && *last == p.rememberAs(c, adjusted, last) {
		return nil, false
	}
	if adjusted {
		return Set{c}, true
	}
	return RingChecked{c}, true
}

// ByMessage is how a person is authenticated whom only a message names.
const ByMessage = "message"

func (p *Plant) gauge(name string) *PlantGauge {
	i, ok := slices.BinarySearchFunc(p.Gauges, name, func(g PlantGauge, n string) int { return cmp.Compare(g.Gauge, n) })
	if !ok {
		return nil
	}
	return &p.Gauges[i]
}

// rememberAs returns what would be kept of a check. A temperature that is the
// same as before stays the same pointer, so that two can be compared.
func (p *Plant) rememberAs(c Check, adjusted bool, last *PlantGauge) PlantGauge {
	g := PlantGauge{
		Gauge: c.Gauge, Standard: c.Standard, Adjusted: adjusted, AsFound: c.AsFound, Temp: c.Temp,
		Who: c.Who.Principal, Sequence: c.Sequence, Source: c.Source,
	}
	if last != nil && last.Temp != nil && c.Temp != nil && *last.Temp == *c.Temp {
		g.Temp = last.Temp
	}
	return g
}

func (p *Plant) applyCheck(c Check, adjusted bool) {
	g := p.rememberAs(c, adjusted, nil)
	if old := p.gauge(c.Gauge); old != nil {
		*old = g
		return
	}
	if len(p.Gauges) >= maxGauges {
		return // the journal has it
	}
	i, _ := slices.BinarySearchFunc(p.Gauges, c.Gauge, func(g PlantGauge, n string) int { return cmp.Compare(g.Gauge, n) })
	p.Gauges = slices.Insert(p.Gauges, i, g)
}

// assign hands a reading of the plant's tray to a machine, which takes it from
// the record.
func (p *Plant) assign(f Assign) Event {
	item := find(p.Tray, f.Item)
	code := refusal(item, f.Reason, f.Who)
	switch {
	case code != "":
	case f.Part == "":
		code = codeNoPart
	case f.Machine == "":
		code = declineNoMachine
	case f.Characteristic == "" && item.Reading.Characteristic == "":
		code = codeNoCharacteristic
	}
	if code != "" {
		return Declined{What: "assign", Ref: f.Item, Cause: code, Who: f.Who}
	}
	r := placed(item.Reading, f)
	return Assigned{Item: f.Item, Machine: f.Machine, Reading: &r, Part: f.Part, Reason: f.Reason, Who: f.Who}
}

func (p *Plant) discard(f Discard) Event {
	if code := refusal(find(p.Tray, f.Item), f.Reason, f.Who); code != "" {
		return Declined{What: "discard", Ref: f.Item, Cause: code, Who: f.Who}
	}
	return Discarded(f)
}

func (c Check) tidy() Check {
	c.AsFound = max(-length.Max, min(c.AsFound, length.Max))
	c.Temp = within(c.Temp, maxKelvin)
	c.Gauge, c.Standard, c.Who, c.Machine = bounded(c.Gauge), bounded(c.Standard), c.Who.tidy(), bounded(c.Machine)
	return c
}
