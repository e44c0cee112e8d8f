package web

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// soonDue is how long before a due date it is shown: dates are to be seen before
// they bite.
const soonDue = 30 * 24 * time.Hour

// GaugesPlace is the list of gauges, those that need somebody first, and what
// waits unassigned.
type GaugesPlace struct {
	Lines []GaugeLine
	Tray  []TrayLine
	More  int // readings of the tray that are not listed
	Query string
}

// GaugeLine is one gauge.
type GaugeLine struct {
	Gauge string
	State string // hold: steers nothing anywhere, waits: due soon, quiet
	Say   string
	Last  string // what was last done on a standard
	Due   string
}

// TrayLine is one reading that waits unassigned.
type TrayLine struct {
	TrayItem
	Size string
}

func (p *Page) gauges(d *Doc) ([]GaugeStatus, error) {
	if p.server.o.Trust == nil {
		return nil, nil
	}
	return p.server.o.Trust.Gauges(d.ctx)
}

func (p *Page) placeGauges(d *Doc, q url.Values) error {
	m := &GaugesPlace{Query: strings.TrimSpace(q.Get("q"))}
	d.Data = m
	all, err := p.gauges(d)
	if err != nil || p.server.o.Trust == nil {
		return err
	}
	for i := range all {
		if m.Query == "" || strings.Contains(strings.ToLower(all[i].Gauge), strings.ToLower(m.Query)) {
			m.Lines = append(m.Lines, p.gaugeLine(d, &all[i]))
		}
	}
	states := []string{"hold", "waits", "quiet"}
	slices.SortStableFunc(m.Lines, func(a, b GaugeLine) int {
		return cmp.Compare(slices.Index(states, a.State), slices.Index(states, b.State))
	})
	m.Lines = m.Lines[:min(len(m.Lines), machinesOnPage)]
	tray, err := p.server.o.Trust.Tray(d.ctx)
	m.More = max(0, len(tray)-machinesOnPage)
	for _, x := range tray[:len(tray)-m.More] {
		m.Tray = append(m.Tray, TrayLine{x, d.Length(x.ValueNM)})
	}
	return err
}

// gaugeLine says of a gauge what somebody has to know before they measure.
func (p *Page) gaugeLine(d *Doc, g *GaugeStatus) GaugeLine {
	l := GaugeLine{Gauge: g.Gauge, State: "quiet", Say: d.T("in_order"), Last: p.lastCheck(d, g)}
	for _, v := range g.Machines {
		if v.Waiting != "" {
			l.State, l.Say = "hold", d.Say(v.Waiting)
		}
	}
	due := func(what string, at int64) {
		if at == 0 {
			return
		}
		say, soon := d.due(what, at)
		if soon && l.State == "quiet" {
			l.State = "waits"
		}
		if soon || l.Due == "" {
			l.Due = strings.TrimPrefix(l.Due+"; "+say, "; ")
		}
	}
	due(d.T("calibration"), g.Due)
	for _, x := range g.Standards {
		if _, soon := d.due(x.Name, x.Due); soon {
			due(x.Name, x.Due)
		}
	}
	return l
}

// due says when something is out of date, and whether that is near.
func (d *Doc) due(what string, at int64) (string, bool) {
	left, last := time.Until(time.UnixMilli(at)), at-1 // the last day on which it is in order
	switch {
	case left < 0:
		return d.T("due_over", "what", what, "day", d.Day(at)), true
	case left < soonDue:
		return d.T("due_soon", "what", what, "day", d.Day(last), "n", int(left.Hours()/24)), true
	}
	return d.T("due", "what", what, "day", d.Day(last)), false
}

// lastCheck says what was last done with a gauge on a standard.
func (p *Page) lastCheck(d *Doc, g *GaugeStatus) string {
	if g.Last == nil {
		return d.T("never_set")
	}
	key := "last_check"
	if g.Last.Adjusted {
		key = "last_set"
	}
	return d.T(key, "standard", g.Last.Standard, "found", d.Signed(g.Last.AsFound), "who", p.name(g.Last.Who))
}

// GaugePlace is one gauge: its standards, its drift, what it measures next.
type GaugePlace struct {
	GaugeStatus
	Line   GaugeLine
	To     string
	Rings  []RingLine
	Drift  Run
	Checks []CheckRow
	Tasks  []TaskLine
	Sizes  map[string][]string // characteristics that it may measure, by machine
}

// RingLine is one standard with its certificate.
type RingLine struct{ Name, Value, Due, Certificate string }

