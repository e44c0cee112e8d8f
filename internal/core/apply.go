package core

import (
	"fmt"
	"slices"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/estimate"
	"offsetbridge/internal/length"
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
		s.admitted(e.Reading)
		s.shown(e.Reading)
		g.Waiting = push(g.Waiting, e.Reading, maxWaiting)
	case Judged:
		s.applyJudged(e)
	case Proposed:
		g.LastID = max(g.LastID, e.ID)
		status := Ready
		if e.Need != "" {
			status = Pending
		}
		g.Proposals = append(g.Proposals, Open{Proposal: e.Proposal, Status: status})
		s.askedOf(&e.Proposal)
		s.loopBook(e.Loop).Back = false
	case Voided:
		s.applyVoided(e)
	case Approved:
		p := s.proposal(e.Proposal)
		p.Status, p.Approval = Ready, &e.Who
		s.looked(p)
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
		g.Tasks = slices.DeleteFunc(g.Tasks, func(t Task) bool { return t.Gauge == e.Gauge })
		if e.Part != "" || e.Ring != "" {
			g.Tasks = push(g.Tasks, e.Task, maxTasks)
		}
	case Checked:
		s.applyChecked(e)
	case Dated:
		g.OutOfDate = e.Dates
	case Unplaced:
		g.Tray, g.LastTray = push(g.Tray, e, maxMachineTray), max(g.LastTray, e.ID)
	case Assigned:
		g.Plant = max(g.Plant, e.Record)
		if e.Record == 0 {
			g.Tray = without(g.Tray, e.Item)
		}
	case Asked:
		s.applyAsked(e)
	case AskEnded:
		s.applyAskEnded(e)
	case Plugged:
		s.applyPlugged(e)
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

func push[T any](list []T, v T, most int) []T {
	if len(list) >= most {
		copy(list, list[len(list)-most+1:])
		list = list[:most-1]
	}
	return append(list, v)
}

func (s *State) applyConfigured(e Configured) {
	g := &s.Ledger
	old := g.Settings
	g.Settings = e.Settings
	for _, r := range e.Settings.Registers {
		if s.book(r.Name) == nil {
			g.Registers = append(g.Registers, RegisterBook{Identity: e.Settings.Identity, Node: r.Node})
		}
	}
	loops, filters := g.Loops, s.Estimates
	if !sameColumns(&old, &e.Settings) {
		// Records would be read by the wrong column, and a tool may have been
		// changed meanwhile.
		g.Cuts, g.Seen, g.Waiting = nil, nil, nil
		for i := range loops {
			loops[i].begin()
		}
	}
	g.Loops, s.Estimates = nil, nil
	for i := range e.Settings.Loops {
		l := &e.Settings.Loops[i]
		g.Loops = append(g.Loops, keepLoop(loops, l, e.Settings.Digest(l.Name)))
		for k := range l.Characteristics {
			kept := keepEstimate(filters, &e.Settings, l, k)
			if !kept.Filter.Started {
				g.Loops[i].begin()
			}
			s.Estimates = append(s.Estimates, kept)
		}
	}
}

func sameColumns(a, b *Settings) bool {
	return a.Identity == b.Identity && slices.Equal(a.Tools, b.Tools) &&
		slices.EqualFunc(a.Registers, b.Registers, func(x, y Register) bool { return x.Node == y.Node && x.Tool == y.Tool })
}

// keepLoop carries a loop's account over a change of configuration. What was
// learned about its response stays only while the loop is the same.
func keepLoop(books []LoopBook, l *Loop, digest string) LoopBook {
	for _, b := range books {
		if b.Name == l.Name {
			if b.Digest != digest { // commands were reckoned with the old effects
				loose := 0 // the estimates may stay, and with them what they rest on
				for i := range b.Sizes {
					loose = max(loose, b.Sizes[i].Loose)
				}
				b.Digest, b.Rejected, b.Sizes = digest, nil, make([]SizeBook, len(l.Characteristics))
				for i := range b.Sizes {
					b.Sizes[i].Loose = loose
				}
				b.Parts, b.Asked = 0, 0
			}
			return b
		}
	}
	return LoopBook{Name: l.Name, Digest: digest, First: true, Sizes: make([]SizeBook, len(l.Characteristics))}
}

// keepEstimate carries an estimate over as long as its readings mean the same: from
// the same aim, by the same effects of the same registers, cut by the same program.
func keepEstimate(old []Estimate, set *Settings, l *Loop, k int) Estimate {
	c := &l.Characteristics[k]
	var nodes []string
	for _, r := range l.Registers {
		nodes = append(nodes, set.Register(r).Node)
	}
	d := digest(struct {
		Aim      length.Length
		Effects  []Effect
		Damping  float64
		Identity string
		Nodes    []string
		Program  string
		Means    any
	}{c.Aim, l.Effects[k], l.Damping, set.Identity, nodes, l.Program, set.meaning(c)})
	for _, e := range old {
		if e.Loop == l.Name && e.Characteristic == c.Name && e.Digest == d {
			return e
		}
	}
	return Estimate{Loop: l.Name, Characteristic: c.Name, Digest: d, Filter: estimate.New(estimateSettings(set, l, k)), Rivals: rivals(estimateSettings(set, l, k))}
}

// begin marks that no part has proven the size yet.
func (b *LoopBook) begin() {
	b.First, b.Back, b.Rejected = true, false, nil
	for i := range b.Sizes {
		b.Sizes[i].Used, b.Sizes[i].Last, b.Sizes[i].Surprise = 0, Last{}, Surprise{}
	}
}

// applyCountBack forgets what is known by count: the same numbers come again for
// other parts.
func (s *State) applyCountBack(count uint64) {
	g := &s.Ledger
	g.Cuts, g.Pairs = nil, nil
	for i := range g.Registers {
		b := &g.Registers[i]
		b.LastMove, b.Foreign = min(b.LastMove, count), nil
	}
	for i := range g.Loops {
		g.Loops[i].begin()
		l := g.Settings.Loop(g.Loops[i].Name)
		for k := range l.Characteristics {
			e, set := s.estimateOf(l.Name, k), estimateSettings(&g.Settings, l, k)
			e.Filter = estimate.New(set)
			if e.Rivals != nil {
				e.Rivals = rivals(set)
			}
		}
	}
}

func (s *State) applyRecorded(e Recorded) {
	g := &s.Ledger
	n := len(g.Cuts)
	if n > 0 && g.Cuts[n-1].Count == e.Count { // what was recorded is in doubt after all
		e.Measured = g.Cuts[n-1].Measured
		g.Cuts[n-1] = e.Cut
		return
	}
	if n > 0 {
		s.stoodStill(e.Minute-g.Cuts[n-1].Minute, e.Count)
	}
	g.Cuts = push(g.Cuts, e.Cut, maxCuts)
	s.cutFor(&e.Cut)
}

// A pause between two cuts is a standstill when it is longer than several
// ordinary ones and long enough for a machine to cool (common practice, no
// source).
const (
	stopCycles  = 3
	stopMinutes = 5.0
)

// stoodStill learns the ordinary time from cut to cut, and tells the estimates of
// a pause that is none: the machine cooled meanwhile.
func (s *State) stoodStill(minutes float64, next uint64) {
	g := &s.Ledger
	if g.Cycle > 0 && minutes > stopMinutes && minutes > stopCycles*g.Cycle {
		for i := range s.Estimates {
			s.Estimates[i].note(estimate.Event{Kind: estimate.Stop, Part: int64(next), Minutes: minutes - g.Cycle})
		}
		return
	}
	if g.Cycle == 0 {
		g.Cycle = minutes
	}
	g.Cycle += 0.1 * (minutes - g.Cycle)
}

func (s *State) applySeen(e Seen) {
	if p := s.Ledger.Seen; p != nil && e.Counter < p.Counter {
		s.applyCountBack(e.Counter)
	}
	s.Ledger.Seen = &e
	for i := range s.Ledger.Settings.Registers {
		b := s.book(s.Ledger.Settings.Registers[i].Name)
		if !b.Known {
			b.Known, b.Value = true, e.Registers[i]
		}
		if b.Pending == nil {
			b.Recent = 0
		}
	}
}

func (s *State) applyMoved(e Moved) {
	b := s.book(e.Register)
	b.Value, b.Own = e.New, 0
	b.Foreign = push(b.Foreign, e.Count, 2)
	for i := range s.Ledger.Loops {
		if l := s.Ledger.Settings.Loop(s.Ledger.Loops[i].Name); slices.Contains(l.Registers, e.Register) {
			s.Ledger.Loops[i].Rejected, s.Ledger.Loops[i].Back = nil, false // what a person sets for a new tool stands
		}
	}
}

func (s *State) applyTool(e ToolChanged) {
	g := &s.Ledger
	for i := range g.Settings.Registers {
		if r := &g.Settings.Registers[i]; r.Tool == e.Tool && e.New > e.Old { // a generation that went back is no new tool
			b := s.book(r.Name)
			b.Spent, b.Own, b.LastMove = b.Recent, 0, 0 // what was sent after the last look counts for the new tool
		}
	}
	for i := range g.Loops {
		l := g.Settings.Loop(g.Loops[i].Name)
		if !slices.ContainsFunc(l.Registers, func(r string) bool { return g.Settings.Register(r).Tool == e.Tool }) {
			continue
		}
		back := e.New > e.Old && !g.Loops[i].First && !s.preset(l)
		g.Loops[i].begin()
		g.Loops[i].Back = back
		g.Loops[i].news()
		for k := range l.Characteristics {
			s.estimateOf(l.Name, k).note(estimate.Event{Kind: estimate.ToolChange, Part: int64(g.Seen.Counter) + 1})
		}
	}
}

// preset reports whether somebody has set a register of the loop by hand since the
// last part was counted.
func (s *State) preset(l *Loop) bool {
	return slices.ContainsFunc(l.Registers, func(name string) bool {
		f := s.book(name).Foreign
		return len(f) > 0 && f[len(f)-1] >= s.Ledger.Seen.Counter
	})
}

// admitted remembers the identity of a reading, so that it is used once.
func (s *State) admitted(r Reading) {
	if r.Sequence == 0 {
		return
	}
	if g := s.gauge(r.Gauge); r.Sequence > g.Last {
		g.Last = r.Sequence
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
		s.admitted(e.Reading)
		if !e.Waited && e.Admit != codeRepeated && e.Admit != codeLate && e.Admit != codeNotProduction {
			s.shown(e.Reading)
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
	b.Odd = 0
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
	if e.Estimate == codeSuspect || e.Estimate == codeIgnored {
		if e.Recut {
			s.recut(&b.Sizes[c], &e)
		}
		return
	}
	b.Evidence++
	b.Back, b.Loose = false, e.NoIdent
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
	b.Pending, b.Charge, b.Doubtful = nil, 0, false
	l := s.Ledger.Settings.Loop(in.Loop)
	switch e.Result {
	case Applied:
		b.Value = in.New
		if l != nil && s.sameTool(&in) { // else the tool was changed meanwhile, and its first part is still to come
			p := s.proposal(in.Proposal)
			b.added(l.cutsMore(in.Register, in.New-in.Old), p)
			if !e.More && (p == nil || p.Trigger != kindReturn) { // a tool that returned has proven no size
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
				b.Sizes[k].Used, b.Sizes[k].Contrary, b.Sizes[k].Last, b.Sizes[k].Surprise = 0, 0, Last{}, Surprise{}
				if e.Cause == causeResponse {
					s.estimateOf(b.Name, k).resumed()
					b.Sizes[k].Response, b.Sizes[k].Recuts = compensate.Response{}, compensate.Response{}
				}
			}
		}
	}
	if e.Cause == causeFrozen { // a person looked: it has to show the same number as often again
		for i := range g.Gauges {
			g.Gauges[i].Trust.Run = 0
		}
	}
}

// estimateSettings says in the estimator's words what is known beforehand.
func estimateSettings(set *Settings, l *Loop, k int) estimate.Settings {
	var repeat length.Length
	for _, u := range l.Characteristics[k].Gauges {
		if t := set.trust(u.Gauge); t != nil {
			repeat = max(repeat, t.Repeat)
		}
	}
	return estimate.Settings{
		GaugeSigma:    repeat.Micrometres(),
		HalfTolerance: l.Characteristics[k].Tolerance().Micrometres() / 2,
		Weight:        l.Damping,
	}
}
