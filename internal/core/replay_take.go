package core

import (
	"math"
	"slices"

	"offsetbridge/internal/length"
)

// take does with one recorded event what the replay would have made of it.
func (r *Replay) take(d *decision, e Event, out *Again) {
	switch e := e.(type) {
	case Begun:
		d.emit(e)
		for _, p := range d.open() {
			if p.Status == Ready {
				d.emit(Voided{Proposal: p.ID, Loop: p.Loop, Cause: causeRestart})
			}
		}
	case Configured:
		r.reconfigured(e)
	case Linked:
		r.s.now.up = e.Up
		if e.Up {
			r.step(d, Tick{})
		}
	case Recorded:
		r.recorded(d, e)
	case Seen:
		r.look(d, e)
	case Moved:
		r.moved(d, e)
	case ToolChanged:
		if r.s.Ledger.Settings.toolIndex(e.Tool) >= 0 && r.s.Ledger.Seen != nil {
			d.emit(e)
			d.voidWhere(causeTool, func(p *Open) bool { return p.Tool == e.Tool })
		}
	case Waits:
		r.step(d, e.Reading)
	case Judged:
		r.judged(d, e, out)
	case Held:
		r.held(d, e)
	case Resumed:
		if r.s.heldBy(e.Loop, e.Cause) != nil {
			d.emit(e)
		}
	case Concluded:
		r.concluded(d, e)
	case Proposed:
		if e.From != 0 {
			r.lowered(d, e)
			break
		}
		r.rethought(d, e)
		r.twin(e)
	case Approved, Voided:
		r.answered(d, e)
	default:
		r.other(d, e)
	}
}

// other takes what bears on gauges and identities.
func (r *Replay) other(d *decision, e Event) {
	switch e := e.(type) {
	case Checked:
		f := FromPlant{Record: e.Record, Age: int64(math.Round((d.minute() - e.Minute) * 60_000)), Event: RingChecked{e.Check}}
		if e.Adjusted {
			f.Event = Set{e.Check}
		}
		r.step(d, f)
	case Dated:
		r.step(d, e.Dates)
	case Paired:
		d.emit(e)
	case Tasked:
		d.emit(e)
	case Assigned, Discarded, RingRead:
		d.emit(e)
	default:
		r.byHand(d, e)
	}
}

// reconfigured follows a change of the record's columns: the numbers that follow
// are another machine's, or of a table that was rearranged.
func (r *Replay) reconfigured(e Configured) {
	if r.was.Machine == "" || sameColumns(&r.was, &e.Settings) {
		return
	}
	g := &r.s.Ledger
	g.Cuts, g.Seen, g.Waiting = nil, nil, nil
	r.cuts, r.seen, r.now = nil, nil, nil
	for i := range g.Loops {
		g.Loops[i].begin()
	}
}

// recorded cuts a part of the record with the registers of the replay.
func (r *Replay) recorded(d *decision, e Recorded) {
	c := e.Cut
	r.cutting = false
	if slices.Contains(d.set().Lacks, LacksCounter) {
		return // its reading makes the record
	}
	if last := len(r.cuts) - 1; last >= 0 && r.cuts[last].Count == c.Count { // in doubt after all
		r.cuts = r.cuts[:last]
	}
	here := at(r.columns, c.Registers, 0)
	for i := range d.set().Registers {
		b := d.s.book(d.set().Registers[i].Name)
		if !b.Known {
			continue
		}
		here[i] = b.Value
		if k := r.columns[i]; k >= 0 && k < min(len(r.now), len(c.Registers)) && r.hands[k] != 0 && c.Registers[k]+r.hands[k] == r.now[k] {
			here[i] -= r.handed[i] // typed while it was cut: it acts on the next
		}
	}
	c.Registers, c.Tools, c.Measured = here, at(r.tools, c.Tools, -1), nil
	d.emit(Recorded{Cut: c, Still: e.Still})
}

func (r *Replay) look(d *decision, e Seen) {
	prev := d.book().Seen
	e.Tools = at(r.tools, e.Tools, -1)
	e.Registers = at(r.columns, e.Registers, 0)
	d.emit(r.show(e))
	r.situate(d.mono(), d.s.now.at.Wall)
	if prev != nil && prev.Program != e.Program {
		d.voidWhere(causeProgram, func(p *Open) bool { return p.Program != "" && p.Program != e.Program })
	}
	r.step(d, Tick{})
	if !e.Cutting {
		r.goBack(d)
	}
}

