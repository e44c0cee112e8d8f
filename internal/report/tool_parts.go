package report

import (
	"fmt"
	"math"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/chart"
)

type endData struct {
	What  string `json:"until"`
	Parts Number `json:"parts"`
	Low   Number `json:"parts_low"`
	High  Number `json:"parts_high"`
	Level Number `json:"level"`
}

type insertData struct {
	Number int    `json:"life"`
	Whole  bool   `json:"whole"`
	N      int    `json:"n"`
	Last   Number `json:"age"`
	Start  Number `json:"run_in"`
	Slope  Number `json:"slope_per_part"`
	SE     Number `json:"slope_se"`
}

type toolData struct {
	Report    string       `json:"report"`
	Of        string       `json:"tool"`
	Unit      string       `json:"unit"`
	Life      int          `json:"life"`
	Age       Number       `json:"age"`
	Slope     Number       `json:"slope_per_part"`
	SlopeLow  Number       `json:"slope_per_part_low"`
	SlopeHigh Number       `json:"slope_per_part_high"`
	InUse     Number       `json:"slope_in_use"`
	InUseLow  Number       `json:"slope_in_use_low"`
	InUseHigh Number       `json:"slope_in_use_high"`
	Between   Number       `json:"slope_sd_between_inserts"`
	RunIn     Number       `json:"run_in"`
	RunInLow  Number       `json:"run_in_low"`
	RunInHigh Number       `json:"run_in_high"`
	Settled   int          `json:"run_in_parts"`
	Noise     Number       `json:"sd_about_path"`
	Walk      Number       `json:"sd_of_wandering_per_part"`
	Parts     Number       `json:"parts_left"`
	PartsLow  Number       `json:"parts_left_low"`
	PartsHigh Number       `json:"parts_left_high"`
	Until     string       `json:"until"`
	Ends      []endData    `json:"ends"`
	Inserts   []insertData `json:"inserts"`
}

func toolOf(s *Tooled, w *capability.Wear, ends []ToolEnd) toolData {
	n, nan := func(v float64) Number { return Number(v) }, Number(math.NaN())
	d := toolData{
		Report: "tool", Of: s.Name, Unit: s.Unit, Age: nan, Slope: n(w.Slope.Value), SlopeLow: n(w.Slope.Low), SlopeHigh: n(w.Slope.High), Between: n(w.Spread),
		RunIn: n(w.RunIn.Value), RunInLow: n(w.RunIn.Low), RunInHigh: n(w.RunIn.High), Settled: w.Settled, Noise: n(w.Noise), Walk: n(w.Walk),
		Parts: nan, PartsLow: nan, PartsHigh: nan, Ends: []endData{}, Inserts: []insertData{},
	}
	_, wear, _ := w.Now()
	d.InUse, d.InUseLow, d.InUseHigh = n(wear.Value), n(wear.Low), n(wear.High)
	if e := first(ends); e != nil {
		d.Parts, d.PartsLow, d.PartsHigh, d.Until = n(e.Left.Value), n(e.Left.Low), n(e.Left.High), e.What
	}
	for i := range ends {
		e := &ends[i]
		d.Ends = append(d.Ends, endData{e.What, n(e.Left.Value), n(e.Left.Low), n(e.Left.High), n(e.Level)})
	}
	for i := range w.Each {
		e := &w.Each[i]
		d.Inserts = append(d.Inserts, insertData{e.Number, e.Whole, e.N, n(e.Last), n(e.Start), n(e.Slope), n(e.SE)})
		d.Life, d.Age = e.Number, n(e.Last)
	}
	return d
}

