package core

import (
	"bytes"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// world is a cell under a random schedule of everything that can happen, watched
// by an oracle.
type world struct {
	*cell
	draw  *rapid.T
	late  []func()  // effects that act later
	owed  []Outcome // answers that are still on their way
	stash []Reading // deliveries that may come again
	set   Settings
	seen  *oracle
}

func newWorld(t *rapid.T) *world {
	w := &world{draw: t, seen: newOracle(t)}
	w.cell = newCell(t)
	w.quick, w.write = true, w.port
	w.check = func(in Input, out []Event) {
		w.seen.see(in, out)
		w.attributed(out)
	}
	w.set = settings()
	w.set.Loops[1].Mode = rapid.SampledFrom([]Mode{Auto, Confirm, Observe}).Draw(t, "mode")
	w.set.CountsAt = rapid.SampledFrom([]string{CountsAtStart, CountsAtEnd}).Draw(t, "counts")
	w.set.Effective = rapid.SampledFrom([]string{ActsAtOnce, ActsNextCycle}).Draw(t, "acts")
	w.set.Loops[0].Bounds.ReturnByItself = rapid.Bool().Draw(t, "returns")
	w.set.Loops[0].Bounds.Travel = rapid.SampledFrom([]length.Length{15 * um, 300 * um}).Draw(t, "travel")
	for i := range w.set.Loops { // narrow limits: the filter believes small errors
		c := &w.set.Loops[i].Characteristics[0]
		c.Limits = length.Range{Low: c.Aim - 20*um, High: c.Aim + 20*um}
	}
	w.several(&w.set)
	w.askOfGauges(&w.set)
	w.start()
	w.send(Configure{Settings: w.set, Who: engineer})
	w.send(Verified{OK: true})
	w.connect()
	w.drift["bore"], w.drift["boss"] = 2*w.regs[0], -w.regs[1]
	return w
}

func (w *world) pick(name string, n int) int { return rapid.IntRange(0, n-1).Draw(w.draw, name) }

func (w *world) loop() string { return []string{"bore", "boss"}[w.pick("loop", 2)] }

// port is a machine that sometimes does not do as it is told.
func (w *world) port(in Intent) *Outcome {
	i := w.s.Ledger.Settings.registerIndex(in.Register)
	o := &Outcome{Intent: in.ID, Read: w.regs[i]}
	act := func() {
		if i < len(w.regs) {
			w.regs[i] = in.New
		}
	}
	switch w.pick("port", 12) {
	case 0:
		o.Result, o.Code = NotSent, "m-permitted"
	case 1:
		o.Result = Unknown
		act()
	case 2:
		o.Result = Unknown
		w.late = append(w.late, act)
	case 3:
		act()
		w.owed = append(w.owed, Outcome{Intent: in.ID, Result: Applied, Read: in.New})
		return nil
	case 4:
		o.Result, o.Code = Refused, "m-refused"
	case 5:
		o.Result, o.Read = Differs, in.New+um
		w.regs[i] = o.Read
	default:
		return w.carryOut(in)
	}
	return o
}

func (w *world) act() {
	switch w.pick("act", 42) {
	default:
		if len(w.s.Ledger.Holds) > 0 && w.pick("resume", 3) == 0 {
			w.resumeAll()
		}
		w.drift[w.loop()] += length.Length(rapid.IntRange(-6000, 6000).Draw(w.draw, "wear"))
		w.part()
		w.deliver(w.counter)
	case 7:
		w.part()
	case 8, 9:
		w.deliver(w.counter - uint64(w.pick("back", 4)))
	case 10:
		if n := len(w.stash); n > 0 {
			w.send(w.stash[w.pick("again", n)])
		}
	case 11, 12:
		w.decide()
	case 13:
		w.regs[w.pick("register", len(w.regs))] += um * length.Length(rapid.IntRange(-8, 8).Draw(w.draw, "edit"))
		w.look()
	case 14:
		w.tools[w.pick("tool", len(w.tools))] += int64(rapid.SampledFrom([]int{1, 1, 1, -1}).Draw(w.draw, "gen"))
		w.look()
	case 15:
		w.program = rapid.SampledFrom([]string{"P1", "P1", "P2"}).Draw(w.draw, "program")
		w.look()
	case 16:
		if w.cutting {
			w.end()
		} else {
			w.begin()
		}
	case 17:
		w.pass(int64(rapid.SampledFrom([]int{100, 2500, 6000, 30_000, 700_000}).Draw(w.draw, "pass")))
		w.look()
	case 18:
		w.send(Link{Epoch: w.epoch, Cause: "m-lost"})
		w.connect()
	case 19:
		w.answers()
	case 20:
		w.crash()
	case 21:
		w.send(Hold{Loop: rapid.SampledFrom([]string{"", "bore", "boss"}).Draw(w.draw, "scope"), Who: operator})
	case 22, 23:
		w.resumeAll()
	case 24:
		w.configure()
	case 25:
		w.send(w.garbage())
	case 27: // broken off, nothing is counted
		if w.cutting {
			w.cutting = false
			w.look()
			w.look()
		}
	case 28: // paused, perhaps with a value typed in, and taken up again
		if w.cutting {
			w.cutting = false
			w.look()
			w.regs[0] += um * length.Length(w.pick("edit", 3))
			w.look()
			w.cutting = true
			w.look()
			w.end()
		}
	case 29, 30:
		w.checkGauge()
	case 32:
		w.hands()
	case 31:
		w.send(Dates{Standards: rapid.SampledFrom([][]string{nil, nil, {"R25"}}).Draw(w.draw, "rings")})
	case 26:
		w.counter = uint64(rapid.SampledFrom([]int{0, 5, 200, 1000}).Draw(w.draw, "count"))
		w.look()
	}
}

// several makes the boss a measurement of several readings in some worlds.
func (w *world) several(s *Settings) {
	i := len(s.Loops) - 1
	s.Loops[i].Characteristics[0].Several = nil
	if w.pick("several", 3) == 0 {
		s.Loops[i].Characteristics[0].Several = &Several{Depths: 2, Orientations: 1, Within: 20_000}
	}
}

// askOfGauges asks for settings in about half of the worlds.
func (w *world) askOfGauges(s *Settings) {
	s.Gauges = nil
	if w.pick("trust", 2) == 0 {
		s.Gauges = []Trust{{
			Gauge: "g-bore", Repeat: um / 2, Frozen: 9, Interval: gauge.Interval{Readings: 60},
			Standards: []Ring{{Name: "R25", Value: 25*length.Millimetre - 25*um, Uncertainty: um, Alpha: 11_500}},
		}}
		if w.pick("thermal", 2) == 0 {
			s.Gauges[0].Thermal = &Thermal{Window: 5000, Sigma: 300, Required: w.pick("required", 2) == 0}
			s.Loops[0].Characteristics[0].Alpha = 23_100
		}
	}
}

// checkGauge puts the bore's gauge on its ring; sometimes it is told twice.
func (w *world) checkGauge() {
	if w.pick("task", 4) == 0 {
		w.send(Task{Gauge: "g-bore", Ring: "R25", For: 60_000, Who: operator})
		w.deliver(w.counter)
	}
	k := Check{Gauge: "g-bore", Standard: "R25", AsFound: length.Length(rapid.IntRange(-6000, 6000).Draw(w.draw, "found")), Who: setter}
	if w.pick("climate", 2) == 0 {
		t := gauge.Celsius(rapid.IntRange(14_000, 26_000).Draw(w.draw, "celsius"))
		k.Temp = &t
	}
	f := FromPlant{Record: w.s.Ledger.Plant + 1, Event: Set{k}}
	if w.pick("adjusted", 3) == 0 {
		f.Event = RingChecked{k}
	}
	w.send(f)
	if w.pick("twice", 3) == 0 {
		w.send(f)
	}
	for _, u := range append([]Unplaced(nil), w.s.Ledger.Tray...) {
		w.send(Assign{Item: u.ID, Part: u.Reading.Part, Reason: "saw it", Who: operator})
	}
}

func (w *world) resumeAll() {
	for _, h := range append([]Held(nil), w.s.Ledger.Holds...) {
		w.send(Resume{Loop: h.Loop, Cause: h.Cause, Note: "looked", Who: engineer})
	}
}

// part finishes the cycle under way before it begins another: two cycles between
// two looks nobody can tell apart.
func (w *world) part() {
	if w.cutting {
		w.end()
	}
	w.cell.part()
}

// trail tells the last inputs and the machine's own events.
func (w *world) trail() string {
	var b bytes.Buffer
	for _, in := range w.inputs[max(0, len(w.inputs)-40):] {
		fmt.Fprintf(&b, "%d %T %s\n", in.At.Mono, in.Fact, asJSON(w.t, in.Fact))
	}
	var seen []Event
	for _, e := range w.events {
		switch e.(type) {
		case Seen, Recorded, Moved, Linked, Begun:
			seen = append(seen, e)
		}
	}
	return b.String() + kinds(seen[max(0, len(seen)-20):])
}

// attributed is I6, against what the parts were really cut with. Out of sight the
// counter may have been set back and the same number cut again; that shows, and
// voids the estimate, with the first look.
func (w *world) attributed(out []Event) {
	if !w.seen.up || !w.seen.sampled {
		return
	}
	set := &w.s.Ledger.Settings
	for _, j := range only[Judged](out) {
		m, known := w.truth[j.Count]
		if j.Admit != "" || j.Attribute != "" || j.Gather != "" || !known {
			continue
		}
		l, c := set.Find(j.Reading.Characteristic)
		var command length.Length
		for i, r := range l.Registers {
			command += l.Effects[c][i].Of(m.registers[r])
			tool := set.Register(r).Tool
			if t, ok := m.tools[tool]; ok && t != w.tools[set.toolIndex(tool)] {
				w.t.Fatalf("part %d was cut with generation %d of %s: %+v", j.Count, t, tool, j)
			}
		}
		if m.mixed || command != j.Command {
			w.t.Fatalf("part %d was cut with %+v, read as %+v, after\n%s", j.Count, m, j, w.trail())
		}
	}
}

func (w *world) deliver(n uint64) {
	loop := w.loop()
	if w.sizes[n] == nil || w.s.Ledger.Settings.Loop(loop) == nil {
		return
	}
	r := w.reading(loop, n)
	r.Value += length.Length(rapid.IntRange(-1500, 1500).Draw(w.draw, "noise"))
	if w.pick("odd", 30) == 0 {
		r.Value *= 1000
	}
	if w.pick("temperature", 2) == 0 {
		t := gauge.Celsius(rapid.IntRange(14_000, 26_000).Draw(w.draw, "celsius"))
		r.Temp = &t
	}
	if w.pick("depth", 5) > 0 {
		at := length.Length(w.pick("at", 3))
		r.Depth = &at
	}
	w.stash = append(w.stash, r)
	w.send(r)
}

func (w *world) decide() {
	for _, p := range append([]Open(nil), w.s.Ledger.Proposals...) {
		switch w.pick("decide", 6) {
		case 0:
			w.send(Reject{Proposal: p.ID, Reason: "no", Who: operator})
		case 1:
			w.send(Approve{Proposal: p.ID, Digest: p.Digest + "x", Who: setter})
			w.send(MeasureAgain{Proposal: p.ID, On: w.pick("mark", 2) == 0, Who: operator})
			m := p.Moves[0]
			w.send(Lower{Proposal: p.ID, Digest: p.Digest, New: m.Old + (m.New-m.Old)/2/um*um, Who: setter})
		case 2:
			w.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: operator})
		default:
			w.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
		}
	}
}

