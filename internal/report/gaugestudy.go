package report

import (
	"fmt"
	"math"
	"time"

	"offsetbridge/internal/chart"
	"offsetbridge/internal/gaugestudy"
)

// Studied is what a gauge study is of.
type Studied struct {
	Name  string // of the gauge or the column
	Unit  string
	Head  gaugestudy.Head
	Basis []Fact
	Notes []string
}

// componentData are variances of one model of a crossed study.
type componentData struct {
	Repeatability   Number `json:"var_repeatability"`
	Reproducibility Number `json:"var_reproducibility"`
	Operator        Number `json:"var_operator"`
	Interaction     Number `json:"var_interaction"`
	Part            Number `json:"var_part"`
	Percent         Number `json:"grr_percent"`
	NDC             int    `json:"ndc"`
	FPart           Number `json:"f_part"`
	PPart           Number `json:"p_part"`
	FOperator       Number `json:"f_operator"`
	POperator       Number `json:"p_operator"`
	FInteraction    Number `json:"f_interaction"`
	PInteraction    Number `json:"p_interaction"`
}

type intervalData struct {
	Low  Number `json:"low"`
	High Number `json:"high"`
}

type lineData struct {
	Name string `json:"name"`
	Df   Number `json:"df"`
	SS   Number `json:"ss"`
	MS   Number `json:"ms"`
	F    Number `json:"f"`
	P    Number `json:"p"`
}

type crossedData struct {
	Report string `json:"report"`
	Of     string `json:"gauge"`
	Unit   string `json:"unit"`
	componentData
	Total      Number                  `json:"var_total"`
	Gauge      Number                  `json:"var_grr"`
	Tolerance  Number                  `json:"grr_percent_of_tolerance"`
	Exact      Number                  `json:"ndc_exact"`
	Model      string                  `json:"model"`
	Parts      int                     `json:"parts"`
	Operators  int                     `json:"operators"`
	Trials     int                     `json:"trials"`
	Confidence Number                  `json:"confidence"`
	Intervals  map[string]intervalData `json:"intervals"`
	Anova      []lineData              `json:"anova"`
	With       *componentData          `json:"with_interaction"`
	Pooled     *componentData          `json:"pooled"`
}

func componentsOf(c *gaugestudy.Components) componentData {
	n := func(v float64) Number { return Number(v) }
	p, o, i := c.In("part"), c.In("operator"), c.In("interaction")
	return componentData{
		n(c.Repeatability.Value), n(c.Reproducibility.Value), n(c.Operator.Value), n(c.Interaction.Value), n(c.Part.Value), n(c.Percent.Value), c.NDC,
		n(p.F), n(p.P), n(o.F), n(o.P), n(i.F), n(i.P),
	}
}

// model names how the interaction was taken.
func model(s *gaugestudy.Study) string {
	switch {
	case len(s.Operators) == 1:
		return "one operator"
	case s.Chosen.Pooled:
		return "pooled"
	}
	return "with interaction"
}

// Crossed reports a study of operators and parts.
func Crossed(s *Studied, readings []gaugestudy.Reading, o gaugestudy.Options) (*Document, error) {
	study, err := gaugestudy.Crossed(readings, o)
	if err != nil {
		return nil, err
	}
	d := &Document{Title: "Gauge study of " + s.Name, Summary: crossedInWords(study), Basis: s.Basis, Data: crossedDataOf(s, study)}
	d.Notes = append(d.Notes, s.Notes...)
	switch {
	case len(study.Operators) == 1:
		d.Notes = append(d.Notes, "One operator: what another would read differently is not in these figures.")
	case len(study.Operators) < 3 || len(study.Parts) < 10:
		d.Notes = append(d.Notes, fmt.Sprintf("%s and %s are few (3 operators and 10 parts are usual): the intervals say how little the study knows.", count(len(study.Operators), "operator"), count(len(study.Parts), "part")))
	}
	d.Notes = append(d.Notes, "The percentage of study variation is as good as the parts: take them over the whole range of production.")
	d.Notes = append(d.Notes, gaugestudy.Blind(s.Head)...)
	d.Sections = append(d.Sections, componentsTable(study), anovaTable(study), byOperator(s, readings, study))
	d.Sections = append(d.Sections, forRegister(s, math.Sqrt(study.Chosen.Gauge.Value)))
	return d, nil
}

