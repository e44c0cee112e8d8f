package chart

import (
	"fmt"
	"html"
	"math"
	"sort"
	"strings"
)

// Sizes in the picture's own units, which are CSS pixels where nothing scales it.
const (
	usualWidth, usualHeight = 720, 250
	marginTop, marginFoot   = 14, 34
	marginLeft, marginRight = 62, 96
	letter                  = 11
)

// drawing is a plot on its way to text.
type drawing struct {
	p             *Plot
	b             strings.Builder
	width, height float64
}

// SVG writes the picture. It is complete: title and description are inside.
func (p *Plot) SVG() string {
	d := &drawing{p: p, width: p.Width, height: p.Height}
	if d.width == 0 {
		d.width = usualWidth
	}
	if d.height == 0 {
		d.height = usualHeight
	}
	d.widen()
	d.put(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" role="img" font-family="system-ui, sans-serif" font-size="%d">`,
		short(d.width), short(d.height), letter)
	d.put(`<title>%s</title><desc>%s</desc>`, html.EscapeString(p.Title), html.EscapeString(p.Alt))
	d.axes()
	for i := range p.marks {
		d.mark(&p.marks[i])
	}
	d.names()
	d.put(`</svg>`)
	return d.b.String()
}

func (d *drawing) put(form string, args ...any) { fmt.Fprintf(&d.b, form, args...) }

// widen gives the data room, and a range to what has none.
func (d *drawing) widen() {
	p := d.p
	for _, m := range p.marks { // levels and uprights that came first
		switch m.kind {
		case levels:
			p.reach(p.left, m.y[0])
		case uprights:
			p.reach(m.x[0], p.low)
		}
	}
	pad := func(a, b, share float64) (float64, float64) {
		r := (b - a) * share
		if !(b > a) {
			r = max(1e-9, math.Abs(a)*1e-6)
		}
		return a - r, b + r
	}
	foot := p.low
	p.low, p.high = pad(p.low, p.high, 0.06)
	for _, m := range p.marks {
		if m.kind == bars {
			p.low = foot // bars stand on the axis
		}
	}
	if len(p.X.Names) > 0 {
		p.left, p.right = -0.6, float64(len(p.X.Names))-0.4
	} else {
		p.left, p.right = pad(p.left, p.right, 0.02)
	}
}

func (d *drawing) x(v float64) float64 {
	return marginLeft + (v-d.p.left)/(d.p.right-d.p.left)*(d.width-marginLeft-marginRight)
}

func (d *drawing) y(v float64) float64 {
	return d.height - marginFoot - (v-d.p.low)/(d.p.high-d.p.low)*(d.height-marginTop-marginFoot)
}

// short writes a coordinate to a tenth.
func short(v float64) string {
	s := fmt.Sprintf("%.1f", v)
	return strings.TrimSuffix(s, ".0")
}

func (d *drawing) axes() {
	p := d.p
	foot := d.height - marginFoot
	if p.Y.Decimals >= 0 {
		at, decimals := ticks(p.low, p.high, int((d.height-marginTop-marginFoot)/38))
		decimals = max(decimals, p.Y.Decimals)
		for _, v := range at {
			y := d.y(v)
			d.put(`<line x1="%d" x2="%s" y1="%s" y2="%s" stroke="#e4e4e4" stroke-width="0.7"/>`, marginLeft, short(d.width-marginRight), short(y), short(y))
			d.put(`<text x="%d" y="%s" text-anchor="end" fill="#555">%s</text>`, marginLeft-6, short(y+4), p.Y.write(v, decimals))
		}
	}
	d.put(`<text x="%d" y="%d" fill="#555">%s</text>`, 2, marginTop-3, html.EscapeString(p.Y.Name))
	d.put(`<line x1="%d" x2="%s" y1="%s" y2="%s" stroke="#8a8a8a" stroke-width="0.8"/>`, marginLeft, short(d.width-marginRight), short(foot), short(foot))
	for i, name := range p.X.Names {
		d.put(`<text x="%s" y="%s" text-anchor="middle" fill="#333">%s</text>`, short(d.x(float64(i))), short(foot+15), html.EscapeString(name))
	}
	if len(p.X.Names) == 0 && p.X.Decimals >= 0 {
		at, decimals := ticks(p.left, p.right, int((d.width-marginLeft-marginRight)/80))
		decimals = max(decimals, p.X.Decimals)
		for _, v := range at {
			d.put(`<text x="%s" y="%s" text-anchor="middle" fill="#555">%s</text>`, short(d.x(v)), short(foot+15), p.X.write(v, decimals))
		}
	}
	d.put(`<text x="%s" y="%s" text-anchor="end" fill="#555">%s</text>`, short(d.width-marginRight), short(d.height-4), html.EscapeString(p.X.Name))
}

func (a *Axis) write(v float64, decimals int) string {
	if a.Text != nil {
		return html.EscapeString(a.Text(v))
	}
	return text(v, decimals)
}

