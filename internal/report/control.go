package report

import (
	"fmt"
	"math"
	"strings"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/chart"
)

// ChartKind names a control chart.
type ChartKind string

// The kinds.
const (
	IndividualsChart ChartKind = "individuals"
	MeanRangeChart   ChartKind = "mean-range"
	MeanSChart       ChartKind = "mean-s"
	EWMAChart        ChartKind = "ewma"
	CUSUMChart       ChartKind = "cusum"
)

// ChartKinds are all of them, in the order of the handbook.
var ChartKinds = []ChartKind{IndividualsChart, MeanRangeChart, MeanSChart, EWMAChart, CUSUMChart}

// ChartOptions say how a series is charted. The zero value of a number takes its usual
// one: λ 0.1 with L 2.814 (a false alarm in 500, Lucas & Saccucci 1990), k 0.5 with h 5
// (one in 465, Lucas & Crosier 1982), rule 1 and rule 4.
type ChartOptions struct {
	Kind      ChartKind
	Rules     capability.Rules
	Lambda, L float64
	K, H      float64
	Fast      bool
	Target    float64 // NaN: the mean of the series
	Sigma     float64 // of one reading; 0: from neighbours
}

func (o ChartOptions) defaults() ChartOptions {
	usual := func(v *float64, to float64) {
		if *v == 0 {
			*v = to
		}
	}
	if o.Kind == "" {
		o.Kind = IndividualsChart
	}
	if len(o.Rules) == 0 {
		o.Rules = capability.Rules{capability.OneBeyondThree, capability.EightOnOneSide}
	}
	usual(&o.Lambda, 0.1)
	usual(&o.L, 2.814)
	usual(&o.K, 0.5)
	usual(&o.H, 5)
	return o
}

// MaxCharted bounds the points of a chart; of a longer series the newest are charted.
const MaxCharted = 200_000

// Charted is a series to be charted: single readings, or subgroups of Size.
type Charted struct {
	Values []float64
	Names  []string     // of the readings, where they have any
	Breaks map[int]bool // readings that are no neighbour of the one before: another tool
	Size   int
	Left   int // readings before the newest MaxCharted
}

// Add takes the next reading.
func (c *Charted) Add(x float64, name string, breaks bool) {
	if len(c.Values) == MaxCharted {
		half := MaxCharted / 2
		c.Values = append(c.Values[:0], c.Values[half:]...)
		c.Names = append(c.Names[:0], c.Names[min(half, len(c.Names)):]...)
		moved := map[int]bool{}
		for i := range c.Breaks {
			if i >= half {
				moved[i-half] = true
			}
		}
		c.Breaks, c.Left = moved, c.Left+half
	}
	if breaks {
		if c.Breaks == nil {
			c.Breaks = map[int]bool{}
		}
		c.Breaks[len(c.Values)] = true
	}
	c.Values = append(c.Values, x)
	if name != "" {
		c.Names = append(c.Names, name)
	}
}

// signal is a point that asks for a look.
type signal struct {
	Point int    `json:"point"`
	Name  string `json:"part,omitempty"`
	Value Number `json:"value"`
	Why   string `json:"why"`
}

// charted is a chart worked out: points with their limits, and what signals.
type charted struct {
	o          ChartOptions
	what       string // is plotted
	x          []float64
	low, high  []float64
	center     float64
	sigma      float64
	second     []float64 // ranges, deviations, moving ranges; the lower sum of a CUSUM
	secondName string
	secondBand capability.Band
	signals    []signal
	many       int                         // signals in all
	alarms     int                         // of the mean, the chart beginning afresh after each: what run lengths speak of
	spreads    int                         // of them by the spread of a subgroup
	run        float64                     // mean points to a false alarm
	shifted    float64                     // and to the signal of a shift of one standard deviation of a reading
	length     func(shift float64) float64 // mean points to a signal, by shift in standard deviations of a reading
	n          int
	lag        float64
	chance     float64           // of as many signals or more on a steady process
	change     capability.Change // that explains the signals best; At is −1 where there is none
	missed     float64           // the smallest change that is seldom overlooked, in the unit; NaN: none is sure to be seen
}

// maxSignals bounds those that are listed.
const maxSignals = 200

