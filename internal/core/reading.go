package core

import (
	"slices"
	"strconv"

	"offsetbridge/internal/estimate"
	"offsetbridge/internal/length"
)

// oddLimit is how many implausible readings in a row are a cause of their own.
const oddLimit = 3

func (d *decision) reading(r Reading) { d.judge(r, false) }

// judge takes a reading through the stages admit → attribute → estimate →
// propose → bound → route. waited is true for a reading that was admitted
// before and waited for the record of its cut.
func (d *decision) judge(r Reading, waited bool) {
	if !waited {
		done := false
		if r, done = d.tasked(r); done {
			return
		}
	}
	j := Judged{Reading: r, Waited: waited}
	l, c := d.set().Find(r.Characteristic)
	if l != nil {
		j.Loop = l.Name
	}
	if j.Admit = d.admit(r, l, c, waited); j.Admit != "" {
		d.emit(j)
		d.odd(l, j.Admit)
		d.distrusted(&j, l)
		if j.Admit == codeNoTask {
			d.untasked(r)
		}
		return
	}
	if !waited {
		if j.Admit = d.weigh(&j.Reading, l, c); j.Admit != "" {
			d.emit(j)
			return
		}
		r = j.Reading
	}
	cut, code := d.attribute(&j, l, c)
	if code == codeAhead {
		if !waited {
			if w := d.book().Waiting; len(w) >= maxWaiting {
				d.noRecord(w[0])
			}
			d.emit(Waits{Reading: r})
		}
		return
	}
	if j.Attribute = code; code != "" {
		if code == codeOldTool {
			d.relate(&j, l, c, cut) // the estimate takes it before the change of tool
		}
		d.emit(j)
		if code == codeNoTask {
			d.untasked(r)
		}
		return
	}
	if !d.gather(&j, l, c) {
		d.emit(j)
		return
	}
	d.estimate(&j, l, c, cut)
	p, replaces := d.propose(&j, l, c)
	j.Route = d.route(&j, l, p)
	if replaces != nil {
		c := *replaces // what follows changes the list it is in
		replaces = &c
	}
	d.emit(j)
	d.askAgain(&j, l, c, cut)
	d.respond(l)
	d.outside(l)
	if j.Route != routeHeld && d.s.HoldOn(l.Name) != nil {
		return // its own response has just put it on hold, and ended what was open
	}
	d.follow(&j, l, p, replaces)
}

// admit decides whether the reading is what it claims to be, and not one that
// was used before.
func (d *decision) admit(r Reading, l *Loop, c int, waited bool) Code {
	switch {
	case l == nil && (r.Characteristic != "" || !d.set().uses(r.Gauge)):
		return codeNoCharacteristic
	case r.Retained:
		return codeRetained
	case !waited && r.Sequence > 0 && r.Sequence == d.s.lastSequence(r.Gauge):
		return codeRepeated
	case !waited && r.Sequence > 0 && r.Sequence < d.s.lastSequence(r.Gauge):
		return codeLate
	case l == nil: // a bare number
		return codeNoTask
	case r.State != "" || !waited && d.onRing(r.Gauge):
		return codeNotProduction
	case d.use(r, l, c) == nil && r.Manual == nil:
		return codeWrongGauge
	case !l.Characteristics[c].Plausible.Contains(r.Value):
		return codeImplausible
	}
	if waited {
		return ""
	}
	return d.trusted(r, l, c)
}

// onRing reports whether the gauge is on a setting ring just now.
func (d *decision) onRing(gauge string) bool {
	return slices.ContainsFunc(d.book().Tasks, func(t Task) bool { return t.Gauge == gauge && t.Ring != "" && d.s.now.valid(t) })
}

func (d *decision) use(r Reading, l *Loop, c int) *GaugeUse {
	uses := l.Characteristics[c].Gauges
	if i := slices.IndexFunc(uses, func(u GaugeUse) bool { return u.Gauge == r.Gauge }); i >= 0 {
		return &uses[i]
	}
	return nil
}

// odd holds a loop whose readings are implausible again and again.
func (d *decision) odd(l *Loop, code Code) {
	if l != nil && code == codeImplausible && d.s.loopBook(l.Name).Odd >= oddLimit {
		d.hold(l.Name, causeImplausible, "", Operator)
	}
}

