package core

import (
	"slices"

	"offsetbridge/internal/compensate"
)

func (s *State) applyVoided(e Voided) {
	p := s.proposal(e.Proposal)
	l := s.Ledger.Settings.Loop(e.Loop)
	no := e.Cause == causeRejected || e.Cause == causeExpired && p != nil && p.Trigger != "" // nothing new asks for it again
	if no && p != nil && l != nil {
		s.loopBook(e.Loop).Rejected = s.after(l, p.Moves)
	}
	s.remove(e.Proposal)
}

func (s *State) remove(id uint64) {
	s.Ledger.Proposals = slices.DeleteFunc(s.Ledger.Proposals, func(p Open) bool { return p.ID == id })
}

func (s *State) applyIntended(e Intended) {
	g := &s.Ledger
	g.LastID = max(g.LastID, e.Intent.ID)
	b := s.book(e.Register)
	in := e.Intent
	b.Pending, b.Charge, b.Doubtful = &in, e.Charge, false
	b.Spent += e.Charge
	b.Recent += e.Charge
	if e.Unproven {
		b.Unproven++
	}
	if g.Seen != nil {
		b.LastMove = g.Seen.Counter
	}
	l := s.loopBook(e.Intent.Loop)
	l.Acted = l.Evidence
	if p := s.proposal(e.Proposal); p != nil {
		p.Status = Sent
		b.Moved = p.Minute
		p.Tries++
	}
}

func (s *State) applyConcluded(e Concluded) {
	b := s.bookOfIntent(e.Outcome.Intent)
	if b == nil {
		return
	}
	in := *b.Pending
	if e.open() {
		if b.Doubtful = true; e.Result == Differs {
			b.Value = e.Read
		}
		return
	}
	alone := b.Charge > 0
	b.Pending, b.Charge, b.Doubtful = nil, 0, false
	l := s.Ledger.Settings.Loop(in.Loop)
	switch e.Result {
	case Applied:
		if l != nil && s.sameTool(&in) && in.Index == 0 {
			s.remember(l, in.Register, in.Old)
		}
		b.Value = in.New
		if b.Alone = 0; alone {
			b.Alone = in.New - in.Old
		}
		if l != nil && s.sameTool(&in) { // else the tool was changed meanwhile, and its first part is still to come
			p := s.proposal(in.Proposal)
			b.added(l.cutsMore(in.Register, in.New-in.Old), p)
			if r := s.Ledger.Settings.Register(in.Register); r != nil {
				b.Swing.swung(in.New-in.Old, r.Step)
			}
			if p != nil && p.Trigger == kindPutBack { // the same change does not come back until something changes
				s.loopBook(in.Loop).Rejected = s.loopBook(in.Loop).Before
			}
			if !e.More && (p == nil || p.Trigger != kindReturn && p.Trigger != kindStepTest) { // neither brings a size to its aim by what was measured
				s.loopBook(in.Loop).First = false
			}
		}
	case Differs:
		b.Value = e.Read
	}
	if p := s.proposal(in.Proposal); p != nil && (e.Again || e.More) {
		p.Status = Ready
		if e.More {
			p.Done, p.Tries = p.Done+1, 0
		}
		return
	}
	s.remove(in.Proposal)
}

// sameTool reports whether the tool is still the one that an intent was decided
// for.
func (s *State) sameTool(in *Intent) bool {
	i := s.Ledger.Settings.toolIndex(in.Tool)
	if slices.ContainsFunc(s.Ledger.Renewed, func(r Renewed) bool { return r.Tool == in.Tool && in.ID <= r.After }) {
		return false
	}
	return i < 0 || s.Ledger.Seen == nil || s.Ledger.Seen.Tools[i] == in.Gen
}

func (s *State) bookOfIntent(id uint64) *RegisterBook {
	for i := range s.Ledger.Registers {
		if b := &s.Ledger.Registers[i]; b.Pending != nil && b.Pending.ID == id {
			return b
		}
	}
	return nil
}

// applyResumed opens the loops of the scope again, with empty windows: what was
// counted before the hold counts no more, except budgets.
func (s *State) applyResumed(e Resumed) {
	g := &s.Ledger
	g.Holds = slices.DeleteFunc(g.Holds, func(h Held) bool { return h.Loop == e.Loop && h.Cause == e.Cause })
	for i := range g.Loops {
		if b := &g.Loops[i]; e.Loop == "" || b.Name == e.Loop {
			b.Odd = 0
			if e.Cause == causeRefused { // a larger change than anybody may approve is a new set-up
				b.First = true
			}
			for k := range b.Sizes {
				b.Sizes[k].Used, b.Sizes[k].Contrary, b.Sizes[k].Last, b.Sizes[k].Surprise, b.Sizes[k].Beyond = 0, 0, Last{}, Surprise{}, Beyond{}
				if e.Cause == causeResponse {
					s.estimateOf(b.Name, k).resumed()
					b.Sizes[k].Response, b.Sizes[k].Recuts = compensate.Response{}, compensate.Response{}
				}
			}
		}
	}
	if l := g.Settings.Loop(e.Loop); l != nil && e.Cause == causeSwing {
		for _, name := range l.Registers {
			s.book(name).Swing = Swing{}
		}
	}
	if e.Cause == causeBeyond {
		s.forget(e.Loop)
	}
	if e.Cause == causeFrozen { // a person looked: it has to show the same number as often again
		for i := range g.Gauges {
			g.Gauges[i].Trust.Run = 0
		}
	}
}