func (p *charted) signal(c *Charted, i, reading int, v float64, why string) {
	p.many++
	if len(p.signals) == maxSignals {
		p.signals = append(p.signals[:0], p.signals[1:]...)
	}
	s := signal{Point: i + 1, Value: Number(v), Why: why}
	if reading < len(c.Names) && len(c.Names) == len(c.Values) {
		s.Name = c.Names[reading]
	}
	p.signals = append(p.signals, s)
}

// within estimates the spread of neighbours.
func (c *Charted) within(o ChartOptions) (*capability.Sample, capability.Within) {
	way := capability.Way("")
	size := c.Size
	switch o.Kind {
	case MeanSChart:
		way = capability.MeanDeviate
	case MeanRangeChart:
		way = capability.MeanRange
	case IndividualsChart:
		size = 1
	}
	s := capability.NewSample(max(1, size), way)
	for i, v := range c.Values {
		if c.Breaks[i] {
			s.Ranges.Break()
		}
		s.Add(v)
	}
	return s, s.Ranges.Within()
}

// work makes the chart.
func work(c *Charted, o ChartOptions) *charted {
	o = o.defaults()
	s, w := c.within(o)
	p := &charted{o: o, n: s.N, center: s.Mean(), sigma: w.SD, lag: s.Lag1(), change: capability.Change{At: -1}}
	if !math.IsNaN(o.Target) {
		p.center = o.Target
	}
	if o.Sigma > 0 {
		p.sigma = o.Sigma
		w.SD = o.Sigma
	}
	if !(p.sigma > 0) {
		return p
	}
	switch o.Kind {
	case EWMAChart:
		p.ewma(c)
	case CUSUMChart:
		p.cusum(c)
	case MeanRangeChart, MeanSChart:
		p.subgroups(c, w)
	default:
		p.individuals(c, w)
	}
	if len(p.x) == 0 { // less than a subgroup
		return p
	}
	p.run, p.shifted = p.length(0), p.length(1)
	p.judge(c)
	return p
}

func (p *charted) rules(c *Charted, sigma float64, step int) {
	w := &capability.Watch{Rules: p.o.Rules, Center: p.center, Sigma: sigma}
	again := *w // begins afresh after each alarm
	for i, v := range p.x {
		if c.Breaks[i*step] {
			w.Break()
			again.Break()
		}
		if again.Add(v) != nil {
			p.alarms++
			again.Break()
		}
		if broken := w.Add(v); broken != nil {
			var why []string
			for _, r := range broken {
				why = append(why, r.String())
			}
			p.signal(c, i, i*step, v, strings.Join(why, "; "))
		}
	}
}

func (p *charted) level(b capability.Band) {
	for range p.x {
		p.low, p.high = append(p.low, b.Low), append(p.high, b.High)
	}
}

func (p *charted) individuals(c *Charted, w capability.Within) {
	single, moving := capability.Individuals(p.center, w)
	p.what, p.x = "reading", c.Values
	p.level(single)
	p.second, p.secondName, p.secondBand = make([]float64, len(p.x)), "moving range", moving
	for i, v := range p.x {
		p.second[i] = math.NaN()
		if i > 0 && !c.Breaks[i] {
			p.second[i] = math.Abs(v - p.x[i-1])
		}
	}
	p.rules(c, p.sigma, 1)
	p.length = p.o.Rules.RunLength
}

func (p *charted) subgroups(c *Charted, w capability.Within) {
	w.Size = c.Size
	means, spread := capability.Subgroups(p.center, w)
	p.what, p.secondName = "mean of "+fmt.Sprint(c.Size), "range"
	if p.o.Kind == MeanSChart {
		p.secondName = "standard deviation"
	}
	for i := 0; i+c.Size <= len(c.Values); i += c.Size {
		var m capability.Moments
		for _, v := range c.Values[i : i+c.Size] {
			m.Add(v)
		}
		p.x = append(p.x, m.Mean())
		if p.o.Kind == MeanSChart {
			p.second = append(p.second, m.SD())
		} else {
			p.second = append(p.second, m.Most-m.Least)
		}
	}
	p.secondBand = spread
	p.level(means)
	root := math.Sqrt(float64(c.Size))
	p.rules(c, p.sigma/root, c.Size)
	for i, v := range p.second {
		if spread.Out(v) {
			p.signal(c, i, i*c.Size, v, p.secondName+" beyond its limits")
			p.spreads++
		}
	}
	p.length = func(shift float64) float64 { return p.o.Rules.RunLength(shift * root) }
}