// attribute finds the record of the reading's own cut. A reading without one, or
// whose record is in doubt, steers nothing.
func (d *decision) attribute(j *Judged, l *Loop, c int) (*Cut, Code) {
	r := j.Reading
	identity := identityCounter
	if u := d.use(r, l, c); u != nil {
		identity = u.Identity
	}
	cut, code := d.cutOf(r, identity, l, c)
	j.NoIdent = identity == identityOrder || identity == identityTask || r.Sequence == 0 || r.Manual != nil ||
		slices.Contains(d.set().Lacks, LacksCounter)
	if code != "" {
		return nil, code
	}
	if !j.Waited && d.s.ofOldCount(r, cut.Count) {
		return nil, codeLate
	}
	j.Count, j.Recut = cut.Count, cut.Nth > 1
	j.Regauge = slices.Contains(cut.Measured, r.Characteristic)
	switch {
	case cut.Doubt != "":
		return nil, cut.Doubt
	case l.Program != "" && cut.Program != l.Program:
		return nil, codeProgram
	case !d.sameTools(cut, l):
		return cut, codeOldTool
	case j.Regauge && r.Sequence == 0 && r.Manual == nil:
		return nil, codeRepeated // without a number it cannot be told from the same reading again
	}
	return cut, ""
}

// The ways to say whose part a reading is.
const (
	identityCounter = "counter"
	identitySerial  = "serial"
	identityOrder   = "order"
	identityTask    = "task"
)

func (d *decision) cutOf(r Reading, identity string, l *Loop, c int) (*Cut, Code) {
	if identity == identityTask && r.Part == "" && r.Manual == nil {
		return nil, codeNoTask
	}
	if d.set().ByHand {
		return d.cutByHand(r, l)
	}
	if slices.Contains(d.set().Lacks, LacksCounter) {
		return d.assumed(r)
	}
	if r.Manual != nil { // whoever enters it says whose it is, by count or by serial
		identity = identityCounter
		if _, err := strconv.ParseUint(r.Part, 10, 64); err != nil {
			identity = identitySerial
		}
	}
	switch identity {
	case identitySerial:
		return d.bySerial(r)
	case identityOrder:
		return d.byOrder(r, l)
	case identityTask: // which named the part when the reading came
		cut, code := d.byCounter(r)
		if code == "" {
			return cut, ""
		}
		if cut, serial := d.bySerial(r); serial != codeNoRecord || code == codeNoPart {
			return cut, serial
		}
		return nil, code
	}
	return d.byCounter(r)
}

func (d *decision) byCounter(r Reading) (*Cut, Code) {
	n, err := strconv.ParseUint(r.Part, 10, 64)
	if err != nil {
		return nil, codeNoPart
	}
	if cut := d.s.cut(n); cut != nil {
		return cut, ""
	}
	seen := d.book().Seen
	if seen == nil || n > seen.Counter && n-seen.Counter <= maxAhead {
		return nil, codeAhead
	}
	if n > seen.Counter {
		return nil, codeNotCutYet
	}
	return nil, codeNoRecord
}

func (d *decision) bySerial(r Reading) (*Cut, Code) {
	if r.Part == "" {
		return nil, codeNoPart
	}
	for i := len(d.book().Cuts) - 1; i >= 0; i-- {
		if cut := &d.book().Cuts[i]; cut.Serial == r.Part && (r.Cut == 0 || r.Cut == cut.Nth) {
			return cut, ""
		}
	}
	for _, p := range d.book().Pairs {
		if seen := d.book().Seen; p.Serial == r.Part && (seen == nil || p.Counter > seen.Counter) {
			return nil, codeAhead
		}
	}
	return nil, codeNoRecord
}

// byOrder takes the oldest part that has not been measured yet.
func (d *decision) byOrder(r Reading, l *Loop) (*Cut, Code) {
	for i := range d.book().Cuts {
		cut := &d.book().Cuts[i]
		if !slices.Contains(cut.Measured, r.Characteristic) && (l.Program == "" || l.Program == cut.Program) {
			return cut, ""
		}
	}
	return nil, codeNoRecord
}

