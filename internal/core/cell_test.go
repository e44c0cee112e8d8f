package core

import (
	"bytes"
	"encoding/json"
	"slices"
	"strconv"

	"offsetbridge/internal/length"
)

const um = length.Micrometre

// cell is an invented machine with its gauge around one State: it cuts parts,
// measures them, answers writes, and folds every event a second time through
// its bytes, so that each scenario proves the fold as well.
type cell struct {
	t tester
	s *State
	f *State // fed with the decoded bytes of every event

	inputs []Input
	events []Event
	at     []int64              // when each was decided
	check  func(Input, []Event) // sees every step
	quick  bool                 // compare the fold only when asked
	mono   int64
	epoch  uint64
	order  uint64

	counter uint64 // as the control counts
	program string
	serial  string
	cutting bool
	tools   []int64
	regs    []length.Length
	acts    []length.Length // what is in force for the part being cut
	mixed   bool            // more than one value was
	tooled  []int64         // and its tools
	truth   map[uint64]made // by count

	drift   map[string]length.Length // by loop: what the process does by itself
	sizes   map[uint64]map[string]length.Length
	sign    length.Length                // -1 makes the machine answer the wrong way
	write   func(Intent) *Outcome        // nil writes properly; a nil outcome stays away
	intents []Intent                     // all of them, as released
	seq     map[string]uint64            // by gauge
	effects map[string]map[string]Effect // by loop and register, as the machine has it
}

// made is what a part was really cut with.
type made struct {
	registers map[string]length.Length // by name
	tools     map[string]int64
	mixed     bool
}

// settings is an invented milling cell: a bore by a radius register, and a boss
// by a diameter register of another tool.
func settings() Settings {
	bounds := Bounds{
		AutoStep: 10 * um, OperatorStep: 25 * um, SetterStep: 50 * um, Travel: 300 * um,
		Expires: 600_000, ExpiresParts: 20,
	}
	feature := func(name string, aim length.Length, internal bool) Characteristic {
		return Characteristic{
			Name: name, Limits: length.Range{Low: aim - 50*um, High: aim + 50*um}, Aim: aim, Internal: internal,
			Plausible: length.Range{Low: aim - 1000*um, High: aim + 1000*um},
			Gauges:    []GaugeUse{{Gauge: "g-" + name, Identity: identityCounter, Resolution: um}},
		}
	}
	loop := func(name string, register string, effect Effect, c Characteristic) Loop {
		return Loop{
			Name: name, Mode: Auto, Program: "P1", Characteristics: []Characteristic{c}, Registers: []string{register},
			Effects: [][]Effect{{effect}}, Damping: 0.3, DeadBand: um, MinReadings: 1, Bounds: bounds,
		}
	}
	band := length.Range{Low: -200 * um, High: 200 * um}
	return Settings{
		Machine: "mill", Identity: "serial-7", CountsAt: CountsAtEnd, Effective: ActsAtOnce,
		Fresh: 2000, Window: 500, Answer: 1000, Quarantine: 5000, Tools: []string{"T1", "T2"},
		Registers: []Register{
			{Name: "R1", Node: "n1", Tool: "T1", Kind: "radius", Unit: length.MM, Step: um, Band: band},
			{Name: "R2", Node: "n2", Tool: "T2", Kind: "diameter", Unit: length.MM, Step: um, Band: band},
		},
		Loops: []Loop{
			loop("bore", "R1", -2000, feature("bore", 25*length.Millimetre, true)),
			loop("boss", "R2", 1000, feature("boss", 40*length.Millimetre, false)),
		},
	}
}

var (
	operator = Person{Principal: "olga", Role: Operator, Auth: "test"}
	setter   = Person{Principal: "sven", Role: Setter, Auth: "test"}
	engineer = Person{Principal: "erna", Role: Engineer, Auth: "test"}
)

// tester is what a test and a property both are.
type tester interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

func newCell(t tester) *cell {
	return &cell{
		t: t, s: &State{}, f: &State{}, mono: 1_000_000, counter: 100, program: "P1",
		tools: []int64{3, 8}, regs: []length.Length{10 * um, -20 * um}, sign: 1,
		truth: map[uint64]made{}, drift: map[string]length.Length{}, sizes: map[uint64]map[string]length.Length{}, seq: map[string]uint64{},
	}
}

// cellWith starts a process with a configuration and a live session.
func cellWith(t tester, change func(*Settings)) *cell {
	c := newCell(t)
	set := settings()
	if change != nil {
		change(&set)
	}
	c.start()
	c.send(Configure{Settings: set, Who: engineer})
	c.send(Verified{OK: true})
	c.connect()
	c.drift["bore"] = 2 * c.regs[0] // so that bore and boss come out at their aim
	c.drift["boss"] = -c.regs[1]
	return c
}

