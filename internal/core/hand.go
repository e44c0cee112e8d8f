package core

import (
	"slices"
	"strconv"

	"offsetbridge/internal/length"
)

// A machine by hand has no connection: a person types what is proposed, or turns
// the screw of a boring head, says that it is done and which part is the first one
// cut under it. Those declarations stand in for what other machines show. Between
// a change and its first part a reading whose part is not on record could belong to
// either side of the change, and steers nothing.

// HandSet says that a person has set a register, or what it holds.
type HandSet struct {
	Proposal uint64         `json:"proposal,omitempty"` // 0: no proposal, only what the register holds now
	Digest   string         `json:"digest,omitempty"`   // of the proposal as it was shown
	Register string         `json:"register,omitempty"` // without a proposal
	Value    *length.Length `json:"value,omitempty"`    // that it holds now; nil: as proposed
	Who      Person         `json:"who"`
}

// HandFirst declares the first part that was cut, or is cut again, under what was
// set last; with an empty part it is the next one that is measured.
type HandFirst struct {
	Part string `json:"part,omitempty"`
	Who  Person `json:"who"`
}

// Typed: a person has set a register of a machine by hand.
type Typed struct {
	Proposal uint64        `json:"id,omitempty"` // carried out as proposed; 0: told, or another value
	Loop     string        `json:"l,omitempty"`
	Register string        `json:"r"`
	Index    int           `json:"i,omitempty"`
	Count    int           `json:"c,omitempty"` // moves of the proposal
	Known    bool          `json:"k,omitempty"` // what it held before was known
	Old      length.Length `json:"o"`
	New      length.Length `json:"n"`
	Who      Person        `json:"w"`
}

// FirstCut: a person declared the first part under what was set last.
type FirstCut struct {
	Part string `json:"p,omitempty"`
	Who  Person `json:"w"`
}

func (HandSet) fact()   {}
func (HandFirst) fact() {}

func (Typed) Kind() string    { return "typed" }
func (FirstCut) Kind() string { return "first" }

func (e Typed) Keys() Keys    { return Keys{Loop: e.Loop, Person: e.Who.Principal} }
func (e FirstCut) Keys() Keys { return Keys{Part: e.Part, Person: e.Who.Principal} }

// HandBook is what was declared of a machine by hand.
type HandBook struct {
	Open    bool         `json:"open,omitempty"`    // something was changed and nobody has said yet from which part on
	Changes []HandChange `json:"changes,omitempty"` // the last ones, oldest first
}

// HandChange is one change: from which part on, and what was in force before.
type HandChange struct {
	First     string          `json:"first,omitempty"` // "" until it is known
	Registers []length.Length `json:"registers"`
	Tools     []int64         `json:"tools"`
}

// maxHandChanges bounds how far back a late reading finds what was in force: a
// part of before the last eight changes has long left the machine (common practice,
// no source).
const maxHandChanges = 8

// What stands in the way on a machine by hand.
const (
	codeUnset      Code = "hand-unset"
	codeUndeclared Code = "hand-first"
	waitTyped      Code = "w-typed"
	waitUnset      Code = "w-unset"
	waitFirst      Code = "w-first"
	causeTyped     Code = "typed-other"

	declineWired    Code = "not-by-hand"
	declineRegister Code = "no-register"
	declineValue    Code = "no-value"
	declineGrid     Code = "off-grid"
	declineBand     Code = "off-band"
	declineSeveral  Code = "typed-several"
	declineNoChange Code = "no-change"
	declineVoid     Code = "typed-void"
)