// answers lets late effects act and late answers arrive.
func (w *world) answers() {
	for _, f := range w.late {
		f()
	}
	owed := w.owed
	w.late, w.owed = nil, nil
	for _, o := range owed {
		w.send(o)
	}
	w.look()
}

func (w *world) crash() {
	for _, f := range w.late {
		f()
	}
	w.late, w.owed = nil, nil
	w.seen.up = false
	w.restart()
	w.send(Configure{Settings: w.set, Who: engineer})
	w.connect()
}

func (w *world) configure() {
	set := settings()
	set.CountsAt, set.Effective = w.set.CountsAt, w.set.Effective
	for i := range set.Loops {
		set.Loops[i].Mode = rapid.SampledFrom([]Mode{Auto, Confirm, Observe}).Draw(w.draw, "mode")
		set.Loops[i].Bounds.Travel = rapid.SampledFrom([]length.Length{15 * um, 300 * um}).Draw(w.draw, "travel")
		c := &set.Loops[i].Characteristics[0]
		c.Limits = length.Range{Low: c.Aim - 20*um, High: c.Aim + 20*um}
	}
	w.several(&set)
	w.askOfGauges(&set)
	switch w.pick("change", 4) {
	case 0:
		set.Loops[0].Program = ""
	case 1: // the bore is not steered for a while
		set.Loops = set.Loops[1:]
	case 2:
		if len(w.regs) == 2 { // a register and its loop go altogether
			set.Loops, set.Registers, set.Tools = set.Loops[:1], set.Registers[:1], set.Tools[:1]
			w.regs, w.tools = w.regs[:1], w.tools[:1]
		}
	}
	if n := len(set.Registers); len(w.regs) < n {
		w.regs, w.tools = append(w.regs, 0), append(w.tools, 8)
	}
	if len(w.late) > 0 { // they know the columns of before
		w.answers()
	}
	w.set = set
	w.send(Configure{Settings: set, Who: engineer})
	w.connect()
}