func mode(m Mode) func(*Settings) {
	return func(s *Settings) {
		for i := range s.Loops {
			s.Loops[i].Mode = m
		}
	}
}

func identity(kind string) func(*Settings) {
	return func(s *Settings) { s.Loops[0].Characteristics[0].Gauges[0].Identity = kind }
}

// send steps the state, folds what came out, and lets the machine act on it.
func (c *cell) send(f Fact) []Event {
	c.t.Helper()
	c.mono += 10
	in := Input{At: Instant{Wall: c.mono, Mono: c.mono}, Fact: f}
	out := c.s.Step(in)
	c.fold(out)
	c.inputs, c.events = append(c.inputs, in), append(c.events, out...)
	for range out {
		c.at = append(c.at, in.At.Wall)
	}
	if c.check != nil {
		c.check(in, out)
	}
	for _, e := range out {
		if in, ok := e.(Intended); ok {
			c.intents = append(c.intents, in.Intent)
			if o := c.answer(in.Intent); o != nil {
				out = append(out, c.send(*o)...)
			}
		}
	}
	return out
}

func (c *cell) fold(events []Event) {
	c.t.Helper()
	for _, e := range events {
		d, err := Decode(e.Kind(), Encode(e))
		if err != nil {
			c.t.Fatal(err)
		}
		c.f.Apply(d)
	}
	if len(events) > 0 && !c.quick {
		c.compare()
	}
}

// compare proves that folding the journal gives the running state.
func (c *cell) compare() {
	c.t.Helper()
	live, folded := asJSON(c.t, c.s), asJSON(c.t, c.f)
	if !bytes.Equal(live, folded) {
		c.t.Fatalf("the fold differs\nlive   %s\nfolded %s", live, folded)
	}
}

func asJSON(t tester, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (c *cell) answer(in Intent) *Outcome {
	if c.write != nil {
		return c.write(in)
	}
	return c.carryOut(in)
}

// carryOut writes as a sound machine does, and reads back.
func (c *cell) carryOut(in Intent) *Outcome {
	i := c.s.Ledger.Settings.registerIndex(in.Register)
	o := &Outcome{Intent: in.ID, Result: Applied}
	switch {
	case c.cutting:
		o.Result, o.Code = NotSent, "m-permitted"
	case c.regs[i] != in.Old:
		o.Result, o.Code = NotSent, "m-old"
	default:
		c.regs[i] = in.New
	}
	o.Read = c.regs[i]
	m := c.read()
	o.Sample = &m
	return o
}

func (c *cell) start() []Event {
	c.epoch++
	return c.send(Started{Version: "test", Epoch: c.epoch})
}

// restart is a crash: all that is left is what the journal gives back.
func (c *cell) restart() []Event {
	c.t.Helper()
	if c.quick {
		c.compare()
	}
	c.s, c.f = &State{}, &State{}
	for _, e := range c.events {
		for _, s := range []*State{c.s, c.f} {
			d, err := Decode(e.Kind(), Encode(e))
			if err != nil {
				c.t.Fatal(err)
			}
			s.Apply(d)
		}
	}
	c.mono = 5
	out := c.start()
	return append(out, c.send(Verified{OK: true})...)
}

func (c *cell) connect() []Event {
	c.epoch++
	out := c.send(Link{Up: true, Epoch: c.epoch})
	return append(out, c.look()...)
}

func (c *cell) read() Sample {
	c.order++
	return Sample{
		Epoch: c.epoch, Order: c.order, Counter: c.counter, Program: c.program, Serial: c.serial, Permitted: !c.cutting,
		Tools: append([]int64(nil), c.tools...), Registers: append([]length.Length(nil), c.regs...),
	}
}

func (c *cell) look() []Event {
	c.t.Helper()
	c.mix()
	return c.send(c.read())
}

// mix notes when a new value acts on the part that is being cut.
func (c *cell) mix() {
	if c.s.Ledger.Settings.Effective == ActsAtOnce && !slices.Equal(c.acts, c.regs) || !slices.Equal(c.tooled, c.tools) {
		c.mixed = true
	}
}

// begin starts a cycle, end finishes it; part does both.
func (c *cell) begin() []Event {
	c.t.Helper()
	c.cutting = true
	c.acts, c.tooled, c.mixed = slices.Clone(c.regs), slices.Clone(c.tools), false
	if c.s.Ledger.Settings.CountsAt == CountsAtStart {
		c.counter++
	}
	return c.look()
}

func (c *cell) end() []Event {
	c.t.Helper()
	c.cutting = false
	if c.s.Ledger.Settings.CountsAt != CountsAtStart {
		c.counter++
	}
	c.finish()
	return c.look()
}

func (c *cell) finish() {
	sizes := map[string]length.Length{}
	set := &c.s.Ledger.Settings
	if len(c.acts) != len(c.regs) { // the columns were changed under way
		c.acts, c.mixed = c.regs, true
	}
	c.mix()
	m := made{registers: map[string]length.Length{}, tools: map[string]int64{}, mixed: c.mixed}
	for i, r := range set.Registers {
		m.registers[r.Name] = c.acts[i]
	}
	for i, t := range set.Tools {
		m.tools[t] = c.tools[i]
	}
	c.truth[c.counter] = m
	for _, l := range set.Loops {
		size := l.Characteristics[0].Aim + c.drift[l.Name]
		for i, r := range l.Registers {
			size += c.sign * l.Effects[0][i].Of(c.acts[set.registerIndex(r)])
		}
		sizes[l.Name] = size
	}
	c.sizes[c.counter] = sizes
}

func (c *cell) part() []Event {
	c.t.Helper()
	return append(c.begin(), c.end()...)
}

func (c *cell) reading(loop string, n uint64) Reading {
	l := c.s.Ledger.Settings.Loop(loop)
	gauge := "g-" + loop
	c.seq[gauge]++
	return Reading{
		Gauge: gauge, Sequence: c.seq[gauge], Characteristic: l.Characteristics[0].Name,
		Part: strconv.FormatUint(n, 10), Value: c.sizes[n][loop],
	}
}

func (c *cell) measure(loop string, n uint64) []Event {
	c.t.Helper()
	return c.send(c.reading(loop, n))
}

// off makes the next parts of a loop come out that far from aim.
func (c *cell) off(loop string, by length.Length) {
	l := c.s.Ledger.Settings.Loop(loop)
	i := c.s.Ledger.Settings.registerIndex(l.Registers[0])
	c.drift[loop] = by - l.Effects[0][0].Of(c.regs[i])
}

func (c *cell) pass(ms int64) []Event { c.t.Helper(); c.mono += ms; return c.send(Tick{}) }

func (c *cell) approve(who Person) []Event {
	c.t.Helper()
	p := c.card()
	return c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: who})
}

