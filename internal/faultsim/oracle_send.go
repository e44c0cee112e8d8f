package faultsim

import (
	"slices"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

func (o *oracle) beginWrite(l *line, in core.Intent) { o.current[l.iron] = in }

// endWrite sees the outcome as the daemon takes it.
func (o *oracle) endWrite(l *line, in core.Intent, out core.Outcome) {
	delete(o.current, l.iron)
	o.w.note("outcome of intent %d: %s %s %s", in.ID, out.Result, out.Code, out.Text)
	switch out.Result {
	case core.Applied: // what came after the read-back is a change of its own
		o.owed = slices.DeleteFunc(o.owed, func(d *debt) bool { return d.req.rec.Intent.ID == in.ID && d.stream == l.stream })
		if rec := o.books[l.stream].intents[in.ID]; rec != nil && rec.req != nil {
			rec.req.told = true
		}
		o.w.n.add("work/write applied")
	case core.NotSent:
		o.w.n.add("refusal/not sent " + string(out.Code))
	default:
		o.w.n.add("work/write " + string(out.Result))
		if out.Code != "" {
			o.w.n.add("guard/outcome " + string(out.Code))
		}
	}
	rec := o.books[l.stream].intents[in.ID]
	if out.Result == core.NotSent && rec != nil && rec.requests > 0 {
		o.w.violate("I8", "intent %d of %s was sent and is told as not sent", in.ID, l.stream)
	}
}

// sent sees a request leave for a machine. Everything that has to be true at this
// instant is checked here, against what is true.
func (o *oracle) sent(c *conn, ours bool, node string, value length.Length) *request {
	m := c.m
	l := c.p.lineOf(m.name)
	in, under := o.current[m]
	req := &request{m: m, reg: -1, value: value, at: o.w.op(), readOp: c.readOp, count: c.count}
	o.w.note("request %s %s := %d (intent %d, old %d)", m.name, node, value, in.ID, in.Old)
	if !under || c.stranger || m.stranger || !ours {
		o.w.violate("I9", "a request for %s at %s: intent known %v, stranger %v, node of the machine %v", node, m.name, under, c.stranger || m.stranger, ours)
		return req
	}
	set := o.w.setup[m.name]
	reg := set.Register(in.Register)
	if reg == nil || reg.Node != node {
		o.w.violate("I9", "intent %d is for register %q, the request for node %q", in.ID, in.Register, node)
		return req
	}
	req.reg = register(m, node)
	rec := o.books[l.stream].intents[in.ID]
	if rec == nil {
		o.w.violate("I4", "a request without a durable intent: %d of %s", in.ID, l.stream)
		return req
	}
	req.rec, rec.req = rec, req
	req.sawNew = m.regs[req.reg].value == value
	o.sentOnce(l, rec, req, value)
	o.sentOnWhatIs(c, rec, req)
	o.sentWhileOpen(l, rec)
	o.sentWithinBounds(l, rec, req, reg)
	acc := o.account(m, req.reg)
	if acc.last != nil && !acc.last.rec.closed && acc.last != req {
		o.w.violate("I8", "%s %s gets a request while intent %d has no certain outcome", m.name, node, acc.last.rec.Intent.ID)
	}
	for _, x := range m.open() {
		switch {
		case x.reg != req.reg || x == req:
		case x.foreign: // somebody typed just its value, and it was read back
			o.w.n.add("residual/request while a late effect was hidden by an edit")
		default:
			o.w.violate("I8", "%s %s gets a request while an earlier one may still act", m.name, node)
		}
	}
	acc.last = req
	o.w.n.add("work/requests")
	return req
}

// sentOnce is I4: one durable intent of this life, one request.
func (o *oracle) sentOnce(l *line, rec *intent, req *request, value length.Length) {
	rec.requests++
	in := rec.Intent
	switch {
	case rec.requests > 1:
		o.w.violate("I4", "intent %d of %s is sent for the %d. time", in.ID, l.stream, rec.requests)
	case rec.closed:
		o.w.violate("I4", "intent %d of %s is sent after its end", in.ID, l.stream)
	case rec.seq <= l.p.records[l.stream]:
		o.w.violate("I4", "intent %d of %s is of an earlier life and is sent now", in.ID, l.stream)
	case value != in.New:
		o.w.violate("I4", "intent %d says %d, the request %d", in.ID, in.New, value)
	}
}

// sentOnWhatIs is I6, I7 and I12: what the pre-read showed, and nobody else since.
func (o *oracle) sentOnWhatIs(c *conn, rec *intent, req *request) {
	m, in := c.m, rec.Intent
	cell := &m.regs[req.reg]
	if cell.value != in.Old {
		if cell.changed <= c.readOp {
			o.w.violate("I7", "%s %s holds %d when %d is written over %d", m.name, cell.node, cell.value, in.New, in.Old)
		}
		if m.box == nil { // else the control compares again
			o.w.n.add("residual/edit between pre-read and request")
			req.foreign = true
		}
	}
	if !c.permit || o.w.now-c.readAt > window {
		o.w.violate("I12", "%s: the pre-read permitted %v, %d ms before the request", m.name, c.permit, o.w.now-c.readAt)
	}
	if c.tools[cell.tool] != in.Gen {
		o.w.violate("I6", "%s: intent %d is for generation %d, the pre-read showed %d", m.name, in.ID, in.Gen, c.tools[cell.tool])
	}
	if in.Program != "" && c.program != in.Program {
		o.w.violate("I6", "%s: intent %d is for program %q, the pre-read showed %q", m.name, in.ID, in.Program, c.program)
	}
	if m.tools[cell.tool] != in.Gen {
		o.w.n.add("residual/tool changed between pre-read and request")
	}
	if m.cutting && m.box == nil {
		o.w.n.add("residual/cycle began between pre-read and request")
	}
}

// sentWhileOpen is I11: nothing is on hold, the journal works.
func (o *oracle) sentWhileOpen(l *line, rec *intent) {
	b := o.books[l.stream]
	loop := rec.Intent.Loop
	switch {
	case o.broken:
		o.w.violate("I11", "a request of %s after the journal failed", l.stream)
	case o.stopped:
		o.w.violate("I11", "a request of %s after everything was put on hold", l.stream)
	case o.asked[l.stream+" "]+o.asked[l.stream+" "+loop] > 0:
		o.w.violate("I11", "a request of %s/%s after somebody asked for a hold", l.stream, loop)
	case len(b.holds[""])+len(b.holds[loop]) > 0:
		o.w.violate("I11", "a request of %s/%s, on hold for %v%v", l.stream, loop, b.holds[""], b.holds[loop])
	case o.w.now-l.p.started > rec.Intent.SendBy:
		o.w.violate("I11", "a request of %s %d ms after its time", l.stream, o.w.now-l.p.started-rec.Intent.SendBy)
	}
}

var rank = map[core.Role]int{core.Operator: 1, core.Setter: 2, core.Engineer: 3}

// sizes returns the largest change of size that a register's move makes alone, and
// that all moves of a proposal make together.
func sizes(l *core.Loop, moves []core.Move, one string) (alone, together length.Length) {
	for k := range l.Characteristics {
		var net length.Length
		for i, name := range l.Registers {
			for _, m := range moves {
				if m.Register != name {
					continue
				}
				d := length.Length(int64(l.Effects[k][i]) * int64(m.New-m.Old) / 1000)
				net += d
				if name == one {
					alone = max(alone, d.Abs())
				}
			}
		}
		together = max(together, net.Abs())
	}
	return alone, together
}

// sentWithinBounds is I1, I2, I3, I10 and I13.
func (o *oracle) sentWithinBounds(l *line, rec *intent, req *request, reg *core.Register) {
	in, m := rec.Intent, req.m
	b := o.books[l.stream]
	loop := o.w.setup[m.name].Loop(in.Loop)
	p := b.proposals[in.Proposal]
	if in.New < reg.Band.Low || in.New > reg.Band.High {
		o.w.violate("I1", "%s %s: %d is outside the hard band", m.name, reg.Node, in.New)
	}
	if loop == nil || p == nil {
		o.w.violate("I10", "intent %d of %s has no loop or no durable proposal", in.ID, l.stream)
		return
	}
	if !slices.ContainsFunc(p.Moves, func(x core.Move) bool { return x.Register == in.Register && x.Old == in.Old && x.New == in.New }) {
		o.w.violate("I10", "intent %d of %s is none of the moves of proposal %d", in.ID, l.stream, p.ID)
	}
	alone, together := sizes(loop, p.Moves, in.Register)
	size := max(alone, together)
	acc := o.account(m, req.reg)
	if up := o.up() - p.at; up > loop.Bounds.Expires+5 {
		o.w.violate("I10", "proposal %d of %s is sent %d ms after it was made", p.ID, l.stream, up)
	}
	if size > loop.Bounds.SetterStep && !p.First && p.Trigger != "return" {
		o.w.violate("I2", "%s %s: a step of %d in size, nobody may approve more than %d", m.name, reg.Node, size, loop.Bounds.SetterStep)
	}
	req.approved = p.approved != nil
	if req.approved {
		o.sentApproved(l, p, in, loop, size)
		return
	}
	o.sentAutomatic(l, p, rec, req, loop, alone, size)
	acc.spent += alone
	acc.auto++
	acc.count, acc.counted, acc.when, acc.life, acc.gen = req.count, true, o.w.now, l.p, in.Gen
}

func (o *oracle) sentApproved(l *line, p *proposal, in core.Intent, loop *core.Loop, size length.Length) {
	g := p.approved
	need := 1
	if p.Trigger == "step-test" || p.Trigger != "return" && (size > loop.Bounds.OperatorStep || p.First) {
		need = 2
	}
	if rank[g.role] < need {
		o.w.violate("I10", "proposal %d of %s was approved by a %s", p.ID, l.stream, g.role)
	}
	if g.used[in.Register] && o.books[l.stream].effectOf(p.ID, in.Register) {
		o.w.violate("I10", "the approval of proposal %d of %s moves %s twice", p.ID, l.stream, in.Register)
	}
	g.used[in.Register] = true
	o.w.n.add("work/approved requests")
}

// effectOf reports whether a proposal's move of a register has acted.
func (b *book) effectOf(id uint64, register string) bool {
	for _, x := range b.intents {
		if x.Intent.Proposal == id && x.Intent.Register == register && x.req != nil && x.req.effects > 0 {
			return true
		}
	}
	return false
}

func (o *oracle) sentAutomatic(l *line, p *proposal, rec *intent, req *request, loop *core.Loop, alone, size length.Length) {
	m, in := req.m, rec.Intent
	acc := o.account(m, req.reg)
	switch {
	case p.First && p.Trigger != "return":
		o.w.violate("I10", "%s/%s writes a first part by itself", l.stream, loop.Name)
	case p.By != nil || p.From != 0:
		o.w.violate("I10", "%s/%s writes by itself what a person asked for and nobody approved", l.stream, loop.Name)
	case loop.Mode != core.Auto:
		o.w.violate("I10", "%s/%s is in mode %s and writes by itself", l.stream, loop.Name, loop.Mode)
	case size > loop.Bounds.AutoStep && !(p.Trigger == "return" && loop.Bounds.ReturnByItself):
		o.w.violate("I2", "%s %s: a step of %d in size by itself, %d allowed", m.name, in.Register, size, loop.Bounds.AutoStep)
	case acc.spent+alone > loop.Bounds.Travel:
		o.w.violate("I3", "%s %s: travel of %d and %d, allowed %d", m.name, in.Register, acc.spent, alone, loop.Bounds.Travel)
	case p.Trigger == "still" && acc.counted && o.w.now-acc.when < 60_000 && acc.life == l.p:
		o.w.violate("I3", "%s %s: two moves of a machine that stands still, %d ms apart", m.name, in.Register, o.w.now-acc.when)
	case p.Trigger != "still" && acc.counted && acc.count == req.count && acc.gen == in.Gen:
		o.w.violate("I3", "%s %s: two moves by itself at count %d", m.name, in.Register, req.count)
	case !o.verified[l.stream]:
		o.w.violate("I11", "%s writes by itself before its journal was read back", l.stream)
	case p.odd:
		o.w.violate("I6", "%s/%s writes by itself on a reading that no number ties to its part", l.stream, loop.Name)
	}
	if rec.Unproven {
		if acc.unproven++; acc.unproven > 3 {
			o.w.violate("I13", "%s %s: %d moves by itself while the direction is unproven", m.name, in.Register, acc.unproven)
		}
	}
	if chases(loop, in, acc) && rec.count <= acc.chasedAt+chaseParts && len(loop.Registers) == 1 && p.Trigger != "return" {
		o.w.violate("I2", "%s %s: by itself from %d to %d at count %d, %d the same way at count %d", m.name, in.Register, in.Old, in.New, rec.count, acc.chased, acc.chasedAt)
	}
	back := p.Trigger == "return" && loop.Bounds.ReturnByItself // has a bound of its own
	if more := cutsMore(loop, in); !back && len(loop.Registers) == 1 && more < 0 && acc.own+more < 0 && !acc.loose && m.tools[m.regs[req.reg].tool] == in.Gen {
		o.w.violate("I10", "%s %s: backs off by %d by itself, itself it has cut %d", m.name, in.Register, more, acc.own)
	}
	o.w.n.add("work/automatic requests")
}

// chaseParts is the time for which a large move is remembered, less what may be cut between
// a decision and its request.
const chaseParts = 8

// chases reports whether a move and the one before are both near the automatic step, at the
// feature that each moves most, and go the same way.
func chases(l *core.Loop, in core.Intent, acc *account) bool {
	before := in
	before.Old, before.New = 0, acc.chased
	a, b := cutsMore(l, in), cutsMore(l, before)
	return 3*min(a.Abs(), b.Abs()) >= 2*l.Bounds.AutoStep && (a > 0) == (b > 0)
}

// cutsMore is a move as size cut away, at the feature it moves most.
func cutsMore(l *core.Loop, in core.Intent) length.Length {
	k := slices.Index(l.Registers, in.Register)
	best := 0
	for c := range l.Effects {
		if abs(l.Effects[c][k]) > abs(l.Effects[best][k]) {
			best = c
		}
	}
	d := length.Length(int64(l.Effects[best][k]) * int64(in.New-in.Old) / 1000)
	if l.Characteristics[best].Internal {
		return d
	}
	return -d
}

func abs(e core.Effect) core.Effect { return max(e, -e) }

// effect sees a request act.
func (o *oracle) effect(m *iron, req *request, v length.Length) {
	req.effects++
	o.w.note("effect of intent %d at %s: %d", req.rec.Intent.ID, m.name, v)
	o.w.n.add("work/effects")
	in := req.rec.Intent
	reg := o.w.setup[m.name].Register(in.Register)
	if reg != nil && v == req.value && (v < reg.Band.Low || v > reg.Band.High) {
		o.w.violate("I1", "%s: %d takes effect outside the hard band", m.name, v)
	}
	if req.rec.closed && !req.foreign {
		o.w.violate("I8", "intent %d of %s takes effect after it was closed", in.ID, m.name)
	}
	if last := o.account(m, req.reg).last; last != nil && last != req && !last.rec.closed {
		last.foreign = true // the effect that an edit had hidden takes this one back
	}
	if req.effects > 1 {
		o.w.violate("I4", "intent %d of %s has %d effects", in.ID, m.name, req.effects)
	}
	cell := &m.regs[req.reg]
	if cell.value != in.Old && m.box != nil {
		o.w.violate("I7", "%s: handed over at %d instead of %d", m.name, cell.value, in.Old)
	} else if cell.value != in.Old && cell.changed > req.readOp {
		o.w.n.add("residual/edit overwritten by an effect")
		req.foreign = true
	} else if cell.value != in.Old {
		o.w.violate("I2", "%s: the step starts from %d instead of %d", m.name, cell.value, in.Old)
	}
}

// changed sees any change of a register.
func (o *oracle) changed(m *iron, i int, v length.Length, by string) {
	acc := o.account(m, i)
	if r := acc.last; r != nil && !r.rec.closed {
		if v == r.value {
			r.sawNew = true
		}
		if by != "request" {
			r.foreign = true
		}
	}
	if by == "request" {
		return
	}
	acc.own, acc.chased, acc.loose = 0, 0, m.conn == nil || m.conn.dead() // out of sight: it may be set back before anybody looks
	if s := o.books["machine/"+m.name].seen; s != nil && s.Registers[i] == v {
		acc.loose = true // set back to what was last seen: nobody saw that somebody was here
	}
	o.w.note("own of %s %d is 0", m.name, i)
	if in, under := o.current[m]; under {
		if r := o.w.setup[m.name].Register(in.Register); r != nil && r.Node == m.regs[i].node {
			acc.loose = true
		}
	}
	if r := acc.last; r != nil && !r.rec.closed {
		acc.loose = true // it may not show that somebody was here
		o.owe(m, i, r)
	}
}