// judged is the customary judgement of a gauge's share (common practice).
func judged(percent float64) string {
	switch {
	case percent < 10:
		return "good (below 10 %)"
	case percent <= 30:
		return "usable by agreement (10 to 30 %)"
	}
	return "not good enough (above 30 %)"
}

func crossedInWords(s *gaugestudy.Study) string {
	c := &s.Chosen
	p, base := c.Percent, "of the variation in the study"
	if !math.IsNaN(c.Tolerance.Value) {
		p, base = c.Tolerance, "of the tolerance"
	}
	return fmt.Sprintf("The gauge takes %s %% %s (%s): %s. It tells %s of these parts apart.",
		fixed(p.Value, 1), base, between(p.Low, p.High, 1), judged(p.Value), count(c.NDC, "group"))
}

func componentsTable(s *gaugestudy.Study) Section {
	c := &s.Chosen
	t := &Table{Columns: []string{"", "variance", fixed(100*s.Confidence, 0) + " % interval", "standard deviation", "% of the variation"}}
	row := func(name string, f gaugestudy.Figure) {
		t.Row(name, number(f.Value), number(f.Low)+" to "+number(f.High), number(math.Sqrt(f.Value)), fixed(100*math.Sqrt(f.Value/c.Total.Value), 1))
	}
	row("repeatability", c.Repeatability)
	if len(s.Operators) > 1 {
		row("reproducibility", c.Reproducibility)
		row("  operator", c.Operator)
		row("  operator × part", c.Interaction)
	}
	row("gauge, together", c.Gauge)
	row("parts", c.Part)
	row("total", c.Total)
	text := []string{
		"Components from expected mean squares, negative ones taken as none; intervals of repeatability by χ², of the others generalized ones (Hamada & Weerahandi 2000). Percentages are of standard deviations and need not add up to 100.",
		fmt.Sprintf("Groups that can be told apart: 1.41 · sd of parts / sd of the gauge = %s (%s), cut off to %d.", fixed(c.Categories.Value, 2), between(c.Categories.Low, c.Categories.High, 2), c.NDC),
	}
	if !math.IsNaN(c.Tolerance.Value) {
		text = append(text, fmt.Sprintf("Six standard deviations of the gauge take %s %% of the tolerance (%s).", fixed(c.Tolerance.Value, 1), between(c.Tolerance.Low, c.Tolerance.High, 1)))
	}
	return Section{Title: "What the readings scatter from", Text: text, Table: t}
}

// number writes a figure of any magnitude with four digits.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	if v == 0 {
		return "0"
	}
	if a := math.Abs(v); a >= 1e-4 && a < 1e5 {
		return fixed(v, max(0, 3-int(math.Floor(math.Log10(a)))))
	}
	return fmt.Sprintf("%.3e", v)
}

func anovaTable(s *gaugestudy.Study) Section {
	t := &Table{Columns: []string{"", "degrees of freedom", "sum of squares", "mean square", "F", "p"}}
	put := func(c *gaugestudy.Components) {
		for _, l := range c.Lines {
			t.Row(l.Name, fixed(l.Df, 0), number(l.SS), number(l.MS), number(l.F), pvalue(l.P))
		}
	}
	put(&s.With)
	out := Section{Title: "Analysis of variance", Table: t}
	if i := s.With.In("interaction"); !math.IsNaN(i.P) {
		out.Text = []string{"F of parts and operators is against the interaction, that of the interaction against repeatability."}
		if s.Chosen.Pooled {
			out.Text = append(out.Text, fmt.Sprintf("The interaction shows nothing (p %s, pooled above %s): it went into repeatability, and the lines below are against that. Kept, the gauge would take %s %% of the variation.",
				chance(i.P), fixed(gaugestudy.PoolAbove, 2), fixed(s.With.Percent.Value, 1)))
			t.Row("pooled:", "", "", "", "", "")
			put(&s.Without)
		} else {
			out.Text = append(out.Text, fmt.Sprintf("The interaction was kept (p %s). Pooled, the gauge would take %s %% of the variation.", chance(i.P), fixed(s.Without.Percent.Value, 1)))
		}
	}
	return out
}

