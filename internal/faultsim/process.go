package faultsim

import (
	"encoding/json"
	"slices"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/machine"
)

// process is one life of the daemon: what bridge.Runner, journal.Writer and the
// program around them do, as steps that a scheduler takes one by one.
type process struct {
	w       *world
	started int64 // true time
	store   *journal.Memory
	plant   *line
	lines   []*line // one per machine
	stopped bool    // the plant-wide gate, closed by a hold-all
	failed  error   // the journal's first failure
	dead    bool
	epoch   uint64
	refs    uint64
	records map[string]uint64 // by stream: head when the process began
	staged  int               // submissions that have been staged
}

// line is one stream with its bridge, and the machine behind it.
type line struct {
	p        *process
	stream   string
	iron     *iron // nil for the plant
	b        *bridge.Bridge
	gate     *bridge.Gate
	first    []core.Fact
	feed     []core.Fact // from the machine, in order
	in       []job       // from everybody else, in order
	urgent   []job       // holds
	outcomes []core.Fact
	done     *error // a commit came back
	commit   *bridge.Commit
	calls    map[uint64]func(bridge.Released)
	writes   []core.Intent
	stepper  *machine.Stepper
	live     bool
	busy     bool   // a write is under way
	saved    uint64 // record of the last snapshot
	down     int    // looks until the next attempt to connect
}

type job struct {
	fact core.Fact
	done func(bridge.Released)
}

const version = "sim"

// start begins a life on what the last one left.
func (w *world) start() {
	p := &process{w: w, started: w.now, store: w.disk, records: map[string]uint64{}}
	w.p = p
	p.plant = p.open("plant", nil, func() bridge.Decider { return &core.Plant{} })
	plant := p.plant.b.State().(*core.Plant)
	p.stopped = len(plant.Holds) > 0
	p.epoch = plant.Epoch + 1
	p.plant.in = append(p.plant.in, job{fact: core.Started{Version: version, Epoch: p.epoch}})
	for _, m := range w.irons {
		stream := "machine/" + m.name
		l := p.open(stream, m, func() bridge.Decider { return &core.State{} })
		epoch := l.b.State().(*core.State).Ledger.Epoch + 1
		l.first = []core.Fact{
			core.Started{Version: version, Epoch: epoch, Pause: w.pauseOf(stream)},
			core.Configure{Settings: *w.setup[m.name], Who: engineer},
		}
		l.stepper = machine.NewStepper(w.optionsOf(m), w.clock, w.pause)
		p.lines = append(p.lines, l)
	}
	w.o.started(p)
	w.n.add("work/starts")
}

func (p *process) open(stream string, m *iron, fresh func() bridge.Decider) *line {
	l := &line{p: p, stream: stream, iron: m, calls: map[uint64]func(bridge.Released){}}
	b, err := bridge.Open(p.store, stream, bridge.SnapshotVersion, fresh)
	if err != nil {
		p.w.violate("I14", "%s does not open: %v", stream, err)
		b, _ = bridge.Open(journal.NewMemory(), stream, bridge.SnapshotVersion, fresh)
	}
	l.b = b
	p.records[stream] = p.store.Head(stream).Seq
	l.gate = bridge.NewGate(func() bool { return !p.stopped && p.failed == nil })
	l.gate.Remember(b)
	return l
}

// pauseOf is how long ago a stream was written, by the wall clock.
func (w *world) pauseOf(stream string) int64 {
	last, err := w.disk.Query(journal.Filter{Stream: stream, Limit: 1})
	if err != nil || len(last) == 0 {
		return 0
	}
	return w.wall() - last[0].At
}

func (p *process) at() core.Instant {
	return core.Instant{Wall: p.w.wall(), Mono: p.w.now - p.started}
}

func (l *line) input(inputs []core.Input, f core.Fact, done func(bridge.Released)) []core.Input {
	l.p.refs++
	if done != nil {
		l.calls[l.p.refs] = done
	}
	switch f := f.(type) {
	case core.Sample:
		l.p.w.o.sampled(l)
	case core.Reading:
		l.p.w.o.offered(l, f)
	case core.Outcome:
		if f.Sample != nil {
			l.p.w.o.sampled(l)
		}
	}
	return append(inputs, core.Input{At: l.p.at(), Ref: l.p.refs, Fact: f})
}

