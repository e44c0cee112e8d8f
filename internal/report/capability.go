package report

import (
	"fmt"
	"math"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/chart"
	"offsetbridge/internal/length"
)

// Subject is what readings are of: names for people, limits exact.
type Subject struct {
	Name         string // of the characteristic or the column
	Unit         length.Unit
	Lower, Upper *length.Length
	Target       *length.Length
	Basis        []Fact
}

// limits turns exact limits into the unit of the statistics.
func (s *Subject) limits() capability.Limits {
	of := func(l *length.Length) float64 {
		if l == nil {
			return math.NaN()
		}
		return l.Float(s.Unit)
	}
	return capability.Limits{Lower: of(s.Lower), Upper: of(s.Upper), Target: of(s.Target)}
}

// target is the middle of the limits where none was given.
func (s *Subject) target(l *capability.Limits) {
	if math.IsNaN(l.Target) && l.Both() {
		l.Target = l.Lower + (l.Upper-l.Lower)/2
	}
}

// decimals is how exactly a size is written: a hundredth of its spread.
func decimals(sd float64) int {
	if !(sd > 0) {
		return 4
	}
	return min(9, max(0, int(math.Ceil(-math.Log10(sd)))+1))
}

// Collected is a sample on its way: figures, and the outline for the picture.
type Collected struct {
	Sample *capability.Sample
	Trace  chart.Trace
	Run    capability.Run
}

// Collect starts one, with neighbours in subgroups of size (1: individuals).
func Collect(size int, way capability.Way) *Collected {
	return &Collected{Sample: capability.NewSample(size, way)}
}

// Add takes the next reading, in the unit of the subject.
func (c *Collected) Add(x float64) {
	c.Sample.Add(x)
	c.Trace.Add(x)
	c.Run.Add(x, c.Trace.N > 1)
}

// capabilityData is the machine-readable form, in the field's standard terms.
type capabilityData struct {
	Report       string      `json:"report"`
	Of           string      `json:"characteristic"`
	Unit         length.Unit `json:"unit"`
	Lower        Number      `json:"lower"`
	Upper        Number      `json:"upper"`
	Target       Number      `json:"target"`
	N            int         `json:"n"`
	Mean         Number      `json:"mean"`
	Median       Number      `json:"median"`
	Minimum      Number      `json:"minimum"`
	Maximum      Number      `json:"maximum"`
	SdOverall    Number      `json:"sd_overall"`
	SdWithin     Number      `json:"sd_within"`
	WithinMethod string      `json:"within_method"`
	WithinDf     Number      `json:"within_df"`
	Subgroup     int         `json:"subgroup_size"`
	Cp           Number      `json:"cp"`
	CpLow        Number      `json:"cp_low"`
	CpHigh       Number      `json:"cp_high"`
	Cpk          Number      `json:"cpk"`
	CpkLow       Number      `json:"cpk_low"`
	CpkHigh      Number      `json:"cpk_high"`
	Pp           Number      `json:"pp"`
	PpLow        Number      `json:"pp_low"`
	PpHigh       Number      `json:"pp_high"`
	Ppk          Number      `json:"ppk"`
	PpkLow       Number      `json:"ppk_low"`
	PpkHigh      Number      `json:"ppk_high"`
	PpkBound     Number      `json:"ppk_bound"` // one-sided, exact towards the nearer limit
	Cpm          Number      `json:"cpm"`
	CpmLow       Number      `json:"cpm_low"`
	CpmHigh      Number      `json:"cpm_high"`
	NormalPp     Number      `json:"pp_normal"`
	NormalPpk    Number      `json:"ppk_normal"`
	Confidence   Number      `json:"confidence"`
	Method       string      `json:"method"`
	Normality    string      `json:"normality_test"`
	NormalityW   Number      `json:"normality_statistic"`
	NormalityP   Number      `json:"normality_p"`
	Skewness     Number      `json:"skewness"`
	Kurtosis     Number      `json:"kurtosis"`
	Lag1         Number      `json:"autocorrelation"`
	Points       [3]Number   `json:"percentiles_0135_50_99865"`
	Below        int         `json:"below_lower"`
	Above        int         `json:"above_upper"`
	Million      Number      `json:"expected_ppm"`
	Refused      string      `json:"cp_refused,omitempty"`
}

