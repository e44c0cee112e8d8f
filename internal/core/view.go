package core

import (
	"slices"

	"offsetbridge/internal/length"
)

// View is what a person is shown of one machine: a copy, made from the same
// numbers that are sent.
type View struct {
	Machine   string         `json:"machine"`
	ByHand    bool           `json:"by_hand,omitempty"`
	Up        bool           `json:"up"`
	Link      Code           `json:"link,omitempty"` // why it is down
	Counter   uint64         `json:"counter"`
	Program   string         `json:"program,omitempty"`
	Permitted bool           `json:"permitted"`
	Hold      *Held          `json:"hold,omitempty"`
	Registers []RegisterView `json:"registers"`
	Loops     []LoopView     `json:"loops"`
	Proposals []ProposalView `json:"proposals"`
	Requests  []RequestView  `json:"measure_again,omitempty"`
	FirstPart bool           `json:"first_part,omitempty"` // by hand: the first part after a change is to be declared
}

// RegisterView is one register as last seen.
type RegisterView struct {
	Name       string        `json:"name"`
	Unit       length.Unit   `json:"unit"`
	Step       length.Length `json:"step_nm"`
	Known      bool          `json:"known"`
	Value      length.Length `json:"value_nm"`
	Band       length.Range  `json:"band_nm"`
	Graduation length.Length `json:"graduation_nm,omitempty"` // of the screw of a hand-set head
	Pending    bool          `json:"pending,omitempty"`       // a write without a certain outcome
}

// Shown returns how the register is shown.
func (r *RegisterView) Shown() Shown {
	return Shown{Unit: r.Unit, Step: r.Step, Graduation: r.Graduation}
}

// LoopView is one loop.
type LoopView struct {
	Name     string        `json:"name"`
	Mode     Mode          `json:"mode"`
	Hold     *Held         `json:"hold,omitempty"`
	Waiting  Code          `json:"waiting,omitempty"`
	First    bool          `json:"first,omitempty"`
	Readings uint64        `json:"readings"`
	LastPart uint64        `json:"last_part,omitempty"`
	FromAim  length.Length `json:"from_aim_nm"`
	Spent    length.Length `json:"spent_nm"`
	Travel   length.Length `json:"travel_nm"`
	Proven   bool          `json:"proven"`
	Due      *int64        `json:"due_in_parts,omitempty"` // the next measurement; below 0 it is overdue; nil where nobody said how often
	Prompts  *Expected     `json:"prompts,omitempty"`      // how often it asks; nil where it proposes nothing
	Sizes    []SizeView    `json:"sizes,omitempty"`        // of each, where there are several

	Measured  []MeasuredView  `json:"measured,omitempty"`  // the newest of each characteristic
	Gathering []GatheringView `json:"gathering,omitempty"` // measurements that wait for further readings
}

// Shown is how the control shows a register.
type Shown struct {
	Unit length.Unit   `json:"unit"`
	Step length.Length `json:"step_nm"`

	Graduation length.Length `json:"graduation_nm,omitempty"` // of the screw of a hand-set head
	Larger     string        `json:"larger,omitempty"`        // which way it is turned for a larger value

	Effect Effect        `json:"effect,omitempty"` // of a move, on the size that was measured
	Was    length.Length `json:"was_nm"`           // in force when that part was cut
}

// SizeView is one characteristic of several.
type SizeView struct {
	Characteristic string        `json:"characteristic"`
	LastPart       uint64        `json:"last_part"`
	FromAim        length.Length `json:"from_aim_nm"`
}

// ProposalView is one open proposal with what it needs to be decided.
type ProposalView struct {
	Open
	Machine        string       `json:"machine"`
	Characteristic string       `json:"characteristic"`
	Limits         length.Range `json:"limits_nm"`
	Internal       bool         `json:"internal"`
	Control        []Shown      `json:"control"` // of each move
	Waiting        Code         `json:"waiting,omitempty"`
	TypeIn         bool         `json:"type_in,omitempty"` // by hand: a person types it and says so
	Left           int64        `json:"expires_in_ms"`
	Effective      string       `json:"effective"`             // "at once" or "next cycle": when a new register value acts
	Beyond         bool         `json:"beyond,omitempty"`      // more than what may happen by itself: who agrees proves who they are once more
	InTransit      uint64       `json:"in_transit"`            // parts cut since the newest one it rests on
	Measurement    *Measured    `json:"measurement,omitempty"` // that it rests on, while it is the newest
}

