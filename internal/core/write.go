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
			d.emit(Voided{Proposal: p.ID, Loop: p.Loop, Cause: c})
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
	l, m := d.set().Loop(p.Loop), p.Moves[0]
	book := d.s.book(m.Register)
	switch {
	case book.Spent+m.Size.Abs() > l.Bounds.Travel:
		return guard.Budget
	case book.Unproven >= maxUnproven && !d.s.loopBook(p.Loop).Response.Proven(d.s.noise(p.Loop)):
		return guard.Unproven
	}
	return ""
}

// waiting says why a proposal cannot be sent just now, "" when it can. It clears
// by itself once the inputs are verified again.
func (s *State) waiting(p *Open) Code {
	l := s.Ledger.Settings.Loop(p.Loop)
	if w := s.situationOf(); w != "" {
		return w
	}
	seen := s.Ledger.Seen
	_, tool := s.toolOf(l)
	book := s.loopBook(p.Loop)
	for _, m := range p.Moves {
		b := s.book(m.Register)
		switch {
		case b.Pending != nil && b.Doubtful:
			return waitUnknown
		case b.Pending != nil:
			return waitInFlight
		case !b.Known || b.Value != m.Old || seen.Registers[s.Ledger.Settings.registerIndex(m.Register)] != m.Old:
			return waitForeign
		case p.Approval == nil && b.LastMove >= seen.Counter && b.LastMove > 0: // one move per register per new part
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
	case p.Approval == nil && book.Acted >= book.Evidence:
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

func (d *decision) intend(p *Open) {
	for i, m := range p.Moves {
		e := Intended{Intent: Intent{
			ID: d.book().LastID + 1, Proposal: p.ID, Group: p.ID, Index: i, Count: len(p.Moves), Loop: p.Loop,
			Register: m.Register, Old: m.Old, New: m.New, Tool: p.Tool, Gen: p.Gen, Program: p.Program,
			Epoch: d.s.now.epoch, SendBy: d.mono() + min(d.set().Fresh, d.left(p)),
		}}
		if p.Approval == nil {
			e.Charge = max(m.Size.Abs(), length.Nanometre)
			if b := d.s.loopBook(p.Loop); !b.Response.Proven(d.s.noise(p.Loop)) {
				e.Unproven = true
			}
		}
		d.emit(e)
	}
}

// left returns for how long a proposal may still be sent.
func (d *decision) left(p *Open) int64 {
	return d.set().Loop(p.Loop).Bounds.Expires - d.s.ageOf(p)
}

// noise returns the estimate's standard deviation of one reading.
func (s *State) noise(loop string) length.Length {
	e := s.estimateOf(loop, 0)
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
	e.Again = f.Result == NotSent && d.again(in, f.Code)
	d.emit(e)
	switch f.Result {
	case Refused:
		d.hold(in.Loop, causeWriteRefused, f.Text, Setter)
	case Differs:
		d.hold(in.Loop, causeDiffers, f.Text, Setter)
	}
}

// again reports whether an approved change that never left may be tried again: it
// is what was approved still, and only the moment was wrong. An automatic one is
// worked out anew from the next reading instead.
func (d *decision) again(in Intent, c Code) bool {
	p := d.s.proposal(in.Proposal)
	switch {
	case p == nil || p.Approval == nil || p.Tries >= maxTries:
		return false
	case d.s.HoldOn(p.Loop) != nil || d.set().Digest(p.Loop) != p.Settings || d.expired(p):
		return false
	}
	return c != NotSentRegister && c != NotSentTool && c != NotSentProgram && c != NotSentIdentity
}