// endsSection is how many parts are left until what, with a picture of the insert in use.
func endsSection(s *Tooled, w *capability.Wear, ends []ToolEnd) Section {
	t := &Table{Columns: []string{"until", "about", "at least", "at most"}}
	for i := range ends {
		e := &ends[i]
		t.Row(e.What, fixed(e.Left.Value, 0), fixed(e.Left.Low, 0), fixed(e.Left.High, 0))
	}
	out := Section{Title: "Parts left", Table: t}
	if len(ends) == 0 {
		out.Table = nil
	}
	level, wear, known := w.Now()
	slope := wear.Value
	if !known {
		out.Text = []string{"Of the insert in use too few parts are known."}
		return out
	}
	k := decimals(w.Noise)
	out.Text = []string{
		fmt.Sprintf("The insert in use has cut %s parts and wears by %s %s in 100 parts; a part scatters by %s about its path, and the path wanders by %s in a part (standard deviations).",
			fixed(w.Each[len(w.Each)-1].Last, 0), signed(100*slope, k), s.Unit, fixed(w.Noise, k+1), fixed(w.Walk, k+2)),
		"Its path is followed as a line that may wander, with the inserts before it as a first opinion of its wear (local level with slope; DerSimonian & Laird 1986, from memory); what is not known of the wandering is averaged over.",
	}
	e := &s.Inserts.Each[len(s.Inserts.Each)-1]
	p := &chart.Plot{Title: "The insert in use", X: chart.Axis{Name: "parts since it was changed"}, Y: chart.Axis{Name: "by itself, " + s.Unit, Decimals: k}}
	p.Points(e.Age, e.X, chart.Ink)
	at, ahead := e.Age[len(e.Age)-1], 0.5*e.Age[len(e.Age)-1]
	p.Alt = fmt.Sprintf("%s of the insert in use by age, and where its path is going.", count(len(e.X), "part"))
	if f := first(ends); f != nil {
		ahead = min(max(f.Left.Value, 10), 5*at+100)
		if !math.IsNaN(f.Level) {
			p.Level(f.Level, chart.Guide, "end")
			p.Alt += " The level at which it ends is drawn."
		}
	}
	p.Line([]float64{at, at + ahead}, []float64{level, level + slope*ahead}, chart.Quiet, "forecast")
	out.Pictures = []string{p.SVG()}
	return out
}

// drawnInserts is how many of the newest a picture and a table show.
const drawnInserts = 12

// curves draws inserts above each other.
func curves(s *Tooled, w *capability.Wear) Section {
	out := Section{Title: "From insert to insert"}
	if !math.IsNaN(w.Spread) {
		k := decimals(w.Noise)
		out.Text = append(out.Text, fmt.Sprintf("An average insert wears by %s %s in 100 parts (%s to %s).", signed(100*w.Slope.Value, k), s.Unit, signed(100*w.Slope.Low, k), signed(100*w.Slope.High, k)))
		out.Text = append(out.Text, fmt.Sprintf("Wear differs from insert to insert by %s %s in 100 parts (standard deviation).", fixed(100*w.Spread, k), s.Unit))
	}
	if !math.IsNaN(w.RunIn.Value) {
		k := decimals(w.Noise)
		words := fmt.Sprintf("The first two parts of an insert lie %s %s from the line of its later ones (%s to %s)", signed(w.RunIn.Value, k), s.Unit, signed(w.RunIn.Low, k), signed(w.RunIn.High, k))
		if w.Settled == 0 {
			words += ": no running in is shown"
		}
		out.Text = append(out.Text, words+".")
	}
	p := &chart.Plot{Title: "Inserts above each other", X: chart.Axis{Name: "parts since it was changed"}, Y: chart.Axis{Name: "from its start, " + s.Unit}}
	from := max(0, len(s.Inserts.Each)-drawnInserts)
	n := 0
	for i := from; i < len(s.Inserts.Each); i++ {
		e := &s.Inserts.Each[i]
		if len(e.X) < 2 {
			continue
		}
		var start capability.Moments
		for k := range e.X {
			if e.Age[k] > float64(w.Settled) && start.N < 5 {
				start.Add(e.X[k])
			}
		}
		if start.N == 0 {
			continue
		}
		y := make([]float64, len(e.X))
		for k := range y {
			y[k] = e.X[k] - start.Mean()
		}
		style := chart.Quiet
		if i == len(s.Inserts.Each)-1 {
			style = chart.Ink
		}
		p.Line(e.Age, y, style, "")
		n++
	}
	if n == 0 {
		return out
	}
	p.Alt = fmt.Sprintf("What %s made of the sizes by itself, by age, each from its own start; the one in use is darker.", count(n, "insert"))
	out.Pictures = []string{p.SVG()}
	return out
}

func insertsSection(s *Tooled, w *capability.Wear) Section {
	k := decimals(w.Noise)
	if math.IsNaN(w.Noise) {
		k = 4
	}
	t := &Table{Columns: []string{"insert", "parts measured", "last at its part", "first two parts", "wear in 100 parts, " + s.Unit, "standard error"}}
	each := w.Each
	if len(each) > 60 {
		each = each[len(each)-60:]
	}
	for i := range each {
		e := &each[i]
		name := fmt.Sprint(e.Number)
		switch {
		case i == len(each)-1:
			name += " (in use)"
		case !e.Whole:
			name += " (not whole)"
		}
		t.Row(name, fmt.Sprint(e.N), fixed(e.Last, 0), signed(e.Start, k), signed(100*e.Slope, k), fixed(100*e.SE, k+1))
	}
	return Section{Title: "Each insert", Table: t}
}
