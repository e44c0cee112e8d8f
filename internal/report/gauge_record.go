package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gaugestudy"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// GaugeAsked is which gauge is judged by what the journal holds of it.
type GaugeAsked struct {
	Gauge      string
	From, To   int64 // UTC milliseconds; 0 is no bound
	Known      []core.Settings
	Unit       length.Unit
	Head       gaugestudy.Head
	Confidence float64
}

// collectMore says how a study is collected.
const collectMore = "To collect a study, measure ten parts that span the tolerance three times each, in any order and without cutting them again, and put the gauge on its ring once a shift: the readings simply arrive, and this report takes them. With several people, write down who measured and give part, operator and value as a table (--from)."

type repeatData struct {
	SD         Number `json:"sd_repeatability"`
	Low        Number `json:"sd_repeatability_low"`
	High       Number `json:"sd_repeatability_high"`
	Freedom    int    `json:"sd_repeatability_df"`
	Parts      int    `json:"parts_read_again"`
	Apart      int    `json:"parts_left_out"`
	Configured Number `json:"repeatability_configured"`
}

type gaugeRecordData struct {
	steadyData
	repeatData
	Readings int `json:"readings"`
	Visits   int `json:"visits"`
}

// GaugeOfRecord judges a gauge by its settings and ring checks, and by the parts that it
// read more than once.
func GaugeOfRecord(j series.Source, a GaugeAsked) (*Document, error) {
	g, err := series.ReadGauge(j, a.Gauge, a.From, a.To, a.Known)
	if err != nil {
		return nil, err
	}
	nan := Number(math.NaN())
	data := gaugeRecordData{
		steadyData: steadyData{Report: "gauge", Of: a.Gauge, Unit: string(a.Unit), Hours: nan, Mean: nan, Low: nan, High: nan, P: nan, SD: nan, SDLow: nan, SDHigh: nan, PerDay: nan, DayLow: nan, DayHigh: nan, On: map[string]int{}},
		repeatData: repeatData{SD: nan, Low: nan, High: nan, Configured: nan}, Readings: g.Readings, Visits: len(g.Visits),
	}
	s := &Studied{Name: a.Gauge, Unit: string(a.Unit), Head: headOf(a.Head, g.Trust), Basis: gaugeBasis(g, a.Unit)}
	d := &Document{Title: "Stability and repeatability of " + a.Gauge, Basis: s.Basis}
	var words []string
	steady, err := visitsOf(s, g, a)
	if err != nil {
		words = append(words, fmt.Sprintf("%s to a standard do not yet say how steady it is (four on the same one are needed, 20 say something).", count(len(g.Visits), "visit")))
	} else {
		words = append(words, steady.Summary)
		data.steadyData, _ = steady.Data.(steadyData)
		d.Sections, d.Notes = steady.Sections, steady.Notes
	}
	var repeat *gaugestudy.Repeatability
	repeat, text := repeatsOf(g, a, &data)
	d.Sections = append(d.Sections, text)
	words = append(words, text.Text[0])
	if repeat != nil {
		d.Sections = append(d.Sections, forRegister(s, repeat.SD.Value))
	}
	if err != nil {
		d.Notes = append(d.Notes, gaugestudy.Blind(s.Head)...)
	}
	d.Notes = append(d.Notes, against(g, &data, a.Unit)...)
	d.Notes = append(d.Notes, collectMore)
	if g.Demo {
		d.Notes = append([]string{Simulated}, d.Notes...)
	}
	d.Summary, d.Data = strings.Join(words, " "), data
	for _, h := range g.Heads {
		d.Heads = append(d.Heads, HeadOf(h))
	}
	return d, nil
}

// headOf is the head that was named, or the one of the configuration.
func headOf(named gaugestudy.Head, t *core.Trust) gaugestudy.Head {
	if named != gaugestudy.Other || t == nil {
		return named
	}
	switch t.Contacts {
	case 3:
		return gaugestudy.ThreePoint
	case 2:
		return gaugestudy.TwoPoint
	}
	return gaugestudy.Other
}

