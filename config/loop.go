package config

import (
	"fmt"
	"math"
	"slices"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/limits"
)

// Loop is one loop as the core needs it, with the machine it belongs to and how
// each of its characteristics is made.
type Loop struct {
	core.Loop
	Machine    string
	Operations []string // in the order of Characteristics
}

// loopReader reads one loop. What a check needs but could not be read is zero
// or nil, and the check is left out: it was reported already.
type loopReader struct {
	*Loop
	c         *Config
	t         *table
	machine   *Machine
	registers []*Register
	tolerance length.Length // smallest T of the characteristics
	unit      length.Length // largest change of size that one register step makes
	room      length.Length // change of size that a quarter of the smallest band makes
}

func (c *Config) readLoop(t *table) Loop {
	l := &loopReader{Loop: &Loop{}, c: c, t: t}
	l.Name = t.name(false)
	t.has("like") // read before, see useTemplates
	if s, ok := t.need("mode", "\"observe\", \"confirm\" or \"auto\": how much the loop may do by itself"); ok {
		if _, ok := t.choice("mode", string(core.Observe), string(core.Confirm), string(core.Auto)); ok {
			l.Mode = core.Mode(s)
		}
	}
	l.readMachine()
	l.readRegisters()
	l.Together = t.flag("together")
	characteristics := t.tables("characteristic")
	if !t.has("characteristic") {
		t.problem("characteristic", "is missing, write [[loop.characteristic]] with name, limits, operation and gauges")
	}
	for _, x := range characteristics {
		l.readCharacteristic(x)
	}
	l.readEffects(characteristics)
	l.readTuning()
	l.readBounds(t.section("bounds"))
	l.checkShape(characteristics)
	l.share()
	if l.Mode == core.Auto {
		l.checkAuto(characteristics)
	}
	t.close()
	return *l.Loop
}

func (l *loopReader) readMachine() {
	t := l.t
	name, ok := t.need("machine", "the name of the machine that cuts it")
	if ok {
		if l.machine = l.c.Machine(name); l.machine == nil {
			t.unknown("machine", name, "machine", l.c.machineNames())
		} else {
			l.Machine = name
		}
	}
	if l.Program, ok = t.text("program"); ok && l.machine != nil && l.machine.Nodes.Program == "" {
		t.problem("program", "cannot be checked, as machine %q has no program node: map nodes.program or leave the key out", l.machine.Name)
	}
}

func (c *Config) machineNames() []string {
	var names []string
	for i := range c.Machines {
		names = append(names, c.Machines[i].Name)
	}
	return names
}

func (c *Config) gaugeNames() []string {
	var names []string
	for _, g := range c.Gauges {
		names = append(names, g.Name)
	}
	return names
}

func (l *loopReader) readRegisters() {
	t := l.t
	if !t.has("registers") {
		t.problem("registers", "is missing, list the registers the loop steers, as in [\"T12 diameter\"]")
		return
	}
	names, _ := t.words("registers", `["T12 diameter"]`)
	l.Registers = names
	if l.machine == nil {
		return
	}
	var have []string
	for _, r := range l.machine.Registers {
		have = append(have, r.Name)
	}
	for _, name := range names {
		r := l.machine.register(name)
		if r == nil {
			t.unknown("registers", name, fmt.Sprintf("register of machine %q", l.machine.Name), have)
			l.registers = nil
			return
		}
		l.registers = append(l.registers, r)
	}
}

