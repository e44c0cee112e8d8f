package config

import (
	"fmt"
	"math"
	"slices"
	"time"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Defaults of a loop. The steps are common practice without a published source;
// the travel was 0.5 to 2.9 T in simulation.
const (
	defaultDamping      = 0.3
	defaultMinReadings  = 1
	defaultAuto         = 10_000 // thousandths of a percent of T
	defaultOperator     = 25_000
	defaultSetter       = 50_000
	defaultTravel       = 300_000
	defaultExpires      = 30 * time.Minute
	defaultExpiresParts = 20
)

// readTuning reads damping, dead band and the fewest readings.
func (l *loopReader) readTuning() {
	t := l.t
	l.Damping, l.MinReadings, l.DeadBand = defaultDamping, defaultMinReadings, l.unit
	if v, ok := t.number("damping"); ok {
		switch {
		case math.IsNaN(v) || v <= 0 || v > 1:
			t.problem("damping", "is outside 0 to 1, write the weight of a new reading, as in 0.3")
		case v == 1 && l.Mode == core.Auto:
			t.problem("damping", "corrects every single reading in full and chases its noise, write less than 1, as in 0.3, or mode = \"confirm\"")
		default:
			l.Damping = v
		}
	}
	if n, ok := t.integer("min_readings", 1, 100); ok {
		l.MinReadings = int(n)
	}
	if n, ok := t.integer("measure_every", 1, 10_000); ok {
		l.Every = uint64(n)
	}
	if v, ok := t.number("scrap_to_rework"); ok {
		if !(v >= 1) || v > 1000 {
			t.problem("scrap_to_rework", "is outside 1 to 1000, write what a scrapped part costs divided by what a re-cut costs, as in 20")
		} else if v > 1 {
			l.ScrapToRework = v
		}
	}
	if d, ok := l.size(t, "dead_band", "0.002 mm"); ok && l.tolerance > 0 {
		l.DeadBand = d
		switch {
		case d >= l.tolerance/2:
			t.problem("dead_band", "is %s, half of the tolerance (%s) or more: nothing would ever be corrected, write less", d, l.tolerance)
		case l.unit > 0 && d < l.unit:
			t.warn("dead_band", "is smaller than what one register step does (%s), which takes its place", l.unit)
		}
	}
}

// size reads a size, as a length or as a share of T.
func (l *loopReader) size(t *table, name, example string) (length.Length, bool) {
	s, ok := t.quantity(name, example)
	if !ok {
		return 0, false
	}
	if milli, is, err := shareOf(s); is {
		if err != nil {
			t.problem(name, "%s", err)
			return 0, false
		}
		return share(l.tolerance, milli), l.tolerance > 0
	}
	v, ok := t.length(name, example)
	if ok && v < 0 {
		t.problem(name, "is negative, write a size without a sign, as in %q", example)
		return 0, false
	}
	return v, ok
}

// step reads one of the bounds. The default is a share of T, and never more than
// a quarter of the band allows.
func (l *loopReader) step(t *table, name string, milli int64) length.Length {
	v, ok := l.size(t, name, fmt.Sprintf("%d %% of T", milli/1000))
	switch {
	case !ok:
		v = share(l.tolerance, milli)
		if l.room > 0 && name != "travel" {
			v = min(v, l.room)
		}
	case v == 0:
		t.problem(name, "is zero, write a size above zero, as in \"%d %% of T\"", milli/1000)
	case l.room > 0 && name != "travel" && v > l.room:
		t.problem(name, "is %s, more than a quarter of the register's band does to the size (%s): write less or widen the band", v, l.room)
	}
	return v
}

func (l *loopReader) readBounds(t *table) {
	b := &l.Bounds
	b.AutoStep = l.step(t, "auto_step", defaultAuto)
	b.OperatorStep = l.step(t, "operator_step", defaultOperator)
	b.SetterStep = l.step(t, "setter_step", defaultSetter)
	b.Travel = l.step(t, "travel", defaultTravel)
	expires, _ := t.duration("expires", defaultExpires, 10*time.Second, 7*24*time.Hour)
	b.Expires, b.ExpiresParts = expires.Milliseconds(), defaultExpiresParts
	if n, ok := t.integer("expires_parts", 1, 10_000); ok {
		b.ExpiresParts = n
	}
	b.ReturnByItself = t.flag("return_by_itself")
	if l.tolerance > 0 {
		l.checkBounds(t, b)
	}
	l.readTwo(t, b)
	t.close()
}

// readTwo reads beyond which step two people have to agree. Less than what happens
// by itself would ask two people where nobody is asked otherwise.
func (l *loopReader) readTwo(t *table, b *core.Bounds) {
	v, ok := l.size(t, "two_people_beyond", "40 % of T")
	if !ok || l.tolerance <= 0 {
		return
	}
	b.TwoBeyond = v
	switch {
	case v < b.AutoStep || v == 0:
		t.problem("two_people_beyond", "is %s, less than auto_step (%s): what happens by itself cannot need two people, write more", v, b.AutoStep)
	case v >= b.SetterStep:
		t.warn("two_people_beyond", "is %s, and nothing beyond setter_step (%s) can be approved, but the first part after a set-up", v, b.SetterStep)
	}
}

func (l *loopReader) checkBounds(t *table, b *core.Bounds) {
	// A default gives way to a bound that was written: only two written bounds,
	// or a written one beyond the next default, can be out of order.
	if !t.has("operator_step") {
		b.OperatorStep = max(b.OperatorStep, b.AutoStep)
		if t.has("setter_step") {
			b.OperatorStep = max(b.AutoStep, min(b.OperatorStep, b.SetterStep))
		}
	}
	if !t.has("auto_step") {
		b.AutoStep = min(b.AutoStep, b.OperatorStep, b.SetterStep)
	}
	if !t.has("setter_step") {
		b.SetterStep = max(b.SetterStep, b.OperatorStep)
	}
	if b.AutoStep > b.OperatorStep {
		t.problem("auto_step", "is %s, more than operator_step (%s): what happens by itself is the smallest step, write less", b.AutoStep, b.OperatorStep)
	}
	if b.OperatorStep > b.SetterStep {
		t.problem("operator_step", "is %s, more than setter_step (%s): a setter may do at least what an operator may, write less", b.OperatorStep, b.SetterStep)
	}
	if b.SetterStep > l.tolerance {
		t.problem("setter_step", "is %s, more than the whole tolerance (%s): write less, a larger change is a new set-up", b.SetterStep, l.tolerance)
	}
	if b.AutoStep > share(l.tolerance, defaultOperator) && t.has("auto_step") {
		t.warn("auto_step", "is %s, more than a quarter of the tolerance (%s): many would let a person look at such a step", b.AutoStep, l.tolerance)
	}
	if b.Travel < b.AutoStep {
		t.problem("travel", "is %s, less than one automatic step (%s): write the sum that may be changed per tool life, as in \"300 %% of T\"", b.Travel, b.AutoStep)
	}
	if b.Travel > 10*l.tolerance {
		t.warn("travel", "is %s, more than ten times the tolerance: a worn or broken tool could be followed for a long time", b.Travel)
	}
}

// checkShape keeps a loop to what can be corrected together: the registers of one
// tool, and at least one size that has a say.
func (l *loopReader) checkShape(characteristics []*table) {
	if n := len(l.Registers); n > compensate.MostRegisters {
		l.t.problem("registers", "are %d, at most %d are corrected together: write several loops", n, compensate.MostRegisters)
	}
	if n := len(characteristics); n > compensate.MostCharacteristics {
		l.t.problem("characteristic", "is there %d times, at most %d are corrected together: write several loops", n, compensate.MostCharacteristics)
	}
	l.checkTogether()
	if l.Mode == core.Observe || l.Mode == "" {
		return
	}
	for _, r := range l.registers {
		if first := l.registers[0]; r.Tool != first.Tool {
			l.t.problem("registers", "hold %q of tool %q and %q of tool %q: write a loop for each tool", first.Name, first.Tool, r.Name, r.Tool)
			break
		}
	}
	watched := func(c core.Characteristic) bool { return c.Priority == core.Watch }
	if len(l.Characteristics) > 0 && !slices.ContainsFunc(l.Characteristics, func(c core.Characteristic) bool { return !watched(c) }) {
		l.t.problem("characteristic", "is only watched, so that nothing steers: take priority = \"watch\" out of one, or write mode = \"observe\"")
	}
}

// checkTogether refuses registers that cannot move by the same amount.
func (l *loopReader) checkTogether() {
	if !l.Together || len(l.registers) == 0 {
		return
	}
	first := l.registers[0]
	if len(l.registers) == 1 {
		l.t.problem("together", "is said of a single register: list the others or leave it out")
	}
	for _, r := range l.registers[1:] {
		if r.Kind != first.Kind || r.Step != first.Step {
			l.t.problem("together", "is not possible, as %q (%s, step %s) and %q (%s, step %s) differ: list registers of one kind and step",
				first.Name, first.Kind, first.Step, r.Name, r.Kind, r.Step)
			return
		}
	}
	for _, row := range l.Effects {
		if row[0]%core.Effect(len(l.registers)) != 0 {
			l.t.problem("together", "is not possible for %d registers with an effect of %s, which cannot be shared equally: list 2 or 4", len(l.registers), sayEffect(row[0]))
			return
		}
	}
}

// share gives each of the registers that move together its part of the effect.
func (l *loopReader) share() {
	if !l.Together {
		return
	}
	for _, row := range l.Effects {
		for k := range row {
			row[k] /= core.Effect(len(row))
		}
	}
}

// lackWords says what a machine without something cannot promise.
var lackWords = map[string]string{
	"counter": "has no part counter (nodes.counter), so a reading cannot be tied to its cut",
	"tool":    "has a tool without a generation node (tool.generation), so a new insert would go unnoticed",
	"state":   "does not say when writing is allowed (nodes.permitted), so a write could meet the cut",
}

// checkAuto refuses automatic changes wherever a person is needed to be sure.
func (l *loopReader) checkAuto(characteristics []*table) {
	const instead = ": write mode = \"confirm\""
	t := l.t
	if m := l.machine; m != nil {
		if m.ByHand {
			t.problem("mode", "is not possible, as machine %q is by hand: a person types every change"+instead, m.Name)
			return
		}
		for _, lack := range m.Lacks() {
			t.problem("mode", "is not possible, as machine %q %s"+instead+" or map it", m.Name, lackWords[lack])
		}
		if m.Nodes.Serial == "" {
			t.problem("mode", "is not possible, as machine %q does not tell its serial (nodes.serial), so its twin could be meant"+instead+" or map it", m.Name)
		}
		if m.Security.Mode == "None" && m.remote {
			t.problem("mode", "is not possible, as the session to machine %q is not secured, so another server could take its place"+instead+" or secure it", m.Name)
		}
		if m.Security.Mode != "" && m.Security.Mode != "None" && m.Security.ServerCertificate == "" {
			t.problem("mode", "is not possible, as machine %q has no pinned certificate (server_certificate_sha256), so another server could take its place"+instead+" or pin it", m.Name)
		}
	}
	if !t.has("program") {
		t.problem("program", "is missing, write the program that cuts it or mode = \"confirm\": a part of another program must not steer")
	}
	if l.unit > l.Bounds.AutoStep && l.Bounds.AutoStep > 0 {
		t.problem("mode", "is not possible, as one register step moves the size by %s, more than the automatic step %s"+instead+" or find a finer register", l.unit, l.Bounds.AutoStep)
	}
	for i, x := range characteristics {
		for _, use := range l.Characteristics[i].Gauges {
			l.checkAutoGauge(x, l.c.Gauge(use.Gauge))
		}
	}
}

func (l *loopReader) checkAutoGauge(x *table, g *Gauge) {
	switch {
	case g.Identity == "order" || g.Identity == "task":
		x.problem("gauges", "holds gauge %q, whose readings are told apart by %s only, which allows at most mode = \"confirm\"", g.Name, g.Identity)
	case g.Message.Sequence.Kind == Absent && !g.Message.Sequence.bad || g.Message.Sequence.Optional:
		x.problem("gauges", "holds gauge %q, whose messages need not carry a sequence number, so that a repeated reading looks new: map message.sequence or write mode = \"confirm\"", g.Name)
	}
}