func (d *drawing) mark(m *mark) {
	switch m.kind {
	case lines:
		d.line(m)
	case points, crosses:
		d.points(m)
	case bars:
		width := 6.0
		if len(m.x) > 1 {
			width = max(0.5, d.x(m.x[1])-d.x(m.x[0])-1)
		}
		for i := range m.x {
			if y := d.y(m.y[i]); m.y[i] > 0 {
				d.put(`<rect x="%s" y="%s" width="%s" height="%s" fill="%s"/>`, short(d.x(m.x[i])-width/2), short(y), short(width), short(d.y(0)-y), pale(m.style))
			}
		}
	case spans:
		for i := range m.x {
			x, a, b := d.x(m.x[i]), d.y(m.y[i]), d.y(m.to[i])
			d.put(`<path d="M%s %sH%sM%s %sV%sM%s %sH%s" fill="none" %s/>`, short(x-4), short(a), short(x+4), short(x), short(a), short(b), short(x-4), short(b), short(x+4), strokes[m.style])
		}
	case bands:
		d.put(`<path d="`)
		for i := range m.x {
			d.put("%s%s %s", letterOf(i), short(d.x(m.x[i])), short(d.y(m.y[i])))
		}
		for i := len(m.x) - 1; i >= 0; i-- {
			d.put("L%s %s", short(d.x(m.x[i])), short(d.y(m.to[i])))
		}
		d.put(`Z" fill="#e9e9e9" stroke="none"/>`)
	case levels:
		y := short(d.y(m.y[0]))
		d.put(`<line x1="%d" x2="%s" y1="%s" y2="%s" %s/>`, marginLeft, short(d.width-marginRight), y, y, strokes[m.style])
	case uprights:
		x := d.x(m.x[0])
		d.put(`<line x1="%s" x2="%s" y1="%d" y2="%s" %s/>`, short(x), short(x), marginTop, short(d.height-marginFoot), strokes[m.style])
		d.put(`<text x="%s" y="%d" text-anchor="middle" fill="#333">%s</text>`, short(x), marginTop-3, html.EscapeString(m.name))
	}
}

func letterOf(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

func pale(s Style) string {
	if s == Alarm {
		return fills[Alarm]
	}
	return "#c9c9c9"
}

// dense is how many points a picture draws one by one.
const dense = 1500

func (d *drawing) line(m *mark) {
	if len(m.x) > dense {
		d.envelope(m)
		return
	}
	d.put(`<path d="`)
	pen := "M"
	for i := range m.x {
		if math.IsNaN(m.y[i]) || math.IsNaN(m.x[i]) {
			pen = "M"
			continue
		}
		d.put("%s%s %s", pen, short(d.x(m.x[i])), short(d.y(m.y[i])))
		pen = "L"
	}
	d.put(`" fill="none" stroke-linejoin="round" %s/>`, strokes[m.style])
}

// envelope draws the span that a long series fills in each column of the picture.
func (d *drawing) envelope(m *mark) {
	type column struct{ low, high float64 }
	seen := map[int]column{}
	for i := range m.x {
		if math.IsNaN(m.y[i]) || math.IsNaN(m.x[i]) {
			continue
		}
		k := int(d.x(m.x[i]))
		c, ok := seen[k]
		if !ok {
			c = column{m.y[i], m.y[i]}
		}
		seen[k] = column{min(c.low, m.y[i]), max(c.high, m.y[i])}
	}
	keys := make([]int, 0, len(seen))
	for k := range seen { // any order: sorted below
		keys = append(keys, k)
	}
	sort.Ints(keys)
	d.put(`<path d="`)
	for _, k := range keys {
		d.put("M%d %sV%s", k, short(d.y(seen[k].low)+0.3), short(d.y(seen[k].high)-0.3))
	}
	d.put(`" fill="none" %s/>`, strokes[m.style])
}

func (d *drawing) points(m *mark) {
	if len(m.x) > dense && m.style != Alarm {
		d.envelope(m)
		return
	}
	for i := range m.x {
		if i >= 2*dense {
			return // as many alarms as an eye can tell apart
		}
		if math.IsNaN(m.x[i]) || math.IsNaN(m.y[i]) {
			continue
		}
		x, y := d.x(m.x[i]), d.y(m.y[i])
		switch {
		case m.kind == crosses:
			d.put(`<path d="M%s %sl6 6m0 -6l-6 6" fill="none" %s/>`, short(x-3), short(y-3), strokes[m.style])
		case m.style == Alarm:
			d.put(`<circle cx="%s" cy="%s" r="4.2" fill="none" %s/><circle cx="%s" cy="%s" r="1.6" fill="%s"/>`, short(x), short(y), strokes[Alarm], short(x), short(y), fills[Alarm])
		default:
			d.put(`<circle cx="%s" cy="%s" r="1.8" fill="%s"/>`, short(x), short(y), fills[m.style])
		}
	}
}

// names writes the names of lines and levels at the right, moved apart.
func (d *drawing) names() {
	type name struct {
		y     float64
		text  string
		style Style
	}
	var all []name
	for _, m := range d.p.marks {
		if m.name == "" {
			continue
		}
		switch m.kind {
		case levels:
			all = append(all, name{d.y(m.y[0]), m.name, m.style})
		case lines:
			if last := len(m.y) - 1; last >= 0 && !math.IsNaN(m.y[last]) {
				all = append(all, name{d.y(m.y[last]), m.name, m.style})
			}
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].y < all[j].y })
	for i := 1; i < len(all); i++ {
		all[i].y = max(all[i].y, all[i-1].y+letter+1)
	}
	if n := len(all); n > 0 {
		if over := all[n-1].y - (d.height - marginFoot + 4); over > 0 {
			for i := range all {
				all[i].y -= over
			}
		}
	}
	for _, n := range all {
		d.put(`<text x="%s" y="%s" fill="%s">%s</text>`, short(d.width-marginRight+5), short(n.y+4), fills[n.style], html.EscapeString(n.text))
	}
}