func (l *loopReader) readCharacteristic(t *table) {
	c := core.Characteristic{Name: t.name(false)}
	kind, ok := l.readLimits(t, &c)
	operation, known := t.need("operation", "how the size is made, as in \"milled bore\"")
	if known {
		operation, known = t.choice("operation", compensate.Operations()...)
	}
	if known {
		c.Internal, _ = compensate.Internal(operation)
		if kind == limits.Internal && !c.Internal || kind == limits.External && c.Internal {
			t.problem("operation", "does not fit the limits %s, which are those of an %s feature: correct one of them", show(t.m["limits"]), kind)
		}
	}
	l.Operations = append(l.Operations, operation)
	priority, _ := t.choice("priority", string(core.High), "normal", string(core.Low), string(core.Watch))
	if priority != "normal" {
		c.Priority = core.Priority(priority)
	}
	l.readAim(t, &c, ok)
	l.readPlausible(t, &c, ok)
	l.readGauges(t, &c, ok)
	l.readMaterial(t, &c)
	l.readSeveral(t, &c)
	c.Thread = isThread(t, operation)
	l.Characteristics = append(l.Characteristics, c)
	t.close()
}

// readLimits reads the limits of size and reports whether they can be used.
func (l *loopReader) readLimits(t *table, c *core.Characteristic) (kind limits.Kind, ok bool) {
	feature, _ := t.choice("feature", string(limits.OfPitch), string(limits.OfMajor), string(limits.OfMinor))
	const example = "28.000..28.033 mm"
	if !t.has("limits") {
		t.problem("limits", "is missing, write the limits of size, as in %q, \"28 H8\" or \"M16x1.5-6H\"", example)
		return kind, false
	}
	s, ok := t.quantity("limits", example)
	if !ok {
		return kind, false
	}
	span, kind, notes, err := parseLimits(s, feature)
	switch {
	case err != nil:
		t.problem("limits", "%s", err)
		return kind, false
	case span.Width() == 0:
		t.problem("limits", "leave no tolerance, write the lower and the upper limit of size")
		return kind, false
	}
	for _, n := range notes {
		t.report(&t.r.notes, "limits", "%s", n)
	}
	c.Limits = span
	if l.tolerance == 0 || c.Tolerance() < l.tolerance {
		l.tolerance = c.Tolerance()
	}
	return kind, true
}

func (l *loopReader) readAim(t *table, c *core.Characteristic, known bool) {
	c.Aim = c.Limits.Middle()
	if !t.has("aim") || t.m["aim"] == "middle" {
		return
	}
	aim, ok := t.length("aim", "28.016 mm")
	if !ok || !known {
		return
	}
	c.Aim = aim
	edge := c.Tolerance() / 10
	switch {
	case !c.Limits.Contains(aim):
		t.problem("aim", "lies outside the limits %s, write a size between them or \"middle\"", c.Limits)
	case aim < c.Limits.Low+edge || aim > c.Limits.High-edge:
		t.warn("aim", "lies in the outermost tenth of the limits %s: about every second part would be near or beyond the limit", c.Limits)
	}
}

// plausibleWidening is how many T beyond each limit a size still counts as one
// of this feature: a first cut after a set-up may be off by a few T, a slip of
// the decimal sign, a wrong unit or another feature is off by far more (common
// practice, no source).
const plausibleWidening = 3

func (l *loopReader) readPlausible(t *table, c *core.Characteristic, known bool) {
	wide := plausibleWidening * c.Tolerance()
	c.Plausible = length.Range{Low: c.Limits.Low - wide, High: c.Limits.High + wide}
	p, ok := t.span("plausible", "27.90..28.10 mm", length.ParseRange)
	if !ok || !known {
		return
	}
	c.Plausible = p
	if !p.Contains(c.Limits.Low) || !p.Contains(c.Limits.High) {
		t.problem("plausible", "does not contain the limits %s: good parts would be refused, write a wider range", c.Limits)
	}
}

