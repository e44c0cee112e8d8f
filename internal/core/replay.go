package core

import (
	"math"
	"slices"

	"offsetbridge/internal/length"
)

// Replay decides what was recorded of one machine once more, under other
// settings: the counterfactual through the attributed series. Every reading is
// moved by what its part would have been cut with instead,
//
//	size = measured + Σ effect · (register of the replay − register in force),
//
// and judged by the production core. What that core writes acts at once, between
// two parts; where the record made the same write at the same time, the machine
// answers as it did there. Effects are those of the new settings.
//
// People are taken over where they answered the same question: an approval or a
// rejection of the same change. Any other card gets its yes. A register that
// somebody changed at the machine moves by the same amount here, or to the same
// value where it was set to zero or no reading had proven its tool yet. Holds that
// readings caused are found anew and end when the record ends one of the same
// cause; holds by people and by faults of machine or network are taken over.
//
// A Replay is not safe for use by several goroutines. It does no I/O.
type Replay struct {
	s       *State
	answer  uint64 // parts that an approval takes
	started bool   // decides anew; before that it only folds

	was     Settings        // in force in the record
	seen    *Seen           // last of the record
	now     []length.Length // what its registers hold, by column
	cuts    []Cut           // last of the record, oldest first
	columns []int           // of the record, for every register of the settings; -1: it had none
	tools   []int
	handed  []length.Length // what hands added here since the last part, by register
	hands   []length.Length // and in the record, by column
	still   []length.Length // registers of the record when the replay began, by column
	cutting bool            // a part is being cut, as far as the record says
	down    bool            // the session is
	zero    int64           // Mono of the last start
	wall    int64
	asked   []asked
	waits   []waits
	sent    []Intent // writes of the record without a certain outcome
}

// asked pairs a card of the replay with the same one of the record.
type asked struct{ id, recorded uint64 }

// waits remembers at which count a loop's cards began to wait.
type waits struct {
	loop  string
	count uint64
}

// NewReplay returns a replay that folds what it is given until Begin. An approval
// takes so many parts.
func NewReplay(answer int) *Replay {
	return &Replay{s: &State{}, answer: uint64(max(0, answer))}
}

// Begin starts to decide anew under these settings, from here on.
func (r *Replay) Begin(set Settings) bool {
	if !set.sound() {
		return false
	}
	r.started = true
	d := &decision{s: r.s}
	r.situate(r.s.now.at.Mono, r.s.now.at.Wall)
	d.configure(Configure{Settings: set})
	r.s.Ledger.Settings = set // also where only its form differs
	r.fit()
	return true
}

// Recorded returns the settings in force in the record.
func (r *Replay) Recorded() *Settings { return &r.was }

// Settings returns those that the replay decides by.
func (r *Replay) Settings() *Settings { return &r.s.Ledger.Settings }

// Held reports whether a loop is on hold in the replay, and why.
func (r *Replay) Held(loop string) Code {
	if h := r.s.HoldOn(loop); h != nil {
		return h.Cause
	}
	return ""
}

// Reads reports whether the record has the registers of a loop.
func (r *Replay) Reads(l *Loop) bool {
	for _, name := range l.Registers {
		if i := r.s.Ledger.Settings.registerIndex(name); i < 0 || r.columns[i] < 0 {
			return false
		}
	}
	return true
}

// Again is one recorded event and what it leads to in the replay.
type Again struct {
	Recorded Event
	Events   []Event // of the replay
	Size     length.Length
	Alone    length.Length // as it would have been had nobody changed a register since the replay began
	Sized    bool          // the two are known
}

// Take takes the next recorded event of the machine's stream.
func (r *Replay) Take(wall int64, e Event) Again {
	r.clock(wall, e)
	if !r.started {
		r.fold(e)
		r.note(e)
		return Again{Recorded: e}
	}
	d := &decision{s: r.s}
	out := Again{Recorded: e}
	switch e.(type) {
	case Held, Voided, Proposed, Intended, Concluded, Asked, AskEnded, Unplaced, Unfinished: // belong to what came before
	default:
		r.carryOut(d)
		r.decideCards(d)
	}
	r.take(d, e, &out)
	r.note(e)
	out.Events = d.out
	return out
}

// fold applies an event as it was decided.
func (r *Replay) fold(e Event) {
	r.s.apply(e)
	if p, ok := e.(Proposed); ok {
		r.asked = append(r.asked, asked{p.ID, p.ID})
	}
}