func (p *charted) ewma(c *Charted) {
	p.what = fmt.Sprintf("average, λ = %g", p.o.Lambda)
	fresh := capability.EWMA{Lambda: p.o.Lambda, L: p.o.L, Target: p.center, Sigma: p.sigma}
	e, again := fresh, fresh
	out := false // one signal until it is back inside
	for i, v := range c.Values {
		if c.Breaks[i] {
			e, again = fresh, fresh
		}
		z, b := e.Add(v)
		if y, band := again.Add(v); band.Out(y) {
			p.alarms++
			again = fresh
		}
		p.x, p.low, p.high = append(p.x, z), append(p.low, b.Low), append(p.high, b.High)
		if b.Out(z) && !out {
			p.signal(c, i, i, z, "the average went beyond its limits")
		}
		out = b.Out(z)
	}
	p.length = func(shift float64) float64 { return capability.EWMARunLength(p.o.Lambda, p.o.L, shift) }
}

func (p *charted) cusum(c *Charted) {
	p.what, p.secondName = "upper sum in standard deviations", "lower sum"
	s := &capability.CUSUM{K: p.o.K, H: p.o.H, Target: p.center, Sigma: p.sigma, Fast: p.o.Fast}
	for i, v := range c.Values {
		if c.Breaks[i] {
			s = &capability.CUSUM{K: p.o.K, H: p.o.H, Target: p.center, Sigma: p.sigma, Fast: p.o.Fast}
		}
		up, down, out := s.Add(v)
		p.x, p.second = append(p.x, up), append(p.second, -down)
		if out {
			why, at := "the upper sum is beyond its limit", up
			if down > up {
				why, at = "the lower sum is beyond its limit", -down
			}
			p.signal(c, i, i, at, why)
			p.alarms++
		}
	}
	p.level(capability.Band{Low: -p.o.H, High: p.o.H})
	p.length = func(shift float64) float64 { return capability.CUSUMRunLength(p.o.K, p.o.H, shift, p.o.Fast) }
}

// price says what the chart's alarms cost.
func (p *charted) price() string {
	what := "its limits"
	switch p.o.Kind {
	case EWMAChart, CUSUMChart:
	default:
		var names []string
		for _, r := range p.o.Rules {
			names = append(names, r.String())
		}
		what = "the rules (" + strings.Join(names, "; ") + ")"
	}
	return fmt.Sprintf("On a steady process %s give a false alarm every %s points on average, and a shift of one standard deviation of a reading is seen after %s.",
		what, fixed(p.run, 0), fixed(p.shifted, 1))
}

// pictures draws the chart, and what goes with it.
func (p *charted) pictures(title, unit string) []string {
	x := make([]float64, len(p.x))
	for i := range x {
		x[i] = float64(i + 1)
	}
	k := decimals(p.sigma)
	main := &chart.Plot{Title: title, X: chart.Axis{Name: "point"}, Y: chart.Axis{Name: unit}}
	main.Alt = fmt.Sprintf("Control chart of %d points (%s) around %s %s; %d of them signal.", len(p.x), p.what, fixed(p.center, k), unit, p.many)
	if p.o.Kind == CUSUMChart {
		main.Y.Name = "standard deviations"
		main.Alt = fmt.Sprintf("Cumulative sums of %d points, the upper one above and the lower one below zero, limits ±%g standard deviations; %d signals.", len(p.x), p.o.H, p.many)
		main.Line(x, p.second, chart.Ink, "")
	}
	if len(p.low) > 0 {
		main.Line(x, p.low, chart.Guide, "lower limit")
		main.Line(x, p.high, chart.Guide, "upper limit")
	}
	main.Line(x, p.x, chart.Quiet, "")
	if p.o.Kind == CUSUMChart {
		main.Level(0, chart.Guide, "0")
	} else {
		main.Level(p.center, chart.Guide, "centre")
		if len(x) <= 400 {
			main.Points(x, p.x, chart.Ink)
		}
	}
	var ax, ay []float64
	for _, s := range p.signals {
		if strings.HasPrefix(s.Why, p.secondName+" beyond") {
			continue
		}
		ax, ay = append(ax, float64(s.Point)), append(ay, float64(s.Value))
	}
	main.Points(ax, ay, chart.Alarm)
	out := []string{main.SVG()}
	if p.secondName == "" || p.o.Kind == CUSUMChart {
		return out
	}
	side := &chart.Plot{Title: "The " + p.secondName, X: chart.Axis{Name: "point"}, Y: chart.Axis{Name: unit}, Height: 170}
	side.Alt = fmt.Sprintf("The %s of the same points, around %s %s, upper limit %s.", p.secondName, fixed(p.secondBand.Center, k), unit, fixed(p.secondBand.High, k))
	side.Line(x, p.second, chart.Quiet, "")
	side.Level(p.secondBand.High, chart.Guide, "upper limit")
	side.Level(p.secondBand.Center, chart.Guide, "centre")
	bx, by := chart.Beyond(x, p.second, p.secondBand.Low, p.secondBand.High)
	side.Points(bx, by, chart.Alarm)
	return append(out, side.SVG())
}