func (d *decision) sameTools(cut *Cut, l *Loop) bool {
	seen := d.book().Seen
	for _, name := range l.Registers {
		tool := d.set().Register(name).Tool
		i := d.set().toolIndex(tool)
		if i >= 0 && cut.Tools[i] != seen.Tools[i] || d.book().renewed(tool, cut.Count) {
			return false
		}
	}
	return true
}

// estimate feeds the attributed reading to the loop's filter.
func (d *decision) estimate(j *Judged, l *Loop, c int, cut *Cut) {
	d.relate(j, l, c, cut)
	e := d.s.estimateOf(l.Name, c)
	was := e.Filter.Effect()
	v := d.s.observe(e, j)
	j.live = true
	if asked, _, ok := d.s.loopBook(l.Name).Sizes[c].commanded(j); ok && asked != 0 {
		j.Seen = fromMicrometres(was*asked.Micrometres() + v.Innovation)
		j.SeenSigma = fromMicrometres(v.SigmaInnovation)
	}
	switch v.Kind {
	case estimate.Suspect:
		j.Estimate = codeSuspect
	case estimate.Ignored:
		j.Estimate = codeIgnored
	case estimate.BelievedStep:
		j.Estimate = codeStep
	}
	f := d.forecast(l, c)
	p := prospectOf(&f)
	j.Drift, j.Sigma, j.Noise, j.Ratio = p.drift, p.sigma, p.noise, p.ratio
	if j.Estimate == "" && !f.Ready {
		j.Estimate = codeFew
	}
}

// nextPart is the first part on which a register written now can act.
func (d *decision) nextPart() int64 {
	next := int64(d.book().Seen.Counter) + 1
	if n := len(d.book().Cuts); n > 0 { // the machine may have no counter
		next = max(next, int64(d.book().Cuts[n-1].Count)+1)
	}
	if !d.s.now.permitted && !d.set().ByHand {
		next++ // the one being cut keeps what it has
	}
	return next
}

// LacksCounter is the entry of Settings.Lacks for a machine without a part
// counter.
const LacksCounter = "counter"

// assumed stands in for the record that a machine without a part counter does
// not keep: the part is taken as cut under what is in force now, the same part
// when the reading names it again. That is a guess, so a person confirms
// whatever comes of it.
func (d *decision) assumed(r Reading) (*Cut, Code) {
	seen := d.book().Seen
	if seen == nil {
		return nil, codeNoRecord
	}
	count := uint64(1)
	if n := len(d.book().Cuts); n > 0 {
		last := &d.book().Cuts[n-1]
		if r.Part != "" && last.Serial == r.Part {
			return last, ""
		}
		count = last.Count + 1
	}
	d.emit(Recorded{Cut: Cut{
		Count: count, Serial: r.Part, Nth: 1, Program: seen.Program, Tools: seen.Tools, Registers: seen.Registers,
		Minute: d.minute(),
	}})
	return d.s.cut(count), ""
}

func fromMicrometres(v float64) length.Length {
	l, ok := length.FromMicrometres(v)
	if !ok {
		return length.Max
	}
	return l
}

// respond holds a loop whose moves speak against its effect twice in a row.
func (d *decision) respond(l *Loop) {
	if slices.ContainsFunc(d.s.loopBook(l.Name).Sizes, func(b SizeBook) bool { return b.Contrary >= contraryLimit }) {
		d.hold(l.Name, causeResponse, "", Engineer)
		return
	}
	for i, b := range d.s.loopBook(l.Name).Sizes {
		if b.Surprise.Parts > 0 && b.Surprise.contrary(d.s.proven(l, i, d.s.noise(l.Name, i))) {
			d.hold(l.Name, causeResponse, b.Surprise.say(), Engineer)
			return
		}
	}
	for i := range l.Characteristics {
		if r := d.s.estimateOf(l.Name, i).ahead(); r != nil {
			d.hold(l.Name, causeResponse, r.says(), Engineer)
		}
	}
}

// contraryLimit is how many moves in a row must contradict the effect.
const contraryLimit = 2

// commanded returns the change of size since the reading before that we commanded,
// and the one that was seen.
func (b *SizeBook) commanded(j *Judged) (asked, seen length.Length, ok bool) {
	if b.Last.Count == 0 || j.Regauge || j.Count <= b.Last.Count {
		return 0, 0, false
	}
	return j.Command - b.Last.Command, j.Deviation - b.Last.Deviation, true
}
