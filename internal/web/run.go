package web

import (
	"strconv"

	"offsetbridge/internal/length"
)

// Run is a run chart: sizes from the aim in the order of their parts, between the
// limits, with what happened in between. It is laid out here and drawn by a
// template, in units of its own 900 × 320.
type Run struct {
	Name    string // what it shows, for who cannot see it
	Zone    Box    // between the limits of size
	Lines   []Rule // limits, aim, control limits
	Path    string // from size to size
	Dots    []Dot
	Marks   []Mark
	Ticks   []Tick // part numbers
	Nothing bool
}

// Box, Rule, Dot, Mark and Tick are what a run chart is made of.
type (
	Box  struct{ X, Y, W, H int }
	Rule struct {
		Y, TextY    int
		Class, Text string
	}
	Dot struct {
		X, Y  int
		Class string
		Say   string
	}
	Mark struct {
		X     int
		Kind  string // "change", "typed", "tool"
		Say   string
		Shape string
	}
	Tick struct {
		X    int
		Text string
	}
)

// Places in the picture.
const (
	runLeft, runRight = 8, 680
	runTop, runFoot   = 24, 268
)

// runPoint is one thing to be drawn.
type runPoint struct {
	Part    string
	FromAim length.Length
	Doubt   bool
	Kind    string // "" a size, otherwise what happened
	Say     string
}

// rule is a line across the picture, with its name.
type rule struct {
	at          length.Length
	class, text string
}

// runOf lays a run chart out. limits are from the aim.
func runOf(name string, points []runPoint, limits length.Range, rules []rule) Run {
	out := Run{Name: name, Nothing: len(points) == 0}
	low, high := limits.Low, limits.High
	for _, p := range points {
		if p.Kind == "" {
			low, high = min(low, p.FromAim), max(high, p.FromAim)
		}
	}
	for _, r := range rules {
		low, high = min(low, r.at), max(high, r.at)
	}
	y := func(v length.Length) int {
		return runFoot - int(float64(runFoot-runTop)*float64(v-low)/float64(max(1, high-low)))
	}
	x := func(i int) int {
		return runLeft + 12 + (runRight-runLeft-24)*i/max(1, len(points)-1)
	}
	out.Zone = Box{X: runLeft, Y: y(limits.High), W: runRight - runLeft, H: y(limits.Low) - y(limits.High)}
	for _, r := range rules {
		out.Lines = append(out.Lines, Rule{Y: y(r.at), TextY: y(r.at) + 5, Class: r.class, Text: r.text})
	}
	apart(out.Lines)
	out.points(points, x, y)
	return out
}

func (r *Run) points(points []runPoint, x func(int) int, y func(length.Length) int) {
	every, sizes := max(1, len(points)/8), 0
	for i, p := range points {
		if p.Kind != "" {
			r.Marks = append(r.Marks, Mark{X: x(i), Kind: p.Kind, Say: p.Say, Shape: shapes[p.Kind]})
			continue
		}
		d := Dot{X: x(i), Y: y(p.FromAim), Class: "dot", Say: p.Say}
		step := " L"
		if r.Path == "" {
			step = "M"
		}
		if d.Class = "dot"; p.Doubt {
			d.Class = "ring"
		} else {
			r.Path += step + strconv.Itoa(d.X) + " " + strconv.Itoa(d.Y)
		}
		r.Dots = append(r.Dots, d)
		if sizes%every == 0 {
			r.Ticks = append(r.Ticks, Tick{X: d.X, Text: p.Part})
		}
		sizes++
	}
}

// shapes tell what happened without colour: a triangle, a square, a cross.
var shapes = map[string]string{
	"change": "m-7 0h14l-7-12z",
	"typed":  "m-6 0h12v-11h-12z",
	"tool":   "m-6 0l12-12m-12 0l12 12",
}

// apart moves the names of lines that lie near each other so that each can be
// read.
func apart(lines []Rule) {
	const least = 17
	for moved := true; moved; {
		moved = false
		for i := range lines {
			for k := range lines {
				a, b := &lines[i], &lines[k]
				if i != k && a.TextY <= b.TextY && b.TextY-a.TextY < least && (a.TextY < b.TextY || i < k) {
					a.TextY--
					b.TextY++
					moved = true
				}
			}
		}
	}
}