func init() {
	AddWords(map[Code]string{
		codeUnset:      "nobody has said yet what the register of this machine by hand holds, say it",
		codeUndeclared: "a register was changed by hand and nobody has said which part is the first one after it, declare it and measure again",
		waitTyped:      "waits until somebody has typed it and says so",
		waitUnset:      "waits until somebody says what the register holds",
		waitFirst:      "waits until somebody says which part is the first one after the last change",
		causeTyped:     "another value was typed than was proposed",

		declineWired:    "this machine is not by hand, approve the proposal and the program writes it",
		declineRegister: "there is no register of that name on this machine",
		declineValue:    "no value is named, say what the register holds now",
		declineGrid:     "the value is not a whole number of the register's steps, look at the control again",
		declineBand:     "the value lies outside the register's hard band, set the register inside it first",
		declineSeveral:  "the proposal changes several registers, say for each what it holds now",
		declineNoChange: "nothing was changed by hand since the last first part",
		declineVoid:     "that proposal has ended: if it was typed nevertheless, say what the register holds now",
	})
	decoders[Typed{}.Kind()] = as[Typed]
	decoders[FirstCut{}.Kind()] = as[FirstCut]
}

// handSet takes a person's word for what a register holds.
func (d *decision) handSet(f HandSet) {
	p := d.s.proposal(f.Proposal)
	decline := func(c Code) {
		e := Declined{What: "typed", Ref: f.Proposal, Cause: c, Who: f.Who}
		if p != nil {
			e.Loop = p.Loop
		}
		d.emit(e)
	}
	switch {
	case !d.set().ByHand:
		decline(declineWired)
		return
	case f.Proposal == 0:
		if c := d.told(f); c != "" {
			decline(c)
		}
		return
	}
	if c := d.mayType(f, p); c != "" {
		decline(c)
		return
	}
	if f.Value != nil && *f.Value != p.Moves[0].New {
		if c := d.soundValue(p.Moves[0].Register, *f.Value); c != "" {
			decline(c)
			return
		}
		gone := *p
		d.void(&gone, Voided{Cause: causeTyped, Who: &f.Who})
		d.tell(gone.Moves[0].Register, *f.Value, f.Who)
		return
	}
	open := *p
	for i, m := range open.Moves {
		d.emit(Typed{
			Proposal: open.ID, Loop: open.Loop, Register: m.Register, Index: i, Count: len(open.Moves), Known: true,
			Old: m.Old, New: m.New, Who: f.Who,
		})
	}
}

// mayType says why a proposal cannot be reported as typed, with the guards of an
// approval: what was typed nevertheless is told without it.
func (d *decision) mayType(f HandSet, p *Open) Code {
	need := Operator
	if p != nil && p.Status == Pending {
		need = p.Need
	}
	switch {
	case p == nil:
		return declineVoid
	case f.Digest != p.Digest:
		return declineDigest
	case !f.Who.Role.May(need):
		return declineRole
	case d.s.HoldOn(p.Loop) != nil:
		return declineHeld
	case d.expired(p):
		return declineVoid
	case p.Again != nil:
		return declineAgain
	case p.Two && p.Status == Pending:
		return codeTwo
	case f.Value != nil && len(p.Moves) > 1:
		return declineSeveral
	}
	if w := d.s.handWaits(p); w != waitTyped {
		return w
	}
	return ""
}

// told takes what a register holds without a proposal: a preset, or a change at the
// panel. It is a setter's word, as no bound judges it.
func (d *decision) told(f HandSet) Code {
	switch {
	case !f.Who.Role.May(Setter):
		return declineRole
	case d.set().Register(f.Register) == nil:
		return declineRegister
	case f.Value == nil:
		return declineValue
	}
	if c := d.soundValue(f.Register, *f.Value); c != "" {
		return c
	}
	d.tell(f.Register, *f.Value, f.Who)
	return ""
}

func (d *decision) soundValue(register string, v length.Length) Code {
	switch r := d.set().Register(register); {
	case !r.Band.Contains(v):
		return declineBand
	case !v.OnGrid(r.Step):
		return declineGrid
	}
	return ""
}

func (d *decision) tell(register string, v length.Length, who Person) {
	b := d.s.book(register)
	e := Typed{Register: register, Known: b.Known, Old: b.Value, New: v, Who: who}
	if l := d.owner(register); l != nil {
		e.Loop = l.Name
	}
	d.emit(e)
	if e.Known && e.Old != e.New {
		d.voidWhere(causeForeign, func(p *Open) bool { return p.moves(register) })
	}
}

