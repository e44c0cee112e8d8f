package core

import (
	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// oracle watches a machine from outside: it knows the configuration, what was
// put in and what came out, and nothing of how it was decided. Its rules are the
// invariants of the hazard analysis, in their own words.
type oracle struct {
	t   tester
	set Settings

	up, sampled, permitted bool
	epoch, order           uint64
	at                     int64 // mono of the last look
	regs                   []length.Length
	tools                  []int64
	program                string
	counter                uint64

	proposals map[uint64]Proposed
	proposed  map[uint64]int64 // mono
	approved  map[uint64]Person
	sent      map[uint64]bool // intents
	open      map[string]*openWrite
	effects   map[uint64]int // by proposal
	fresh     map[string]int // used readings since the loop's last intent
	spent     map[string]*purse
	unproven  map[string]int
	held      map[string]map[Code]bool
	moved     map[string]uint64 // registers moved by themselves since the counter last moved
}

type openWrite struct {
	in      Intent
	unknown int64 // mono since when, -1 while it is under way
	at      int64
}

type purse struct{ spent, recent length.Length }

func newOracle(t tester) *oracle {
	return &oracle{
		t: t, proposals: map[uint64]Proposed{}, proposed: map[uint64]int64{}, approved: map[uint64]Person{},
		sent: map[uint64]bool{}, open: map[string]*openWrite{}, effects: map[uint64]int{}, fresh: map[string]int{},
		spent: map[string]*purse{}, unproven: map[string]int{}, held: map[string]map[Code]bool{}, moved: map[string]uint64{},
	}
}

func (o *oracle) see(in Input, out []Event) {
	o.before(in)
	for _, e := range out {
		o.event(in, e)
	}
}

// before takes what the input itself says about the world.
func (o *oracle) before(in Input) {
	switch f := in.Fact.(type) {
	case Started:
		o.up, o.sampled, o.permitted = false, false, false
		o.epoch = 0
		for id := range o.approved { // what was approved and not sent is void; ages start anew
			if !o.sentProposal(id) {
				delete(o.approved, id)
			}
		}
	case Link:
		if f.Epoch >= o.epoch && !(f.Up && o.up && f.Epoch == o.epoch) {
			o.up, o.epoch, o.sampled, o.permitted = f.Up, f.Epoch, false, false
		}
	case Sample:
		o.look(f, in.At.Mono)
	case Outcome:
		if f.Sample != nil {
			o.look(*f.Sample, in.At.Mono)
		}
	}
}

func (o *oracle) sentProposal(id uint64) bool {
	for _, w := range o.open {
		if w != nil && w.in.Proposal == id {
			return true
		}
	}
	return false
}

func (o *oracle) look(m Sample, at int64) {
	if !o.up || m.Epoch != o.epoch || o.sampled && m.Order != 0 && m.Order <= o.order ||
		len(m.Registers) != len(o.set.Registers) || len(m.Tools) != len(o.set.Tools) {
		return
	}
	for i, t := range m.Tools {
		if t < 0 && i < len(o.tools) && o.tools[i] >= 0 {
			return
		}
	}
	for _, v := range m.Registers {
		if v.Abs() > length.Max {
			return
		}
	}
	if m.Counter > 1<<62 {
		return
	}
	if m.Counter != o.counter {
		clear(o.moved)
	}
	o.sampled, o.permitted, o.order, o.at = true, m.Permitted, m.Order, at
	o.regs, o.tools, o.program, o.counter = m.Registers, m.Tools, m.Program, m.Counter
}

func (o *oracle) purse(register string) *purse {
	r := o.set.Register(register)
	key := o.set.Identity + "/" + r.Node
	if o.spent[key] == nil {
		o.spent[key] = &purse{}
	}
	return o.spent[key]
}

func (o *oracle) event(in Input, e Event) {
	switch e := e.(type) {
	case Configured:
		o.configured(e)
	case Proposed:
		for id, p := range o.proposals {
			if p.Loop == e.Loop {
				o.t.Fatalf("a second open proposal, %d and %d", id, e.ID)
			}
		}
		o.proposals[e.ID], o.proposed[e.ID] = e, in.At.Mono
	case Voided:
		delete(o.proposals, e.Proposal)
		delete(o.approved, e.Proposal)
	case Approved:
		o.approve(in, e)
	case Intended:
		o.intent(in, e)
	case Concluded:
		o.concluded(in, e)
	case Judged:
		if e.Admit == "" && (e.Attribute == "" || e.Attribute == codeOldTool) && e.Estimate != codeSuspect && e.Estimate != codeIgnored {
			o.fresh[e.Loop]++
		}
	case ToolChanged:
		o.toolChanged(e)
	case Seen:
		for i := range o.set.Registers {
			if r := o.set.Registers[i].Name; o.open[o.node(r)] == nil {
				o.purse(r).recent = 0
			}
		}
	case Held:
		if o.held[e.Loop] == nil {
			o.held[e.Loop] = map[Code]bool{}
		}
		o.held[e.Loop][e.Cause] = true
	case Resumed:
		delete(o.held[e.Loop], e.Cause)
	}
}

func (o *oracle) configured(e Configured) {
	if !sameColumns(&o.set, &e.Settings) {
		o.regs, o.tools = nil, nil
		if o.set.Machine != "" {
			o.up, o.sampled = false, false
		}
	}
	o.set = e.Settings
}

func (o *oracle) node(register string) string {
	return o.set.Identity + "/" + o.set.Register(register).Node
}

// I10: an approval is an authorised person's yes to exactly what is open.
func (o *oracle) approve(in Input, e Approved) {
	f, ok := in.Fact.(Approve)
	p, open := o.proposals[e.Proposal]
	switch {
	case !ok || !open || f.Proposal != e.Proposal || f.Digest != p.Digest:
		o.t.Fatalf("approved %d without a yes to it", e.Proposal)
	case !f.Who.Role.May(p.Need) || p.Need == "":
		o.t.Fatalf("%s approved what needs %s", f.Who.Role, p.Need)
	case o.approved[e.Proposal].Role != "":
		o.t.Fatalf("%d was approved twice", e.Proposal)
	}
	if p.Reason == guard.Budget { // a person looked
		for _, m := range p.Moves {
			o.purse(m.Register).spent = 0
		}
	}
	o.approved[e.Proposal] = f.Who
}

func (o *oracle) intent(in Input, e Intended) {
	i := o.set.registerIndex(e.Register)
	r, l, p := &o.set.Registers[i], o.set.Loop(e.Intent.Loop), o.proposals[e.Proposal]
	size := l.Effects[0][0].Of(e.New - e.Old).Abs()
	who, human := o.approved[e.Proposal]
	if p.ID == 0 || p.Moves[0].Old != e.Old || p.Moves[0].New != e.New || p.Moves[0].Register != e.Register {
		o.t.Fatalf("intent %+v is not what was proposed: %+v", e, p)
	}
	if human != (e.Charge == 0) { // I10
		o.t.Fatalf("intent %+v, approved by %+v", e, who)
	}
	if e.New < r.Band.Low || e.New > r.Band.High { // I1
		o.t.Fatalf("%v is outside the hard band", e.New)
	}
	if e.New%r.Step != 0 {
		o.t.Fatalf("%v is off the grid", e.New)
	}
	back := p.Trigger == kindReturn && l.Bounds.ReturnByItself
	if !human && !back && size > l.Bounds.AutoStep || size > l.Bounds.SetterStep && !back && !(human && (p.First && who.Role.May(Setter) || p.Trigger == kindReturn)) { // I2
		o.t.Fatalf("a step of %v by %+v", size, who)
	}
	if l.Mode == Observe || l.Mode == Confirm && !human || len(o.set.Lacks) > 0 && !human {
		o.t.Fatalf("%s loop wrote by itself", l.Mode)
	}
	if o.sent[e.Intent.ID] { // I4
		o.t.Fatalf("intent %d twice", e.Intent.ID)
	}
	o.sent[e.Intent.ID] = true
	if w := o.open[o.node(e.Register)]; w != nil { // I8
		o.t.Fatalf("intent %d while %+v is open", e.Intent.ID, w)
	}
	o.open[o.node(e.Register)] = &openWrite{in: e.Intent, unknown: -1, at: in.At.Mono}
	o.gates(in, e, p)
	if human {
		return
	}
	w := o.purse(e.Register)
	w.spent += size
	w.recent += size
	if w.spent > l.Bounds.Travel { // I3
		o.t.Fatalf("%v spent of %v", w.spent, l.Bounds.Travel)
	}
	switch at, ok := o.moved[o.node(e.Register)]; {
	case p.Trigger == kindStill || p.First && !back: // hazards of a start: always a person
		o.t.Fatalf("%+v by itself", p)
	case o.fresh[l.Name] == 0: // I5
		o.t.Fatal("a second move on the same state of the estimate")
	case ok && at == o.counter:
		o.t.Fatalf("a second move at part %d", at)
	}
	o.fresh[l.Name], o.moved[o.node(e.Register)] = 0, o.counter
	if e.Unproven {
		o.unproven[o.node(e.Register)]++
	}
	if n := o.unproven[o.node(e.Register)]; n > 3 { // I13
		o.t.Fatalf("%d automatic moves with the direction unproven", n)
	}
}

// gates are I6, I7, I11 and I12: what the last look must have shown.
func (o *oracle) gates(in Input, e Intended, p Proposed) {
	i, l := o.set.registerIndex(e.Register), o.set.Loop(e.Intent.Loop)
	switch {
	case !o.up || !o.sampled || in.At.Mono-o.at > o.set.Fresh:
		o.t.Fatalf("an intent without a live look: %+v", o)
	case !o.permitted:
		o.t.Fatal("an intent while cutting")
	case o.regs[i] != e.Old:
		o.t.Fatalf("the register holds %v, the intent expects %v", o.regs[i], e.Old)
	case e.Gen != o.tools[o.set.toolIndex(e.Tool)]:
		o.t.Fatalf("the tool is %v, the intent expects %d", o.tools, e.Gen)
	case l.Program != "" && l.Program != o.program:
		o.t.Fatalf("an intent with program %q in force", o.program)
	case len(o.held[""])+len(o.held[l.Name]) > 0:
		o.t.Fatalf("an intent on hold %v", o.held)
	case e.Epoch != o.epoch:
		o.t.Fatal("an intent for another session")
	case p.Settings != o.set.Digest(l.Name):
		o.t.Fatal("an intent under other settings than proposed")
	case in.At.Mono-o.proposed[p.ID] > l.Bounds.Expires:
		o.t.Fatalf("proposal %d had expired", p.ID)
	case e.SendBy > in.At.Mono+o.set.Fresh || in.At.Mono >= o.proposed[p.ID] && e.SendBy > o.proposed[p.ID]+l.Bounds.Expires:
		o.t.Fatalf("may be sent until %d", e.SendBy)
	}
}

// I8: certain only by a read-back, or by a look after the quarantine.
func (o *oracle) concluded(in Input, e Concluded) {
	key := ""
	for k, w := range o.open {
		if w != nil && w.in.ID == e.Outcome.Intent {
			key = k
		}
	}
	w := o.open[key]
	if w == nil {
		o.t.Fatalf("an outcome of no open intent: %+v", e)
		return
	}
	if e.Result == Unknown || e.Result == Differs && !e.Late { // what reads otherwise just now may still take effect
		w.unknown = in.At.Mono
		return
	}
	if e.Late {
		if w.unknown >= 0 && in.At.Mono-w.unknown < o.set.Quarantine || w.unknown < 0 && in.At.Mono-w.at < o.set.Fresh+3*o.set.Answer+o.set.Quarantine {
			o.t.Fatalf("classified before the quarantine had passed: %+v", e)
		}
	} else if w.unknown >= 0 {
		o.t.Fatalf("an unknown outcome became known without a look: %+v", e)
	}
	if e.Result == Applied {
		if e.Read != w.in.New {
			o.t.Fatalf("applied, and it reads %v for %v", e.Read, w.in.New)
		}
		if o.effects[w.in.Proposal]++; o.effects[w.in.Proposal] > 1 {
			o.t.Fatalf("proposal %d acted twice", w.in.Proposal)
		}
	}
	delete(o.open, key)
	if !e.Again {
		delete(o.proposals, w.in.Proposal)
		delete(o.approved, w.in.Proposal)
	}
}

// I3: only a tool that the machine really reports as new, or that a setter says is,
// ends a budget.
func (o *oracle) toolChanged(e ToolChanged) {
	i := o.set.toolIndex(e.Tool)
	if e.Who != nil {
		if !e.Who.Role.May(Setter) || e.New != e.Old {
			o.t.Fatalf("%+v by somebody who may not", e)
		}
	} else if o.tools[i] != e.New || e.Old < 0 {
		o.t.Fatalf("%+v, and the machine shows %v", e, o.tools)
	}
	for _, r := range o.set.Registers {
		if w := o.purse(r.Name); r.Tool == e.Tool && (e.New > e.Old || e.Who != nil) {
			w.spent = w.recent
			delete(o.moved, o.node(r.Name))
			o.fresh[o.loopOf(r.Name)]++ // another tool, another estimate
		}
	}
}

func (o *oracle) loopOf(register string) string {
	for _, l := range o.set.Loops {
		if l.Registers[0] == register {
			return l.Name
		}
	}
	return ""
}
