package chart

import (
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// whole fails unless the picture is one well-formed element, and returns how often
// each element occurs.
func whole(t *testing.T, svg string) map[string]int {
	t.Helper()
	seen := map[string]int{}
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%v in\n%s", err, svg)
		}
		if e, ok := token.(xml.StartElement); ok {
			seen[e.Name.Local]++
		}
	}
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
		t.Errorf("a coordinate is no number:\n%s", svg)
	}
	return seen
}

func TestAPictureSaysWhatItShows(t *testing.T) {
	p := &Plot{Title: "Sizes < limits", Alt: `twelve & "more"`, X: Axis{Name: "part"}, Y: Axis{Name: "mm"}}
	p.Level(74.05, Limit, "upper limit")
	p.Line([]float64{1, 2, 3, 4}, []float64{74, 74.01, math.NaN(), 74.02}, Quiet, "size")
	p.Points([]float64{1, 2}, []float64{74, 74.01}, Ink)
	p.Points([]float64{4}, []float64{74.06}, Alarm)
	p.Band([]float64{1, 4}, []float64{73.99, 73.99}, []float64{74.03, 74.03})
	p.Spans([]float64{2}, []float64{74}, []float64{74.02}, Ink)
	p.Upright(3, Guide, "setting")
	svg := p.SVG()
	seen := whole(t, svg)
	if seen["title"] != 1 || seen["desc"] != 1 || !strings.Contains(svg, "Sizes &lt; limits") {
		t.Errorf("title and description: %v", seen)
	}
	for _, name := range []string{"upper limit", ">size<", "setting", ">mm<", ">part<"} {
		if !strings.Contains(svg, name) {
			t.Errorf("%q is not written", name)
		}
	}
	if seen["circle"] != 2+2 { // the alarm is ringed
		t.Errorf("%d circles", seen["circle"])
	}
	if p.SVG() == "" || strings.Count(svg, "#b3261e") != 2 {
		t.Errorf("the colour is used %d times, for more than the alarm", strings.Count(svg, "#b3261e"))
	}
	if strings.Contains(svg, "style=") || strings.Contains(svg, "href") {
		t.Error("a picture must stand under a strict content policy")
	}
}

func TestWhatLiesWhereItShould(t *testing.T) {
	p := &Plot{X: Axis{Decimals: -1}, Y: Axis{Decimals: -1}}
	p.Points([]float64{0, 10}, []float64{5, 15}, Ink)
	c := regexp.MustCompile(`<circle cx="([0-9.]+)" cy="([0-9.]+)"`).FindAllStringSubmatch(p.SVG(), -1)
	x0, _ := strconv.ParseFloat(c[0][1], 64)
	x1, _ := strconv.ParseFloat(c[1][1], 64)
	y0, _ := strconv.ParseFloat(c[0][2], 64)
	y1, _ := strconv.ParseFloat(c[1][2], 64)
	if !(x0 < x1 && y0 > y1) || x0 < marginLeft || x1 > usualWidth-marginRight || y1 < marginTop || y0 > usualHeight-marginFoot {
		t.Errorf("points at %v,%v and %v,%v", x0, y0, x1, y1)
	}
}

func TestEmptyAndEqualData(t *testing.T) {
	for _, y := range [][]float64{nil, {5}, {5, 5, 5}, {math.NaN()}, {math.Inf(1), 2}} {
		p := &Plot{}
		x := make([]float64, len(y))
		p.Level(5, Limit, "limit")
		p.Line(x, y, Ink, "a")
		p.Points(x, y, Alarm)
		p.Bars(x, y, Ink)
		svg := p.SVG()
		if len(y) > 0 && math.IsInf(y[0], 0) {
			continue // only what can be drawn is asked for
		}
		whole(t, svg)
	}
}

func TestLongSeriesStaySmall(t *testing.T) {
	var trace Trace
	n := 3_000_000
	for i := range n {
		v := math.Sin(float64(i) / 1e5)
		if i == 1_234_567 {
			v = 9
		}
		trace.Add(v)
	}
	x, y := trace.Line()
	if trace.Exact() || len(x) > 4*traced || trace.N != n {
		t.Fatalf("%d points are kept of %d", len(x), trace.N)
	}
	bx, by := Beyond(x, y, -2, 2)
	if len(by) != 1 || by[0] != 9 || math.Abs(bx[0]-1_234_567) > float64(2*n)/traced {
		t.Errorf("the one far value is found at %v as %v", bx, by)
	}
	p := &Plot{}
	p.Line(x, y, Quiet, "")
	p.Points(x, y, Ink)
	if svg := p.SVG(); len(svg) > 60_000 {
		t.Errorf("the picture is %d bytes", len(svg))
	} else {
		whole(t, svg)
	}
}

func TestAShortTraceIsExact(t *testing.T) {
	var trace Trace
	for i := range 300 {
		trace.Add(float64(i))
	}
	x, y := trace.Line()
	if !trace.Exact() || len(x) != 300 || x[0] != 1 || y[299] != 299 {
		t.Errorf("%d points, from %v to %v", len(x), x[0], y[len(y)-1])
	}
}

func TestTicksAreRound(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		n         int
		want      []float64
		decimals  int
	}{
		{0, 10, 5, []float64{0, 2, 4, 6, 8, 10}, 0},
		{73.95, 74.05, 5, []float64{73.96, 73.98, 74, 74.02, 74.04}, 2},
		{-0.0023, 0.0021, 4, []float64{-0.002, 0, 0.002}, 3},
		{5, 5, 4, []float64{5}, 0},
	} {
		at, decimals := ticks(c.low, c.high, c.n)
		if len(at) != len(c.want) || decimals != c.decimals {
			t.Errorf("%g to %g: %v with %d decimals, want %v with %d", c.low, c.high, at, decimals, c.want, c.decimals)
			continue
		}
		for i := range at {
			if math.Abs(at[i]-c.want[i]) > 1e-12 {
				t.Errorf("%g to %g: %v", c.low, c.high, at)
			}
		}
	}
	if text(-0.0001, 2) != "0.00" || text(-1.5, 1) != "−1.5" {
		t.Error("numbers need a real minus, and none for zero")
	}
}

func TestHistogramFollowsTheReadout(t *testing.T) {
	values, times := []float64{1, 1.1, 1.2, 1.3, 9}, []int{3, 1, 4, 1, 1}
	middle, count := Histogram(values, times, 0.1)
	total := 0.0
	for _, c := range count {
		total += c
	}
	if total != 10 || math.Abs(middle[1]-middle[0]-0.4) > 1e-12 {
		t.Errorf("%v readings in bars %v wide", total, middle[1]-middle[0])
	}
	if m, _ := Histogram(nil, nil, 0); m != nil {
		t.Error("nothing has bars")
	}
}