func (c *cell) card() Open {
	c.t.Helper()
	for _, p := range c.s.Ledger.Proposals {
		if p.Status == Pending {
			return p
		}
	}
	c.t.Fatal("no card waits for a person")
	return Open{}
}

func (c *cell) unproven(n int) {
	for i := range c.s.Ledger.Registers {
		c.s.Ledger.Registers[i].Unproven = n
		c.f.Ledger.Registers[i].Unproven = n
	}
}

// settled lets a loop leave its first part: a part at aim, measured.
func (c *cell) settled(loop string) {
	c.t.Helper()
	c.off(loop, 0)
	c.part()
	if j := c.judged(c.measure(loop, c.counter)); j.Propose != codeDeadBand {
		c.t.Fatalf("a part at aim gave %+v", j)
	}
}

// only returns the events of one type.
func only[E Event](events []Event) []E {
	var out []E
	for _, e := range events {
		if v, ok := e.(E); ok {
			out = append(out, v)
		}
	}
	return out
}

func one[E Event](t tester, events []Event) E {
	t.Helper()
	all := only[E](events)
	if len(all) != 1 {
		var zero E
		t.Fatalf("%d events %T, want one of them in %s", len(all), zero, kinds(events))
		return zero
	}
	return all[0]
}

func none[E Event](t tester, events []Event) {
	t.Helper()
	if all := only[E](events); len(all) != 0 {
		t.Fatalf("there is %+v, want none", all)
	}
}

func kinds(events []Event) string {
	var b bytes.Buffer
	for _, e := range events {
		b.WriteString(e.Kind() + string(Encode(e)) + "\n")
	}
	return b.String()
}

func (c *cell) judged(events []Event) Judged { c.t.Helper(); return one[Judged](c.t, events) }

func (c *cell) held(loop string, cause Code) {
	c.t.Helper()
	if h := c.s.HoldOn(loop); h == nil || h.Cause != cause {
		c.t.Fatalf("%s is held by %+v, want %s", loop, h, cause)
	}
}

func (c *cell) free(loop string) {
	c.t.Helper()
	if h := c.s.HoldOn(loop); h != nil {
		c.t.Fatalf("%s is on hold: %+v", loop, *h)
	}
}

func (c *cell) resume(loop string, who Person) []Event {
	c.t.Helper()
	scope := loop
	if c.s.hold("") != nil {
		scope = ""
	}
	return c.send(Resume{Loop: scope, Cause: c.s.HoldOn(loop).Cause, Note: "looked", Who: who})
}