// note keeps what is needed of the record.
func (r *Replay) note(e Event) {
	switch e := e.(type) {
	case Configured:
		r.was = e.Settings
		if r.started {
			r.fit()
		}
	case Linked:
		r.down = !e.Up
	case Moved:
		if k := r.was.registerIndex(e.Register); k >= 0 && k < len(r.now) {
			r.now[k] = e.New
		}
	case Seen:
		r.seen, r.now = &e, slices.Clone(e.Registers)
		if r.still == nil && r.started {
			r.still = e.Registers
		}
	case Intended:
		r.sent = slices.DeleteFunc(r.sent, func(in Intent) bool { return in.Register == e.Register })
		r.sent = push(r.sent, e.Intent, maxColumns)
	case Concluded:
		if !e.open() {
			r.sent = slices.DeleteFunc(r.sent, func(in Intent) bool { return in.ID == e.Outcome.Intent })
		}
	case Recorded:
		r.cuts = push(r.cuts, e.Cut, maxCuts)
		clear(r.hands)
		clear(r.handed)
	}
}

// fit finds the columns of the record that the settings' registers and tools stand
// in: the same node, or else the same name.
func (r *Replay) fit() {
	set := &r.s.Ledger.Settings
	was := &r.was
	if was.Machine == "" {
		was = set // nothing says otherwise
	}
	r.columns, r.tools = make([]int, len(set.Registers)), make([]int, len(set.Tools))
	for i := range set.Registers {
		x := &set.Registers[i]
		r.columns[i] = slices.IndexFunc(was.Registers, func(o Register) bool { return o.Node == x.Node })
		if r.columns[i] < 0 {
			r.columns[i] = was.registerIndex(x.Name)
		}
	}
	for i, name := range set.Tools {
		r.tools[i] = was.toolIndex(name)
	}
	r.handed, r.hands = make([]length.Length, len(set.Registers)), make([]length.Length, len(was.Registers))
	if r.seen != nil && len(r.seen.Registers) == len(was.Registers) {
		r.still = r.seen.Registers
	} else {
		r.still = nil
	}
}

// clock sets the time of an event: by the machine's minutes where it tells them,
// else by the wall clock since the last that did.
func (r *Replay) clock(wall int64, e Event) {
	n := &r.s.now
	mono := n.at.Mono + max(0, wall-r.wall)
	switch e := e.(type) {
	case Begun:
		*n = situation{began: mono}
		r.zero, r.cutting, r.down = mono, false, true
	case Proposed:
		if m := (e.Minute - r.s.Ledger.Minute) * 60_000; e.Trigger != "" && math.Abs(m) < math.MaxInt64/4 {
			mono = r.zero + int64(math.Round(m))
		}
	case Recorded:
		if m := (e.Minute - r.s.Ledger.Minute) * 60_000; math.Abs(m) < math.MaxInt64/4 {
			mono = r.zero + int64(math.Round(m))
		}
	}
	r.situate(max(mono, n.at.Mono), wall)
	r.wall = wall
}

// situate makes the situation that of a live session.
func (r *Replay) situate(mono, wall int64) {
	n := &r.s.now
	n.at = Instant{Wall: wall, Mono: mono}
	n.verified, n.sampled, n.sampleAt, n.permitted = true, r.s.Ledger.Seen != nil, mono, !r.cutting
	n.up = !r.down
}

// step lets the core decide a fact.
func (r *Replay) step(d *decision, f Fact) {
	d.take(tidy(f))
	d.expire()
	d.dispatch()
}

// likewise reports whether two intents are the same write.
func (in *Intent) likewise(o Intent) bool {
	return in.Register == o.Register && in.Old == o.Old && in.New == o.New
}

// carryOut does what was written, unless the record made the same write and has its
// outcome still to come.
func (r *Replay) carryOut(d *decision) {
	for i := 0; i < len(r.s.Ledger.Registers); i++ {
		b := &r.s.Ledger.Registers[i]
		if b.Pending == nil || slices.ContainsFunc(r.sent, b.Pending.likewise) {
			continue
		}
		b.Doubtful = false // here it is known
		d.outcome(Outcome{Intent: b.Pending.ID, Result: Applied, Read: b.Pending.New})
		if seen := r.s.Ledger.Seen; seen != nil {
			d.emit(r.show(*seen))
		}
		d.dispatch() // the next move of the same correction
		i = -1
	}
}

// show returns what the machine would show with the registers of the replay.
func (r *Replay) show(s Seen) Seen {
	set := &r.s.Ledger.Settings
	s.Registers, s.Open, s.Fresh = slices.Clone(s.Registers), nil, false
	for i := range set.Registers {
		if b := r.s.book(set.Registers[i].Name); b.Known {
			s.Registers[i] = b.Value
		}
	}
	return s
}

// at returns the values of the settings' columns in a row of the record.
func at[T any](columns []int, row []T, missing T) []T {
	out := make([]T, len(columns))
	for i, c := range columns {
		out[i] = missing
		if c >= 0 && c < len(row) {
			out[i] = row[c]
		}
	}
	return out
}
