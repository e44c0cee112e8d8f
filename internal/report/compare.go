package report

import (
	"fmt"
	"math"
	"strings"

	"offsetbridge/internal/chart"
	"offsetbridge/internal/comparison"
)

// Compared is what groups of readings are of.
type Compared struct {
	Name  string // of what was measured
	By    string // what the groups are: machine, tool, shift, …
	Unit  string
	Basis []Fact
	Notes []string // what was done for a fair sample, and what was not
}

type memberData struct {
	Name     string `json:"name"`
	N        int    `json:"n"`
	Mean     Number `json:"mean"`
	MeanLow  Number `json:"mean_low"`
	MeanHigh Number `json:"mean_high"`
	Median   Number `json:"median"`
	SD       Number `json:"sd"`
	SDLow    Number `json:"sd_low"`
	SDHigh   Number `json:"sd_high"`
	Lag1     Number `json:"autocorrelation"`
	Inflate  Number `json:"variance_inflation"`
	Worth    Number `json:"independent_readings"`
}

type pairData struct {
	A         string `json:"a"`
	B         string `json:"b"`
	Location  Number `json:"difference"`
	Low       Number `json:"difference_low"`
	High      Number `json:"difference_high"`
	P         Number `json:"difference_p"`
	Holm      Number `json:"difference_p_corrected"`
	Freedom   Number `json:"difference_df"`
	Ratio     Number `json:"sd_ratio"`
	RatioLow  Number `json:"sd_ratio_low"`
	RatioHigh Number `json:"sd_ratio_high"`
	RatioP    Number `json:"sd_ratio_p"`
	RatioHolm Number `json:"sd_ratio_p_corrected"`
	Differs   bool   `json:"location_differs"`
	Spreads   bool   `json:"spread_differs"`
}

type compareData struct {
	Report     string       `json:"report"`
	Of         string       `json:"of"`
	By         string       `json:"by"`
	Unit       string       `json:"unit"`
	Groups     []memberData `json:"groups"`
	Pairs      []pairData   `json:"pairs"`
	WelchF     Number       `json:"welch_f"`
	WelchDf1   Number       `json:"welch_df1"`
	WelchDf2   Number       `json:"welch_df2"`
	WelchP     Number       `json:"welch_p"`
	BFF        Number       `json:"brown_forsythe_f"`
	BFDf1      Number       `json:"brown_forsythe_df1"`
	BFDf2      Number       `json:"brown_forsythe_df2"`
	BFP        Number       `json:"brown_forsythe_p"`
	Looks      int          `json:"looks"`
	Correction string       `json:"correction"`
	Confidence Number       `json:"confidence"`
}

// Compare says whether groups of readings differ in location and spread.
func Compare(s *Compared, groups []comparison.Group, confidence float64) (*Document, error) {
	o, err := comparison.Compare(groups, confidence)
	if err != nil {
		return nil, err
	}
	d := &Document{
		Title: s.Name + ", by " + s.By, Summary: comparedInWords(s, o), Basis: s.Basis, Notes: s.Notes, Data: comparedData(s, o),
	}
	for _, m := range o.Members {
		if m.Inflate > 1 {
			d.Notes = append(d.Notes, fmt.Sprintf("Neighbours of %s resemble each other (%s): its %d readings are worth about %d independent ones, and its intervals are that much wider.",
				m.Name, fixed(m.Lag1, 2), m.N, int(max(2, float64(m.N)/m.Inflate))))
		}
	}
	d.Notes = append(d.Notes, "That no difference is shown does not show that there is none: the intervals say how large one may be.")
	d.Sections = append(d.Sections, members(s, o, groups), pairs(s, o))
	return d, nil
}

