package intake

import (
	"math"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Reasons to refuse what only some readings carry.
const (
	BadTemperature core.Code = "p-temperature"
	BadDepth       core.Code = "p-at"
	BadTurn        core.Code = "p-turn"
)

func init() {
	sentences[BadTemperature] = "the temperature is not a plain number from -20 to 60 °C (-4 to 140 °F) with at most three decimals"
	sentences[BadDepth] = "the depth is not a plain number from 0 to 10 m"
	sentences[BadTurn] = "the orientation is not a plain number from -360 to 360 degrees with at most three decimals"
}

// number returns the plain text of a number that is not the value, "" when there
// is none or it is none.
func (msg *message) number(f field) string {
	t := msg.get(f)
	switch t.kind {
	case absent:
		return ""
	case boolean:
		msg.fail(WrongType, fieldNames[f]+" is "+t.text)
		return ""
	case text:
		if !msg.m.gauge.TextNumbers {
			msg.fail(TextNumber, fieldNames[f]+" is "+quote(t.text))
			return ""
		}
		return msg.plain(t.text)
	}
	return t.text
}

// thousandths reads a plain number in thousandths. A thousandth of anything is to
// it what a nanometre is to a micrometre.
func thousandths(s string) (int64, bool) {
	v, err := length.ParseNumber(s, length.UM)
	return int64(v), err == nil && !strings.ContainsAny(s, "eE")
}

// temperature returns thousandths of a degree Celsius, nil when the message gives
// none. What comes in °F is rounded to the nearest.
func (msg *message) temperature(f field) *core.Celsius {
	s := msg.number(f)
	if s == "" {
		return nil
	}
	v, ok := thousandths(s)
	if msg.m.gauge.Fahrenheit && ok {
		v = int64(math.Round(float64(v-32_000) / 1.8))
	}
	c := core.Celsius(v)
	if !ok || c < -20_000 || c > 60_000 {
		msg.fail(BadTemperature, fieldNames[f]+" is "+quote(s))
		return nil
	}
	return &c
}

// depth returns how deep a reading was taken, nil when the message does not say.
func (msg *message) depth() *length.Length {
	s := msg.number(fDepth)
	if s == "" {
		return nil
	}
	v, err := length.ParseNumber(s, msg.m.gauge.DepthUnit)
	if err != nil || strings.ContainsAny(s, "eE") || v < 0 || v > 10_000*length.Millimetre {
		msg.fail(BadDepth, quote(s))
		return nil
	}
	return &v
}

// turn returns the orientation of a reading, nil when the message does not say.
func (msg *message) turn() *core.Turn {
	s := msg.number(fOrientation)
	if s == "" {
		return nil
	}
	v, ok := thousandths(s)
	if !ok || v < -360_000 || v > 360_000 {
		msg.fail(BadTurn, quote(s))
		return nil
	}
	t := core.Turn(v)
	return &t
}

// checkPlace says what is wrong with the mapping of temperatures and places.
func (g Gauge) checkPlace(p *problems) {
	if g.Fields.Depth.none() != (g.DepthUnit == "") {
		p.add("a depth needs its unit, and a unit a depth")
	} else if g.DepthUnit != "" && g.DepthUnit.Size() == 0 {
		p.add("depth unit %s is not known", quote(string(g.DepthUnit)))
	}
}
