package core

import (
	"cmp"
	"slices"

	"offsetbridge/internal/estimate"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Trust is what must hold for the readings of one gauge to steer. A gauge
// without one is taken as it is.
type Trust struct {
	Gauge     string         `json:"gauge"`
	Repeat    length.Length  `json:"repeat,omitempty"` // standard deviation of one reading of one thing
	Frozen    int            `json:"frozen,omitempty"` // identical readings in a row that mean it is frozen; 0 = cannot be told
	Heads     []length.Range `json:"heads,omitempty"`  // what its heads cover; empty = its whole range
	Interval  gauge.Interval `json:"interval"`
	Window    *length.Length `json:"window,omitempty"` // how near to a standard looks like it; nil = gauge.RingWindow, 0 = never
	Standards []Ring         `json:"standards,omitempty"`
	Linearity length.Length  `json:"linearity,omitempty"` // largest error over the range
	Contacts  gauge.Contacts `json:"contacts,omitempty"`  // of its head; 0 is not said
	Thermal   *Thermal       `json:"thermal,omitempty"`   // nil: readings are taken as they are
}

// Celsius is a temperature in thousandths of a degree.
type Celsius = gauge.Celsius

// Ring is a setting standard and its certified value.
type Ring struct {
	Name        string          `json:"name"`
	Value       length.Length   `json:"value"`
	Uncertainty length.Length   `json:"u,omitempty"` // expanded (k = 2) of its certificate
	Alpha       gauge.Expansion `json:"alpha,omitempty"`
	AlphaSigma  gauge.Expansion `json:"alpha_sigma,omitempty"`
}

// Check is one measurement of a setting standard.
type Check struct {
	Gauge    string         `json:"g"`
	Standard string         `json:"r"`
	AsFound  length.Length  `json:"d"`           // what it read − the certified value, before anybody adjusted
	Temp     *gauge.Celsius `json:"t,omitempty"` // in thousandths of a degree
	Sequence uint64         `json:"n,omitempty"` // the message's own number, to know a repetition
	Source   int64          `json:"s,omitempty"` // the message's own time, UTC ms
	Who      Person         `json:"w"`
	Machine  string         `json:"mm,omitempty"` // whose stream told of it, and its record there
	Record   uint64         `json:"mr,omitempty"`
}

// FromPlant is a record of the plant's stream that concerns this machine. A
// machine takes each once, in their order, whatever is forwarded again.
type FromPlant struct {
	Record uint64 `json:"record"`
	Age    int64  `json:"age_ms"` // how long ago, by the wall clock
	Event  Event  `json:"event"`
}

// Dates says which gauges and standards are out of date by the wall clock,
// sorted. It is given whole at every change.
type Dates struct {
	Gauges    []string `json:"g,omitempty"`
	Standards []string `json:"r,omitempty"`
}

func (FromPlant) fact() {}
func (Dates) fact()     {}

// Checked: a gauge that serves this machine was put on a standard. Where it was
// found off, the readings since it was last good are named by reference.
type Checked struct {
	Record   uint64        `json:"pl"` // of the plant's stream
	Adjusted bool          `json:"a,omitempty"`
	Check    Check         `json:"c"`
	Limit    length.Length `json:"l"`           // the narrowest as-found limit of what it measures here
	Verdict  Code          `json:"v,omitempty"` // empty: found good
	Suspect  *Suspects     `json:"su,omitempty"`
	Minute   float64       `json:"m"`
}

// Suspects are the readings of a gauge that were used since it was last good.
type Suspects struct {
	Used     int64  `json:"u"`
	From     uint64 `json:"f,omitempty"` // first and last number of the gauge, where it gives any
	To       uint64 `json:"t,omitempty"`
	FromPart uint64 `json:"fp"`
	ToPart   uint64 `json:"tp"`
}

// Dated: what is out of date changed.
type Dated struct{ Dates }

func (Checked) Kind() string { return "check" }
func (Dated) Kind() string   { return "dates" }

func (e Checked) Keys() Keys { return Keys{Gauge: e.Check.Gauge, Person: e.Check.Who.Principal} }
func (Dated) Keys() Keys     { return Keys{} }

// GaugeTrust is what is known of the state of one gauge.
type GaugeTrust struct {
	Good     bool           `json:"good,omitempty"` // it was set, or found good, at least once
	Minute   float64        `json:"minute,omitempty"`
	Temp     *gauge.Celsius `json:"temp,omitempty"`
	Standard string         `json:"standard,omitempty"`
	Off      Code           `json:"off,omitempty"`  // found off and not set since
	Left     length.Length  `json:"left,omitempty"` // what a good check found it off by, and nobody adjusted
	Since    Suspects       `json:"since"`          // used since it was good
	Loops    []string       `json:"loops,omitempty"`
	Value    length.Length  `json:"value,omitempty"` // of the last reading
	Run      int            `json:"run,omitempty"`   // how often in a row
}

// trust returns what is asked of a gauge, nil when nothing is.
func (s *Settings) trust(name string) *Trust {
	for i := range s.Gauges {
		if s.Gauges[i].Gauge == name {
			return &s.Gauges[i]
		}
	}
	return nil
}

// known returns the book of a gauge without making one.
func (s *State) known(name string) *GaugeBook {
	i, ok := slices.BinarySearchFunc(s.Ledger.Gauges, name, func(g GaugeBook, n string) int { return cmp.Compare(g.Gauge, n) })
	if !ok {
		return nil
	}
	return &s.Ledger.Gauges[i]
}

// trouble says why the readings of a gauge steer nothing just now. It clears by
// itself once the gauge is in order.
func (s *State) trouble(name string, temp *gauge.Celsius) Code {
	if slices.Contains(s.Ledger.OutOfDate.Gauges, name) {
		return waitGaugeDue
	}
	t := s.Ledger.Settings.trust(name)
	var b GaugeTrust
	if g := s.known(name); g != nil {
		b = g.Trust
	}
	switch {
	case b.Off != "":
		return waitGaugeOff
	case b.Good && slices.Contains(s.Ledger.OutOfDate.Standards, b.Standard):
		return waitRingDue
	case t == nil:
		return ""
	}
	since := gauge.Since{Known: b.Good, Readings: b.Since.Used, Millis: int64((s.minute() - b.Minute) * 60_000)}
	if temp != nil && b.Temp != nil {
		since.Change = *temp - *b.Temp
	}
	switch t.Interval.Overdue(since) {
	case gauge.NeverSet:
		return waitNeverSet
	case gauge.TooLong:
		return waitSetTime
	case gauge.TooManyReadings:
		return waitSetParts
	case gauge.OtherClimate:
		return waitSetClimate
	}
	return ""
}

// gaugesOf says why a loop gets no usable reading: every gauge that serves it is
// out of order. It names the first one's reason.
func (s *State) gaugesOf(l *Loop) Code {
	first := Code("")
	for i := range l.Characteristics {
		for _, u := range l.Characteristics[i].Gauges {
			c := s.trouble(u.Gauge, nil)
			if c == "" {
				return ""
			}
			first = cmp.Or(first, c)
		}
	}
	return first
}

// trusted is the part of admit that asks whether the number may be believed.
func (d *decision) trusted(r Reading, l *Loop, c int) Code {
	if code := d.s.trouble(r.Gauge, r.Temp); code != "" {
		return code
	}
	t := d.set().trust(r.Gauge)
	if t == nil {
		return ""
	}
	g := d.s.known(r.Gauge)
	switch {
	case len(t.Heads) > 0 && !slices.ContainsFunc(t.Heads, func(h length.Range) bool { return h.Contains(r.Value) }):
		return codeHead
	case r.Manual != nil:
		return "" // a person says what it is
	case t.Frozen > 0 && g != nil && g.Trust.Run+1 >= t.Frozen && g.Trust.Value == r.Value:
		return codeFrozen
	case t.looksLikeRing(r.Value, l.Characteristics[c].Tolerance(), d.resolution(r, l, c)) && !d.onTask(r.Gauge):
		return codeRing
	}
	return ""
}

func (d *decision) resolution(r Reading, l *Loop, c int) length.Length {
	if u := d.use(r, l, c); u != nil {
		return u.Resolution
	}
	return 0
}

// looksLikeRing reports whether a value lies so near to a standard that it may be
// a reading of that.
func (t *Trust) looksLikeRing(v, tolerance, resolution length.Length) bool {
	window := gauge.RingWindow(tolerance, resolution)
	if t.Window != nil {
		window = *t.Window
	}
	return window > 0 && slices.ContainsFunc(t.Standards, func(r Ring) bool { return (v - r.Value).Abs() <= window })
}

// onTask reports whether somebody has said which part the gauge measures now.
func (d *decision) onTask(gauge string) bool {
	return slices.ContainsFunc(d.book().Tasks, func(t Task) bool { return t.Gauge == gauge && t.Part != "" && d.s.now.valid(t) })
}

// distrusted does what a reading that may not be believed asks for.
func (d *decision) distrusted(j *Judged, l *Loop) {
	switch j.Admit {
	case codeFrozen:
		d.hold(l.Name, causeFrozen, j.Reading.Gauge, Setter)
	case codeRing:
		d.emit(Unplaced{ID: d.book().LastTray + 1, Reading: j.Reading, Machine: d.set().Machine, Code: codeRing})
	}
}

func (d *decision) fromPlant(f FromPlant) {
	if f.Record <= d.book().Plant {
		return
	}
	switch e := f.Event.(type) {
	case Set:
		d.checked(f, e.Check, true)
	case RingChecked:
		d.checked(f, e.Check, false)
	case Assigned:
		d.assignedByPlant(f.Record, e)
	}
}

// checked takes a setting or a check of a ring. Found off, what was read since
// the gauge was last good is suspect, and what was proposed on it is withdrawn.
func (d *decision) checked(f FromPlant, c Check, adjusted bool) {
	if !d.set().uses(c.Gauge) {
		return
	}
	e := Checked{Record: f.Record, Adjusted: adjusted, Check: c, Minute: d.minute() - float64(max(0, f.Age))/60_000}
	var b GaugeTrust
	if g := d.s.known(c.Gauge); g != nil {
		b = g.Trust
	}
	var off []string
	for i := range d.set().Loops {
		l := &d.set().Loops[i]
		limit, serves := d.asFoundLimit(l, c.Gauge)
		if !serves {
			continue
		}
		if e.Limit == 0 || limit < e.Limit {
			e.Limit = limit
		}
		if c.AsFound.Abs() > limit && slices.Contains(b.Loops, l.Name) {
			off = append(off, l.Name)
		}
	}
	switch t := d.set().trust(c.Gauge); {
	case t != nil && len(t.Standards) > 0 && !slices.ContainsFunc(t.Standards, func(r Ring) bool { return r.Name == c.Standard }):
		e.Verdict, off = codeWrongRing, nil
	case slices.Contains(d.book().OutOfDate.Standards, c.Standard):
		e.Verdict, off = waitRingDue, nil
	case c.AsFound.Abs() > e.Limit:
		e.Verdict = codeAsFound
		if b.Since.Used > 0 {
			since := b.Since
			e.Suspect = &since
		}
	}
	d.emit(e)
	if e.Verdict == codeAsFound || adjusted && e.Verdict == "" { // readings before and after do not belong together
		d.endGatherings(causeAsFound, func(g Gathering) bool { return g.Gauge == c.Gauge })
	}
	for _, p := range d.open() {
		if p.Status != Sent && slices.Contains(off, p.Loop) {
			d.void(&p, Voided{Cause: causeAsFound, Gauge: c.Gauge})
		}
	}
}

// asFoundLimit returns the narrowest as-found limit of what the gauge measures
// for a loop, and whether it measures anything.
func (d *decision) asFoundLimit(l *Loop, name string) (limit length.Length, serves bool) {
	var repeat length.Length
	if t := d.set().trust(name); t != nil {
		repeat = t.Repeat
	}
	for i := range l.Characteristics {
		c := &l.Characteristics[i]
		if !slices.ContainsFunc(c.Gauges, func(u GaugeUse) bool { return u.Gauge == name }) {
			continue
		}
		if v := gauge.AsFoundLimit(c.Tolerance(), repeat); !serves || v < limit {
			limit, serves = v, true
		}
	}
	return limit, serves
}

func (s *State) applyChecked(e Checked) {
	g := &s.Ledger
	g.Plant = max(g.Plant, e.Record)
	if e.Verdict == codeWrongRing {
		return
	}
	s.anew(e.Check.Gauge)
	b := &s.gauge(e.Check.Gauge).Trust
	if e.Adjusted {
		s.noteSetting(e.Check)
	}
	switch {
	case e.Verdict == waitRingDue:
		// What an out-of-date standard says makes nothing good.
	case e.Adjusted || e.Verdict == "":
		*b = GaugeTrust{Good: true, Minute: e.Minute, Temp: e.Check.Temp, Standard: e.Check.Standard, Value: b.Value, Run: b.Run}
		if !e.Adjusted {
			b.Left = e.Check.AsFound
		}
	default:
		b.Off = e.Verdict
	}
}

// noteSetting tells the filters of everything the gauge measures that its zero
// was moved.
func (s *State) noteSetting(c Check) {
	for i := range s.Ledger.Settings.Loops {
		l := &s.Ledger.Settings.Loops[i]
		for k := range l.Characteristics {
			if slices.ContainsFunc(l.Characteristics[k].Gauges, func(u GaugeUse) bool { return u.Gauge == c.Gauge }) {
				s.estimateOf(l.Name, k).note(estimate.Event{Kind: estimate.Setting, AsFound: c.AsFound.Micrometres()})
			}
		}
	}
}

// relied notes that a reading was used: it is suspect should the gauge be found
// off.
func (s *State) relied(e *Judged) {
	b := &s.gauge(e.Reading.Gauge).Trust
	u := &b.Since
	if u.Used == 0 {
		u.From, u.FromPart, u.ToPart = e.Reading.Sequence, e.Count, e.Count
	}
	u.Used++
	u.To = max(u.To, e.Reading.Sequence)
	u.FromPart, u.ToPart = min(u.FromPart, e.Count), max(u.ToPart, e.Count)
	if !slices.Contains(b.Loops, e.Loop) {
		b.Loops = push(b.Loops, e.Loop, maxColumns)
	}
}

// shown counts how often in a row a gauge has shown the same number.
func (s *State) shown(r Reading) {
	t := s.Ledger.Settings.trust(r.Gauge)
	if t == nil || t.Frozen == 0 || r.Manual != nil {
		return
	}
	b := &s.gauge(r.Gauge).Trust
	if b.Run == 0 || b.Value != r.Value {
		b.Value, b.Run = r.Value, 0
	}
	b.Run++
}

// dates takes what the wall clock says about due dates.
func (d *decision) dates(f Dates) {
	old := &d.book().OutOfDate
	if !slices.Equal(old.Gauges, f.Gauges) || !slices.Equal(old.Standards, f.Standards) {
		d.emit(Dated{f})
	}
}

// maxDates bounds the gauges or standards of one machine that are out of date.
const maxDates = 256

// soundTrust reports whether what is asked of the gauges holds together.
func (s *Settings) soundTrust() bool {
	var names []string
	for i := range s.Gauges {
		t := &s.Gauges[i]
		names = append(names, t.Gauge)
		in := t.Interval
		if t.Repeat < 0 || t.Repeat > length.Max || t.Frozen < 0 || in.Millis < 0 || in.Readings < 0 || in.Change < 0 {
			return false
		}
		if t.Window != nil && (*t.Window < 0 || *t.Window > length.Max) || slices.ContainsFunc(t.Heads, func(h length.Range) bool { return !ordered(h) }) {
			return false
		}
		if !t.soundThermal() || slices.ContainsFunc(t.Standards, func(r Ring) bool { return r.Value.Abs() > length.Max }) {
			return false
		}
	}
	return unique(names) && len(names) <= maxGauges
}

// GaugeView is what there is to see of one gauge at one machine.
type GaugeView struct {
	Machine  string `json:"machine"`
	Waiting  Code   `json:"waiting,omitempty"` // why its readings steer nothing
	Say      string `json:"say"`
	Minutes  int64  `json:"minutes_since_good,omitempty"`
	Since    int64  `json:"readings_since_good"`
	Ring     string `json:"standard,omitempty"`
	Blind    string `json:"blind,omitempty"`    // what its head cannot see
	Contacts int    `json:"contacts,omitempty"` // of its head
}

// GaugeView returns what there is to see of a gauge.
func (s *State) GaugeView(name string) GaugeView {
	v := GaugeView{Machine: s.Ledger.Settings.Machine, Waiting: s.trouble(name, nil), Say: "in order"}
	if v.Waiting != "" {
		v.Say = v.Waiting.Words()
	}
	if t := s.Ledger.Settings.trust(name); t != nil && t.Contacts != 0 {
		v.Blind, v.Contacts = t.Contacts.Blind(), int(t.Contacts)
	}
	if g := s.known(name); g != nil {
		v.Since, v.Ring = g.Trust.Since.Used, g.Trust.Standard
		if g.Trust.Good {
			v.Minutes = int64(s.minute() - g.Trust.Minute)
		}
	}
	return v
}
