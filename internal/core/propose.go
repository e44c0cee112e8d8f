package core

import (
	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// propose works out the wanted registers and who has to agree to them. The second
// result is the open proposal that it would replace.
func (d *decision) propose(j *Judged, l *Loop, c int) (*Proposal, *Open) {
	open := d.s.proposalOf(l.Name)
	if j.Estimate != "" && j.Estimate != codeStep {
		if open != nil && open.Trigger == kindStepTest && open.Status == Pending {
			return nil, open // where the size stands is in doubt
		}
		return nil, nil
	}
	all, code := d.prospects(j, l, c)
	switch {
	case code != "":
		j.Propose = code
	case open != nil && (open.Status == Sent || open.Done > 0):
		j.Propose = codeInFlight
	case open != nil && open.Approval != nil:
		j.Propose = codeApprovedWaits
	}
	if j.Propose != "" {
		return nil, nil
	}
	j.Aside = all[c].aside
	moves, ok := d.correction(l, all)
	if !ok {
		j.Propose = codeUnsolved
		return nil, nil
	}
	testing := open != nil && open.Trigger == kindStepTest && d.fits(l, all, open.Moves)
	if len(moves) == 0 && testing { // it is meant to be made at a size that needs no change
		j.Propose = codeStands
		return nil, nil
	}
	if len(moves) == 0 { // the moves that would be made: judging them before rounding costs about 6 % of rms in simulation
		j.Propose = codeDeadBand
		return nil, open
	}
	to := d.s.after(l, moves)
	if rejected := d.s.loopBook(l.Name).Rejected; rejected != nil && d.alike(l, all, to, rejected) {
		j.Propose = codeRejectedBefore
		return nil, nil
	}
	j.Moves = moves
	p := d.newProposal(j, l, c, all)
	d.bound(j, l, all, p)
	p.Need, p.Reason = j.Need, j.Bound
	d.two(l, p)
	j.Need, j.Bound = p.Need, p.Reason
	stands := open != nil && open.Need == p.Need && d.alike(l, all, to, d.s.after(l, open.Moves)) || testing && p.Need != ""
	if stands && j.Route != routeRefused {
		j.Propose = codeStands // no churn under the thumb
		return nil, nil
	}
	return p, open
}

// after returns what the registers of a loop hold after the moves.
func (s *State) after(l *Loop, moves []Move) []length.Length {
	to := make([]length.Length, len(l.Registers))
	for k, name := range l.Registers {
		to[k] = s.book(name).Value
		for _, m := range moves {
			if m.Register == name {
				to[k] = m.New
			}
		}
	}
	return to
}

// alike reports whether two ways to leave the registers are the same to every
// size, inside its dead band.
func (d *decision) alike(l *Loop, all []prospect, a, b []length.Length) bool {
	for i := range all {
		if !l.steers(i) {
			continue
		}
		var apart, band length.Length
		for k, name := range l.Registers {
			e := l.Effects[i][k]
			apart += e.Of(a[k] - b[k])
			band = max(band, d.deadBand(l, &all[i], d.set().Register(name).Step, e))
		}
		if apart.Abs() >= band {
			return false
		}
	}
	return true
}

// first reports whether the next part is the first one that a correction after a
// set-up, a change of tool or a step acts on.
func (d *decision) first(j *Judged, l *Loop) bool {
	return d.s.loopBook(l.Name).First || j.Estimate == codeStep
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

func (d *decision) newProposal(j *Judged, l *Loop, c int, all []prospect) *Proposal {
	tool, i := d.s.toolOf(l)
	gen := int64(-1)
	if i >= 0 {
		gen = d.book().Seen.Tools[i]
	}
	ch := &l.Characteristics[c]
	p := &Proposal{
		ID: d.book().LastID + 1, Loop: l.Name, First: d.first(j, l), Trigger: j.kind, Moves: j.Moves,
		Tool: tool, Gen: gen, Program: l.Program, Settings: d.set().Digest(l.Name),
		Part: j.Reading.Part, Gauge: j.Reading.Gauge, Count: j.Count, Measured: j.size(), Aim: ch.Aim, Aside: j.Aside,
		Predicted: d.predicted(l, all, c, j.Moves), Sigma: j.Sigma, Minute: d.minute(),
	}
	if j.Whole == nil && j.Reading.Worth.Corrected() {
		p.Raw = j.Reading.Value
	}
	for _, m := range j.Moves {
		p.Size += l.effect(c, m.Register).Of(m.New - m.Old)
	}
	if j.kind == kindStill && p.Size.Abs() > l.Bounds.SetterStep {
		p.First = true // cooled through: as after a set-up, a setter decides how to begin again
	}
	if len(all) > 1 {
		p.Characteristic, p.Sizes = ch.Name, d.changes(l, all, j.Moves)
	}
	p.Digest = p.digest()
	return p
}

// predicted returns the size of the next part with the moves made.
func (d *decision) predicted(l *Loop, all []prospect, i int, moves []Move) length.Length {
	off := all[i].drift
	for k, v := range d.s.after(l, moves) {
		off += l.Effects[i][k].Of(v)
	}
	return l.Characteristics[i].Aim + all[i].ratio.Of(off)
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

// bound asks the guards about every register at every size it changes. The
// strictest answer counts, of equals the first.
func (d *decision) bound(j *Judged, l *Loop, all []prospect, p *Proposal) {
	worst := guard.Nobody
	for i := range all {
		var net length.Length
		for _, m := range p.Moves {
			net += l.effect(i, m.Register).Of(m.New - m.Old)
		}
		for _, m := range p.Moves {
			if l.effect(i, m.Register) == 0 {
				continue
			}
			if need, reason := guard.Judge(d.guarded(j, l, i, all, p, m, net)); need > worst {
				worst, j.Bound = need, Code(reason)
			}
		}
	}
	if why := d.offTarget(l, all, p); worst == guard.Nobody && why != "" {
		worst, j.Bound = guard.Operator, why
	}
	switch worst {
	case guard.Nobody:
	case guard.Operator:
		j.Need = Operator
	case guard.Setter:
		j.Need = Setter
	default:
		j.Route = routeRefused
	}
	d.form(j, l)
}

// guarded is one register's move as its guard sees it from one size. The change of
// size is the larger of its own and of all moves together: half done it is the
// one, done the other.
func (d *decision) guarded(j *Judged, l *Loop, i int, all []prospect, p *Proposal, m Move, net length.Length) guard.Move {
	r, book, ch := d.set().Register(m.Register), d.s.book(m.Register), &l.Characteristics[i]
	size := l.effect(i, m.Register).Of(m.New - m.Old)
	if net.Abs() > size.Abs() {
		size = net
	}
	return guard.Move{
		Old: m.Old, New: m.New, Step: r.Step, Band: r.Band, Size: size,
		AutoStep: l.Bounds.AutoStep, OperatorStep: l.Bounds.OperatorStep, SetterStep: l.Bounds.SetterStep,
		Automatic: l.Mode == Auto && len(d.set().Lacks) == 0 && !d.s.loose(l, j) && p.Gen >= 0,
		Spent:     book.Spent, Travel: l.Bounds.Travel, Before: l.effect(i, m.Register).Of(d.lately(book)),
		Internal: ch.Internal, Own: book.Own,
		Proven: d.s.proven(l, i, all[i].noise), Moves: book.Unproven, MaxMoves: maxUnproven,
		First: p.First, Predicted: d.predicted(l, all, i, p.Moves), Spread: 2 * all[i].sigma, Limits: ch.Limits,
		Return: p.Trigger == kindReturn, ReturnByItself: l.Bounds.ReturnByItself, Still: p.Trigger == kindStill,
	}
}

// lately is the last unapproved change of a register, if it was made in the last
// few parts.
func (d *decision) lately(b *RegisterBook) length.Length {
	if seen := d.s.Ledger.Seen; seen == nil || seen.Counter > b.LastMove+chaseParts {
		return 0
	}
	return b.Alone
}

// proven reports whether the direction has been shown at one size.
func (s *State) proven(l *Loop, i int, noise length.Length) bool {
	return !l.steers(i) || s.estimateOf(l.Name, i).shown(&s.loopBook(l.Name).Sizes[i])
}

// allProven reports it for every size of a loop.
func (s *State) allProven(l *Loop) bool {
	for i := range l.Characteristics {
		if !s.proven(l, i, s.noise(l.Name, i)) {
			return false
		}
	}
	return true
}

// offTarget says why a correction of several registers or sizes is shown to a
// person although every move is inside its bounds.
func (d *decision) offTarget(l *Loop, all []prospect, p *Proposal) Code {
	if len(l.Characteristics) == 1 && len(l.Registers) == 1 {
		return ""
	}
	for _, x := range p.Sizes {
		if x.Harmed {
			return codeHarms
		}
	}
	for k, v := range d.s.after(l, p.Moves) {
		if r := d.set().Register(l.Registers[k]); v-r.Step < r.Band.Low || v+r.Step > r.Band.High {
			return codeAtBand
		}
	}
	return ""
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
		switch {
		case p == nil && j.Estimate != "":
			cause = j.Estimate
		case p == nil:
			cause = causeNotNeeded
		}
		d.void(open, Voided{Cause: cause})
	}
	switch j.Route {
	case routeRefused:
		if d.contradicted(j, l) {
			d.hold(l.Name, causeResponse, string(j.Bound), Engineer)
			return
		}
		d.hold(l.Name, causeRefused, string(j.Bound), Setter)
	case routeWrite, routeQueue:
		d.emit(Proposed{*p})
	}
}