// handFirst takes the declaration of the first part after a change. A part that is
// named gets its record at once: one that is on record already was cut again.
func (d *decision) handFirst(f HandFirst) {
	decline := func(c Code) { d.emit(Declined{What: "first", Cause: c, Who: f.Who}) }
	switch {
	case !d.set().ByHand:
		decline(declineWired)
	case !f.Who.Role.May(Operator):
		decline(declineRole)
	case !d.book().Hand.Open:
		decline(declineNoChange)
	default:
		d.emit(FirstCut{Part: f.Part, Who: f.Who})
		if f.Part != "" {
			d.recordByHand(f.Part, d.book().Seen.Registers, d.book().Seen.Tools)
		}
	}
}

// cutByHand returns the record of a part of a machine by hand, made up from what
// people declared where there is none yet.
func (d *decision) cutByHand(r Reading, l *Loop) (*Cut, Code) {
	if !d.s.handKnown(l) {
		return nil, codeUnset
	}
	for i := len(d.book().Cuts) - 1; i >= 0; i-- {
		if cut := &d.book().Cuts[i]; r.Part != "" && cut.Serial == r.Part && (r.Cut == 0 || r.Cut == cut.Nth) {
			return cut, ""
		}
	}
	h, seen := &d.book().Hand, d.book().Seen
	if h.Open {
		return nil, codeUndeclared
	}
	registers, tools := seen.Registers, seen.Tools
	if was := h.before(r.Part); was != nil {
		registers, tools = was.Registers, was.Tools
	}
	return d.recordByHand(r.Part, registers, tools), ""
}

func (d *decision) recordByHand(part string, registers []length.Length, tools []int64) *Cut {
	count := uint64(1)
	if n := len(d.book().Cuts); n > 0 {
		count = d.book().Cuts[n-1].Count + 1
	}
	d.emit(Recorded{Cut: Cut{
		Count: count, Serial: part, Nth: d.nth(part, count), Tools: tools, Registers: registers, Minute: d.minute(),
	}})
	return d.s.cut(count)
}

// before returns the change that a part was cut before, as far as part numbers tell;
// nil for a part of now.
func (h *HandBook) before(part string) *HandChange {
	n, err := strconv.ParseUint(part, 10, 64)
	if err != nil {
		return nil
	}
	for i := range h.Changes {
		if first, err := strconv.ParseUint(h.Changes[i].First, 10, 64); err == nil && n < first {
			return &h.Changes[i]
		}
	}
	return nil
}

// handKnown reports whether somebody has said what every register of a loop holds.
func (s *State) handKnown(l *Loop) bool {
	return !slices.ContainsFunc(l.Registers, func(r string) bool { return !s.book(r).Known })
}

// handWaits says what a proposal of a machine by hand waits for: in the end for a
// person, always.
func (s *State) handWaits(p *Open) Code {
	l := s.Ledger.Settings.Loop(p.Loop)
	_, tool := s.toolOf(l)
	for _, m := range p.Moves {
		if b := s.book(m.Register); !b.Known || b.Value != m.Old {
			return waitForeign
		}
	}
	switch {
	case s.HoldOn(p.Loop) != nil:
		return waitHeld
	case tool >= 0 && s.Ledger.Seen.Tools[tool] != p.Gen:
		return waitTool
	case s.trouble(p.Gauge, nil) != "":
		return s.trouble(p.Gauge, nil)
	}
	return waitTyped
}

// handLoop says what a loop of a machine by hand waits for, "" for nothing.
func (s *State) handLoop(l *Loop) Code {
	switch {
	case !s.handKnown(l):
		return waitUnset
	case s.Ledger.Hand.Open:
		return waitFirst
	}
	return ""
}

