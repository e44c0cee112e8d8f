package faultsim

import (
	"slices"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// take reads one durable record.
func (o *oracle) take(b *book, m *iron, e core.Event) {
	if o.w.traced {
		o.w.note("%s %d %s %s", b.stream, b.read, e.Kind(), core.Encode(e))
	}
	switch e := e.(type) {
	case core.Judged:
		o.judged(b, m, &e)
	case core.Checked:
		b.settings[e.Check.Gauge]++
	case core.Proposed:
		o.proposed(b, m, e)
	case core.Voided:
		o.w.n.add("guard/void " + string(e.Cause))
	case core.Approved:
		o.approved(b, m, e)
	case core.Intended:
		b.intents[e.Intent.ID] = &intent{Intended: e, seq: b.read}
		if b.seen != nil {
			b.intents[e.Intent.ID].count = b.seen.Counter
		}
		o.intended(b, e)
	case core.Concluded:
		o.concluded(b, m, e)
	case core.Held:
		o.w.n.add("guard/hold " + string(e.Cause))
		b.holds[e.Loop] = append(b.holds[e.Loop], e.Cause)
		b.heldAt = o.w.op()
		o.w.note("hold %s %q %s %s", b.stream, e.Loop, e.Cause, e.Text)
	case core.Resumed:
		o.resumed(b, e)
	case core.Seen:
		b.seen = &e
	case core.ToolChanged:
		set := o.w.setup[m.name]
		for i := range set.Loops {
			if set.Register(set.Loops[i].Registers[0]).Tool == e.Tool {
				b.fresh[set.Loops[i].Name]++ // another tool, another state of the estimate
			}
		}
	case core.Moved:
		o.w.n.add("guard/foreign change seen")
		o.owed = slices.DeleteFunc(o.owed, func(d *debt) bool { // told to a loop that is on hold already
			return d.stream == b.stream && len(b.holds[""])+len(b.holds[d.loop]) > 0
		})
	case core.Declined:
		o.w.n.add("refusal/declined " + e.What + " " + string(e.Cause))
	case core.Configured:
		o.configured(b, &e.Settings)
	}
}

// configured gives holds and windows to loops by their names.
func (o *oracle) configured(b *book, s *core.Settings) {
	for scope := range b.holds { // any order: deleting
		if scope != "" && s.Loop(scope) == nil {
			delete(b.holds, scope)
		}
	}
}

func (o *oracle) resumed(b *book, e core.Resumed) {
	i := slices.Index(b.holds[e.Loop], e.Cause)
	if i < 0 {
		o.w.violate("I11", "%s %q was resumed from %s, on hold for %v", b.stream, e.Loop, e.Cause, b.holds[e.Loop])
		return
	}
	b.holds[e.Loop] = slices.Delete(b.holds[e.Loop], i, i+1)
	o.w.n.add("work/resumed")
}

// use is where a number of a gauge was used. A gauge that was put on its ring may
// count anew, and comes to a number that a damaged message had before: that is
// another measurement, of another part.
type use struct {
	of       *measurement
	part     string
	settings int
}

// judged is I5 and I6: each reading once, with what its part was really cut with.
func (o *oracle) judged(b *book, m *iron, j *core.Judged) {
	r := j.Reading
	for _, c := range []core.Code{j.Admit, j.Attribute} {
		if c != "" {
			if c == "old-tool" {
				b.fresh[j.Loop]++ // it says how tools wear, if nothing of a level
			}
			o.w.n.add("refusal/reading " + string(c))
			return
		}
	}
	o.w.n.add("work/readings used")
	for _, c := range []core.Code{j.Estimate, j.Propose, j.Bound, j.Route} {
		if c != "" {
			o.w.n.add("guard/" + string(c))
		}
	}
	if r.Sequence > 0 {
		if b.used[r.Gauge] == nil {
			b.used[r.Gauge] = map[uint64]use{}
		}
		this := use{o.truth[r.Gauge][r.Sequence], r.Part, b.settings[r.Gauge]}
		if was, ok := b.used[r.Gauge][r.Sequence]; ok && (was.of == this.of || was.part == this.part || was.settings == this.settings) {
			o.w.violate("I5", "reading %d of %s is used twice", r.Sequence, r.Gauge)
		}
		b.used[r.Gauge][r.Sequence] = this
		delete(b.used[r.Gauge], r.Sequence-500)
	}
	if r.Retained || r.State != "" {
		o.w.violate("I5", "a retained message or a part in state %q is used", r.State)
	}
	if j.Estimate == "" || j.Estimate == "step" || j.Estimate == "few" {
		b.fresh[j.Loop]++
	}
	set := o.w.setup[m.name]
	l, c := set.Find(r.Characteristic)
	if l == nil {
		return
	}
	ch := &l.Characteristics[c]
	if r.Value < ch.Plausible.Low || r.Value > ch.Plausible.High {
		o.w.violate("I11", "a size of %d of %s is used", r.Value, r.Characteristic)
	}
	if ch.Gauges[0].Identity == "counter" {
		o.caused(b, m, j, set, l, c)
	}
}

// caused is I6 for a reading that names its part by the machine's count.
func (o *oracle) caused(b *book, m *iron, j *core.Judged, set *core.Settings, l *core.Loop, c int) {
	t := o.truth[j.Reading.Gauge][j.Reading.Sequence]
	if t == nil || t.early || m.blind || t.m == m && m.made[t.p.count] != t.p {
		return // a wrong number that nobody can know, or a part of an earlier count
	}
	if t.m != m || t.p.count != j.Count {
		o.w.violate("I9", "a reading of part %d of %s is used for part %d of %s", t.p.count, t.m.name, j.Count, m.name)
		return
	}
	var command length.Length
	for i, name := range l.Registers {
		k := column(set, name)
		command += length.Length(int64(l.Effects[c][i]) * int64(t.p.regs[k]) / 1000)
		tool := m.regs[k].tool
		if b.seen != nil && t.p.tools[tool] != b.seen.Tools[tool] {
			o.w.violate("I6", "%s part %d was cut with generation %d, now %d, and is used", m.name, j.Count, t.p.tools[tool], b.seen.Tools[tool])
		}
	}
	if t.p.mixed || command != j.Command {
		o.w.violate("I6", "%s part %d was cut at %d (changed meanwhile: %v), read as %d", m.name, j.Count, command, t.p.mixed, j.Command)
	}
	if l.Program != "" && t.p.prog != l.Program {
		o.w.violate("I6", "%s part %d was cut by program %q and steers %s", m.name, j.Count, t.p.prog, l.Name)
	}
}

func (o *oracle) proposed(b *book, m *iron, e core.Proposed) {
	p := &proposal{Proposed: e, at: o.up()}
	l := o.w.setup[m.name].Loop(e.Loop)
	if l != nil {
		for i := range l.Characteristics {
			for _, g := range l.Characteristics[i].Gauges {
				if g.Gauge == e.Gauge && g.Identity != "counter" {
					p.odd = true
				}
			}
		}
	}
	o.lowered(b, &e)
	b.proposals[e.ID] = p
	delete(b.proposals, e.ID-400)
	for _, x := range e.Moves {
		r := o.w.setup[m.name].Register(x.Register)
		if r == nil {
			continue
		}
		if e.From == 0 && l != nil && len(l.Registers) == 1 && (x.New-x.Want).Abs() > r.Step/2 {
			o.w.violate("I14", "%s: wanted %d, proposed %d, a step is %d", b.stream, x.Want, x.New, r.Step)
		}
	}
}

// lowered is I10 for a proposal that a person asked to be smaller: less of the same
// registers than the one it replaces, never more and never the other way.
func (o *oracle) lowered(b *book, e *core.Proposed) {
	if e.From == 0 {
		return
	}
	o.w.n.add("work/less proposed")
	from := b.proposals[e.From]
	if from == nil || len(from.Moves) != 1 || len(e.Moves) != 1 || from.Moves[0].Register != e.Moves[0].Register || from.Trigger != e.Trigger {
		o.w.violate("I10", "%s: proposal %d is less of %d, which is none of its kind", b.stream, e.ID, e.From)
		return
	}
	was, is := from.Moves[0], e.Moves[0]
	if whole, part := was.New-was.Old, is.New-is.Old; is.Old != was.Old || part == 0 || (part < 0) != (whole < 0) || part.Abs() >= whole.Abs() {
		o.w.violate("I10", "%s: proposal %d moves %d where less than %d was asked for", b.stream, e.ID, part, whole)
	}
}

// approved is I10: exactly one person with the right said yes to exactly this.
func (o *oracle) approved(b *book, m *iron, e core.Approved) {
	p := b.proposals[e.Proposal]
	if p == nil {
		o.w.violate("I10", "%s: an approval of proposal %d, which is not known", b.stream, e.Proposal)
		return
	}
	if p.approved != nil {
		o.w.violate("I10", "%s: proposal %d is approved twice", b.stream, e.Proposal)
	}
	for i := len(o.grants) - 1; i >= 0; i-- {
		g := o.grants[i]
		if g.machine == m.name && g.card.ID == p.ID && g.digest == p.Digest && g.role == e.Who.Role && slices.Equal(g.card.Moves, p.Moves) {
			p.approved = g
			if p.Reason == "budget" { // a person looked: the travel begins anew
				for _, x := range p.Moves {
					if r := o.w.setup[m.name].Register(x.Register); r != nil {
						o.account(m, register(m, r.Node)).spent = 0
					}
				}
			}
			o.w.n.add("work/approvals")
			return
		}
	}
	o.w.violate("I10", "%s: nobody approved proposal %d as it is", b.stream, e.Proposal)
}

// intended is I5's second half: one state of the estimate, one intent.
func (o *oracle) intended(b *book, e core.Intended) {
	p := b.proposals[e.Intent.Proposal]
	if p == nil || p.approved != nil || p.Trigger == "still" || e.Intent.Index > 0 {
		return
	}
	if b.fresh[e.Intent.Loop] == 0 {
		o.w.violate("I5", "%s/%s moves again on the same readings", b.stream, e.Intent.Loop)
	}
	b.fresh[e.Intent.Loop] = 0
}

// concluded is I8: what is told of a write is what happened to it.
func (o *oracle) concluded(b *book, m *iron, e core.Concluded) {
	rec := b.intents[e.Outcome.Intent]
	o.w.n.add("work/concluded " + string(e.Result))
	if rec == nil {
		o.w.violate("I4", "%s: an outcome of intent %d, which is not known", b.stream, e.Outcome.Intent)
		return
	}
	if e.Result == core.Unknown || e.Result == core.Differs && !e.Late {
		return
	}
	if rec.closed {
		o.w.violate("I8", "%s: intent %d ends twice", b.stream, e.Outcome.Intent)
	}
	rec.closed = true
	delete(b.intents, e.Outcome.Intent-400)
	req := rec.req
	if e.Late {
		o.w.n.add("guard/classified by reading: " + string(e.Result))
	}
	if e.Late && e.Result == core.Applied { // a look has shown it, and what came after is a change of its own
		o.owed = slices.DeleteFunc(o.owed, func(d *debt) bool { return d.req == req })
	}
	switch {
	case e.Result == core.Applied && !e.Late && (req == nil || !req.sawNew), e.Result == core.Applied && req != nil && !req.sawNew:
		o.w.violate("I8", "%s: intent %d is told as applied and never was", b.stream, rec.Intent.ID)
	case e.Result == core.Applied && e.Read != rec.Intent.New:
		o.w.violate("I8", "%s: intent %d is applied at %d", b.stream, rec.Intent.ID, e.Read)
	case (e.Result == core.NotSent || e.Result == core.Refused) && req != nil && req.effects > 0 && !req.foreign:
		o.w.violate("I8", "%s: intent %d is told as %s and had its effect", b.stream, rec.Intent.ID, e.Result)
	}
	in := rec.Intent
	in.Register = e.Register // a configuration may have named it anew since
	if req == nil {
		if r := o.w.setup[m.name].Register(in.Register); r != nil && e.Result == core.Applied {
			o.account(m, register(m, r.Node)).loose = true // somebody typed what was never sent
		}
		return
	}
	if l := o.w.setup[m.name].Loop(rec.Intent.Loop); e.Result == core.Applied && l != nil && l.Name != "" && slices.Contains(l.Registers, in.Register) {
		if m.tools[m.regs[req.reg].tool] <= rec.Intent.Gen && !req.foreign { // one counted back is no new tool
			acc := o.account(m, req.reg)
			acc.own += cutsMore(l, in)
			if acc.chased = 0; !req.approved {
				acc.chased, acc.chasedAt = rec.Intent.New-rec.Intent.Old, rec.count
			}
			if p := b.proposals[rec.Intent.Proposal]; req.approved {
				acc.own = max(0, acc.own) // a person agreed to what was left on
				if p != nil && p.Trigger == "return" {
					acc.own = 0
				}
			} else if p != nil && p.Trigger == "return" {
				acc.own = 0
			}
			o.w.note("own of %s %d is %d", m.name, req.reg, o.account(m, req.reg).own)
		}
	}
	if !req.foreign && slices.Contains(m.open(), req) { // else somebody typed just that value
		o.w.violate("I8", "%s: intent %d is closed and may still act", b.stream, rec.Intent.ID)
	}
}
