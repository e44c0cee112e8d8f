// Package chart draws pictures of figures as SVG.
//
// A [Plot] is described in the units of its data and drawn by [Plot.SVG], the same
// bytes for the same data: no font is measured, no style sheet is needed, nothing is
// fetched. Every picture has a title and a text that says what it shows, for those
// who hear it; what is abnormal differs in shape as well as in colour. Lines are
// named where they end, so no legend is needed. Many points are drawn as the span
// they fill, so a picture stays small whatever it shows.
package chart

import (
	"math"
	"strconv"
)

// Style is how a mark is drawn.
type Style int

// The styles. Alarm is the only one with a colour: for what is abnormal.
const (
	Ink   Style = iota // what was measured
	Quiet              // what it is compared with
	Limit              // a limit of size
	Guide              // a limit of a chart, an aim
	Alarm              // beyond
)

var strokes = map[Style]string{
	Ink:   `stroke="#1a1a1a" stroke-width="1.2"`,
	Quiet: `stroke="#8a8a8a" stroke-width="1"`,
	Limit: `stroke="#1a1a1a" stroke-width="1.6"`,
	Guide: `stroke="#6a6a6a" stroke-width="1" stroke-dasharray="4 3"`,
	Alarm: `stroke="#b3261e" stroke-width="1.6"`,
}

var fills = map[Style]string{Ink: "#1a1a1a", Quiet: "#8a8a8a", Limit: "#1a1a1a", Guide: "#6a6a6a", Alarm: "#b3261e"}

// Axis names one direction and how its numbers are written.
type Axis struct {
	Name     string
	Decimals int                  // of the numbers at its ticks; −1 writes none
	Names    []string             // of whole positions 0, 1, 2 …, instead of numbers
	Text     func(float64) string // writes a tick, instead of Decimals
}

// Plot is one picture. Its marks are drawn in the order in which they were added.
// The zero value is an empty plot of the usual size.
type Plot struct {
	Title, Alt    string
	X, Y          Axis
	Height, Width float64 // of the whole picture; 0 is the usual

	marks                  []mark
	left, right, low, high float64
	some                   bool
}

type mark struct {
	kind  kind
	style Style
	x, y  []float64
	to    []float64 // upper ends of a band or a span
	name  string
}

type kind int

const (
	lines kind = iota
	points
	crosses
	bars
	spans
	bands
	levels
	uprights
)

func (p *Plot) add(m mark) {
	for i := range m.x {
		p.reach(m.x[i], m.y[i])
		if m.to != nil {
			p.reach(m.x[i], m.to[i])
		}
	}
	p.marks = append(p.marks, m)
}

func (p *Plot) reach(x, y float64) {
	if math.IsNaN(x) || math.IsNaN(y) || math.IsInf(x, 0) || math.IsInf(y, 0) {
		return
	}
	if !p.some {
		p.left, p.right, p.low, p.high, p.some = x, x, y, y, true
	}
	p.left, p.right = min(p.left, x), max(p.right, x)
	p.low, p.high = min(p.low, y), max(p.high, y)
}

// Line joins points; a NaN interrupts it. The name stands at its end.
func (p *Plot) Line(x, y []float64, s Style, name string) {
	p.add(mark{kind: lines, style: s, x: x, y: y, name: name})
}

// Points draws a dot at each point; of style Alarm, a ringed one.
func (p *Plot) Points(x, y []float64, s Style) { p.add(mark{kind: points, style: s, x: x, y: y}) }

// Crosses draws a small cross at each point.
func (p *Plot) Crosses(x, y []float64, s Style) { p.add(mark{kind: crosses, style: s, x: x, y: y}) }

// Bars stand on zero, each as wide as the distance of the first two.
func (p *Plot) Bars(x, y []float64, s Style) {
	p.add(mark{kind: bars, style: s, x: x, y: y})
	if len(x) > 1 {
		half := (x[1] - x[0]) / 2
		p.reach(x[0]-half, 0)
		p.reach(x[len(x)-1]+half, 0)
	}
}

// Spans draws an upright line from low to high at each x, with a dash at both ends.
func (p *Plot) Spans(x, low, high []float64, s Style) {
	p.add(mark{kind: spans, style: s, x: x, y: low, to: high})
}

// Band fills between two lines, paler than any of them.
func (p *Plot) Band(x, low, high []float64) {
	p.add(mark{kind: bands, style: Quiet, x: x, y: low, to: high})
}

// Level is a horizontal line across the picture, named at its right.
func (p *Plot) Level(y float64, s Style, name string) {
	if !math.IsNaN(y) && !math.IsInf(y, 0) {
		p.marks = append(p.marks, mark{kind: levels, style: s, y: []float64{y}, name: name})
		if p.some {
			p.reach(p.left, y)
		}
	}
}

// Upright is a vertical line across the picture, named at its top.
func (p *Plot) Upright(x float64, s Style, name string) {
	if !math.IsNaN(x) && !math.IsInf(x, 0) {
		p.marks = append(p.marks, mark{kind: uprights, style: s, x: []float64{x}, name: name})
		if p.some {
			p.reach(x, p.low)
		}
	}
}

// ticks returns round numbers that divide a range into at most n parts, and how many
// decimals they need.
func ticks(low, high float64, n int) (at []float64, decimals int) {
	if !(high > low) || n < 1 {
		return []float64{low}, 0
	}
	raw := (high - low) / float64(n)
	size := math.Pow(10, math.Floor(math.Log10(raw)))
	step := 10 * size
	for _, k := range []float64{1, 2, 5} {
		if k*size >= raw {
			step = k * size
			break
		}
	}
	decimals = max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	for i := math.Ceil(low/step - 1e-9); i*step <= high+step*1e-9; i++ {
		at = append(at, i*step)
	}
	return at, decimals
}

// text writes a number with a real minus.
func text(v float64, decimals int) string {
	if v == 0 || math.Abs(v) < 0.5*math.Pow(10, -float64(decimals)) {
		v = 0
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if v < 0 {
		return "−" + s
	}
	return s
}