func (l *loopReader) readGauges(t *table, c *core.Characteristic, known bool) {
	if !t.has("gauges") {
		t.problem("gauges", "is missing, list the gauges that may measure it, as in [\"bench-1\"]")
		return
	}
	names, _ := t.words("gauges", `["bench-1"]`)
	for _, name := range names {
		g := l.c.Gauge(name)
		if g == nil {
			t.unknown("gauges", name, "gauge", l.c.gaugeNames())
			continue
		}
		c.Gauges = append(c.Gauges, core.GaugeUse{Gauge: g.Name, Identity: g.Identity, Resolution: g.Resolution})
		says, machine := g.Message.Characteristic, g.Message.Machine
		if says.Kind == Constant && says.Text != c.Name {
			t.problem("gauges", "holds gauge %q, which measures only %q: take another gauge or correct its message.characteristic", name, clip(says.Text))
		}
		if machine.Kind == Constant && l.machine != nil && machine.Text != l.machine.Name {
			t.problem("gauges", "holds gauge %q, which serves only machine %q: take another gauge or correct its message.machine", name, clip(machine.Text))
		}
		l.serials(t, g)
		if known {
			l.checkGauge(t, g, c)
			l.checkTrust(t, g, c)
		}
	}
}

func (l *loopReader) checkGauge(t *table, g *Gauge, c *core.Characteristic) {
	if g.Range != (length.Range{}) && (!g.Range.Contains(c.Limits.Low) || !g.Range.Contains(c.Limits.High)) {
		t.problem("gauges", "holds gauge %q, whose range %s does not cover the limits %s: take another gauge or correct its range", g.Name, g.Range, c.Limits)
	}
	if g.Resolution <= c.Tolerance()/10 {
		return
	}
	const coarse = "holds gauge %q, whose resolution %s is coarser than a tenth of the tolerance (%s)"
	switch {
	case l.Mode == core.Auto:
		t.problem("gauges", coarse+": take a finer gauge or write mode = \"confirm\"", g.Name, g.Resolution, c.Tolerance())
	case g.Resolution > c.Tolerance()/2:
		t.problem("gauges", coarse+" by far: take a finer gauge", g.Name, g.Resolution, c.Tolerance())
	default:
		t.warn("gauges", coarse+": a person should look twice", g.Name, g.Resolution, c.Tolerance())
	}
}

// readEffects derives the matrix of effects and compares a typed one with it.
func (l *loopReader) readEffects(characteristics []*table) {
	typed := l.typedEffects(len(characteristics))
	if len(l.registers) == 0 || len(characteristics) == 0 {
		return
	}
	l.Effects = make([][]core.Effect, len(characteristics))
	sound := true
	for i, x := range characteristics {
		l.Effects[i] = make([]core.Effect, len(l.registers))
		for k, r := range l.registers {
			if l.Operations[i] == "" || r.Kind == "" {
				sound = false
				continue
			}
			e, known := compensate.EffectOf(l.Operations[i], r.Kind)
			if !known {
				x.problem("operation", "is not steered by register %q of kind %q, choose a register of kind %s or correct the operation",
					r.Name, r.Kind, list(steering(l.Operations[i]), "or"))
				sound = false
				continue
			}
			l.Effects[i][k] = core.Effect(e)
			if typed != nil && typed[i][k] != core.Effect(e) {
				l.t.problem("effects", "says %s for %q and register %q, but a %s moves by %s per unit of a %s register: leave effects out, or correct operation or kind",
					sayEffect(typed[i][k]), l.Characteristics[i].Name, r.Name, l.Operations[i], sayEffect(core.Effect(e)), r.Kind)
			}
		}
	}
	if sound {
		l.checkEffects(characteristics)
		l.measureSteps()
	}
}

// steering returns the kinds of register that move such a size, or all that
// belong to it when none does.
func steering(operation string) []string {
	fit := compensate.KindsFor(operation)
	moves := slices.DeleteFunc(slices.Clone(fit), func(kind string) bool {
		e, _ := compensate.EffectOf(operation, kind)
		return e == 0
	})
	if len(moves) == 0 {
		return fit
	}
	return moves
}

func sayEffect(e core.Effect) string { return fmt.Sprintf("%+g", e.Float()) }