// garbage is any input with anything in it.
// odd is any number, or none.
func odd[T ~int32 | ~int64](w *world) *T {
	if w.pick("given", 3) == 0 {
		return nil
	}
	v := T(rapid.Int64().Draw(w.draw, "odd number"))
	return &v
}

func (w *world) garbage() Fact {
	n := func(name string) uint64 {
		return rapid.OneOf(rapid.Uint64Range(0, 300), rapid.Uint64()).Draw(w.draw, name)
	}
	nm := func(name string) length.Length { return length.Length(rapid.Int64().Draw(w.draw, name)) }
	text := func(name string) string {
		return rapid.OneOf(rapid.SampledFrom([]string{"", "bore", "boss", "g-bore", "R1", "T1", "P1", "101"}), rapid.String()).Draw(w.draw, name)
	}
	who := Person{Principal: text("who"), Role: Role(rapid.SampledFrom([]string{"", "viewer", "operator", "setter", "engineer", "x"}).Draw(w.draw, "role"))}
	switch w.pick("garbage", 23) {
	case 0:
		return Link{Up: w.pick("up", 2) == 0, Epoch: w.epoch, Cause: Code(text("cause"))}
	case 1:
		m := Sample{Epoch: w.epoch, Counter: n("count"), Program: text("program"), Permitted: w.pick("ok", 2) == 0, Serial: text("serial")}
		for range w.pick("tools", 4) {
			m.Tools = append(m.Tools, rapid.Int64().Draw(w.draw, "tool"))
		}
		for range w.pick("registers", 4) {
			m.Registers = append(m.Registers, nm("register"))
		}
		return m
	case 2, 3, 4:
		return Reading{
			Gauge: text("gauge"), Sequence: n("sequence"), Characteristic: text("characteristic"), Part: text("part"),
			Cut: int(rapid.Int32().Draw(w.draw, "cut")), State: rapid.SampledFrom([]string{"", "", "test"}).Draw(w.draw, "state"),
			Value: 25*length.Millimetre + nm("value")%(2*length.Millimetre), Retained: w.pick("retained", 9) == 0,
			Temp: odd[gauge.Celsius](w), TempGauge: odd[gauge.Celsius](w), TempStandard: odd[gauge.Celsius](w), Depth: odd[length.Length](w), Turn: odd[Turn](w),
		}
	case 5:
		return Outcome{Intent: n("intent"), Result: Result(rapid.SampledFrom([]string{"applied", "notsent", "unknown", ""}).Draw(w.draw, "result")), Read: nm("read")}
	case 6:
		return Pair{Serial: text("serial"), Counter: n("counter")}
	case 7:
		return Task{Gauge: text("gauge"), Characteristic: text("characteristic"), Part: text("part"), Ring: text("ring"), For: int64(n("for")), Who: who}
	case 8:
		return Approve{Proposal: n("proposal"), Digest: text("digest"), Who: who}
	case 9:
		return Reject{Proposal: n("proposal"), Reason: text("reason"), Who: who}
	case 10:
		return Hold{Loop: text("loop"), Note: text("note"), Who: who}
	case 11:
		return Resume{Loop: text("loop"), Cause: Code(text("cause")), Note: text("note"), Who: who}
	case 12:
		return Verified{OK: w.pick("ok", 3) > 0, Text: text("damage")}
	case 13:
		k := Check{Gauge: text("gauge"), Standard: text("ring"), AsFound: nm("found"), Who: who}
		if w.pick("near", 2) == 0 {
			k.AsFound %= 20 * um
		}
		return FromPlant{Record: n("record"), Age: int64(n("age")), Event: rapid.SampledFrom([]Event{Set{k}, RingChecked{k}, Tasked{}, nil}).Draw(w.draw, "event")}
	case 14:
		return Dates{Gauges: []string{text("gauge")}, Standards: []string{text("ring"), text("ring")}}
	case 15:
		return Assign{Item: n("item"), Characteristic: text("characteristic"), Part: text("part"), Reason: text("reason"), Who: who}
	case 16:
		return Discard{Item: n("item"), Reason: text("reason"), Who: who}
	case 18:
		return HandFirst{Part: text("part"), Who: who}
	case 19:
		v := nm("value")
		return HandSet{Proposal: n("proposal"), Digest: text("digest"), Register: text("register"), Value: &v, Who: who}
	case 20:
		return Lower{Proposal: n("proposal"), Digest: text("digest"), New: nm("less"), Who: who}
	case 21:
		return MeasureAgain{Proposal: n("proposal"), On: w.pick("on", 2) == 0, Who: who}
	case 17:
		size := nm("size")
		return Plug{Characteristic: text("characteristic"), Part: text("part"), Plug: rapid.SampledFrom([]string{PlugGO, PlugNOGO, ""}).Draw(w.draw, "plug"), Enters: w.pick("enters", 2) == 0, Size: &size, Who: who}
	}
	return Tick{}
}