// offer is Runner.Submit: a hold closes the gate before it is decided. It
// reports false when too much waits.
func (l *line) offer(f core.Fact, done func(bridge.Released)) bool {
	if l.p.dead || l.b.Err() != nil {
		return false
	}
	if _, ok := f.(core.Hold); ok {
		l.gate.Asked()
		l.urgent = append(l.urgent, job{f, func(r bridge.Released) {
			l.gate.Decided()
			if done != nil {
				done(r)
			}
		}})
		return true
	}
	if len(l.in) >= bridge.Queue {
		return false
	}
	l.in = append(l.in, job{f, done})
	return true
}

// turn takes what waits and steps the bridge, as one turn of the runner's loop.
func (l *line) turn() {
	var inputs []core.Input
	for _, f := range l.first {
		inputs = l.input(inputs, f, nil)
	}
	l.first = nil
	for _, j := range l.urgent {
		inputs = l.input(inputs, j.fact, j.done)
	}
	l.urgent = nil
	for _, f := range l.outcomes {
		inputs = l.input(inputs, f, nil)
	}
	l.outcomes = nil
	if !l.b.Full() {
		inputs = l.drain(inputs)
	}
	commit, released := l.b.Step(inputs, l.done)
	l.done = nil
	l.gate.Remember(l.b)
	if commit != nil {
		l.commit = commit
		l.p.w.o.decided(l)
	}
	for _, r := range released {
		l.release(r)
	}
	if l.b.Err() != nil {
		l.gate.Fail()
	}
}

// drain takes from the feed and from the queue, in any order between the two.
func (l *line) drain(inputs []core.Input) []core.Input {
	for len(l.feed)+len(l.in) > 0 && len(inputs) < 512 {
		if len(l.in) == 0 || len(l.feed) > 0 && l.p.w.r.IntN(2) == 0 {
			inputs = l.input(inputs, l.feed[0], nil)
			l.feed = l.feed[1:]
		} else {
			inputs = l.input(inputs, l.in[0].fact, l.in[0].done)
			l.in = l.in[1:]
		}
	}
	return inputs
}

// release lets out what the bridge says is durable.
func (l *line) release(r bridge.Released) {
	l.p.w.o.released(l, r)
	for _, e := range r.Events {
		if in, ok := e.(core.Intended); ok && l.iron != nil {
			l.writes = append(l.writes, in.Intent)
		}
	}
	if l.iron == nil {
		l.p.forward(r)
	}
	if done := l.calls[r.Ref]; done != nil {
		delete(l.calls, r.Ref)
		done(r)
	}
}

// forward hands the plant's records about gauges to the machines.
func (p *process) forward(r bridge.Released) {
	for i, e := range r.Events {
		switch e.(type) {
		case core.Set, core.RingChecked:
			for _, l := range p.lines {
				f := core.FromPlant{Record: r.First + uint64(i), Event: e}
				l.in = append(l.in, job{fact: f})
				if p.w.r.IntN(4) == 0 {
					l.in = append(l.in, job{fact: f})
				}
			}
		}
	}
}

// store takes the oldest commit to the disk, with a crash possible at each step.
func (l *line) persist() {
	p := l.p
	records := l.commit.Records
	result := func(err error) {
		l.commit = nil
		l.done = &err
	}
	if p.failed != nil {
		result(p.failed)
		return
	}
	if p.w.breakdown() {
		return // before anything reached the disk
	}
	err := p.store.Stage(records)
	if err == nil {
		if p.w.breakdown() {
			return // between staging and syncing
		}
		err = p.store.Sync()
	}
	if err != nil {
		p.failed = err
		p.w.o.journalFailed()
		result(err)
		return
	}
	p.w.o.synced(l.stream, records)
	if p.w.breakdown() {
		return // durable, and nobody was told
	}
	result(nil)
}

// write carries out the oldest intent that was released.
func (l *line) write() {
	in := l.writes[0]
	l.writes = l.writes[1:]
	l.busy = true
	if l.iron.conn != nil {
		l.iron.conn.writing = true
	}
	l.p.w.o.beginWrite(l, in)
	o := l.stepper.Write(in, func() bool { return l.gate.Open(in.Loop) })
	if l.iron.conn != nil {
		l.iron.conn.writing = false
	}
	l.busy = false
	if l.p.dead {
		return
	}
	l.p.w.o.endWrite(l, in, o)
	l.outcomes = append(l.outcomes, o)
}