func byOperator(s *Studied, readings []gaugestudy.Reading, study *gaugestudy.Study) Section {
	at := map[string]int{}
	for i, p := range study.Parts {
		at[p] = i
	}
	p := &chart.Plot{Title: "Readings of each part, by operator", X: chart.Axis{Name: "part", Names: study.Parts}, Y: chart.Axis{Name: s.Unit}}
	p.Alt = fmt.Sprintf("The readings of %d parts, each operator's means joined by a line; lines that run together mean that operators agree.", len(study.Parts))
	for k, name := range study.Operators {
		sum, n := make([]float64, len(study.Parts)), make([]float64, len(study.Parts))
		var x, y []float64
		for _, r := range readings {
			if r.Operator == name {
				i := at[r.Part]
				sum[i] += r.Value
				n[i]++
				x, y = append(x, float64(i)+0.12*(float64(k)-float64(len(study.Operators)-1)/2)), append(y, r.Value)
			}
		}
		p.Points(x, y, chart.Quiet)
		mx := make([]float64, len(sum))
		for i := range sum {
			mx[i], sum[i] = float64(i), sum[i]/n[i]
		}
		p.Line(mx, sum, chart.Ink, name)
	}
	return Section{Title: "Readings", Pictures: []string{p.SVG()}}
}

// forRegister says what a study gives to the register of gauges.
func forRegister(s *Studied, sd float64) Section {
	return Section{Title: "For the register of gauges", Text: []string{
		fmt.Sprintf("In the configuration of this gauge: repeatability = %q", fmt.Sprintf("%.2g %s", sd, s.Unit)),
		"It goes into the uncertainty of every reading, and into how much a reading counts for a correction.",
	}}
}

func crossedDataOf(s *Studied, study *gaugestudy.Study) crossedData {
	c := &study.Chosen
	with, lines := componentsOf(&study.With), study.With.Lines
	d := crossedData{
		Report: "gauge", Of: s.Name, Unit: s.Unit, componentData: componentsOf(c), Total: Number(c.Total.Value), Gauge: Number(c.Gauge.Value),
		Tolerance: Number(c.Tolerance.Value), Exact: Number(c.Categories.Value), Model: model(study),
		Parts: len(study.Parts), Operators: len(study.Operators), Trials: study.Trials, Confidence: Number(study.Confidence), With: &with,
	}
	// F and p are those of the whole analysis, in which the interaction is a line.
	d.FPart, d.PPart, d.FOperator, d.POperator, d.FInteraction, d.PInteraction = with.FPart, with.PPart, with.FOperator, with.POperator, with.FInteraction, with.PInteraction
	if len(study.Operators) > 1 {
		pooled := componentsOf(&study.Without)
		d.Pooled = &pooled
	}
	for _, l := range lines {
		d.Anova = append(d.Anova, lineData{l.Name, Number(l.Df), Number(l.SS), Number(l.MS), Number(l.F), Number(l.P)})
	}
	d.Intervals = map[string]intervalData{}
	for name, f := range map[string]gaugestudy.Figure{ // any order: JSON sorts
		"var_repeatability": c.Repeatability, "var_reproducibility": c.Reproducibility, "var_operator": c.Operator, "var_interaction": c.Interaction,
		"var_part": c.Part, "var_grr": c.Gauge, "grr_percent": c.Percent, "grr_percent_of_tolerance": c.Tolerance, "ndc": c.Categories,
	} {
		d.Intervals[name] = intervalData{Number(f.Low), Number(f.High)}
	}
	return d
}

type type1Data struct {
	Report     string `json:"report"`
	Of         string `json:"gauge"`
	Unit       string `json:"unit"`
	N          int    `json:"n"`
	Mean       Number `json:"mean"`
	SD         Number `json:"sd_repeatability"`
	SDLow      Number `json:"sd_repeatability_low"`
	SDHigh     Number `json:"sd_repeatability_high"`
	Bias       Number `json:"bias"`
	BiasLow    Number `json:"bias_low"`
	BiasHigh   Number `json:"bias_high"`
	P          Number `json:"bias_p"`
	Cg         Number `json:"cg"`
	CgLow      Number `json:"cg_low"`
	CgHigh     Number `json:"cg_high"`
	Cgk        Number `json:"cgk"`
	CgkLow     Number `json:"cgk_low"`
	CgkHigh    Number `json:"cgk_high"`
	Share      Number `json:"share_of_tolerance"`
	Span       Number `json:"span_in_sd"`
	Confidence Number `json:"confidence"`
}