func gaugeBasis(g *series.GaugeRecord, unit length.Unit) []Fact {
	out := []Fact{{"gauge", g.Gauge}, {"readings of parts", fmt.Sprint(g.Readings)}}
	if n := len(g.Visits); n > 0 {
		out = append(out, Fact{"visits to a standard", fmt.Sprintf("%d, %s to %s UTC", n, moment(g.Visits[0].At), moment(g.Visits[n-1].At))})
	}
	if g.Trust == nil {
		return out
	}
	if g.Trust.Repeat > 0 {
		out = append(out, Fact{"repeatability in the configuration", g.Trust.Repeat.In(unit) + " " + string(unit)})
	}
	for _, r := range g.Trust.Standards {
		out = append(out, Fact{"standard", fmt.Sprintf("%s, certified %s %s", r.Name, r.Value.In(unit), unit)})
	}
	return out
}

// visitsOf is the part of the document that settings and ring checks give.
func visitsOf(s *Studied, g *series.GaugeRecord, a GaugeAsked) (*Document, error) {
	var visits []gaugestudy.Visit
	for _, v := range g.Visits {
		visits = append(visits, gaugestudy.Visit{
			Hours: float64(v.At-g.Visits[0].At) / 3_600_000, AsFound: v.AsFound.Float(a.Unit), Adjusted: v.Adjusted, Standard: v.Standard,
		})
	}
	var began time.Time
	if len(visits) > 0 {
		began = time.UnixMilli(g.Visits[0].At)
	}
	return Stability(s, visits, began, a.Confidence)
}

// repeatsOf is what parts that were read more than once give.
func repeatsOf(g *series.GaugeRecord, a GaugeAsked, data *gaugeRecordData) (*gaugestudy.Repeatability, Section) {
	var parts [][]float64
	for _, r := range g.Repeats {
		var x []float64
		for _, l := range r.Sizes {
			x = append(x, l.Float(a.Unit))
		}
		parts = append(parts, x)
	}
	out := Section{Title: "Parts that it read more than once"}
	o, err := gaugestudy.Repeated(parts, a.Confidence)
	if err != nil {
		out.Text = []string{fmt.Sprintf("%s read more than once: its repeatability is not known from this record.", was(len(parts)))}
		return nil, out
	}
	k := decimals(o.SD.Value)
	data.repeatData = repeatData{Number(o.SD.Value), Number(o.SD.Low), Number(o.SD.High), o.Freedom, o.Parts, o.Apart, data.Configured}
	out.Text = []string{fmt.Sprintf("On %s that it read more than once it repeats to %s %s (standard deviation, %s).", count(o.Parts, "part"), fixed(o.SD.Value, k+1), a.Unit, between(o.SD.Low, o.SD.High, k+1))}
	out.Text = append(out.Text, "Pooled over parts, with all that taking a part off and putting it on again adds. A part that is read a second time because the first reading surprised is no random one: this is rather too much than too little.")
	if o.Apart > 0 {
		out.Text = append(out.Text, fmt.Sprintf("Of %s the readings differ by more than chance, as with something under the anvil: left out.", count(o.Apart, "part")))
	}
	return o, out
}

func was(n int) string {
	if n == 1 {
		return "1 part was"
	}
	return fmt.Sprintf("%d parts were", n)
}

// against sets the figures beside the repeatability that the loop works with.
func against(g *series.GaugeRecord, d *gaugeRecordData, unit length.Unit) (out []string) {
	if g.Trust == nil || g.Trust.Repeat == 0 {
		return []string{"No repeatability of this gauge is configured: every size it gives is in doubt until one is ([[gauge]] repeatability)."}
	}
	set := g.Trust.Repeat.Float(unit)
	d.Configured = Number(set)
	words := g.Trust.Repeat.In(unit) + " " + string(unit)
	switch low, high := float64(d.repeatData.Low), float64(d.repeatData.High); {
	case low > set:
		out = append(out, "The gauge repeats worse than the "+words+" that its configuration says: uncertainties are too small, correct [[gauge]] repeatability.")
	case high < set:
		out = append(out, "The gauge repeats better than the "+words+" that its configuration says: uncertainties are larger than they need to be.")
	}
	// Two visits differ by two repeatabilities where the gauge does not move.
	if float64(d.SDLow) > set*math.Sqrt2 {
		out = append(out, "From visit to visit it moves by more than its repeatability of "+words+" explains: it drifts or is knocked between them, set it more often (√2 · repeatability is what two visits differ by).")
	}
	return out
}