func dataOf(s *Subject, l capability.Limits, a *capability.Assessment) capabilityData {
	n := func(v float64) Number { return Number(v) }
	return capabilityData{
		Report: "capability", Of: s.Name, Unit: s.Unit, Lower: n(l.Lower), Upper: n(l.Upper), Target: n(l.Target),
		N: a.N, Mean: n(a.Mean), Median: n(a.Median), Minimum: n(a.Least), Maximum: n(a.Most),
		SdOverall: n(a.SD), SdWithin: n(a.Within.SD), WithinMethod: string(a.Within.Way), WithinDf: n(a.Within.Freedom), Subgroup: a.Within.Size,
		Cp: n(a.Cp.Value), CpLow: n(a.Cp.Low), CpHigh: n(a.Cp.High), Cpk: n(a.Cpk.Value), CpkLow: n(a.Cpk.Low), CpkHigh: n(a.Cpk.High),
		Pp: n(a.Pp.Value), PpLow: n(a.Pp.Low), PpHigh: n(a.Pp.High), Ppk: n(a.Ppk.Value), PpkLow: n(a.Ppk.Low), PpkHigh: n(a.Ppk.High),
		PpkBound: n(a.Bound), Cpm: n(a.Cpm.Value), CpmLow: n(a.Cpm.Low), CpmHigh: n(a.Cpm.High),
		NormalPp: n(a.NormalPp.Value), NormalPpk: n(a.NormalPpk.Value), Confidence: n(a.Confidence), Method: string(a.Method),
		Normality: a.Shape.Test, NormalityW: n(a.Shape.Statistic), NormalityP: n(a.Shape.P),
		Skewness: n(a.Skewness), Kurtosis: n(a.Kurtosis), Lag1: n(a.Lag1),
		Points: [3]Number{n(a.Points[0]), n(a.Points[1]), n(a.Points[2])},
		Below:  a.Below, Above: a.Above, Million: n(a.PerMillion), Refused: a.Refused,
	}
}

// Capability judges readings against limits of size. run says that they are one run in
// a row by one tool, uncorrected: machine performance is judged too.
func Capability(s *Subject, c *Collected, o capability.Options, run bool) *Document {
	l := s.limits()
	s.target(&l)
	a := capability.Assess(c.Sample, l, o)
	d := &Document{
		Title: "Capability of " + s.Name, Summary: capabilityInWords(s, l, &a), Basis: s.Basis, Notes: a.Notes, Data: dataOf(s, l, &a),
	}
	if a.Refused != "" {
		d.Notes = append([]string{"There is no Cp or Cpk: " + a.Refused + "."}, d.Notes...)
	}
	first := indices(&a)
	if run {
		pm := capability.MachinePerformance(c.Run.Sizes(), l, o)
		machineRows(first.Table, &pm)
		d.Notes = append(d.Notes, machineNotes(&pm)...)
		d.Data = runData{dataOf(s, l, &a), machineOf(&pm)}
	}
	d.Sections = append(d.Sections, first, spread(s, l, &a, c), inOrder(s, l, c))
	return d
}

// capabilityInWords is the answer in one or two sentences.
func capabilityInWords(s *Subject, l capability.Limits, a *capability.Assessment) string {
	if math.IsNaN(a.Ppk.Value) {
		return fmt.Sprintf("%s say nothing about the limits yet.", count(a.N, "reading"))
	}
	outside := a.Below + a.Above
	seen := "none of them outside the limits"
	if outside > 0 {
		seen = fmt.Sprintf("%d of them outside the limits", outside)
	}
	words := fmt.Sprintf("Ppk %s (%s): %s, %s.", fixed(a.Ppk.Value, 2), between(a.Ppk.Low, a.Ppk.High, 2), count(a.N, "reading"), seen)
	if l.Both() {
		used := 100 * (a.Points[2] - a.Points[0]) / (l.Upper - l.Lower)
		off := a.Mean - l.Target
		words += fmt.Sprintf(" The sizes fill %s %% of the tolerance, their mean lies %s %s from the target.", fixed(used, 0), signed(off, decimals(a.SD)), s.Unit)
	}
	return words
}

func indices(a *capability.Assessment) Section {
	t := &Table{Columns: []string{"", "estimate", fmt.Sprintf("%s %% interval", fixed(100*a.Confidence, 0)), "what it is"}, Words: map[int]bool{3: true}}
	row := func(name string, f capability.Figure, what string) {
		if !math.IsNaN(f.Value) {
			t.Row(name, fixed(f.Value, 2), between(f.Low, f.High, 2), what)
		}
	}
	row("Pp", a.Pp, "tolerance over the spread of all sizes")
	row("Ppk", a.Ppk, "the same towards the nearer limit")
	row("Cp", a.Cp, "tolerance over the spread of neighbours")
	row("Cpk", a.Cpk, "the same towards the nearer limit")
	row("Cpm", a.Cpm, "tolerance over the distance from the target")
	s := Section{Title: "Indices", Table: t}
	how := map[capability.Method]string{
		capability.Normal:     "as of a normal process",
		capability.Percentile: "by the percentiles of the readings",
		capability.Fitted:     "by a fitted Johnson distribution (Slifker & Shapiro 1980)",
	}[a.Method]
	if how != "" {
		s.Text = append(s.Text, fmt.Sprintf("ISO 22514-2: Pp and Ppk %s. Intervals: χ² for Pp, Cp and Cpm (Boyles 1991), Bissell (1990) for Ppk and Cpk.", how))
	}
	if !math.IsNaN(a.Bound) {
		s.Text = append(s.Text, fmt.Sprintf("With %s %% confidence Ppk is at least %s.", fixed(100*a.Confidence, 0), fixed(a.Bound, 2)))
	}
	return s
}