// typedEffects reads effects = [[…], …]: a row for each characteristic, a number
// for each register. It returns nil when there is none or it has another shape.
func (l *loopReader) typedEffects(rows int) [][]core.Effect {
	const name = "effects"
	v, ok := l.t.get(name)
	if !ok {
		return nil
	}
	shape := fmt.Sprintf("write %d row(s) of %d number(s), as in [[-2]]", rows, len(l.Registers))
	outer, is := v.([]any)
	if !is || len(outer) != rows {
		l.t.problem(name, "does not have a row for each characteristic, %s", shape)
		return nil
	}
	matrix := make([][]core.Effect, rows)
	for i, row := range outer {
		inner, is := row.([]any)
		if !is || len(inner) != len(l.Registers) {
			l.t.problem(name, "does not have a number for each register, %s", shape)
			return nil
		}
		for _, x := range inner {
			e, ok := asEffect(x)
			if !ok {
				l.t.problem(name, "holds %s, write numbers between -10 and 10 with at most three decimals", show(x))
				return nil
			}
			matrix[i] = append(matrix[i], e)
		}
	}
	return matrix
}

func asEffect(v any) (core.Effect, bool) {
	var f float64
	switch n := v.(type) {
	case int64:
		f = float64(n)
	case float64:
		f = n
	default:
		return 0, false
	}
	milli := math.Round(f * 1000)
	if math.IsNaN(f) || math.Abs(f) > 10 || math.Abs(f*1000-milli) > 1e-6 {
		return 0, false
	}
	return core.Effect(milli), true
}

// checkEffects refuses to steer what does not move.
func (l *loopReader) checkEffects(characteristics []*table) {
	if l.Mode == core.Observe || l.Mode == "" {
		return
	}
	for i, x := range characteristics {
		if !slices.ContainsFunc(l.Effects[i], func(e core.Effect) bool { return e != 0 }) {
			x.problem("operation", "has effect 0 from %s: the register must not be used for this size, write mode = \"observe\" or choose another register",
				list(quoted(l.Registers), "and"))
		}
	}
	for k, r := range l.registers {
		moves := slices.ContainsFunc(l.Effects, func(row []core.Effect) bool { return row[k] != 0 })
		if !moves && len(l.registers) > 1 {
			l.t.problem("registers", "holds %q, which moves no characteristic of this loop: take it out", r.Name)
		}
	}
}

func quoted(names []string) []string {
	q := make([]string, len(names))
	for i, n := range names {
		q[i] = fmt.Sprintf("%q", n)
	}
	return q
}

// measureSteps works out what one register step and a quarter of the band do to
// the size.
func (l *loopReader) measureSteps() {
	for k, r := range l.registers {
		if r.Step == 0 || r.Band == (length.Range{}) {
			l.unit, l.room = 0, 0
			return
		}
		for i := range l.Effects {
			e := l.Effects[i][k]
			if e == 0 {
				continue
			}
			l.unit = max(l.unit, e.Of(r.Step).Abs())
			room := e.Of(r.Band.Width() / 4).Abs()
			if l.room == 0 || room < l.room {
				l.room = room
			}
			if whole := e.Of(r.Band.Width()).Abs(); r.Clearance > 0 && whole > r.Clearance {
				l.t.problem("registers", "holds %q, whose band %s moves %q by %s, more than its clearance %s: narrow the band",
					r.Name, r.Band, l.Characteristics[i].Name, whole, r.Clearance)
			}
		}
		if r.Clearance == 0 && l.Mode != core.Observe {
			l.t.warn("registers", "holds %q without a clearance: nobody has said yet that every value in its band is harmless", r.Name)
		}
	}
}

// section returns the table of that name, an empty one when there is none.
func (t *table) section(name string) *table {
	if x := t.table(name); x != nil {
		return x
	}
	key, path := t.place(name)
	return &table{r: t.r, kind: join(t.kind, name), key: key, path: path}
}