// look takes a sample, or tries to connect.
func (l *line) look() {
	if l.busy || l.p.dead {
		return
	}
	if !l.live {
		if l.down--; l.down > 0 || !l.iron.reachable {
			return
		}
		l.connect()
		return
	}
	if l.iron.conn.dead() {
		l.live = false
		l.push(*l.stepper.Lost())
		return
	}
	s, link := l.stepper.Sample()
	if link != nil {
		l.live = false
		l.push(*link)
		return
	}
	l.p.w.n.add("work/samples")
	l.push(*s)
}

func (l *line) connect() {
	m := l.iron
	m.conn = &conn{m: m, p: l.p, shifted: m.shifted, stranger: m.stranger}
	link := l.stepper.Connect(m.conn)
	l.p.w.o.connected(l, link)
	if l.live = link.Up; !link.Up {
		l.down = 3
		m.conn = nil
		l.push(link)
		return
	}
	l.push(link)
	l.look()
}

func (l *line) push(f core.Fact) { l.feed = append(l.feed, f) }

// idle reports that nothing is left to do for a line.
func (l *line) idle() bool {
	return len(l.first)+len(l.feed)+len(l.in)+len(l.urgent)+len(l.outcomes)+len(l.writes) == 0 && l.commit == nil && l.done == nil
}

// pump lets the process work: until it is idle, or for some steps only.
func (w *world) pump(steps int) {
	p := w.p
	for ; p != nil && !p.dead && steps > 0; steps-- {
		var ready []func()
		for _, l := range append([]*line{p.plant}, p.lines...) {
			ready = l.tasks(ready)
		}
		if len(ready) == 0 {
			return
		}
		ready[w.r.IntN(len(ready))]()
		if w.fail != nil || p.dead || w.breakdown() {
			return
		}
	}
}

func (l *line) tasks(ready []func()) []func() {
	if l.done != nil || len(l.first)+len(l.feed)+len(l.in)+len(l.urgent)+len(l.outcomes) > 0 {
		if l.b.Err() == nil {
			ready = append(ready, l.turn)
		}
	}
	if l.commit != nil {
		ready = append(ready, l.persist)
	}
	if len(l.writes) > 0 && l.b.Err() == nil && !l.busy {
		ready = append(ready, l.write)
	}
	return ready
}

// work is pump for callers inside a write: no second write of the same machine
// begins, the rest goes on.
func (w *world) work(steps int) { w.pump(steps) }

// quiet is how many steps an idle process needs at most.
const quiet = 100_000

// snapshot keeps the folded state, as the runner does now and then.
func (l *line) snapshot() {
	if !l.b.Settled() || l.commit != nil {
		return
	}
	s, err := l.b.Snapshot(l.p.store.Head(l.stream))
	if err == nil {
		err = l.p.store.SaveSnapshot(s)
	}
	if err != nil && l.p.failed == nil {
		l.p.w.violate("I14", "no snapshot of %s: %v", l.stream, err)
	}
	l.saved = l.p.store.Head(l.stream).Seq
	l.p.w.n.add("work/snapshots")
}

// often takes snapshots as the runner does, after so many records.
func (w *world) often() {
	if w.p == nil || w.p.dead || w.p.failed != nil {
		return
	}
	for _, l := range w.p.lines {
		if w.p.store.Head(l.stream).Seq > l.saved+w.kept {
			l.snapshot()
		}
	}
}

// bytes is the state as it would be kept.
func bytes(d bridge.Decider) []byte {
	b, err := json.Marshal(d)
	if err != nil {
		panic(err)
	}
	return b
}

// clock is the true time as a machine's server tells it.
func (w *world) clock() time.Time { return epoch.Add(time.Duration(w.now) * time.Millisecond) }

var epoch = time.Date(2024, 3, 1, 6, 0, 0, 0, time.UTC)

// wall is what the computer's clock shows; it jumps.
func (w *world) wall() int64 { return epoch.UnixMilli() + w.now + w.jumped }

// pause lets time pass for a caller that waits inside a write.
func (w *world) pause(d time.Duration) {
	left := d.Milliseconds()
	for left > 0 {
		hop := min(left, 400)
		left -= hop
		w.now += hop
		for _, m := range w.irons {
			m.due()
		}
		w.meanwhile(nil, "waiting")
		if w.p == nil || w.p.dead {
			return
		}
	}
}

func (p *process) lineOf(machine string) *line {
	i := slices.IndexFunc(p.lines, func(l *line) bool { return l.iron.name == machine })
	if i < 0 {
		return nil
	}
	return p.lines[i]
}