// table lists what signals, newest first.
func (p *charted) table(unit string) *Table {
	t := &Table{Columns: []string{"point", "part", "value in " + unit, "why"}, Words: map[int]bool{1: true, 3: true}}
	if p.o.Kind == CUSUMChart {
		t.Columns[2] = "sum in σ"
	}
	for i := len(p.signals) - 1; i >= 0; i-- {
		s := p.signals[i]
		t.Bad(fmt.Sprint(s.Point), s.Name, signed(float64(s.Value), decimals(p.sigma)), s.Why)
	}
	if len(t.Rows) == 0 {
		return nil
	}
	return t
}

// controlData is the machine-readable form.
type controlData struct {
	Report  string    `json:"report"`
	Of      string    `json:"characteristic"`
	Unit    string    `json:"unit"`
	Kind    ChartKind `json:"chart"`
	N       int       `json:"n"`
	Points  int       `json:"points"`
	Center  Number    `json:"center"`
	Sigma   Number    `json:"sigma"`
	Low     Number    `json:"lower_control_limit"`
	High    Number    `json:"upper_control_limit"`
	Spread  Number    `json:"spread_center"`
	SpreadL Number    `json:"spread_lower_control_limit"`
	SpreadU Number    `json:"spread_upper_control_limit"`
	Run     Number    `json:"run_length_in_control"`
	Shifted Number    `json:"run_length_at_shift_1"`
	Lag1    Number    `json:"autocorrelation"`
	Chance  Number    `json:"alarms_p"`
	Began   int       `json:"change_at_point,omitempty"`
	Since   int       `json:"change_at_point_low,omitempty"`
	Until   int       `json:"change_at_point_high,omitempty"`
	By      Number    `json:"change"`
	ByLow   Number    `json:"change_low"`
	ByHigh  Number    `json:"change_high"`
	Missed  Number    `json:"change_seldom_missed"`
	Alarms  int       `json:"alarms"`
	Many    int       `json:"signals_total"`
	Signals []signal  `json:"signals"`
}

func (p *charted) data(s *Subject) controlData {
	d := controlData{
		Report: "chart", Of: s.Name, Unit: string(s.Unit), Kind: p.o.Kind, N: p.n, Points: len(p.x), Center: Number(p.center), Sigma: Number(p.sigma),
		Low: Number(math.NaN()), High: Number(math.NaN()), Spread: Number(p.secondBand.Center), SpreadL: Number(p.secondBand.Low),
		SpreadU: Number(p.secondBand.High), Run: Number(p.run), Shifted: Number(p.shifted), Lag1: Number(p.lag), Many: p.many, Signals: p.signals,
	}
	d.Chance, d.Missed, d.Alarms = Number(p.chance), Number(p.missed), p.alarms
	d.By, d.ByLow, d.ByHigh = Number(math.NaN()), Number(math.NaN()), Number(math.NaN())
	if t := p.change; t.At >= 0 {
		d.Began, d.Since, d.Until, d.By, d.ByLow, d.ByHigh = t.At+1, t.First+1, t.Last+1, Number(t.By), Number(t.Low), Number(t.High)
	}
	if d.Signals == nil {
		d.Signals = []signal{}
	}
	if n := len(p.low); n > 0 {
		d.Low, d.High = Number(p.low[n-1]), Number(p.high[n-1])
	}
	return d
}