// comparedInWords answers in plain words; with many groups it names the first few
// differences.
func comparedInWords(s *Compared, o *comparison.Outcome) string {
	level, k := 1-o.Confidence, places(o)
	var words []string
	if len(o.Pairs) == 1 {
		p := &o.Pairs[0]
		return locationInWords(s, p, level, k) + " " + spreadInWords(p, level)
	}
	shown := 0
	for i := range o.Pairs {
		p := &o.Pairs[i]
		if p.Location.Differs(level) {
			if shown++; shown <= 3 {
				words = append(words, locationInWords(s, p, level, k))
			}
		}
		if p.Spread.Differs(level) {
			if shown++; shown <= 3 {
				words = append(words, spreadInWords(p, level))
			}
		}
	}
	if shown == 0 {
		return fmt.Sprintf("No difference between the %d groups is shown, neither in location nor in spread.", len(o.Members))
	}
	if shown > 3 {
		words = append(words, fmt.Sprintf("%d differences of %d looks in all, see the table.", shown, o.Looks))
	}
	return strings.Join(words, " ")
}

func locationInWords(s *Compared, p *comparison.Pair, level float64, k int) string {
	f, span := &p.Location, ""
	a, b := p.A, p.B
	low, high := f.Low, f.High
	if f.Value < 0 {
		a, b, low, high = b, a, -high, -low
	}
	span = fmt.Sprintf("(%s to %s)", signed(low, k), signed(high, k))
	if f.Differs(level) {
		return fmt.Sprintf("%s lies %s %s above %s %s.", b, fixed(math.Abs(f.Value), k), s.Unit, a, span)
	}
	return fmt.Sprintf("No difference in location between %s and %s is shown: %s %s %s.", p.A, p.B, signed(math.Abs(f.Value), k), s.Unit, span)
}

func spreadInWords(p *comparison.Pair, level float64) string {
	f := &p.Spread
	a, b, v, low, high := p.A, p.B, f.Value, f.Low, f.High
	if v < 1 {
		a, b, v, low, high = b, a, 1/v, 1/high, 1/low
	}
	if f.Differs(level) {
		wide := ""
		if low < 1 { // the test is by medians, the interval by fourth powers
			wide = "; how many times is not known well, since a few readings lie far out"
		}
		return fmt.Sprintf("%s scatters %s times as much as %s (%s)%s.", b, fixed(v, 2), a, between(low, high, 2), wide)
	}
	return fmt.Sprintf("No difference in spread is shown: %s scatters %s times as much as %s (%s).", b, fixed(v, 2), a, between(low, high, 2))
}

// pvalue writes a p value for a table.
func pvalue(p float64) string {
	switch {
	case math.IsNaN(p):
		return "–"
	case p < 0.0001:
		return "< 0.0001"
	}
	return fixed(p, 4)
}

// chance is pvalue with its sign, for a sentence.
func chance(p float64) string {
	if v := pvalue(p); v[0] == '<' {
		return v
	}
	return "= " + pvalue(p)
}

// places is how exactly locations are written: by the smallest spread.
func places(o *comparison.Outcome) int {
	least := math.Inf(1)
	for _, m := range o.Members {
		least = min(least, m.SD)
	}
	return decimals(least)
}

func members(s *Compared, o *comparison.Outcome, groups []comparison.Group) Section {
	k, c := places(o), fixed(100*o.Confidence, 0)+" % interval"
	t := &Table{Columns: []string{s.By, "readings", "mean", c, "median", "sd", c}}
	p := &chart.Plot{Title: "Each " + s.By + " by itself", X: chart.Axis{Name: s.By}, Y: chart.Axis{Name: s.Unit}}
	var x, low, high, mean []float64
	for i, m := range o.Members {
		t.Row(m.Name, fmt.Sprint(m.N), fixed(m.Mean, k), between(m.MeanLow, m.MeanHigh, k), fixed(m.Median, k), fixed(m.SD, k+1), between(m.SDLow, m.SDHigh, k+1))
		p.X.Names = append(p.X.Names, m.Name)
		x, low, high, mean = append(x, float64(i)), append(low, m.MeanLow), append(high, m.MeanHigh), append(mean, m.Mean)
		rx, ry := scattered(i, groups[i].Values)
		p.Points(rx, ry, chart.Quiet)
	}
	p.Spans(x, low, high, chart.Ink)
	p.Points(x, mean, chart.Ink)
	p.Alt = fmt.Sprintf("The readings of %d groups beside each other, with the mean of each and its interval; the figures are in the table.", len(groups))
	return Section{Title: "Each by itself", Pictures: []string{p.SVG()}, Table: t}
}