// goBack lets registers whose tool was changed go back to where tools start.
func (r *Replay) goBack(d *decision) {
	for i := range d.set().Loops {
		if l := &d.set().Loops[i]; d.s.loopBook(l.Name).Back && d.thinks(l) {
			d.reconsider(l, kindReturn)
		}
	}
	d.dispatch()
}

// rethought works out anew what the record worked out without a reading, at the
// same moment. What a machine that stood still would have been given at other
// moments under other settings is not known.
func (r *Replay) rethought(d *decision, e Proposed) {
	l := d.set().Loop(e.Loop)
	if e.By != nil {
		r.wished(d, e)
		return
	}
	if l == nil || !d.thinks(l) || e.Trigger == "" || e.Trigger == kindReturn && !d.s.loopBook(l.Name).Back {
		return
	}
	d.reconsider(l, e.Trigger)
	d.dispatch()
}

// wished asks here for what a person asked for.
func (r *Replay) wished(d *decision, e Proposed) {
	switch e.Trigger {
	case kindPutBack:
		r.step(d, PutBack{Loop: e.Loop, Who: *e.By})
	case kindStepTest:
		r.step(d, StepTest{Loop: e.Loop, Register: e.Moves[0].Register, Size: e.Size, Who: *e.By})
	}
}

// moved does here what a hand did at the machine.
func (r *Replay) moved(d *decision, e Moved) {
	k := r.was.registerIndex(e.Register)
	i := slices.Index(r.columns, k)
	if k < 0 || i < 0 {
		return
	}
	name := d.set().Registers[i].Name
	b := d.s.book(name)
	if !b.Known {
		return
	}
	v := b.Value + e.New - e.Old
	if l := d.owner(name); e.New == 0 || l != nil && d.s.unmeasured(l.Name) {
		v = e.New
	}
	v = max(-length.Max, min(v, length.Max))
	r.hands[k] += e.New - e.Old
	r.handed[i] += v - b.Value
	d.emit(Moved{Register: name, Old: b.Value, New: v, Count: e.Count})
	d.voidWhere(causeForeign, func(p *Open) bool { return p.moves(name) })
}

// unmeasured reports whether no reading was used since the loop's tool was set up.
func (s *State) unmeasured(loop string) bool {
	b := s.loopBook(loop)
	return b.First && !slices.ContainsFunc(b.Sizes, func(z SizeBook) bool { return z.Used > 0 })
}

// judged judges a reading of the record anew, as its size would have been.
func (r *Replay) judged(d *decision, e Judged, out *Again) {
	r.cutting = e.Cutting
	r.s.now.permitted = !e.Cutting
	reading := e.Reading
	if e.Admit == "" && e.Attribute == "" {
		var shift, alone length.Length
		if shift, alone, out.Sized = r.shift(d, &e); out.Sized {
			out.Size, out.Alone = e.size()+shift, e.size()+alone
			reading.Value += shift
			out.Sized = e.Gather == "" // of several readings the last one tells the size
		}
	}
	if !e.Waited {
		r.step(d, reading)
		if !e.Cutting {
			r.goBack(d)
		}
		return
	}
	w := d.book().Waiting
	i := slices.IndexFunc(w, func(o Reading) bool { return same(o, e.Reading) })
	switch {
	case i < 0:
	case e.Attribute == codeNoRecord:
		d.noRecord(w[i])
	default:
		w[i].Value = reading.Value
		d.judge(w[i], true)
		d.expire()
		d.dispatch()
	}
}

// shift returns by how much a size differs from the recorded one: as the replay cut
// it, and as it would have come out had no register moved.
func (r *Replay) shift(d *decision, e *Judged) (shift, alone length.Length, ok bool) {
	l, c := d.set().Find(e.Reading.Characteristic)
	k := slices.IndexFunc(r.cuts, func(o Cut) bool { return o.Count == e.Count })
	if l == nil || k < 0 || !r.Reads(l) || r.still == nil {
		return 0, 0, false
	}
	var here []length.Length
	if cut := d.s.cut(e.Count); cut != nil {
		here = cut.Registers
	} else if d.book().Seen != nil && slices.Contains(d.set().Lacks, LacksCounter) {
		here = d.book().Seen.Registers
	}
	if here == nil {
		return 0, 0, false
	}
	row := r.cuts[k].Registers
	for i, name := range l.Registers {
		x := d.set().registerIndex(name)
		if k := r.columns[x]; k >= len(r.still) || k >= len(row) {
			return 0, 0, false
		}
		was := row[r.columns[x]]
		shift += l.Effects[c][i].Of(here[x]) - l.Effects[c][i].Of(was)
		alone += l.Effects[c][i].Of(r.still[r.columns[x]]) - l.Effects[c][i].Of(was)
	}
	return shift, alone, true
}