// Whatever happens in whatever order, the invariants hold, nothing panics,
// the fold of the journal is the running state, and the same inputs give the
// same bytes.
func TestInvariantsUnderAnySchedule(t *testing.T) {
	var writes, auto, approved, unknown, parts int
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(t)
		for range rapid.IntRange(20, 120).Draw(t, "steps") {
			w.act()
			w.s.View()
		}
		w.compare()
		replay(t, w.cell)
		writes += len(w.intents)
		for _, e := range only[Intended](w.events) {
			if e.Charge > 0 {
				auto++
			}
		}
		approved += len(only[Approved](w.events))
		parts += len(only[Recorded](w.events))
		for _, e := range only[Concluded](w.events) {
			if e.Result == Unknown {
				unknown++
			}
		}
	})
	t.Logf("%d parts, %d writes, %d of them automatic, %d approvals, %d unknown outcomes", parts, writes, auto, approved, unknown)
	if auto == 0 || approved == 0 || unknown == 0 {
		t.Fatal("the schedules exercised nothing")
	}
}

// replay gives the inputs of one process run to a fresh state once more.
func replay(t *rapid.T, c *cell) {
	var again State
	var got, want bytes.Buffer
	for _, in := range c.inputs {
		if _, ok := in.Fact.(Started); ok && got.Len() > 0 {
			break // the next process starts from its journal
		}
		for _, e := range again.Step(in) {
			got.WriteString(e.Kind())
			got.Write(Encode(e))
		}
	}
	for _, e := range c.events {
		if want.Len() >= got.Len() {
			break
		}
		want.WriteString(e.Kind())
		want.Write(Encode(e))
	}
	if !bytes.Equal(got.Bytes(), want.Bytes()) {
		t.Fatalf("the same inputs gave other bytes\n%.2000s\n%.2000s", got.Bytes(), want.Bytes())
	}
}

// Garbage alone, before anything is configured and after.
func TestGarbageNeverPanics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := &world{draw: t, cell: newCell(t)}
		w.quick, w.write = true, away
		if rapid.Bool().Draw(t, "configured") {
			w.start()
			w.send(Configure{Settings: settings(), Who: engineer})
			w.connect()
		}
		for range 60 {
			w.send(w.garbage())
			w.s.View()
		}
		w.compare()
	})
}