func spread(s *Subject, l capability.Limits, a *capability.Assessment, c *Collected) Section {
	k := decimals(a.SD)
	t := &Table{Columns: []string{"", string(s.Unit)}}
	row := func(name string, v float64) {
		if !math.IsNaN(v) {
			t.Row(name, fixed(v, k))
		}
	}
	row("lower limit", l.Lower)
	row("upper limit", l.Upper)
	row("target", l.Target)
	row("mean", a.Mean)
	row("median", a.Median)
	row("smallest", a.Least)
	row("largest", a.Most)
	row("0.135 % point", a.Points[0])
	row("99.865 % point", a.Points[2])
	t.Row("standard deviation, all", fixed(a.SD, k+1))
	if a.Refused == "" && !math.IsNaN(a.Within.SD) {
		t.Row("standard deviation, within ("+string(a.Within.Way)+")", fixed(a.Within.SD, k+1))
	}
	if a.Below > 0 {
		t.Bad("readings below the lower limit", fmt.Sprint(a.Below))
	}
	if a.Above > 0 {
		t.Bad("readings above the upper limit", fmt.Sprint(a.Above))
	}
	text := fmt.Sprintf("Shape: %s on %d, p %s; skewness %s, excess kurtosis %s.", a.Shape.Test, a.Shape.N, probability(a.Shape.P), signed(a.Skewness, 2), signed(a.Kurtosis, 2))
	return Section{Title: "How the sizes spread", Text: []string{text}, Pictures: []string{histogram(s, l, a, c)}, Table: t}
}

func histogram(s *Subject, l capability.Limits, a *capability.Assessment, c *Collected) string {
	counts := c.Sample.Tally.Counts()
	values, times := make([]float64, len(counts)), make([]int, len(counts))
	for i, k := range counts {
		values[i], times[i] = k.Value, k.Times
	}
	middle, height := chart.Histogram(values, times, c.Sample.Tally.Resolution())
	p := &chart.Plot{Title: "How often each size was read", X: chart.Axis{Name: string(s.Unit)}, Y: chart.Axis{Name: "readings"}}
	p.Alt = fmt.Sprintf("Histogram of %d readings from %s to %s %s around a mean of %s; %d lie below the lower limit and %d above the upper one.",
		a.N, fixed(a.Least, decimals(a.SD)), fixed(a.Most, decimals(a.SD)), s.Unit, fixed(a.Mean, decimals(a.SD)), a.Below, a.Above)
	p.Bars(middle, height, chart.Ink)
	if len(middle) > 1 && a.Method == capability.Normal {
		width := middle[1] - middle[0]
		var x, y []float64
		for i := range 121 {
			v := a.Mean + (float64(i)/20-3)*1.1*a.SD
			u := (v - a.Mean) / a.SD
			x, y = append(x, v), append(y, float64(a.N)*width/a.SD*math.Exp(-u*u/2)/math.Sqrt(2*math.Pi))
		}
		p.Line(x, y, chart.Quiet, "")
	}
	p.Upright(l.Lower, chart.Limit, "lower")
	p.Upright(l.Upper, chart.Limit, "upper")
	p.Upright(l.Target, chart.Guide, "target")
	return p.SVG()
}

func inOrder(s *Subject, l capability.Limits, c *Collected) Section {
	x, y := c.Trace.Line()
	p := &chart.Plot{Title: "The readings in order", X: chart.Axis{Name: "reading"}, Y: chart.Axis{Name: string(s.Unit)}}
	p.Alt = fmt.Sprintf("%d readings in the order in which they came, with the limits.", c.Trace.N)
	p.Line(x, y, chart.Quiet, "")
	if c.Trace.Exact() && len(x) <= 400 {
		p.Points(x, y, chart.Ink)
	}
	bx, by := chart.Beyond(x, y, l.Lower, l.Upper)
	p.Points(bx, by, chart.Alarm)
	p.Level(l.Lower, chart.Limit, "lower limit")
	p.Level(l.Upper, chart.Limit, "upper limit")
	p.Level(l.Target, chart.Guide, "target")
	out := Section{Title: "The readings in order", Pictures: []string{p.SVG()}}
	if !c.Trace.Exact() {
		out.Text = []string{"So many readings are drawn as the span that they fill."}
	}
	return out
}