// handConfigured makes a machine by hand have a picture to look at: what its books
// say, since nothing else ever shows it.
func (s *State) handConfigured() {
	g := &s.Ledger
	if !g.Settings.ByHand || g.Seen != nil {
		return
	}
	seen := Seen{Tools: make([]int64, len(g.Settings.Tools)), Registers: make([]length.Length, len(g.Settings.Registers))}
	for i := range g.Settings.Registers {
		seen.Registers[i] = s.book(g.Settings.Registers[i].Name).Value
	}
	g.Seen = &seen
}

// handChange remembers what is in force before something is changed.
func (s *State) handChange() {
	h, seen := &s.Ledger.Hand, s.Ledger.Seen
	if h.Open {
		return // parts since that change are as much in doubt
	}
	h.Open = true
	h.Changes = push(h.Changes, HandChange{Registers: seen.Registers, Tools: seen.Tools}, maxHandChanges)
}

// handTool gives a tool that was changed on a machine by hand another number, as no
// control does.
func (s *State) handTool(e ToolChanged) {
	g := &s.Ledger
	k := g.Settings.toolIndex(e.Tool)
	if !g.Settings.ByHand || g.Seen == nil || k < 0 {
		return
	}
	s.handChange()
	seen := *g.Seen
	seen.Tools = slices.Clone(seen.Tools)
	seen.Tools[k] = e.New
	g.Seen = &seen
}

func (s *State) applyTyped(e Typed) {
	b := s.book(e.Register)
	if e.Known && e.Old != e.New {
		s.handChange()
	}
	seen := *s.Ledger.Seen // the one before is kept by the change
	seen.Registers = slices.Clone(seen.Registers)
	seen.Registers[s.Ledger.Settings.registerIndex(e.Register)] = e.New
	s.Ledger.Seen = &seen
	if p := s.proposal(e.Proposal); p != nil {
		in := Intent{
			ID: s.Ledger.LastID + 1, Proposal: p.ID, Group: p.ID, Index: e.Index, Count: e.Count, Loop: e.Loop,
			Register: e.Register, Old: e.Old, New: e.New, Tool: p.Tool, Gen: p.Gen, Program: p.Program,
		}
		s.applyIntended(Intended{Intent: in})
		s.applyConcluded(Concluded{
			Outcome: Outcome{Intent: in.ID, Result: Applied, Read: e.New}, Loop: e.Loop, Register: e.Register, More: e.Index+1 < e.Count,
		})
		return
	}
	b.Known, b.Value, b.Own = true, e.New, 0
	for i := range s.Ledger.Loops {
		if s.Ledger.Loops[i].Name == e.Loop {
			s.Ledger.Loops[i].Rejected, s.Ledger.Loops[i].Back = nil, false
		}
	}
}

func (s *State) applyFirstCut(e FirstCut) {
	h := &s.Ledger.Hand
	h.Open = false
	if n := len(h.Changes); n > 0 {
		h.Changes[n-1].First = e.Part
	}
}

// handRecorded counts a part, and learns the number of a first part that was
// declared without one.
func (s *State) handRecorded(c *Cut) {
	g := &s.Ledger
	if !g.Settings.ByHand || g.Seen == nil {
		return
	}
	seen := *g.Seen
	seen.Counter = c.Count
	g.Seen = &seen
	if n := len(g.Hand.Changes); n > 0 && !g.Hand.Open && g.Hand.Changes[n-1].First == "" {
		g.Hand.Changes[n-1].First = c.Serial
	}
}

// byHand takes what people said in the record: what they typed stays typed.
func (r *Replay) byHand(d *decision, e Event) {
	set := d.set()
	switch e := e.(type) {
	case Typed:
		if set.ByHand && set.Register(e.Register) != nil && d.soundValue(e.Register, e.New) == "" {
			d.tell(e.Register, e.New, e.Who)
		}
	case FirstCut:
		if set.ByHand && d.book().Hand.Open {
			d.emit(e)
		}
	}
}