// View returns a copy of what there is to see.
func (s *State) View() View {
	g := &s.Ledger
	v := View{Machine: g.Settings.Machine, ByHand: g.Settings.ByHand, Up: s.now.up, Link: s.now.down, Permitted: s.now.permitted, Hold: clone(s.hold(""))}
	if g.Seen != nil {
		v.Counter, v.Program = g.Seen.Counter, g.Seen.Program
	}
	for i := range g.Settings.Registers {
		r := &g.Settings.Registers[i]
		b := s.book(r.Name)
		v.Registers = append(v.Registers, RegisterView{
			Name: r.Name, Unit: r.Unit, Step: r.Step, Known: b.Known, Value: b.Value, Band: r.Band, Pending: b.Pending != nil,
			Graduation: r.Graduation,
		})
	}
	for i := range g.Settings.Loops {
		v.Loops = append(v.Loops, s.loopView(&g.Settings.Loops[i]))
	}
	for i := range g.Proposals {
		p := g.Proposals[i]
		gone := func(m Move) bool { return g.Settings.Register(m.Register) == nil }
		if g.Settings.Loop(p.Loop) == nil || slices.ContainsFunc(p.Moves, gone) {
			continue // its loop was taken out of the configuration, its outcome is still to come
		}
		v.Proposals = append(v.Proposals, s.proposalView(p))
	}
	v.Requests = s.requestViews()
	v.FirstPart = g.Hand.Open
	return v
}

func (s *State) proposalView(p Open) ProposalView {
	g := &s.Ledger
	l := g.Settings.Loop(p.Loop)
	i := max(0, slices.IndexFunc(l.Characteristics, func(c Characteristic) bool { return c.Name == p.Proposal.Characteristic }))
	c := &l.Characteristics[i]
	v := ProposalView{
		Open: p, Machine: g.Settings.Machine, Characteristic: c.Name, Limits: c.Limits, Internal: c.Internal,
		Beyond: p.Beyond(&l.Bounds), Effective: g.Settings.Effective, TypeIn: g.Settings.ByHand, Waiting: s.waiting(&p), Left: max(0, l.Bounds.Expires-s.ageOf(&p)),
	}
	cut := s.cut(p.Count)
	for _, m := range p.Moves {
		k := g.Settings.registerIndex(m.Register)
		r := &g.Settings.Registers[k]
		at := Shown{Unit: r.Unit, Step: r.Step, Graduation: r.Graduation, Larger: r.Larger, Effect: l.effect(i, m.Register), Was: m.Old}
		if cut != nil {
			at.Was = cut.Registers[k]
		}
		v.Control = append(v.Control, at)
	}
	if m := s.loopBook(l.Name).Sizes[i].Newest; m != nil && m.Count == p.Count {
		v.Measurement = m
	}
	if g.Seen != nil && g.Seen.Counter > p.Count {
		v.InTransit = g.Seen.Counter - p.Count
	}
	return v
}

// silentParts is how many parts without a reading are worth telling: more than the
// sampling of any usual plan (common practice measures at least one in 25).
const silentParts = 50

// due returns in how many parts a loop's next measurement is due, by its own plan:
// the first part after a set-up or a new tool, then every so many. It reminds, and
// moves or stops nothing.
func (s *State) due(l *Loop, b *LoopBook) *int64 {
	if l.Every == 0 || s.Ledger.Settings.ByHand { // nobody counts the parts of a machine by hand
		return nil
	}
	every := l.Every
	if b.First {
		every = 1
	}
	in := int64(every) - int64(b.Unsized)
	return &in
}

func (s *State) loopView(l *Loop) LoopView {
	b := s.loopBook(l.Name)
	v := LoopView{
		Name: l.Name, Mode: l.Mode, Hold: clone(s.hold(l.Name)), First: b.First, Readings: b.Evidence, Travel: l.Bounds.Travel,
		Proven: s.allProven(l), Waiting: s.situationOf(), Prompts: s.expected(l),
	}
	for _, name := range l.Registers {
		v.Spent = max(v.Spent, s.book(name).Spent)
	}
	for i := range b.Sizes {
		last := b.Sizes[i].Last
		if last.Count >= v.LastPart {
			v.LastPart, v.FromAim = last.Count, last.Deviation
		}
		if len(b.Sizes) > 1 {
			v.Sizes = append(v.Sizes, SizeView{Characteristic: l.Characteristics[i].Name, LastPart: last.Count, FromAim: last.Deviation})
		}
	}
	if s.Ledger.Settings.ByHand {
		v.Waiting = s.handLoop(l)
	}
	s.measurements(&v, l, b)
	if v.Waiting == "" {
		v.Waiting = s.gaugesOf(l)
	}
	if v.Waiting == "" {
		v.Waiting = s.numbersOf(l)
	}
	if v.Waiting == "" && b.Refused && b.Rejected != nil {
		v.Waiting = codeRejectedBefore // the parts may be far off, and the loop does nothing: that is seen
	}
	v.Due = s.due(l, b)
	if v.Waiting == "" && b.Silent >= max(silentParts, 2*l.Every) {
		v.Waiting = waitReading
	}
	if p := s.proposalOf(l.Name); p != nil && p.Status == Ready {
		v.Waiting = s.waiting(p)
	}
	return v
}

func clone[T any](v *T) *T {
	if v == nil {
		return nil
	}
	c := *v
	return &c
}
