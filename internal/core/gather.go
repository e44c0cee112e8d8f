package core

import (
	"slices"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Several declares that one measurement of a characteristic is made of readings
// at several depths, in several orientations, or both.
type Several struct {
	Depths       int    `json:"depths"`
	Orientations int    `json:"orientations"`
	By           string `json:"by,omitempty"` // what corrects: ByMean, ByMidRange, "" for the mean where the depths are even
	Within       int64  `json:"within_ms"`    // a measurement without a further reading for so long has ended
}

// What corrects of several readings.
const (
	ByMean     = "mean"
	ByMidRange = "mid-range"
)

func (v *Several) readings() int { return v.Depths * v.Orientations }

// Turn is an orientation about the axis in thousandths of a degree.
type Turn int32

// turned brings an orientation to 0 ≤ t < 360°.
func (t Turn) turned() Turn {
	const whole = 360_000
	return ((t % whole) + whole) % whole
}

// Place is one reading of a measurement.
type Place struct {
	At   length.Length `json:"a,omitempty"` // depth
	Turn Turn          `json:"o,omitempty"`
	Size length.Length `json:"s"` // at 20 °C where that is configured
	U    length.Length `json:"u,omitempty"`
	Open Code          `json:"n,omitempty"`
}

// Gathering is a measurement that is not complete yet: readings of one gauge on
// one cut of one part.
type Gathering struct {
	Characteristic string  `json:"c"`
	Gauge          string  `json:"g"`
	Count          uint64  `json:"k"`
	Part           string  `json:"p,omitempty"`
	Minute         float64 `json:"m"` // of its newest reading
	Places         []Place `json:"pl"`
}

// Whole is a complete measurement of several readings: one observation.
type Whole struct {
	Sizes    gauge.Sizes    `json:"z"`
	Steers   length.Length  `json:"by"`          // the size that corrects
	U        length.Length  `json:"u,omitempty"` // of one reading, the largest
	Decision gauge.Decision `json:"d"`           // of the smallest and the largest local size
	Open     Code           `json:"o,omitempty"`
	Form     bool           `json:"f,omitempty"` // taper or spread is more than a third of the tolerance
}

// Unfinished: a measurement of several readings ended before it was complete.
// Its readings are in the record, each as it was judged.
type Unfinished struct {
	Characteristic string `json:"c"`
	Loop           string `json:"l"`
	Gauge          string `json:"g"`
	Part           string `json:"p,omitempty"`
	Count          uint64 `json:"k"`
	Have           int    `json:"n"`
	Of             int    `json:"of"`
	Cause          Code   `json:"e"`
}

func (Unfinished) Kind() string { return "unfin" }

func (e Unfinished) Keys() Keys { return Keys{Loop: e.Loop, Part: e.Part, Gauge: e.Gauge} }

// maxGathering bounds the measurements that wait for further readings.
const maxGathering = 64

// Gathers is found of a reading that waits for the others of its measurement.
const Gathers Code = "gathers"

// What else the gather stage finds, and why a measurement ends unfinished.
const (
	codeNoPlace     Code = "no-place"
	codeOtherPlace  Code = "place"
	codeForm        Code = "form"
	causeGatherLate Code = "set-late"
	causeGatherFull Code = "set-full"
)

func init() {
	AddWords(map[Code]string{
		Gathers:         "kept, more readings of this part belong to the same measurement",
		codeNoPlace:     "the reading does not say at which depth and orientation it was taken, map them in the gauge's message",
		codeOtherPlace:  "another depth or orientation than the others of this measurement, and it has as many as it needs, measure where the others were",
		codeForm:        "taper or spread is more than a third of the tolerance: that is form and no offset puts it right, a person decides",
		causeGatherLate: "not all readings of the measurement came in time, measure the part again at every depth and orientation",
		causeGatherFull: "too many measurements were begun and not finished, measure one part to its end before the next",
	})
	decoders[Unfinished{}.Kind()] = as[Unfinished]
}

// place returns where a reading was taken, and false when it does not say.
func (v *Several) place(r Reading) (Place, bool) {
	p := Place{Size: r.Size()}
	if r.Worth != nil {
		p.U, p.Open = r.Worth.U, r.Worth.Open
	}
	if v.Depths > 1 {
		if r.Depth == nil {
			return p, false
		}
		p.At = *r.Depth
	}
	if v.Orientations > 1 {
		if r.Turn == nil {
			return p, false
		}
		p.Turn = r.Turn.turned()
	}
	return p, true
}

// with puts a reading to the others: in the place of an earlier one that was
// taken there, else behind them. It reports false when it fits nowhere.
func (v *Several) with(places []Place, p Place) ([]Place, bool) {
	out := slices.Clone(places)
	if i := slices.IndexFunc(out, p.where); i >= 0 {
		out[i] = p
		return out, true
	}
	out = append(out, p)
	depths, turns := map[length.Length]bool{}, map[Turn]bool{}
	for _, o := range out {
		depths[o.At], turns[o.Turn] = true, true
	}
	return out, len(depths) <= v.Depths && len(turns) <= v.Orientations
}

func (p Place) where(o Place) bool { return o.At == p.At && o.Turn == p.Turn }

// gathering returns the measurement that a reading on a cut belongs to.
func (s *State) gathering(characteristic, gauge string, count uint64) *Gathering {
	i := slices.IndexFunc(s.Ledger.Gathering, func(g Gathering) bool {
		return g.Characteristic == characteristic && g.Gauge == gauge && g.Count == count
	})
	if i < 0 {
		return nil
	}
	return &s.Ledger.Gathering[i]
}

// gather puts the reading to the others of its measurement. It reports whether
// that is complete, which a measurement of one reading is at once.
func (d *decision) gather(j *Judged, l *Loop, c int) bool {
	ch, r := &l.Characteristics[c], j.Reading
	if ch.Several == nil {
		return true
	}
	p, ok := ch.Several.place(r)
	if !ok {
		j.Gather = codeNoPlace
		return false
	}
	var before []Place
	if g := d.s.gathering(ch.Name, r.Gauge, j.Count); g != nil {
		before = g.Places
	}
	same := slices.IndexFunc(before, p.where)
	if same >= 0 && before[same] == p && r.Sequence == 0 && r.Manual == nil {
		j.Gather = codeRepeated // without a number it cannot be told from the same reading again
		return false
	}
	places, fits := ch.Several.with(before, p)
	switch {
	case !fits:
		j.Gather = codeOtherPlace
	case len(places) < ch.Several.readings():
		j.Gather, j.Gathered = Gathers, d.minute()
		if before == nil && len(d.book().Gathering) >= maxGathering {
			d.endGathering(d.book().Gathering[0], causeGatherFull)
		}
	default:
		j.Whole = wholeOf(places, ch)
		return true
	}
	return false
}

// wholeOf sums up a complete measurement. The smallest and the largest local
// size are judged, never the mean.
func wholeOf(places []Place, ch *Characteristic) *Whole {
	w := &Whole{}
	var all []gauge.Depth
	for _, p := range places {
		all = append(all, gauge.Depth{At: p.At, Size: p.Size})
		w.U = max(w.U, p.U)
		if p.Open != "" {
			w.Open = p.Open
		}
	}
	w.Sizes, _ = gauge.Combine(all) // at least one, and soundSeveral bounds them
	switch ch.Several.By {
	case ByMean:
		w.Steers = w.Sizes.Mean
	case ByMidRange:
		w.Steers = w.Sizes.MidRange
	default:
		w.Steers = w.Sizes.Steering()
	}
	w.Form = !w.Sizes.MayCorrect(ch.Tolerance())
	w.Decision = gauge.InDoubt
	if w.Open == "" {
		w.Decision = gauge.DecideAll(w.Sizes, w.U, ch.Limits)
	} else {
		w.U = 0
	}
	return w
}

// size is what a judged reading steers by: that of its whole measurement.
func (j *Judged) size() length.Length {
	if j.Whole != nil {
		return j.Whole.Steers
	}
	return j.Reading.Size()
}

// badForm reports whether the newest measurement of any size that a loop steers
// by shows a form that no offset puts right.
func (d *decision) badForm(j *Judged, l *Loop) bool {
	if j.Whole != nil && j.Whole.Form {
		return true
	}
	for i, b := range d.s.loopBook(l.Name).Sizes {
		if m := b.Newest; b.Used > 0 && m != nil && m.Whole != nil && m.Whole.Form && l.steers(i) && l.Characteristics[i].Name != j.Reading.Characteristic {
			return true
		}
	}
	return false
}

// form takes a correction to a person where the form is wrong, whatever the
// guards allow.
func (d *decision) form(j *Judged, l *Loop) {
	if j.Route != routeRefused && !j.Need.May(Setter) && d.badForm(j, l) {
		j.Need, j.Bound = Setter, codeForm
	}
}

// applyGathered keeps a reading of a measurement that is not complete.
func (s *State) applyGathered(e *Judged) {
	_, c := s.Ledger.Settings.Find(e.Reading.Characteristic)
	l := s.Ledger.Settings.Loop(e.Loop)
	if e.Gather != Gathers || l == nil || c < 0 || l.Characteristics[c].Several == nil {
		return
	}
	s.loopBook(e.Loop).Odd = 0
	s.relied(e)
	v, r := l.Characteristics[c].Several, e.Reading
	p, _ := v.place(r)
	g := s.gathering(r.Characteristic, r.Gauge, e.Count)
	if g == nil {
		s.Ledger.Gathering = push(s.Ledger.Gathering, Gathering{Characteristic: r.Characteristic, Gauge: r.Gauge, Count: e.Count, Part: r.Part}, maxGathering)
		g = &s.Ledger.Gathering[len(s.Ledger.Gathering)-1]
	}
	g.Places, _ = v.with(g.Places, p)
	g.Minute = e.Gathered
}

// dropGathering forgets a measurement that is complete or has ended.
func (s *State) dropGathering(characteristic, gauge string, count uint64) {
	s.Ledger.Gathering = slices.DeleteFunc(s.Ledger.Gathering, func(g Gathering) bool {
		return g.Characteristic == characteristic && g.Gauge == gauge && g.Count == count
	})
}

// endGathering says that a measurement will not be completed.
func (d *decision) endGathering(g Gathering, cause Code) {
	e := Unfinished{Characteristic: g.Characteristic, Gauge: g.Gauge, Part: g.Part, Count: g.Count, Have: len(g.Places), Cause: cause}
	if l, c := d.set().Find(g.Characteristic); l != nil {
		e.Loop = l.Name
		if v := l.Characteristics[c].Several; v != nil {
			e.Of = v.readings()
		}
	}
	d.emit(e)
}

// endGatherings ends every measurement that match picks.
func (d *decision) endGatherings(cause Code, match func(Gathering) bool) {
	for _, g := range slices.Clone(d.book().Gathering) {
		if match(g) {
			d.endGathering(g, cause)
		}
	}
}

// expireGatherings ends what nobody has gone on with in time.
func (d *decision) expireGatherings() {
	d.endGatherings(causeGatherLate, func(g Gathering) bool {
		l, c := d.set().Find(g.Characteristic)
		return l == nil || l.Characteristics[c].Several == nil ||
			(d.minute()-g.Minute)*60_000 > float64(l.Characteristics[c].Several.Within)
	})
}

// endChanged ends the measurements whose characteristic means something else in
// the settings to come.
func (d *decision) endChanged(to *Settings) {
	d.endGatherings(causeConfig, func(g Gathering) bool {
		was, i := d.set().Find(g.Characteristic)
		is, k := to.Find(g.Characteristic)
		return was == nil || is == nil || was.Name != is.Name ||
			digest(was.Characteristics[i]) != digest(is.Characteristics[k])
	})
}

// applyUnfinished forgets a measurement. Where a gauge takes the oldest part that
// was not measured, this one has had its readings.
func (s *State) applyUnfinished(e Unfinished) {
	s.dropGathering(e.Characteristic, e.Gauge, e.Count)
	l, c := s.Ledger.Settings.Find(e.Characteristic)
	if l == nil || !slices.ContainsFunc(l.Characteristics[c].Gauges, func(u GaugeUse) bool {
		return u.Gauge == e.Gauge && u.Identity == identityOrder
	}) {
		return
	}
	if cut := s.cut(e.Count); cut != nil && !slices.Contains(cut.Measured, e.Characteristic) {
		cut.Measured = append(cut.Measured, e.Characteristic)
	}
}

// soundSeveral reports whether a characteristic's measurement can be completed.
func (c *Characteristic) soundSeveral() bool {
	v := c.Several
	if !soundAlpha(c.Alpha, c.AlphaSigma) {
		return false
	}
	return v == nil || v.Depths >= 1 && v.Orientations >= 1 && v.Depths <= gauge.MaxReadings && v.Orientations <= gauge.MaxReadings &&
		v.readings() <= gauge.MaxReadings && v.Within >= 0
}
