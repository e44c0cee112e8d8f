package core

import (
	"slices"

	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// lower replaces a proposal by one of less. Whoever may approve the one may ask
// for the other, never for more, and it is guarded and approved like any other.
// It is as old as the one it replaces.
func (d *decision) lower(f Lower) {
	p := d.s.proposal(f.Proposal)
	decline := func(c Code) {
		e := Declined{What: "lower", Ref: f.Proposal, Cause: c, Who: f.Who}
		if p != nil {
			e.Loop = p.Loop
		}
		d.emit(e)
	}
	switch {
	case p == nil:
		decline(declineGone)
	case p.Status != Pending:
		decline(declineDecided)
	case f.Digest != p.Digest:
		decline(declineDigest)
	case !f.Who.Role.May(p.Need):
		decline(declineRole)
	case d.s.HoldOn(p.Loop) != nil:
		decline(declineHeld)
	case d.expired(p):
		decline(declineExpired)
	case p.Again != nil:
		decline(declineAgain)
	case len(p.Moves) != 1:
		decline(declineTogether)
	case !d.between(&p.Moves[0], f.New):
		decline(declineSmaller)
	default:
		less, c := d.less(p, f.New)
		if c != "" {
			decline(c)
			return
		}
		d.void(p, Voided{Cause: causeLowered, Who: &f.Who})
		d.emit(Proposed{*less})
	}
}

// between reports whether a value is on the way of a move, on the register's step.
func (d *decision) between(m *Move, v length.Length) bool {
	low, high := min(m.Old, m.New), max(m.Old, m.New)
	return low < v && v < high && v.OnGrid(d.set().Register(m.Register).Step)
}

// less works a proposal out anew that moves its register to v only.
func (d *decision) less(open *Open, v length.Length) (*Proposal, Code) {
	p := open.Proposal
	l := d.set().Loop(p.Loop)
	c := max(0, slices.IndexFunc(l.Characteristics, func(c Characteristic) bool { return c.Name == p.Characteristic }))
	m := p.Moves[0]
	m.New, m.Size = v, l.sizeOf(slices.Index(l.Registers, m.Register), v-m.Old)
	p.ID, p.From, p.Moves = d.book().LastID+1, open.ID, []Move{m}
	p.Size = l.effect(c, m.Register).Of(v - m.Old)

	j := Judged{kind: p.Trigger, Loop: l.Name, Count: p.Count, NoIdent: d.s.loopBook(l.Name).Loose, Moves: p.Moves}
	f := d.forecast(l, c)
	if !f.Ready {
		return nil, declineBounds
	}
	x := prospectOf(&f)
	j.Drift, j.Sigma, j.Noise, j.Ratio = x.drift, x.sigma, x.noise, x.ratio
	all, code := d.prospects(&j, l, c)
	if code != "" {
		return nil, code
	}
	p.Predicted, p.Sigma = d.predicted(l, all, c, p.Moves), x.sigma
	if len(all) > 1 {
		p.Sizes = d.changes(l, all, p.Moves)
	}
	if d.bound(&j, l, all, &p); j.Route == routeRefused {
		return nil, declineBounds
	}
	p.Need, p.Reason = j.Need, j.Bound
	if p.Trigger == kindStepTest && !p.Need.May(Setter) {
		p.Need, p.Reason = Setter, kindStepTest
	}
	d.two(l, &p)
	if p.Need == "" { // who asked for it has not said yes yet
		p.Need, p.Reason = Operator, codeLowered
	}
	p.Digest = p.digest()
	return &p, ""
}

// two says whether a second person has to agree. Then the first has to be asked
// as well, whatever the mode.
func (d *decision) two(l *Loop, p *Proposal) {
	size := p.Size.Abs()
	for _, m := range p.Moves {
		size = max(size, m.Size.Abs())
	}
	if p.Two = l.Bounds.TwoBeyond > 0 && size > l.Bounds.TwoBeyond; p.Two && p.Need == "" {
		p.Need, p.Reason = Operator, codeTwo
	}
}

// Beyond reports whether a proposal moves more than what may happen by itself, or
// begins a set-up: whoever agrees should prove who they are once more.
func (p *Proposal) Beyond(b *Bounds) bool {
	return p.First || p.Reason == Code(guard.StepAuto) || p.Reason == Code(guard.StepSetter) ||
		slices.ContainsFunc(p.Moves, func(m Move) bool { return m.Size.Abs() > b.AutoStep })
}

// measureAgain notes that a person wants a second reading of a proposal's part, or
// does not any more. Until then it cannot be approved.
func (d *decision) measureAgain(f MeasureAgain) {
	p := d.s.proposal(f.Proposal)
	decline := func(c Code) {
		e := Declined{What: "measure again", Ref: f.Proposal, Cause: c, Who: f.Who}
		if p != nil {
			e.Loop = p.Loop
		}
		d.emit(e)
	}
	switch {
	case p == nil:
		decline(declineGone)
	case !f.Who.Role.May(Operator):
		decline(declineRole)
	case p.Status != Pending:
		decline(declineDecided)
	case f.On == (p.Again != nil): // it is so already
	default:
		d.emit(Marked{Proposal: p.ID, Loop: p.Loop, Part: p.Part, On: f.On, Who: f.Who})
	}
}

// measuredAgain takes the mark from a proposal whose part was read once more.
func (s *State) measuredAgain(e *Judged) {
	if p := s.proposalOf(e.Loop); p != nil && p.Again != nil && e.Admit == "" && e.Attribute == "" && p.Part == e.Reading.Part {
		p.Again = nil
	}
}

// lowered takes over in a replay that a person asked for less, where the same card
// is open.
func (r *Replay) lowered(d *decision, e Proposed) {
	i := slices.IndexFunc(r.asked, func(a asked) bool { return a.recorded == e.From })
	if i < 0 {
		return
	}
	p := r.s.proposal(r.asked[i].id)
	r.asked = slices.Delete(r.asked, i, i+1)
	if p == nil || p.Status != Pending || len(p.Moves) != 1 {
		return
	}
	r.step(d, Lower{Proposal: p.ID, Digest: p.Digest, New: e.Moves[0].New, Who: Person{Principal: "record", Role: Engineer, Auth: "replay"}})
	if n := r.s.proposalOf(e.Loop); n != nil && n.ID != p.ID {
		r.asked = push(r.asked, asked{n.ID, e.ID}, maxColumns)
	}
}