// OnStandard reports a study of one standard.
func OnStandard(s *Studied, x []float64, standard, tolerance, share, span, confidence float64) (*Document, error) {
	o, err := gaugestudy.OnStandard(x, standard, tolerance, share, span, confidence)
	if err != nil {
		return nil, err
	}
	n, k := func(v float64) Number { return Number(v) }, decimals(o.SD.Value)
	d := &Document{Title: "Bias and repeatability of " + s.Name, Basis: s.Basis, Data: type1Data{
		"gauge", s.Name, s.Unit, o.N, n(o.Mean), n(o.SD.Value), n(o.SD.Low), n(o.SD.High), n(o.Bias.Value), n(o.Bias.Low), n(o.Bias.High), n(o.P),
		n(o.Cg.Value), n(o.Cg.Low), n(o.Cg.High), n(o.Cgk.Value), n(o.Cgk.Low), n(o.Cgk.High), n(share), n(span), n(confidence),
	}}
	biased := "which may be chance"
	if o.P < 1-confidence {
		biased = "which is more than chance"
	}
	d.Summary = fmt.Sprintf("The gauge reads %s %s off the standard (%s to %s), %s; its readings scatter by %s.",
		signed(o.Bias.Value, k), s.Unit, signed(o.Bias.Low, k), signed(o.Bias.High, k), biased, fixed(o.SD.Value, k+1))
	t := &Table{Columns: []string{"", "estimate", fixed(100*confidence, 0) + " % interval"}}
	t.Row("bias", signed(o.Bias.Value, k), signed(o.Bias.Low, k)+" to "+signed(o.Bias.High, k))
	t.Row("repeatability (standard deviation)", fixed(o.SD.Value, k+1), between(o.SD.Low, o.SD.High, k+1))
	section := Section{Title: "Figures", Table: t, Text: []string{fmt.Sprintf("Student's t = %s, p %s.", fixed(o.T, 2), chance(o.P))}}
	if !math.IsNaN(o.Cg.Value) {
		t.Row("Cg", fixed(o.Cg.Value, 2), between(o.Cg.Low, o.Cg.High, 2))
		t.Row("Cgk", fixed(o.Cgk.Value, 2), between(o.Cgk.Low, o.Cgk.High, 2))
		section.Text = append(section.Text, fmt.Sprintf("Cg = %s·T / (%s·s), Cgk = (%s·T − |bias|) / (%s·s): common practice, no standard; others take other shares. 1.33 is usually asked.",
			fixed(share, 2), fixed(span, 0), fixed(share/2, 2), fixed(span/2, 0)))
	}
	if o.N < 25 {
		d.Notes = append(d.Notes, fmt.Sprintf("%d readings are few, 25 to 50 are usual.", o.N))
	}
	d.Notes = append(append(append(d.Notes, s.Notes...), "The standard's own uncertainty is not in these figures. One standard says nothing of operators, of other sizes, or of parts that are not as round and smooth as a standard."), gaugestudy.Blind(s.Head)...)
	d.Sections = append(d.Sections, section, forRegister(s, o.SD.Value))
	return d, nil
}

type placeData struct {
	Reference Number `json:"reference"`
	N         int    `json:"n"`
	Bias      Number `json:"bias"`
	Low       Number `json:"bias_low"`
	High      Number `json:"bias_high"`
	P         Number `json:"bias_p"`
}

type rangeData struct {
	Report    string      `json:"report"`
	Of        string      `json:"gauge"`
	Unit      string      `json:"unit"`
	Slope     Number      `json:"slope"`
	SlopeLow  Number      `json:"slope_low"`
	SlopeHigh Number      `json:"slope_high"`
	SlopeP    Number      `json:"slope_p"`
	Intercept Number      `json:"intercept"`
	SD        Number      `json:"sd_about_line"`
	Curve     Number      `json:"curve_p"`
	Bias      Number      `json:"bias"`
	BiasLow   Number      `json:"bias_low"`
	BiasHigh  Number      `json:"bias_high"`
	BiasP     Number      `json:"bias_p"`
	Largest   Number      `json:"largest_bias_along_line"`
	Places    []placeData `json:"places"`
}