// concluded answers the same write as the machine answered it in the record.
func (r *Replay) concluded(d *decision, e Concluded) {
	k := slices.IndexFunc(r.sent, func(in Intent) bool { return in.ID == e.Outcome.Intent })
	if k < 0 {
		return
	}
	for i := range r.s.Ledger.Registers {
		b := &r.s.Ledger.Registers[i]
		if b.Pending == nil || !b.Pending.likewise(r.sent[k]) {
			continue
		}
		o := e.Outcome
		o.Intent = b.Pending.ID
		if !e.Late {
			r.step(d, o)
		} else if b.Doubtful || e.Result == Applied {
			e.Outcome, e.Loop = o, b.Pending.Loop
			d.emit(e)
			d.dispatch()
		}
		return
	}
}

// held takes over a hold that no reading caused.
func (r *Replay) held(d *decision, e Held) {
	switch {
	case e.Who == nil && slices.Contains(causedByReadings, e.Cause), e.Loop != "" && d.set().Loop(e.Loop) == nil:
		return
	case r.s.heldBy(e.Loop, e.Cause) != nil:
		return
	}
	d.emit(e)
	d.voidUnsent(e.Loop, causeHeld)
}

// causedByReadings are the holds that the core finds by itself in the readings.
var causedByReadings = []Code{causeImplausible, causeResponse, causeRefused, causeFrozen, causeBeyond, causeSwing}

// twin finds the card of the replay that asks the same as one of the record.
func (r *Replay) twin(e Proposed) {
	p := r.s.proposalOf(e.Loop)
	if e.Need == "" || p == nil || p.Status != Pending || p.Count != e.Count || !slices.EqualFunc(p.Moves, e.Moves, func(a, b Move) bool {
		return a.Register == b.Register && a.New == b.New && a.Old == b.Old
	}) {
		return
	}
	r.asked = push(r.asked, asked{p.ID, e.ID}, maxColumns)
}

// answered takes over what a person said to the same card, and its expiry.
func (r *Replay) answered(d *decision, e Event) {
	find := func(recorded uint64) *Open {
		i := slices.IndexFunc(r.asked, func(a asked) bool { return a.recorded == recorded })
		if i < 0 {
			return nil
		}
		p := r.s.proposal(r.asked[i].id)
		r.asked = slices.Delete(r.asked, i, i+1)
		return p
	}
	switch e := e.(type) {
	case Approved:
		if p := find(e.Proposal); p != nil && p.Status == Pending {
			r.step(d, Approve{Proposal: p.ID, Digest: p.Digest, Who: e.Who})
		}
	case Voided:
		if e.Cause == causeLowered {
			return // what was proposed in its place follows
		}
		if p := find(e.Proposal); p != nil && p.Status == Pending && (e.Cause == causeRejected || e.Cause == causeExpired || e.Cause == causeNotNeeded) {
			e.Proposal = p.ID
			d.emit(e)
		}
	}
}

// decideCards gives every card its yes that the record does not answer, once it has
// waited as long as a person takes.
func (r *Replay) decideCards(d *decision) {
	for _, p := range d.open() {
		if p.Status != Pending || slices.ContainsFunc(r.asked, func(a asked) bool { return a.id == p.ID }) {
			continue
		}
		i := slices.IndexFunc(r.waits, func(w waits) bool { return w.loop == p.Loop })
		if i < 0 {
			r.waits = append(r.waits, waits{p.Loop, p.Count})
			i = len(r.waits) - 1
		}
		if seen := d.book().Seen; r.answer > 0 && (seen == nil || seen.Counter < r.waits[i].count+r.answer) {
			continue
		}
		r.step(d, Approve{Proposal: p.ID, Digest: p.Digest, Who: Person{Principal: "replay", Role: Engineer, Auth: "replay"}})
		r.carryOut(d)
	}
	r.waits = slices.DeleteFunc(r.waits, func(w waits) bool {
		p := r.s.proposalOf(w.loop)
		return p == nil || p.Status != Pending
	})
}