// drawn is how many readings of a group a picture shows.
const drawn = 300

// scattered places readings beside each other in their order, around position i.
func scattered(i int, values []float64) (x, y []float64) {
	step := max(1, len(values)/drawn)
	for k := 0; k < len(values); k += step {
		x = append(x, float64(i)-0.3+0.6*float64(k)/float64(len(values)))
		y = append(y, values[k])
	}
	return x, y
}

func pairs(s *Compared, o *comparison.Outcome) Section {
	k, level := places(o), 1-o.Confidence
	t := &Table{Columns: []string{"from", "to", "difference, " + s.Unit, "interval", "p", "ratio of spreads", "interval", "p", "differ in"}, Words: map[int]bool{1: true, 8: true}}
	for _, p := range o.Pairs {
		differ := map[[2]bool]string{{true, false}: "location", {false, true}: "spread", {true, true}: "both"}[[2]bool{p.Location.Differs(level), p.Spread.Differs(level)}]
		t.Row(p.A, p.B, signed(p.Location.Value, k), signed(p.Location.Low, k)+" to "+signed(p.Location.High, k), pvalue(p.Location.Holm),
			fixed(p.Spread.Value, 2), between(p.Spread.Low, p.Spread.High, 2), pvalue(p.Spread.Holm), differ)
	}
	text := []string{fmt.Sprintf("p is corrected for %d looks (Holm 1979); all intervals together hold with %s %% (Bonferroni), which is a little stricter. Locations: Welch, spreads need not be equal. Spreads: p by Brown and Forsythe (1974), intervals by Bonett (2006); readings need not be normal.",
		o.Looks, fixed(100*o.Confidence, 0))}
	if len(o.Members) > 2 {
		text = append(text, fmt.Sprintf("All at once: locations F = %s, p %s (Welch 1951); spreads F = %s, p %s.",
			fixed(o.Location.F, 2), chance(o.Location.P), fixed(o.Spread.F, 2), chance(o.Spread.P)))
	}
	return Section{Title: "Side by side", Text: text, Table: t}
}

func comparedData(s *Compared, o *comparison.Outcome) compareData {
	n := func(v float64) Number { return Number(v) }
	d := compareData{
		Report: "compare", Of: s.Name, By: s.By, Unit: s.Unit, Looks: o.Looks, Correction: "holm", Confidence: n(o.Confidence),
		WelchF: n(o.Location.F), WelchDf1: n(o.Location.Df1), WelchDf2: n(o.Location.Df2), WelchP: n(o.Location.P),
		BFF: n(o.Spread.F), BFDf1: n(o.Spread.Df1), BFDf2: n(o.Spread.Df2), BFP: n(o.Spread.P),
	}
	for _, m := range o.Members {
		d.Groups = append(d.Groups, memberData{
			m.Name, m.N, n(m.Mean), n(m.MeanLow), n(m.MeanHigh), n(m.Median), n(m.SD), n(m.SDLow), n(m.SDHigh), n(m.Lag1), n(m.Inflate), n(float64(m.N) / m.Inflate),
		})
	}
	for _, p := range o.Pairs {
		d.Pairs = append(d.Pairs, pairData{
			p.A, p.B, n(p.Location.Value), n(p.Location.Low), n(p.Location.High), n(p.Location.P), n(p.Location.Holm), n(p.Freedom),
			n(p.Spread.Value), n(p.Spread.Low), n(p.Spread.High), n(p.Spread.P), n(p.Spread.Holm),
			p.Location.Differs(1 - o.Confidence), p.Spread.Differs(1 - o.Confidence),
		})
	}
	return d
}
