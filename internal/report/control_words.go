package report

import (
	"fmt"
	"math"

	"offsetbridge/internal/capability"
)

// fewToChart is below how many readings limits are rough: with 25 the false alarms may
// be several times as many as said (common practice asks for 100 readings, no source).
const fewToChart = 100

// Control charts a series: a sentence first, then the chart with what its alarms cost.
func Control(s *Subject, c *Charted, o ChartOptions) *Document {
	p := work(c, o)
	d := &Document{Title: "Control chart of " + s.Name, Basis: s.Basis, Data: p.data(s)}
	if len(p.x) == 0 {
		d.Summary = fmt.Sprintf("%s that do not differ cannot be charted.", count(p.n, "reading"))
		return d
	}
	d.Summary = p.inWords(string(s.Unit))
	k := decimals(p.sigma)
	text := []string{p.price()}
	if len(p.low) > 0 && p.o.Kind != CUSUMChart {
		text = append([]string{fmt.Sprintf("Centre %s, limits %s %s; standard deviation of a reading %s.",
			fixed(p.center, k+1), between(p.low[len(p.low)-1], p.high[len(p.high)-1], k+1), s.Unit, fixed(p.sigma, k+1))}, text...)
	}
	d.Sections = []Section{{Title: "The chart", Text: text, Pictures: p.pictures("Control chart", string(s.Unit)), Table: p.table(string(s.Unit))}}
	d.Notes = p.notes(c)
	return d
}

// shownBelow is the probability by chance below which signals are said to show a change,
// and missedOnce how seldom a change may be overlooked that is said to be seen.
const (
	shownBelow = 0.05
	missedOnce = 0.1
)

// points are independent values of the chart with their standard deviation: the means of
// subgroups, otherwise the readings themselves.
func (p *charted) points(c *Charted) ([]float64, float64) {
	if p.o.Kind == MeanRangeChart || p.o.Kind == MeanSChart {
		return p.x, p.sigma / math.Sqrt(float64(c.Size))
	}
	return c.Values, p.sigma
}

// judge weighs the signals.
func (p *charted) judge(c *Charted) {
	x, sigma := p.points(c)
	p.chance = capability.ByChance(p.alarms, float64(len(p.x))/p.run)
	if p.alarms > 0 && p.chance < shownBelow {
		p.change = capability.ChangeOf(x, sigma, p.o.Target, changeConfidence)
	}
	length := p.length
	if p.o.Kind == CUSUMChart { // a fast start does not help in the middle
		length = func(shift float64) float64 { return capability.CUSUMRunLength(p.o.K, p.o.H, shift, false) }
	}
	p.missed = p.sigma * capability.Missed(len(p.x), math.IsNaN(p.o.Target), shownBelow, missedOnce, length)
}

// changeConfidence is that of the place and the size of a change.
const changeConfidence = 0.95

// inWords says whether the process changed, how sure that is, where it began, and what
// would have been overlooked.
func (p *charted) inWords(unit string) string {
	n, k := len(p.x), decimals(p.sigma)
	expected := float64(n) / p.run
	missed := fmt.Sprintf("a change in the middle by less than %s %s may be overlooked", fixed(p.missed, k), unit)
	if math.IsNaN(p.missed) {
		missed = "with so few points a change of any size may be overlooked"
	}
	switch {
	case p.alarms == 0 && p.spreads > 0:
		return fmt.Sprintf("None of %s signals by its mean, but %d by the %s: the scatter within subgroups is not steady.", count(n, "point"), p.spreads, p.secondName)
	case p.alarms == 0:
		return fmt.Sprintf("None of %s signals: nothing says that the process changed, but %s.", count(n, "point"), missed)
	case p.chance >= shownBelow:
		return fmt.Sprintf("%s in %s, where chance alone would give %s: so many or more with probability %s. No change is shown, but %s.",
			count(p.alarms, "alarm"), count(n, "point"), fixed(expected, 1), fixed(p.chance, 2), missed)
	}
	return fmt.Sprintf("%s in %s, where chance alone would give %s: so many or more with probability %s. The process changed. %s",
		count(p.alarms, "alarm"), count(n, "point"), fixed(expected, 1), pvalue(p.chance), p.changeInWords(unit, k))
}

func (p *charted) changeInWords(unit string, k int) string {
	t := &p.change
	if t.At < 0 {
		return "Where, it does not tell."
	}
	where := "from the first point on"
	if t.At > 0 {
		where = fmt.Sprintf("at point %d (%d to %d)", t.At+1, t.First+1, t.Last+1)
	}
	if t.Low < 0 && t.High > 0 {
		return "It is not one step: look at the picture for a drift, or for single points far out."
	}
	from := "from the points before"
	if !math.IsNaN(p.o.Target) {
		from = "from the target"
	}
	return fmt.Sprintf("If it was one step, it began %s, by %s %s (%s to %s) %s.",
		where, signed(t.By, k), unit, signed(t.Low, k), signed(t.High, k), from)
}

func (p *charted) notes(c *Charted) []string {
	var out []string
	if p.o.Sigma == 0 && p.n < fewToChart {
		out = append(out, fmt.Sprintf("the limits come from the same %d readings: below %d they are rough, and false alarms may be far more frequent than said", p.n, fewToChart))
	}
	if p.lag > 3.3/math.Sqrt(float64(p.n)) {
		out = append(out, fmt.Sprintf("neighbours resemble each other (autocorrelation %s): the limits are too narrow for that, and many signals are no change", fixed(p.lag, 2)))
	}
	if c.Left > 0 {
		out = append(out, fmt.Sprintf("the newest %d readings are charted, %d older ones are not", len(c.Values), c.Left))
	}
	return out
}
