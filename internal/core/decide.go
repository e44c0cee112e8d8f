package core

import (
	"math"
	"slices"
)

// decision is one input being decided. Every event is applied as it is emitted,
// so that later stages see what earlier ones did.
type decision struct {
	s   *State
	out []Event
}

// Step decides one input and applies what it caused. The events must be durable
// before anything they ask for leaves the process; when they cannot be made
// durable the state is thrown away and folded again from the journal.
func (s *State) Step(in Input) []Event {
	d := &decision{s: s}
	s.now.at = Instant{Wall: in.At.Wall, Mono: max(in.At.Mono, s.now.at.Mono)}
	d.take(tidy(in.Fact))
	d.expire()
	switch in.Fact.(type) {
	case Sample, Tick, Outcome, Reading:
		d.rethink()
	}
	d.dispatch()
	return d.out
}

func (d *decision) take(f Fact) {
	switch f := f.(type) {
	case Started:
		d.start(f)
	case Configure:
		d.configure(f)
	case Link:
		d.link(f)
	case Sample:
		d.sample(f)
	case Reading:
		d.reading(f)
	case Outcome:
		d.outcome(f)
	case Pair:
		d.pair(f)
	case Task:
		d.task(f)
	case Approve:
		d.approve(f)
	case Reject:
		d.reject(f)
	case Lower:
		d.lower(f)
	case MeasureAgain:
		d.measureAgain(f)
	case Hold:
		d.holdBy(f)
	case Resume:
		d.resume(f)
	case Verified:
		d.s.now.verified = f.OK
		if !f.OK {
			d.hold("", causeJournal, f.Text, Engineer)
		}
	case FromPlant:
		d.fromPlant(f)
	case Dates:
		d.dates(f)
	case Assign:
		d.assign(f)
	case Discard:
		d.discard(f)
	case Plug:
		d.plug(f)
	case Renew:
		d.renew(f)
	case PutBack:
		d.putBack(f)
	case StepTest:
		d.stepTest(f)
	case SignFirst:
		d.signFirst(f)
	case HandSet:
		d.handSet(f)
	case HandFirst:
		d.handFirst(f)
	case Tick:
	}
}

func (d *decision) emit(e Event) {
	d.s.apply(e)
	d.out = append(d.out, e)
	switch e := e.(type) {
	case Proposed:
		d.s.mark(e.ID)
	case Intended:
		d.s.mark(e.Intent.ID)
	case Concluded:
		if e.open() {
			d.s.mark(e.Outcome.Intent)
		}
	case Tasked:
		d.s.now.opened(e.Task)
	}
}

func (d *decision) mono() int64     { return d.s.now.at.Mono }
func (d *decision) book() *Ledger   { return &d.s.Ledger }
func (d *decision) set() *Settings  { return &d.s.Ledger.Settings }
func (d *decision) minute() float64 { return d.s.minute() }

func (s *State) minute() float64 {
	return s.Ledger.Minute + float64(s.now.at.Mono-s.now.began)/60_000
}

// mark remembers when something began. Only of what is still open, so that the
// list is as short as there are loops and registers.
func (s *State) mark(id uint64) {
	n := &s.now
	n.since = slices.DeleteFunc(n.since, func(t timed) bool {
		return t.id == id || s.proposal(t.id) == nil && s.bookOfIntent(t.id) == nil
	})
	n.since = append(n.since, timed{id, n.at.Mono})
}

// ageOf returns for how long a proposal has been open. What another process
// proposed is as old as the machine minutes say, the pause included, so that no
// restart makes a card younger.
func (s *State) ageOf(p *Open) int64 {
	return max(s.now.age(p.ID), int64(math.Round((s.minute()-p.Minute)*60_000)))
}

// opened remembers when a gauge's measuring task was set.
func (n *situation) opened(t Task) {
	n.tasks = push(slices.DeleteFunc(n.tasks, func(o openTask) bool { return o.gauge == t.Gauge }), openTask{t.Gauge, n.at.Mono}, maxTasks)
}

// valid reports whether a task has not expired. One that was set before a start
// has: whether it still holds nobody knows.
func (n *situation) valid(t Task) bool {
	i := slices.IndexFunc(n.tasks, func(o openTask) bool { return o.gauge == t.Gauge })
	return i >= 0 && n.at.Mono-n.tasks[i].at <= t.For
}

// age returns for how long the thing of that id has been open in this process:
// what was open before a start counts from the start.
func (n *situation) age(id uint64) int64 {
	for i := len(n.since) - 1; i >= 0; i-- {
		if n.since[i].id == id {
			return n.at.Mono - n.since[i].at
		}
	}
	return n.at.Mono - n.began
}

