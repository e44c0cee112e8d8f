package intake

import (
	"strings"

	"offsetbridge/internal/core"
)

// The kinds of messages about a gauge on its standard.
const (
	KindSetting   Kind = "setting"    // put on a standard and adjusted to it
	KindRingCheck Kind = "ring check" // put on a standard and left as it was
)

// OldNews is the reason to refuse a retained message of these kinds.
const OldNews core.Code = "p-retained"

func init() {
	sentences[OldNews] = "the broker repeats an old message, which says nothing of the gauge now: send settings without the retain flag"
}

// checkSetting says what is wrong with the mapping of a setting or ring check.
// As-found deviations are small: the range and the decimals are the same for all.
func (g Gauge) checkSetting(p *problems) {
	g.need(p, fGauge, fRing, fUnit)
	if g.Fields.Value.Pointer == "" || g.Fields.Value.Optional {
		p.add("the as-found deviation comes from one field of the message")
	}
	if g.Range.Low >= g.Range.High || g.Resolution <= 0 {
		p.add("range %s and resolution %s say nothing about an as-found deviation", g.Range, g.Resolution)
	}
}

// checked is a setting or a ring check.
func (msg *message) checked(retained bool) core.Fact {
	if retained {
		msg.fail(OldNews, "")
	}
	c := core.Check{Who: core.Person{Principal: msg.m.gauge.Name, Auth: core.ByMessage}}
	c.Gauge = msg.kept(fGauge)
	c.Standard = msg.kept(fRing)
	c.AsFound = msg.value()
	c.Sequence = msg.count(fSequence, 1<<63-1)
	c.Source = msg.time()
	c.Temp = msg.temperature(fTemperature)
	if s, given := msg.text(fPerson); given {
		c.Who.Principal = strings.Clone(s)
	}
	if msg.m.gauge.Kind == KindSetting {
		return core.Set{Check: c}
	}
	return core.RingChecked{Check: c}
}
