package core

import (
	"cmp"
	"slices"

	"offsetbridge/internal/length"
)

// PutBack asks for the register values that a loop had before its last change,
// whoever made that. It is a new correction like any other: bounded by the same
// guards, decided by a person, proven by reading back.
type PutBack struct {
	Loop string `json:"loop"`
	Who  Person `json:"who"`
}

func (PutBack) fact() {}

// kindPutBack is why a correction is proposed that a person asked for.
const kindPutBack Code = "put-back"

const declineNothing Code = "no-before"

func init() {
	words[kindPutBack] = "a person asked for the value of before"
	words[declineNothing] = "there is no earlier value of this tool to put back"
}

func (d *decision) putBack(f PutBack) {
	w := d.wished(f.Loop, kindPutBack, Operator, f.Who, d.s.cannotPutBack)
	if w.code == "" {
		w.judged.Moves = d.s.back(w.loop)
	}
	d.ask("put back", &w)
}

// wish is a correction that a person asks for, without a reading that does.
type wish struct {
	on     string
	kind   Code
	need   Role // who may ask, and at least approve
	who    Person
	code   Code // why it cannot be had
	loop   *Loop
	size   int // index of the first size that is steered
	judged Judged
	all    []prospect
}

func (d *decision) wished(loop string, kind Code, need Role, who Person, cannot func(*Loop) Code) wish {
	l := d.set().Loop(loop)
	w := wish{on: loop, kind: kind, need: need, who: who, loop: l}
	switch {
	case l == nil:
		w.code = declineNoLoop
	case !who.Role.May(need):
		w.code = declineRole
	default:
		w.code = cannot(l)
	}
	if w.code != "" {
		return w
	}
	w.size = slices.IndexFunc(l.Characteristics, func(c Characteristic) bool { return c.Priority.weight() > 0 })
	switch {
	case w.size < 0:
		w.code = codeNoEffect
	case !d.ready(l, w.size):
		w.code = codeFew
	default:
		w.judged = d.asked(l, w.size, kind)
		w.all, w.code = d.prospects(&w.judged, l, w.size)
	}
	return w
}

// ask proposes the moves of a wish like any other correction, or says why not.
func (d *decision) ask(what string, w *wish) {
	decline := func(c Code) {
		d.emit(Declined{What: what, Loop: w.on, Cause: c, Who: w.who})
	}
	if w.code != "" {
		decline(w.code)
		return
	}
	l, j := w.loop, &w.judged
	p := d.newProposal(j, l, w.size, w.all)
	p.By = &w.who
	d.bound(j, l, w.all, p)
	if j.Route == routeRefused {
		decline(j.Bound)
		return
	}
	p.Need, p.Reason = j.Need, cmp.Or(j.Bound, w.kind)
	if !p.Need.May(w.need) {
		p.Need, p.Reason = w.need, w.kind
	}
	d.two(l, p)
	if open := d.s.proposalOf(l.Name); open != nil {
		d.void(open, Voided{Cause: causeSuperseded})
	}
	d.emit(Proposed{*p})
}

func (d *decision) ready(l *Loop, c int) bool { f := d.forecast(l, c); return f.Ready }

// asked stands in for the reading that no correction of this kind has.
func (d *decision) asked(l *Loop, c int, kind Code) Judged {
	b, ch := d.s.loopBook(l.Name), &l.Characteristics[c]
	f := d.forecast(l, c)
	x := prospectOf(&f)
	j := Judged{
		kind: kind, Loop: l.Name, Count: b.Sizes[c].Last.Count, NoIdent: b.Loose,
		Drift: x.drift, Sigma: x.sigma, Noise: x.noise, Ratio: x.ratio,
		Reading: Reading{Characteristic: ch.Name, Value: ch.Aim + b.Sizes[c].Last.Deviation},
	}
	if seen := d.book().Seen; seen != nil {
		j.Count = max(j.Count, seen.Counter) // it expires by parts from now on
	}
	if len(ch.Gauges) > 0 {
		j.Reading.Gauge = ch.Gauges[0].Gauge
	}
	j.Reading.Part = partName("", j.Count)
	return j
}

// cannotAsk says why nobody can ask for a correction of a loop just now, "" when
// somebody can.
func (s *State) cannotAsk(l *Loop) Code {
	p := s.proposalOf(l.Name)
	switch {
	case l.Mode == Observe:
		return routeObserve
	case s.HoldOn(l.Name) != nil:
		return declineHeld
	case p != nil && (p.Status == Sent || p.Done > 0):
		return codeInFlight
	case p != nil && p.Approval != nil:
		return codeApprovedWaits
	case slices.ContainsFunc(l.Registers, func(name string) bool { b := s.book(name); return !b.Known || b.Pending != nil }):
		return waitUnknown
	}
	return ""
}

// cannotPutBack says why no earlier value can be proposed just now, "" when one
// can.
func (s *State) cannotPutBack(l *Loop) Code {
	if c := s.cannotAsk(l); c != "" {
		return c
	}
	if len(s.back(l)) == 0 {
		return declineNothing
	}
	return ""
}

// back returns the moves to the registers of before the last change.
func (s *State) back(l *Loop) []Move {
	before := s.loopBook(l.Name).Before
	if len(before) != len(l.Registers) {
		return nil
	}
	var moves []Move
	for k, name := range l.Registers {
		if b := s.book(name); before[k] != b.Value {
			moves = append(moves, Move{Register: name, Old: b.Value, Want: before[k], New: before[k], Size: l.sizeOf(k, before[k]-b.Value)})
		}
	}
	return moves
}

// remember keeps the registers of a loop as they are before a change of one.
func (s *State) remember(l *Loop, register string, old length.Length) {
	values := make([]length.Length, len(l.Registers))
	for k, name := range l.Registers {
		if values[k] = s.book(name).Value; name == register {
			values[k] = old
		}
	}
	s.loopBook(l.Name).Before = values
}
