package core

import (
	"fmt"
	"slices"
)

// Apply folds one event of the journal into the state. It decides nothing.
func (s *State) Apply(e Event) { s.apply(e) }

func (s *State) apply(e Event) {
	g := &s.Ledger
	switch e := e.(type) {
	case Begun:
		g.Epoch, g.Minute = e.Epoch, e.Minute
	case Configured:
		s.applyConfigured(e)
	case Seen:
		s.applySeen(e)
	case Recorded:
		s.applyRecorded(e)
	case Moved:
		s.applyMoved(e)
	case ToolChanged:
		s.applyTool(e)
	case Waits:
		s.applyWaits(e)
	case Judged:
		s.applyJudged(e)
	case Proposed:
		s.applyProposed(e)
	case Voided:
		s.applyVoided(e)
	case Approved:
		s.applyApproved(e)
	case Marked:
		s.applyMarked(e)
	case Intended:
		s.applyIntended(e)
	case Concluded:
		s.applyConcluded(e)
	case Held:
		g.Holds = append(g.Holds, e)
	case Resumed:
		s.applyResumed(e)
	case Paired:
		g.Pairs = push(g.Pairs, e.Pair, maxPairs)
	case Tasked:
		s.applyTasked(e)
	case Checked:
		s.applyChecked(e)
	case Dated:
		g.OutOfDate = e.Dates
	case Unplaced:
		g.Tray, g.LastTray = push(g.Tray, e, maxMachineTray), max(g.LastTray, e.ID)
	case Assigned:
		s.applyAssigned(e)
	case Asked:
		s.applyAsked(e)
	case AskEnded:
		s.applyAskEnded(e)
	case Typed:
		s.applyTyped(e)
	case FirstCut:
		s.applyFirstCut(e)
	case Plugged:
		s.applyPlugged(e)
	case FirstOff:
		s.applyFirstOff(e)
	case Discarded:
		g.Tray = without(g.Tray, e.Item)
	case Unfinished:
		s.applyUnfinished(e)
	case RingRead:
		s.applyRingRead(e)
	case Linked, Declined: // for the record only
	default:
		panic(fmt.Sprintf("core: event %T is not folded", e))
	}
}

func (s *State) applyWaits(e Waits) {
	s.admitted(e.Reading)
	s.shown(e.Reading)
	s.onward(e.Reading)
	s.Ledger.Waiting = push(s.Ledger.Waiting, e.Reading, maxWaiting)
}

func (s *State) applyProposed(e Proposed) {
	g := &s.Ledger
	g.LastID = max(g.LastID, e.ID)
	status := Ready
	if e.Need != "" {
		status = Pending
	}
	g.Proposals = append(g.Proposals, Open{Proposal: e.Proposal, Status: status})
	s.askedOf(&e.Proposal)
	s.loopBook(e.Loop).Back = false
}

func (s *State) applyApproved(e Approved) {
	p := s.proposal(e.Proposal)
	if e.Another {
		p.Agreed = &e.Who
		return
	}
	p.Status, p.Approval = Ready, &e.Who
	s.looked(p)
}

func (s *State) applyMarked(e Marked) {
	p := s.proposal(e.Proposal)
	if p == nil {
		return
	}
	if p.Again = nil; e.On {
		p.Again = &e.Who
	}
}

func (s *State) applyTasked(e Tasked) {
	g := &s.Ledger
	g.Tasks = slices.DeleteFunc(g.Tasks, func(t Task) bool { return t.Gauge == e.Gauge })
	if e.Part != "" || e.Ring != "" {
		g.Tasks = push(g.Tasks, e.Task, maxTasks)
	}
}

func (s *State) applyAssigned(e Assigned) {
	g := &s.Ledger
	g.Plant = max(g.Plant, e.Record)
	if e.Record == 0 {
		g.Tray = without(g.Tray, e.Item)
	}
}

func push[T any](list []T, v T, most int) []T {
	if len(list) >= most {
		copy(list, list[len(list)-most+1:])
		list = list[:most-1]
	}
	return append(list, v)
}