// CheckRow is one setting or ring check.
type CheckRow struct{ At, Standard, What, Found, Who string }

// TaskLine is an open measuring task.
type TaskLine struct{ Machine, Say string }

func (p *Page) placeGauge(d *Doc, q url.Values) error {
	all, err := p.gauges(d)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(all, func(g GaugeStatus) bool { return g.Gauge == q.Get("gauge") })
	if i < 0 {
		return errNoPlace
	}
	g := &GaugePlace{GaugeStatus: all[i], Line: p.gaugeLine(d, &all[i]), Sizes: map[string][]string{}, To: ours(cmp.Or(q.Get("to"), d.Here)).RequestURI()}
	for _, x := range g.Standards {
		say, _ := d.due(d.T("certificate"), x.Due)
		if x.Due == 0 {
			say = ""
		}
		g.Rings = append(g.Rings, RingLine{x.Name, d.Length(x.Value), say, x.Certificate})
	}
	for _, v := range g.Machines[:min(len(g.Machines), 8)] {
		in, err := p.board.plant.Inside(d.ctx, v.Machine)
		if err != nil {
			continue // it was taken out of the configuration just now
		}
		g.at(d, &in)
	}
	if err := g.checks(d, p); err != nil {
		return err
	}
	d.Title, d.Data = all[i].Gauge, g
	return nil
}

// at puts what the gauge has to do at one machine.
func (g *GaugePlace) at(d *Doc, in *core.Inside) {
	for i := range in.Close {
		for _, z := range in.Close[i].Learned {
			if slices.ContainsFunc(z.Gauges, func(u core.GaugeUse) bool { return u.Gauge == g.Gauge }) {
				g.Sizes[in.Machine] = append(g.Sizes[in.Machine], z.Name)
			}
		}
	}
	for _, t := range in.Tasks {
		if t.Gauge != g.Gauge {
			continue
		}
		minutes := strconv.FormatInt(1+t.Left/60_000, 10)
		name := t.Characteristic
		for _, next := range t.Then {
			name = d.T("task_then", "name", name, "next", next)
		}
		say := d.T("task_part", "part", t.Part, "name", name, "n", minutes)
		if t.Ring != "" {
			say = d.T("task_ring", "ring", t.Ring, "n", minutes)
		}
		g.Tasks = append(g.Tasks, TaskLine{in.Machine, say})
	}
}

// checks puts what the gauge was found to be off, over time.
func (g *GaugePlace) checks(d *Doc, p *Page) error {
	found, err := p.board.plant.History(d.ctx, HistoryQuery{Gauge: g.Gauge, Kinds: []string{core.Set{}.Kind(), core.RingChecked{}.Kind()}, Limit: loopRows})
	if err != nil {
		return err
	}
	var points []runPoint
	for _, e := range found {
		x, err := core.Decode(e.Kind, e.Event)
		if err != nil {
			continue // verifying the journal tells
		}
		row := CheckRow{At: d.Time(e.At)}
		var c core.Check
		switch x := x.(type) {
		case core.Set:
			c, row.What = x.Check, d.T("was_set")
			points = append(points, runPoint{Kind: "change", Say: row.What + " " + row.At})
		case core.RingChecked:
			c, row.What = x.Check, d.T("was_checked")
		}
		row.Standard, row.Found, row.Who = c.Standard, d.Signed(c.AsFound), p.name(c.Who.Principal)
		points = append(points, runPoint{Part: e.At.Local().Format("01-02 15:04"), FromAim: c.AsFound, Say: row.At + ": " + row.Found})
		g.Checks = append(g.Checks, row)
	}
	slices.Reverse(points)
	g.Drift = driftOf(d, g.Gauge, points)
	return nil
}

// leastDrift keeps the picture of a gauge that hardly moves from looking wild.
const leastDrift = 2 * length.Micrometre

// driftOf draws what a gauge showed on its standards before anybody adjusted it.
func driftOf(d *Doc, gauge string, points []runPoint) Run {
	limit := leastDrift
	for _, x := range points {
		limit = max(limit, x.FromAim.Abs())
	}
	name := d.T("drift_none")
	if n := len(points); n > 0 {
		name = d.T("drift_name", "gauge", gauge, "last", points[n-1].Say)
	}
	return runOf(name, points, length.Range{}, []rule{
		{limit, "dots", d.Signed(limit)}, {0, "dash", d.T("drift_zero")}, {-limit, "dots", d.Signed(-limit)},
	})
}