func (d *decision) start(f Started) {
	d.s.now = situation{at: d.s.now.at, began: d.s.now.at.Mono}
	minute := d.book().Minute
	if n := len(d.book().Cuts); n > 0 {
		minute = max(minute, d.book().Cuts[n-1].Minute)
	}
	for _, p := range d.book().Proposals {
		minute = max(minute, p.Minute)
	}
	const week = 7 * 24 * 60
	minute += min(max(0, float64(f.Pause)/60_000), week)
	d.emit(Begun{Version: f.Version, Epoch: f.Epoch, Minute: minute})
	for _, b := range d.book().Registers {
		if b.Pending != nil { // whoever waited for its outcome is gone
			d.emit(Concluded{
				Outcome: Outcome{Intent: b.Pending.ID, Result: Unknown, Code: causeRestart},
				Loop:    b.Pending.Loop, Register: b.Pending.Register,
			})
		}
	}
	for _, p := range d.open() {
		if p.Status == Ready || f.Pause < 0 && p.Status != Sent { // nobody knows how old a card is
			d.void(&p, Voided{Cause: causeRestart})
		}
	}
}

func (d *decision) configure(f Configure) {
	if !f.Settings.sound() {
		d.emit(Declined{What: "configure", Cause: declineUnsound, Who: f.Who})
		return
	}
	old := d.set()
	if digest(*old) == digest(f.Settings) {
		return
	}
	if !sameColumns(old, &f.Settings) {
		// What the machine says next must be read by the new columns: the session
		// that still reads the old ones counts no more.
		d.giveUpWaiting()
		if old.Machine != "" {
			d.s.now.up, d.s.now.sampled, d.s.now.permitted = false, false, false
		}
	}
	for _, p := range d.open() {
		if p.Status != Sent && f.Settings.Digest(p.Loop) != p.Settings {
			d.void(&p, Voided{Cause: causeConfig})
		}
	}
	d.endChanged(&f.Settings)
	before := *old
	d.emit(Configured(f))
	d.carryHolds(&before)
}

// carryHolds keeps a register on hold when its loop has got another name.
func (d *decision) carryHolds(before *Settings) {
	for _, h := range slices.Clone(d.book().Holds) {
		l := before.Loop(h.Loop)
		if l == nil || d.set().Loop(h.Loop) != nil {
			continue
		}
		for _, name := range l.Registers {
			node := before.Register(name).Node
			for i := range d.set().Registers {
				r := &d.set().Registers[i]
				if o := d.owner(r.Name); r.Node == node && o != nil && before.Loop(o.Name) == nil {
					d.hold(o.Name, h.Cause, h.Text, h.Clear)
				}
			}
		}
	}
}

func (d *decision) link(f Link) {
	n := &d.s.now
	if d.set().ByHand {
		return
	}
	if f.Bad {
		defer d.hold("", f.Cause, f.Text, Engineer)
	}
	if f.Epoch < n.epoch || f.Up && n.up && f.Epoch == n.epoch {
		return // news of a session that is over, or no news
	}
	n.sampled, n.permitted = false, false
	if changed := f.Up != n.up || f.Cause != n.down || f.Up; changed {
		n.up, n.epoch, n.down = f.Up, f.Epoch, f.Cause
		d.emit(Linked{Up: f.Up, Cause: f.Cause, Text: clip(f.Text)})
	}
}

// open returns a copy, since ending a proposal changes the list.
func (d *decision) open() []Open { return append([]Open(nil), d.book().Proposals...) }

// hold latches the first cause of a scope. A later one is latched behind it only
// when it takes a higher role to clear, so that ending a hold by hand does not
// clear what was found meanwhile.
func (d *decision) hold(loop string, cause Code, text string, clear Role) {
	for i := range d.book().Holds {
		if h := &d.book().Holds[i]; h.Loop == loop && h.Clear.May(clear) {
			return
		}
	}
	d.emit(Held{Loop: loop, Cause: cause, Text: clip(text), Clear: clear})
	d.voidUnsent(loop, causeHeld)
}

// voidUnsent ends every proposal in the scope that has not been sent.
func (d *decision) voidUnsent(loop string, cause Code) {
	for _, p := range d.open() {
		if p.Status != Sent && (loop == "" || p.Loop == loop) {
			d.void(&p, Voided{Cause: cause})
		}
	}
}

func (d *decision) expire() {
	d.expireGatherings()
	d.endRequests()
	for _, p := range d.open() {
		if p.Status != Sent && d.expired(&p) {
			d.void(&p, Voided{Cause: causeExpired})
		}
	}
}

func (d *decision) expired(p *Open) bool {
	l := d.set().Loop(p.Loop)
	if l == nil || d.s.ageOf(p) > l.Bounds.Expires {
		return true
	}
	seen := d.book().Seen
	return seen != nil && l.Bounds.ExpiresParts > 0 && int64(seen.Counter-p.Count) > l.Bounds.ExpiresParts && seen.Counter > p.Count
}
