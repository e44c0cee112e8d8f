package web

import (
	"slices"
	"strconv"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// setUp is what is on record of a tool since it was put in: the sizes of one
// characteristic and the changes of its registers, oldest first.
type setUp struct {
	sizes   []sizeAt
	changes []changeAt
}

type sizeAt struct {
	seq uint64
	core.Judged
}

type changeAt struct {
	seq      uint64
	register string
	old, new length.Length
	by       string // who approved it, "" nobody; the name of who did is put in later
	typed    bool   // at the control
}

// setUpOf reads the set-up off a loop's story, which has its newest event first.
func setUpOf(l *core.LoopInside, story []told) setUp {
	var s setUp
	name := steering(l).Name
	who, intents := map[uint64]string{}, map[uint64]core.Intent{}
	for _, e := range story {
		switch x := e.event.(type) {
		case core.Approved:
			who[x.Proposal] = x.Who.Principal
		case core.Intended:
			intents[x.Intent.ID] = x.Intent
		}
	}
	for _, e := range story {
		switch x := e.event.(type) {
		case core.ToolChanged:
			return s.inOrder()
		case core.Judged:
			if x.Measurement() != nil && x.Reading.Characteristic == name {
				s.sizes = append(s.sizes, sizeAt{e.Seq, x})
			}
		case core.Moved:
			s.changes = append(s.changes, changeAt{seq: e.Seq, register: x.Register, old: x.Old, new: x.New, typed: true})
		case core.Concluded:
			if in, ok := intents[x.Outcome.Intent]; ok && x.Result == core.Applied {
				s.changes = append(s.changes, changeAt{seq: e.Seq, register: x.Register, old: in.Old, new: in.New, by: who[in.Proposal]})
			}
		}
	}
	return s.inOrder()
}

func (s setUp) inOrder() setUp {
	slices.Reverse(s.sizes)
	slices.Reverse(s.changes)
	return s
}

// last returns the newest change, nil when nothing was changed.
func (s *setUp) last() *changeAt {
	if len(s.changes) == 0 {
		return nil
	}
	return &s.changes[len(s.changes)-1]
}

// proof is what a change of the registers did to the size: the first part that
// was cut after it against the one before.
type proof struct {
	part           string
	size           length.Length // from aim
	commanded      length.Length
	seen, twoSigma length.Length
}

// proof returns what the newest change did, nil while no part that was cut after
// it has been measured. A part that was cut before and measured later does not
// count: the registers in force at its cut say so.
func (s *setUp) proof() *proof {
	last := s.last()
	if last == nil {
		return nil
	}
	var before *sizeAt
	for i := range s.sizes {
		z := &s.sizes[i]
		switch {
		case z.seq < last.seq:
			before = z
		case before == nil:
			return nil // nothing was measured before it: there is nothing to compare
		case z.Command == before.Command:
			before = z
		default:
			seen := z.Seen
			if z.SeenSigma == 0 {
				seen = z.Deviation - before.Deviation
			}
			return &proof{partOf(&z.Judged), z.Deviation, z.Command - before.Command, seen, 2 * z.SeenSigma}
		}
	}
	return nil
}

// steps puts the steps in their order; the first that is not done is the one to do.
func (f *FirstLoop) steps(d *Doc, l *core.LoopInside, cut bool) {
	now := true
	add := func(key string, done bool, say string) {
		s := FirstStep{Key: key, State: "later", Say: say}
		switch {
		case done && now || f.Signed != "":
			s.State = "done"
			f.Done++
		case now:
			s.State, now = "now", false
		}
		if s.State == "later" {
			s.Say = ""
		}
		f.Steps = append(f.Steps, s)
	}
	measured := f.Size.Newest != nil && f.Size.Used > 0
	add("gauge", l.Trouble == "", f.sayGauge(d, l))
	add("cut", cut || measured, f.sayCut(d, l, cut))
	add("read", measured, f.sayRead(d, measured))
	done, say := f.decided(d, l)
	add("decide", done, say)
	done, say = f.again(d)
	add("again", done, say)
	done, say = f.gauged(d, l)
	add("go", done, say)
	say = f.Signed
	if say == "" && l.CannotFO != "" {
		say = d.Say(l.CannotFO) + "."
	} else if say == "" {
		say = d.T("sign_about")
	}
	add("sign", f.Signed != "", say)
}

func (f *FirstLoop) sayGauge(d *Doc, l *core.LoopInside) string {
	if l.Trouble != "" {
		return d.T("first_gauge_now")
	}
	var names []string
	for _, g := range f.Size.Gauges {
		names = append(names, g.Gauge)
	}
	return d.T("first_gauge_done", "gauges", strings.Join(names, ", "))
}

func (f *FirstLoop) sayCut(d *Doc, l *core.LoopInside, cut bool) string {
	if cut {
		return d.T("first_cut_done")
	}
	z := &f.Size
	if z.Aside == nil {
		return d.T("first_cut_aim", "aim", d.Length(z.Aim))
	}
	side := "smaller"
	if *z.Aside > z.Aim {
		side = "larger"
	}
	var at []string
	control := controlOf(l)
	for _, r := range l.Turns {
		if r.Known {
			at = append(at, r.Name+" "+d.Register(r.Value, control[r.Name]))
		}
	}
	return d.T("first_cut_now", "size", d.Length(*z.Aside), "aside", d.Length((*z.Aside - z.Aim).Abs()), "side", d.T(side),
		"most", d.Length(z.Reachable), "registers", strings.Join(at, ", "))
}

func (f *FirstLoop) sayRead(d *Doc, measured bool) string {
	if !measured {
		return d.T("first_read_now")
	}
	n := f.Size.Newest
	return d.T("first_read_done", "part", f.Size.Part, "size", d.Length(n.Size), "aim", d.Signed(n.Size-f.Size.Aim), "say", Cap(d.measured(n)))
}

// decided says how far the change is that the reading asks for.
func (f *FirstLoop) decided(d *Doc, l *core.LoopInside) (bool, string) {
	control := controlOf(l)
	say := func(c *changeAt) string {
		key := "first_changed"
		if c.typed {
			key = "first_typed"
		}
		return d.T(key, "register", c.register, "old", d.Register(c.old, control[c.register]), "new", d.Register(c.new, control[c.register]), "who", c.by)
	}
	last := f.set.last()
	var newest *sizeAt
	if n := len(f.set.sizes); n > 0 {
		newest = &f.set.sizes[n-1]
	}
	switch {
	case f.Open != nil && f.Open.Status == core.Pending:
		return false, d.T("first_decide_now")
	case f.Open != nil:
		return false, d.T("first_decide_sent") + " " + d.Say(f.Open.Waiting)
	case newest == nil:
		return false, ""
	case l.Mode == core.Observe && len(newest.Moves) > 0 && (last == nil || last.seq < newest.seq):
		var type_ []string
		for _, v := range newest.Moves {
			type_ = append(type_, v.Register+" "+d.Register(v.Old, control[v.Register])+" → "+d.Register(v.New, control[v.Register]))
		}
		return false, d.T("first_type", "what", strings.Join(type_, "; "))
	case last != nil:
		return true, say(last)
	case newest.Propose == core.Code("dead-band"):
		return true, d.T("first_no_change")
	}
	for _, c := range []core.Code{newest.Estimate, newest.Propose, newest.Bound, newest.Route} {
		if c != "" {
			return false, d.Say(c) + "."
		}
	}
	return false, d.T("first_decide_none")
}

// again says whether the newest change was seen in a part.
func (f *FirstLoop) again(d *Doc) (bool, string) {
	if f.set.last() == nil {
		return true, d.T("first_again_none")
	}
	p := f.set.proof()
	if p == nil {
		return false, d.T("first_again_now")
	}
	key := "first_again_done"
	if p.twoSigma > 0 && p.commanded.Abs() <= p.twoSigma {
		key = "first_again_small"
	} else if p.twoSigma > 0 && (p.seen > 0) != (p.commanded > 0) {
		key = "first_again_wrong"
	}
	seen := d.Signed(p.seen)
	if p.twoSigma > 0 {
		seen += " ±" + d.Length(p.twoSigma)
	}
	return true, d.T(key, "part", p.part, "aim", d.Signed(p.size), "commanded", d.Signed(p.commanded), "seen", seen)
}

// gauged says what GO and NO-GO did. They stay mandatory for a thread (ASME B1.3):
// its pitch diameter steers, and accepts nothing.
func (f *FirstLoop) gauged(d *Doc, l *core.LoopInside) (bool, string) {
	if !slices.ContainsFunc(l.Learned, func(z core.Learned) bool { return z.Thread }) {
		return true, d.T("first_go_none")
	}
	for _, z := range l.Learned {
		if z.Thread && (z.GO != core.PlugEnters || z.NOGO != core.PlugRefused) {
			f.Size, f.GO, f.NOGO, f.Part = z, z.GO, z.NOGO, z.Part
			return false, d.T("first_go_now", "part", z.Part)
		}
	}
	return true, d.T("first_go_done")
}

// PlugButton is one limit gauge with what it may do; what it should do comes first.
type PlugButton struct {
	Plug   string
	Was    string // text of what it did, "" nothing yet
	Enters []string
}

// Plugs are the two limit gauges of a thread.
func (f FirstLoop) Plugs() []PlugButton {
	was := map[string]string{core.PlugEnters: "plug_enters", core.PlugRefused: "plug_refused"}
	return []PlugButton{
		{core.PlugGO, was[f.GO], []string{"yes", "no"}},
		{core.PlugNOGO, was[f.NOGO], []string{"no", "yes"}},
	}
}

// partOf returns the part that a reading belongs to, empty where nobody knows.
func partOf(j *core.Judged) string {
	if j.Reading.Part != "" || j.Count == 0 {
		return j.Reading.Part
	}
	return strconv.FormatUint(j.Count, 10)
}
