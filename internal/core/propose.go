package core

import (
	"offsetbridge/internal/compensate"
	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// propose works out the wanted register and who has to agree to it. The second
// result is the open proposal that it would replace.
func (d *decision) propose(j *Judged, l *Loop, c int) (*Proposal, *Open) {
	open := d.s.proposalOf(l.Name)
	if j.Estimate != "" && j.Estimate != codeStep {
		return nil, nil
	}
	b := d.s.loopBook(l.Name)
	switch {
	case len(l.Registers) != 1 || len(l.Characteristics) != 1:
		j.Propose = codeAdviseOnly
	case l.Effects[c][0] == 0:
		j.Propose = codeNoEffect
	case b.Used+1 < l.MinReadings:
		j.Propose = codeFew
	case open != nil && open.Status == Sent:
		j.Propose = codeInFlight
	case open != nil && open.Approval != nil:
		j.Propose = codeApprovedWaits
	}
	if j.Propose != "" {
		return nil, nil
	}
	r := d.set().Register(l.Registers[0])
	book := d.s.book(r.Name)
	eff := l.Effects[c][0]
	j.Aside = d.aside(j, l, c)
	want := compensate.Target(j.Drift-j.Aside, int32(eff))
	m := Move{Register: r.Name, Old: book.Value, Want: want, New: length.Round(want, book.Value, r.Step)}
	m.Size = eff.Of(m.New - m.Old)
	band := compensate.Band(l.DeadBand, r.Step, int32(eff), j.Noise, deadBandFactor(l.Mode))
	if m.New == m.Old || m.Size.Abs() < band { // the move that would be made: judging it before rounding costs about 6 % of rms in simulation
		j.Propose = codeDeadBand
		return nil, open
	}
	if b.Rejected != nil && eff.Of(m.New-*b.Rejected).Abs() < band {
		j.Propose = codeRejectedBefore
		return nil, nil
	}
	j.Moves = []Move{m}
	p := d.newProposal(j, l, c, m)
	d.bound(j, l, c, p)
	p.Need, p.Reason = j.Need, j.Bound
	if open != nil && j.Route != routeRefused && open.Need == p.Need && eff.Of(m.New-open.Moves[0].New).Abs() < band {
		j.Propose = codeStands // no churn under the thumb
		return nil, nil
	}
	return p, open
}

// aside says where to aim the first part after a set-up when scrap costs more than
// a re-cut: a little short of the aim, on the side where more can be cut.
func (d *decision) aside(j *Judged, l *Loop, c int) length.Length {
	if !d.s.loopBook(l.Name).First {
		return 0
	}
	ch := &l.Characteristics[c]
	shift := compensate.FirstAim(j.Sigma, ch.Tolerance()/2, l.ScrapToRework)
	if ch.Internal {
		return -shift
	}
	return shift
}

// deadBandFactor is how many standard deviations of a reading a change must be
// worth: a person's attention costs more than a register write. From the
// project's own simulation: 0.5 costs 2–3 % of rms, 1.5 about 7 % for seven
// times fewer prompts.
func deadBandFactor(m Mode) float64 {
	if m == Auto {
		return 0.5
	}
	return 1.5
}

func (d *decision) newProposal(j *Judged, l *Loop, c int, m Move) *Proposal {
	tool, i := d.s.toolOf(l)
	gen := int64(-1)
	if i >= 0 {
		gen = d.book().Seen.Tools[i]
	}
	aim := l.Characteristics[c].Aim
	p := &Proposal{
		ID: d.book().LastID + 1, Loop: l.Name, First: d.s.loopBook(l.Name).First, Moves: j.Moves,
		Tool: tool, Gen: gen, Program: l.Program, Settings: d.set().Digest(l.Name),
		Part: j.Reading.Part, Gauge: j.Reading.Gauge, Count: j.Count, Measured: j.Reading.Value, Aim: aim,
		Predicted: aim + j.Ratio.Of(j.Drift+l.Effects[c][0].Of(m.New)), Sigma: j.Sigma, Minute: d.minute(),
	}
	p.Digest = p.digest()
	return p
}

// digest binds an approval to exactly this change of exactly this register, tool
// and configuration.
func (p *Proposal) digest() string {
	return digest(struct {
		ID       uint64
		Moves    []Move
		Tool     string
		Gen      int64
		Settings string
	}{p.ID, p.Moves, p.Tool, p.Gen, p.Settings})
}

// bound asks the guards.
func (d *decision) bound(j *Judged, l *Loop, c int, p *Proposal) {
	m, r := p.Moves[0], d.set().Register(p.Moves[0].Register)
	b, book, ch := d.s.loopBook(l.Name), d.s.book(m.Register), &l.Characteristics[c]
	need, reason := guard.Judge(guard.Move{
		Old: m.Old, New: m.New, Step: r.Step, Band: r.Band, Size: m.Size,
		AutoStep: l.Bounds.AutoStep, OperatorStep: l.Bounds.OperatorStep, SetterStep: l.Bounds.SetterStep,
		Automatic: l.Mode == Auto && len(d.set().Lacks) == 0 && !j.NoIdent && p.Gen >= 0,
		Spent:     book.Spent, Travel: l.Bounds.Travel,
		Internal: ch.Internal, Own: book.Own,
		Proven: b.Response.Proven(j.Noise), Moves: book.Unproven, MaxMoves: maxUnproven,
		First: p.First, Predicted: p.Predicted, Spread: 2 * j.Sigma, Limits: ch.Limits,
	})
	j.Bound = Code(reason)
	switch need {
	case guard.Nobody:
	case guard.Operator:
		j.Need = Operator
	case guard.Setter:
		j.Need = Setter
	default:
		j.Route = routeRefused
	}
}

// route says where the proposal goes.
func (d *decision) route(j *Judged, l *Loop, p *Proposal) Code {
	switch {
	case p == nil:
		return ""
	case l.Mode == Observe:
		return routeObserve
	case d.s.HoldOn(l.Name) != nil:
		return routeHeld
	case j.Route == routeRefused:
		return routeRefused
	case j.Need == "":
		return routeWrite
	}
	return routeQueue
}

// follow does what the reading's event says: end the proposal it replaces, and
// write, queue or refuse the new one.
func (d *decision) follow(j *Judged, l *Loop, p *Proposal, open *Open) {
	if open != nil {
		cause := causeSuperseded
		if p == nil {
			cause = causeNotNeeded
		}
		d.emit(Voided{Proposal: open.ID, Loop: l.Name, Cause: cause})
	}
	switch j.Route {
	case routeRefused:
		d.hold(l.Name, causeRefused, string(j.Bound), Setter)
	case routeWrite, routeQueue:
		d.emit(Proposed{*p})
	}
}