// Linearity reports a study over a range.
func Linearity(s *Studied, readings []gaugestudy.AtReference, confidence float64) (*Document, error) {
	o, err := gaugestudy.Linearity(readings, confidence)
	if err != nil {
		return nil, err
	}
	n, k := func(v float64) Number { return Number(v) }, decimals(o.SD)
	data := rangeData{
		Report: "gauge", Of: s.Name, Unit: s.Unit, Slope: n(o.Slope.Value), SlopeLow: n(o.Slope.Low), SlopeHigh: n(o.Slope.High), SlopeP: n(o.SlopeP),
		Intercept: n(o.Intercept.Value), SD: n(o.SD), Curve: n(o.Lack), Bias: n(o.Mean.Value), BiasLow: n(o.Mean.Low), BiasHigh: n(o.Mean.High), BiasP: n(o.MeanP),
		Largest: n(o.Largest),
	}
	t := &Table{Columns: []string{"reference, " + s.Unit, "readings", "bias", fixed(100*confidence, 0) + " % interval", "p"}}
	var x, y, low, high []float64
	for _, p := range o.Places {
		data.Places = append(data.Places, placeData{n(p.Reference), p.N, n(p.Bias.Value), n(p.Bias.Low), n(p.Bias.High), n(p.P)})
		t.Row(number(p.Reference), fmt.Sprint(p.N), signed(p.Bias.Value, k), signed(p.Bias.Low, k)+" to "+signed(p.Bias.High, k), pvalue(p.P))
		x, y, low, high = append(x, p.Reference), append(y, p.Bias.Value), append(low, p.Bias.Low), append(high, p.Bias.High)
	}
	plot := &chart.Plot{Title: "Bias over the range", X: chart.Axis{Name: "reference, " + s.Unit}, Y: chart.Axis{Name: "bias, " + s.Unit}}
	plot.Alt = fmt.Sprintf("Mean bias at %d sizes with intervals, and the line through all readings.", len(o.Places))
	plot.Spans(x, low, high, chart.Quiet)
	plot.Points(x, y, chart.Ink)
	plot.Line(o.Span[:], []float64{o.Intercept.Value + o.Slope.Value*o.Span[0], o.Intercept.Value + o.Slope.Value*o.Span[1]}, chart.Ink, "line")
	plot.Level(0, chart.Guide, "none")
	changes := "The bias does not change with size beyond chance"
	if o.SlopeP < 1-confidence {
		changes = "The bias changes with size"
	}
	d := &Document{Title: "Linearity and bias of " + s.Name, Basis: s.Basis, Data: data, Summary: fmt.Sprintf(
		"%s: %s %s per %s (%s to %s). Along the line it is %s %s at most.", changes, number(o.Slope.Value), s.Unit, s.Unit, number(o.Slope.Low), number(o.Slope.High), fixed(o.Largest, k), s.Unit)}
	d.Sections = []Section{{Title: "Bias over the range", Pictures: []string{plot.SVG()}, Table: t, Text: []string{
		fmt.Sprintf("Over all readings the bias is %s %s (%s to %s), p %s.", signed(o.Mean.Value, k), s.Unit, signed(o.Mean.Low, k), signed(o.Mean.High, k), chance(o.MeanP)),
		fmt.Sprintf("Least squares through all readings, standard deviation about the line %s.", fixed(o.SD, k+1)),
	}}}
	if o.Lack < 1-confidence {
		d.Notes = append(d.Notes, fmt.Sprintf("The places do not lie on one line (p %s): look at the places, not at the line.", chance(o.Lack)))
	}
	d.Notes = append(append(append(d.Notes, s.Notes...), "The uncertainty of the references is not in these figures."), gaugestudy.Blind(s.Head)...)
	return d, nil
}