// admitted remembers the identity of a reading, so that it is used once.
func (s *State) admitted(r Reading) {
	if r.Sequence > 0 {
		s.gauge(r.Gauge).counts(r.Sequence)
	}
}

// same reports whether a and b are one delivery.
func same(a, b Reading) bool {
	return a.Gauge == b.Gauge && a.Sequence == b.Sequence && a.Characteristic == b.Characteristic &&
		a.Part == b.Part && a.Cut == b.Cut && a.Value == b.Value
}

func (s *State) applyJudged(e Judged) {
	g := &s.Ledger
	switch e.Admit {
	case codeNoCharacteristic, codeRetained, codeWrongGauge: // not a delivery that could be used, and its gauge may be any name
	default:
		if e.Waited {
			break // when it came
		}
		s.admitted(e.Reading)
		if e.Admit != codeRepeated && e.Admit != codeLate && e.Admit != codeNotProduction {
			s.shown(e.Reading)
		}
		if e.Admit == "" {
			s.onward(e.Reading)
		}
	}
	if e.Waited { // and not the same delivery once more, which waits on
		g.Waiting = slices.DeleteFunc(g.Waiting, func(r Reading) bool { return same(r, e.Reading) })
	}
	if e.Loop == "" {
		return
	}
	b := s.loopBook(e.Loop)
	if e.Gather != "" {
		s.applyGathered(&e)
		return
	}
	s.measuredAgain(&e)
	if e.Admit != "" || e.Attribute != "" {
		if e.Admit == codeImplausible {
			b.Odd++
		}
		if e.Attribute == codeOldTool {
			s.recall(&e)
		}
		s.measured(&e) // the part has had its reading, of use or not
		return
	}
	b.Odd, b.Silent, b.Unsized = 0, 0, 0
	s.relied(&e)
	_, c := g.Settings.Find(e.Reading.Characteristic)
	if b.Sizes[c].Newest = measuredOf(&e); e.Whole != nil {
		s.dropGathering(e.Reading.Characteristic, e.Reading.Gauge, e.Count)
	}
	if !e.live {
		s.observe(s.estimateOf(e.Loop, c), &e)
	}
	s.measured(&e)
	b.Sizes[c].surprised(&e)
	loop := g.Settings.Loop(e.Loop)
	b.Sizes[c].beyond(&e, &loop.Characteristics[c], s.command(loop, c))
	if e.Estimate == codeSuspect || e.Estimate == codeIgnored {
		if e.Recut {
			s.recut(&b.Sizes[c], &e)
		}
		return
	}
	b.Evidence++
	b.Back, b.Loose, b.Refused = false, e.NoIdent, e.Propose == codeRejectedBefore
	b.Sizes[c].use(&e)
	s.estimateOf(e.Loop, c).proved(&b.Sizes[c])
	b.Sizes[c].tie(e.NoIdent)
	switch {
	case e.Propose == codeDeadBand:
		b.First = false
	case e.Estimate == codeStep: // as after a tool change that nobody reported
		b.First = true
	}
}

// use takes one reading into the account of its characteristic.
func (b *SizeBook) use(e *Judged) {
	b.Used++
	if asked, _, ok := b.commanded(e); ok {
		b.Response.Add(asked, e.Seen, e.SeenSigma)
		switch {
		case asked == 0:
		case b.Response.Contrary():
			b.Contrary++
		default:
			b.Contrary = 0
		}
	}
	if e.Count >= b.Last.Count {
		b.Last = Last{Count: e.Count, Deviation: e.Deviation, Command: e.Command}
	}
}

// measured notes on its cut record that a characteristic has been read.
func (s *State) measured(e *Judged) {
	if cut := s.cut(e.Count); cut != nil && e.Count > 0 && !slices.Contains(cut.Measured, e.Reading.Characteristic) {
		cut.Measured = append(cut.Measured, e.Reading.Characteristic)
	}
}
