package report

import (
	"fmt"
	"math"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/chart"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// RecordOptions say which parts of a record are judged, and how.
type RecordOptions struct {
	Series  series.Options
	Unit    length.Unit
	Parts   bool // all parts, also those of tool lives that are not whole
	Lower   *length.Length
	Upper   *length.Length
	Target  *length.Length
	Options capability.Options
	Chart   ChartOptions
}

// recorded collects what a capability document needs of a series, part by part.
type recorded struct {
	unit    length.Unit
	l       capability.Limits
	lives   *capability.Lives
	all     chart.Trace
	errors  Charted
	run     capability.Run
	steps   []capability.Step
	dropped int // older steps
	moved   bool
	apart   bool // the next forecast is no neighbour of the last
	off     bool // the loop could change nothing, all the time
	last    series.Part
	some    bool
}

// maxSteps bounds the parts by which ways of correcting are compared.
const maxSteps = 200_000

func (r *recorded) take(p *series.Part) {
	x := p.Size.Float(r.unit)
	self := math.NaN()
	if p.Tied {
		self = (p.Size - p.Command).Float(r.unit)
	}
	same := r.some && p.Life == r.last.Life && p.Config == r.last.Config
	moved := r.some && (p.Command != r.last.Command || !p.Tied)
	r.moved = r.moved || moved
	r.off = p.Off && (r.off || !r.some)
	r.apart = r.apart || !same // until the next forecast
	r.lives.Add(p.Life, p.Age, x, self)
	r.all.Add(x)
	if p.Expect {
		r.errors.Add(p.Error.Float(r.unit), p.Name, r.apart)
		r.apart = false
	}
	if p.Off && p.Tied {
		r.run.Add(x, p.Next && same && !moved && r.last.Off)
	} else {
		r.run.Break()
	}
	if p.Tied {
		if len(r.steps) == maxSteps {
			r.steps = append(r.steps[:0], r.steps[maxSteps/2:]...)
			r.dropped += maxSteps / 2
		}
		um := func(l length.Length) float64 { return l.Micrometres() }
		r.steps = append(r.steps, capability.Step{Own: um(p.Size - p.Aim - p.Command), Command: um(p.Command), Low: um(p.Limits.Low - p.Aim), High: um(p.Limits.High - p.Aim)})
	}
	r.last, r.some = *p, true
}

// CapabilityOfRecord judges the parts of one characteristic as the journal holds them.
// A loop that corrects makes neighbours differ by what it did, so there is no Cp then:
// Pp and Ppk are those of the sizes produced over whole tool lives.
func CapabilityOfRecord(j series.Source, o RecordOptions) (*Document, error) {
	if o.Unit == "" {
		o.Unit = length.MM
	}
	nan := math.NaN()
	r := &recorded{unit: o.Unit, l: capability.Limits{Lower: nan, Upper: nan, Target: nan}}
	s := &Subject{Unit: o.Unit, Lower: o.Lower, Upper: o.Upper, Target: o.Target}
	r.lives = capability.NewLives(r.l)
	b, err := series.Read(j, o.Series, func(p *series.Part) {
		if s.Name == "" || p.Config != r.last.Config { // the last ones count, see notesOf
			s.Name = o.Series.Characteristic
			r.limits(s, p, o)
		}
		r.take(p)
	})
	if err != nil {
		return nil, err
	}
	r.lives.End()
	s.Name = b.Characteristic + " at " + b.Machine
	s.Basis = factsOf(b, o.Unit)
	d := r.document(s, b, o)
	d.Heads = []Head{HeadOf(b.Head)}
	return d, nil
}

// limits takes those in force for a part, where none were given.
func (r *recorded) limits(s *Subject, p *series.Part, o RecordOptions) {
	or := func(given *length.Length, recorded length.Length) *length.Length {
		if given != nil {
			return given
		}
		return &recorded
	}
	s.Lower, s.Upper, s.Target = or(o.Lower, p.Limits.Low), or(o.Upper, p.Limits.High), or(o.Target, p.Aim)
	r.l = s.limits()
	r.lives.Judge(r.l)
}

func (r *recorded) document(s *Subject, b *series.Basis, o RecordOptions) *Document {
	c := &Collected{Sample: r.lives.Whole, Trace: r.all}
	over := fmt.Sprintf("over %s", wholeLives(r.lives))
	var notes []string
	if o.Parts || r.lives.Whole.N < capability.LeastRun {
		c.Sample, over = r.lives.All, "over all parts"
		if !o.Parts && r.moved {
			notes = append(notes, "no tool life began and ended in this record, or too few parts of one: what the wear of whole lives adds is not in these figures")
		}
	}
	kind := o.Options
	if r.moved || !r.off {
		kind.Kind = capability.Corrected
	}
	a := capability.Assess(c.Sample, r.l, kind)
	d := &Document{Title: "Capability of " + s.Name, Basis: append(s.Basis, Fact{"judged", over}), Summary: capabilityInWords(s, r.l, &a)}
	pm := capability.MachinePerformance(r.run.Sizes(), r.l, o.Options)
	ways := capability.Alternate(r.steps)
	errors := work(&r.errors, o.Chart)
	d.Data = r.data(s, b, &a, &pm, &ways, errors)
	d.Notes = append(append(notesOf(b), notes...), a.Notes...)
	if a.Refused != "" {
		d.Notes = append(d.Notes, "there is no Cp or Cpk: "+a.Refused)
	}
	d.Notes = append(d.Notes, machineNotes(&pm)...)
	if r.dropped > 0 {
		d.Notes = append(d.Notes, fmt.Sprintf("ways of correcting are compared over the newest %d parts", len(r.steps)))
	}
	first := indices(&a)
	judged := "Judged " + over + "."
	if c.Sample == r.lives.Whole {
		judged = "Judged " + over + ": location follows the tool's age, so part of a life would flatter the process (ISO 22514-2, time-dependent model)."
	}
	first.Text = append([]string{judged}, first.Text...)
	machineRows(first.Table, &pm)
	d.Sections = append(d.Sections, first)
	if n := len(r.steps); n > 0 {
		loop, at := b.Settings.Find(b.Characteristic)
		d.Sections = append(d.Sections, withAndWithout(&ways, loop.Characteristics[at].Internal, a.Confidence))
	}
	d.Sections = append(d.Sections, spread(s, r.l, &a, c), inOrder(s, r.l, c))
	if len(r.lives.Each) > 0 {
		d.Sections = append(d.Sections, r.livesSection(s))
	}
	d.Sections = append(d.Sections, forecasts(&r.errors, errors, o.Unit))
	return d
}

func wholeLives(l *capability.Lives) string {
	n := 0
	for i := range l.Each {
		if l.Each[i].Whole {
			n++
		}
	}
	if n == 1 {
		return "1 whole tool life"
	}
	return fmt.Sprintf("%d whole tool lives", n+l.Forgotten)
}

func machineRows(t *Table, p *capability.Performance) {
	if p.Refused != "" {
		return
	}
	what := fmt.Sprintf("of the machine alone: %d parts in a row, one tool, the loop off", p.N)
	t.Row("Pm", fixed(p.Pm.Value, 2), between(p.Pm.Low, p.Pm.High, 2), what)
	t.Row("Pmk", fixed(p.Pmk.Value, 2), between(p.Pmk.Low, p.Pmk.High, 2), "the same towards the nearer limit")
}

func machineNotes(p *capability.Performance) []string {
	if p.Refused == "" {
		return p.Notes
	}
	return []string{"there is no machine performance (ISO 22514-3): " + p.Refused}
}

// livesSection is the table of the newest tool lives.
func (r *recorded) livesSection(s *Subject) Section {
	k := decimals(r.lives.All.SD())
	t := &Table{Columns: []string{"life", "parts", "mean from target", "standard deviation", "drift of the sizes, 100 parts", "of the process itself", "outside"}}
	const most = 60
	each := r.lives.Each
	if len(each) > most {
		each = each[len(each)-most:]
	}
	for i := range each {
		e := &each[i]
		name := fmt.Sprint(e.Number)
		if !e.Whole {
			name += " (not whole)"
		}
		cells := []string{name, fmt.Sprint(e.N), signed(e.Mean-r.l.Target, k), fixed(e.SD, k), signed(100*e.Slope, k), signed(100*e.Own, k), fmt.Sprint(e.Beyond)}
		if e.Beyond > 0 {
			t.Bad(cells...)
		} else {
			t.Row(cells...)
		}
	}
	inside, about, means, _ := r.lives.Within()
	text := fmt.Sprintf("In %s: standard deviation inside the lives %s, about the line of each %s, of their means %s.", s.Unit, fixed(inside, k+1), fixed(about, k+1), fixed(means, k+1))
	return Section{Title: "Tool lives", Text: []string{text, "The last column but one is what the sizes would drift by had nobody corrected: each size less what the registers in force added."}, Table: t}
}

// withAndWithout compares ways of correcting.
func withAndWithout(w *capability.Alternatives, internal bool, confidence float64) Section {
	scrap, recut := capability.UpperSide, capability.LowerSide
	if !internal {
		scrap, recut = recut, scrap
	}
	at := func(o *capability.Outcome, s capability.Side) int {
		if s == capability.LowerSide {
			return o.Below
		}
		return o.Above
	}
	t := &Table{Columns: []string{"", "rms from aim, µm", "scrap", "to be cut again"}}
	row := func(name string, o *capability.Outcome) {
		t.Row(name, fixed(o.RMS, 2), fmt.Sprint(at(o, scrap)), fmt.Sprint(at(o, recut)))
	}
	row("as recorded", &w.AsIs)
	row("nobody corrected", &w.None)
	row("every deviation corrected whole", &w.Full)
	says := func(what string, side capability.Side) string {
		return what + ": " + fewer(w.Avoided(&w.None, &w.AsIs, side, confidence))
	}
	return Section{Title: "With and without corrections", Table: t, Text: []string{
		fmt.Sprintf("Of %d parts, against nobody correcting from the first one on. %s. %s.", w.N, says("Scrap", scrap), says("Cut again", recut)),
		fmt.Sprintf("Each part is taken as it was cut, less what the registers in force added times the configured effect; people who would have stepped in are not in it. Intervals by resampling stretches of %s.", count(w.Block, "part")),
	}}
}

// fewer says how many parts fewer, with the interval where there is one.
func fewer(f capability.Figure) string {
	words := count(int(math.Abs(f.Value)), "part") + " fewer"
	switch {
	case f.Value == 0:
		words = "no difference"
	case f.Value < 0:
		words = count(int(-f.Value), "part") + " more"
	}
	if math.IsNaN(f.Low) {
		return words + ", too few parts for an interval"
	}
	return fmt.Sprintf("%s (from %s to %s fewer)", words, fixed(f.Low, 0), fixed(f.High, 0))
}

// forecasts charts what the loop did not expect.
func forecasts(c *Charted, p *charted, unit length.Unit) Section {
	out := Section{Title: "What the loop did not expect", Text: []string{
		"The sizes of a corrected process are not charted: the loop moves them, so their limits would show its work, not the process. What each part differs by from the size that was expected of it should be chance alone, and is charted instead.",
	}}
	if len(p.x) == 0 {
		out.Text = append(out.Text, "There are too few forecasts to chart.")
		return out
	}
	k := decimals(p.sigma)
	out.Text = append(out.Text, p.inWords(string(unit)), fmt.Sprintf("Standard deviation %s %s from neighbours, autocorrelation %s. %s", fixed(p.sigma, k+1), unit, signed(p.lag, 2), p.price()))
	out.Text = append(out.Text, p.notes(c)...)
	out.Pictures = p.pictures("What the loop did not expect", string(unit))[:1]
	out.Table = p.table(string(unit))
	return out
}