type steadyData struct {
	Report  string         `json:"report"`
	Of      string         `json:"gauge"`
	Unit    string         `json:"unit"`
	N       int            `json:"changes"`
	Hours   Number         `json:"hours"`
	Mean    Number         `json:"mean_change"`
	Low     Number         `json:"mean_change_low"`
	High    Number         `json:"mean_change_high"`
	P       Number         `json:"mean_change_p"`
	SD      Number         `json:"sd_change"`
	SDLow   Number         `json:"sd_change_low"`
	SDHigh  Number         `json:"sd_change_high"`
	PerDay  Number         `json:"drift_per_24_h"`
	DayLow  Number         `json:"drift_per_24_h_low"`
	DayHigh Number         `json:"drift_per_24_h_high"`
	Outside int            `json:"outside_limits"`
	On      map[string]int `json:"visits_by_standard"`
}

// Stability reports how a gauge kept from setting to setting. Visits begin at first.
func Stability(s *Studied, visits []gaugestudy.Visit, first time.Time, confidence float64) (*Document, error) {
	o, err := gaugestudy.Stability(visits, confidence)
	if err != nil {
		return nil, err
	}
	n, k := func(v float64) Number { return Number(v) }, decimals(o.SD.Value)
	d := &Document{Title: "Stability of " + s.Name, Basis: s.Basis, Data: steadyData{
		"gauge", s.Name, s.Unit, o.N, n(o.Hours), n(o.Found.Value), n(o.Found.Low), n(o.Found.High), n(o.FoundP), n(o.SD.Value), n(o.SD.Low), n(o.SD.High),
		n(o.Per24.Value), n(o.Per24.Low), n(o.Per24.High), o.Outside, o.Standard,
	}}
	drift := "it does not drift one way beyond chance"
	if o.FoundP < 1-confidence {
		drift = fmt.Sprintf("it drifts by %s %s in 24 h (%s to %s)", signed(o.Per24.Value, k), s.Unit, signed(o.Per24.Low, k), signed(o.Per24.High, k))
	}
	d.Summary = fmt.Sprintf("From one setting or check to the next, %s h apart on average, the gauge moves by %s %s (standard deviation, %s); %s.",
		fixed(o.Between, 1), fixed(o.SD.Value, k+1), s.Unit, between(o.SD.Low, o.SD.High, k+1), drift)
	if o.Outside > 0 {
		d.Summary += fmt.Sprintf(" %s beyond what chance does: look for a cause.", count(o.Outside, "change"))
	}
	t := &Table{Columns: []string{"when (UTC)", "standard", "hours since", "as found, " + s.Unit, "moved by", ""}, Words: map[int]bool{1: true, 5: true}}
	var x, y, bx, by []float64
	for i, c := range o.Changes {
		word, add := "checked", t.Row
		if c.Adjusted {
			word = "set"
		}
		x, y = append(x, float64(i+1)), append(y, c.By)
		if c.Outside {
			add = t.Bad
			bx, by = append(bx, float64(i+1)), append(by, c.By)
		}
		add(first.Add(time.Duration(c.Hours*float64(time.Hour))).UTC().Format("2006-01-02 15:04"), c.Standard, fixed(c.Since, 1), signed(c.AsFound, k), signed(c.By, k), word)
	}
	p := &chart.Plot{Title: "How far it moved from visit to visit", X: chart.Axis{Name: "visit"}, Y: chart.Axis{Name: s.Unit}}
	p.Alt = fmt.Sprintf("%d changes in order, %d of them beyond the limits of chance.", o.N, o.Outside)
	p.Line(x, y, chart.Quiet, "")
	p.Points(x, y, chart.Ink)
	p.Points(bx, by, chart.Alarm)
	p.Level(o.Found.Value, chart.Guide, "mean")
	p.Level(o.Found.Value-o.Limits, chart.Guide, "limit")
	p.Level(o.Found.Value+o.Limits, chart.Guide, "limit")
	d.Sections = []Section{{Title: "How far it moved from visit to visit", Pictures: []string{p.SVG()}, Table: t, Text: []string{
		"As found, less what the visit before left (nothing, where it was set). Limits: mean ± 3 · mean moving range / d2 (individuals chart, ISO 7870-2; from memory).",
	}}}
	d.Notes = append(append(append(d.Notes, s.Notes...), "The repeatability of the visits themselves is in these figures. The standard is taken to be what its certificate says."), gaugestudy.Blind(s.Head)...)
	return d, nil
}
