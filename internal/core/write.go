package core

import (
	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// dispatch turns proposals that nobody has to decide any more into intents, as
// soon as the machine permits it.
func (d *decision) dispatch() {
	for _, p := range d.open() {
		if p.Status != Ready || d.s.waiting(&p) != "" {
			continue
		}
		if c := d.outgrown(&p); c != "" {
			d.void(&p, Voided{Cause: c})
			continue
		}
		d.intend(&p)
	}
}

// outgrown says why an automatic change is not automatic any more: what bounds
// it has moved while it waited for the machine. The next reading asks a person.
func (d *decision) outgrown(p *Open) Code {
	if p.Approval != nil {
		return ""
	}
	l := d.set().Loop(p.Loop)
	for _, m := range p.Moves[p.Done:] {
		switch book := d.s.book(m.Register); {
		case book.Spent+m.Size.Abs() > l.Bounds.Travel:
			return guard.Budget
		case book.Unproven >= maxUnproven && !d.s.allProven(l):
			return guard.Unproven
		}
	}
	return ""
}

// waiting says why a proposal cannot be sent just now, "" when it can. It clears
// by itself once the inputs are verified again.
func (s *State) waiting(p *Open) Code {
	if s.Ledger.Settings.ByHand {
		return s.handWaits(p)
	}
	l := s.Ledger.Settings.Loop(p.Loop)
	if w := s.situationOf(); w != "" {
		return w
	}
	seen := s.Ledger.Seen
	_, tool := s.toolOf(l)
	book := s.loopBook(p.Loop)
	for i, m := range p.Moves {
		b := s.book(m.Register)
		if i < p.Done { // made already, and to be found as it was left
			m.Old = m.New
		}
		switch {
		case b.Pending != nil && b.Doubtful:
			return waitUnknown
		case b.Pending != nil:
			return waitInFlight
		case !b.Known || b.Value != m.Old || seen.Registers[s.Ledger.Settings.registerIndex(m.Register)] != m.Old:
			return waitForeign
		case i >= p.Done && p.Approval == nil && b.LastMove >= seen.Counter && b.LastMove > 0: // one move per register per new part
			return waitNewPart
		}
	}
	switch {
	case s.HoldOn(p.Loop) != nil:
		return waitHeld
	case tool >= 0 && seen.Tools[tool] != p.Gen:
		return waitTool
	case p.Program != "" && seen.Program != p.Program:
		return waitProgram
	case s.trouble(p.Gauge, nil) != "":
		return s.trouble(p.Gauge, nil)
	case p.Approval == nil && p.Done == 0 && book.Acted >= book.Evidence:
		return waitNewPart
	case p.Approval == nil && !s.now.verified:
		return waitVerify
	case !s.now.permitted:
		return waitCutting
	}
	return ""
}

// situationOf says what about the machine's session stops every write.
func (s *State) situationOf() Code {
	switch {
	case s.Ledger.Settings.Machine == "":
		return waitConfig
	case !s.now.up:
		return waitLink
	case !s.now.sampled || s.Ledger.Seen == nil:
		return waitSample
	case s.now.at.Mono-s.now.sampleAt > s.Ledger.Settings.Fresh:
		return waitStale
	}
	return ""
}

// intend sends the next move of a proposal. Of several the next follows only once
// the one before was read back: a failed one stops the rest.
func (d *decision) intend(p *Open) {
	m := p.Moves[p.Done]
	e := Intended{Intent: Intent{
		ID: d.book().LastID + 1, Proposal: p.ID, Group: p.ID, Index: p.Done, Count: len(p.Moves), Loop: p.Loop,
		Register: m.Register, Old: m.Old, New: m.New, Tool: p.Tool, Gen: p.Gen, Program: p.Program,
		Epoch: d.s.now.epoch, SendBy: d.mono() + min(d.set().Fresh, d.left(p)),
	}}
	if p.Approval == nil {
		e.Charge = max(m.Size.Abs(), length.Nanometre)
		e.Unproven = !d.s.allProven(d.set().Loop(p.Loop))
	}
	d.emit(e)
}

// left returns for how long a proposal may still be sent.
func (d *decision) left(p *Open) int64 {
	return d.set().Loop(p.Loop).Bounds.Expires - d.s.ageOf(p)
}

// noise returns the estimate's standard deviation of one reading.
func (s *State) noise(loop string, c int) length.Length {
	e := s.estimateOf(loop, c)
	if e == nil {
		return 0
	}
	return fromMicrometres(e.forecast(0, 0).Noise)
}

// outcome takes what became of an intent's write.
func (d *decision) outcome(f Outcome) {
	b := d.s.bookOfIntent(f.Intent)
	if b != nil && !b.Doubtful { // else not ours, or already being classified by reading
		d.conclude(f, *b.Pending)
	}
	if f.Sample != nil {
		d.sample(*f.Sample)
	}
}

func (d *decision) conclude(f Outcome, in Intent) {
	switch f.Result {
	case NotSent, Refused, Differs, Unknown:
	case Applied:
		if f.Read != in.New {
			f.Result = Differs
		}
	default:
		f.Result = Unknown
	}
	e := Concluded{Outcome: f, Loop: in.Loop, Register: in.Register}
	e.Text, e.Sample = clip(f.Text), nil
	e.Again = f.Result == NotSent && d.again(in)
	e.More = f.Result == Applied && d.follows(in)
	d.ended(e, in)
}

// open reports whether what became of a write is still to be seen: no answer, or
// one after which it may yet take effect.
func (e *Concluded) open() bool { return e.Result == Unknown || e.Result == Differs && !e.Late }

// follows reports whether the next move of a correction may follow the one that
// was just read back.
func (d *decision) follows(in Intent) bool {
	p := d.s.proposal(in.Proposal)
	return p != nil && p.Done+1 < len(p.Moves) && d.s.HoldOn(p.Loop) == nil && d.set().Digest(p.Loop) == p.Settings && !d.expired(p)
}

// ended records what became of a write, and holds the loop when it went wrong or
// left a correction half done.
func (d *decision) ended(e Concluded, in Intent) {
	done, moves := 0, 0
	if p := d.s.proposal(in.Proposal); p != nil {
		done, moves = p.Done, len(p.Moves)
	}
	if e.Result == Applied {
		done++
	}
	d.emit(e)
	switch e.Result {
	case Unknown:
		return
	case Applied:
		if l := d.set().Loop(in.Loop); l != nil {
			d.swings(l)
		}
	case Refused:
		d.hold(in.Loop, causeWriteRefused, e.Text, Setter)
	case Differs:
		d.hold(in.Loop, causeDiffers, e.Text, Setter)
		if !e.Late {
			return // it is classified by reading, once it can take no effect any more
		}
	}
	if !e.More && !e.Again && 0 < done && done < moves {
		d.hold(in.Loop, causeHalfDone, in.Register, Setter)
	}
}

// void ends a proposal that has not been sent. When some of its moves were made
// already the loop is on hold until somebody has looked.
func (d *decision) void(p *Open, v Voided) {
	v.Proposal, v.Loop = p.ID, p.Loop
	d.emit(v)
	if p.Done > 0 {
		d.hold(p.Loop, causeHalfDone, p.Moves[p.Done-1].Register, Setter)
	}
}

// again reports whether an approved change that never left may be tried again: it
// is what was approved still, and only the moment was wrong. An automatic one is
// worked out anew from the next reading instead.
func (d *decision) again(in Intent) bool {
	p := d.s.proposal(in.Proposal)
	switch {
	case p == nil || p.Approval == nil || p.Tries >= maxTries:
		return false
	case d.s.HoldOn(p.Loop) != nil || d.set().Digest(p.Loop) != p.Settings || d.expired(p):
		return false
	}
	// What a look at the machine has shown since then was no reason to end a change under way.
	b, seen := d.s.book(in.Register), d.book().Seen
	return b != nil && b.Value == in.Old && d.s.sameTool(&in) && (in.Program == "" || seen == nil || seen.Program == in.Program)
}
