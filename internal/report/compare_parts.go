package report

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// By is what parts of a journal are compared by.
type By string

// The ways.
const (
	ByMachine By = "machine"
	ByTool    By = "tool"         // lives of the loop's tool
	ByGauge   By = "gauge"        // that measured them
	ByShift   By = "shift"        // by when it begins
	ByTime    By = "before-after" // a moment
	ByMode    By = "mode"         // the loop could correct, or could not
)

// Bys are all of them.
var Bys = []By{ByMachine, ByTool, ByGauge, ByShift, ByTime, ByMode}

// What is what of a part is compared.
type What string

// Aim is what came out, corrections included; forecast errors are what the machine and
// the gauge did by themselves that nobody could expect.
const (
	FromAim  What = "aim"
	Forecast What = "forecast"
)

// PartsAsked is which parts of a journal are compared, and how.
type PartsAsked struct {
	Select []series.Options // each names a machine and a characteristic
	By     By
	What   What
	At     time.Time       // ByTime: the first moment after
	Shifts []time.Duration // ByShift: since midnight, rising, each below 24 h
	Zone   *time.Location  // of the shifts; nil is UTC
	Bin    int             // parts of tool age that count as the same age; 0: not matched
	Unit   length.Unit
}

// mostParts bounds a comparison.
const mostParts = 3_000_000

// ErrAsked means that a comparison was asked for that cannot be made.
var ErrAsked = errors.New("there is no such comparison")

func (a *PartsAsked) check() error {
	if len(a.Select) == 0 {
		return fmt.Errorf("%w: no part is selected", ErrAsked)
	}
	for i, s := range a.Shifts {
		if s < 0 || s >= 24*time.Hour || i > 0 && s <= a.Shifts[i-1] {
			return fmt.Errorf("%w: shifts begin at rising times of one day, as 06:00, 14:00 and 22:00", ErrAsked)
		}
	}
	one := map[By]bool{ByShift: true, ByTime: true, ByMode: true}
	switch {
	case !slices.Contains(Bys, a.By):
		return fmt.Errorf("%w: %q is not known, compare by one of %v", ErrAsked, a.By, Bys)
	case a.What != FromAim && a.What != Forecast:
		return fmt.Errorf("%w: value %q is not known, use %s or %s", ErrAsked, a.What, FromAim, Forecast)
	case a.By == ByShift && len(a.Shifts) < 2:
		return fmt.Errorf("%w: by shift needs when at least two of them begin, as 06:00,14:00,22:00", ErrAsked)
	case a.By == ByTime && a.At.IsZero():
		return fmt.Errorf("%w: before and after needs the moment", ErrAsked)
	case one[a.By] && len(a.Select) > 1:
		return fmt.Errorf("%w: by %s compares one characteristic at one machine, since its groups would mix several", ErrAsked, a.By)
	case a.Bin < 0:
		return fmt.Errorf("%w: %d parts are no span of tool ages", ErrAsked, a.Bin)
	}
	return nil
}

// sampled is a part in its group.
type sampled struct {
	value float64
	group int32
	age   int32 // 0: not known
}

// gathered is what was read of a journal.
type gathered struct {
	a      *PartsAsked
	parts  []sampled
	names  []string // of the groups
	last   []int64  // UTC milliseconds of the newest part of each group
	gauges []map[string]int
	index  map[string]int
	full   bool
	untold int // parts that nothing was expected of, or of an unknown tool life
	bases  []*series.Basis
	heads  []Head
}

// CompareParts compares parts of a journal at the same ages of their tools.
func CompareParts(j series.Source, a *PartsAsked, confidence float64) (*Document, error) {
	if err := a.check(); err != nil {
		return nil, err
	}
	g := &gathered{a: a, index: map[string]int{}}
	for i := range a.Select {
		o := &a.Select[i]
		b, err := series.Read(j, *o, func(p *series.Part) { g.take(o, p) })
		if err != nil {
			return nil, err
		}
		g.bases = append(g.bases, b)
		g.head(b.Head)
	}
	if g.full {
		return nil, fmt.Errorf("more than %d parts, name a time by --since and --until", mostParts)
	}
	s := g.compared()
	d, err := Compare(s, g.fair(s), confidence)
	if err != nil {
		return nil, err
	}
	d.Heads = g.heads
	return d, nil
}

// head keeps the newest end of each stream: the chain up to it goes through the others.
func (g *gathered) head(h journal.Head) {
	for i := range g.heads {
		if o := &g.heads[i]; o.Stream == h.Stream {
			if h.Seq > o.Seq {
				*o = HeadOf(h)
			}
			return
		}
	}
	g.heads = append(g.heads, HeadOf(h))
}

func (g *gathered) take(o *series.Options, p *series.Part) {
	value := (p.Size - p.Aim).Float(g.a.Unit)
	if g.a.What == Forecast {
		if !p.Expect {
			g.untold++
			return
		}
		value = p.Error.Float(g.a.Unit)
	}
	name := g.group(o, p)
	if name == "" {
		g.untold++
		return
	}
	if len(g.parts) == mostParts {
		g.full = true
		return
	}
	i, known := g.index[name]
	if !known {
		i = len(g.names)
		g.index[name] = i
		g.names, g.last, g.gauges = append(g.names, name), append(g.last, 0), append(g.gauges, map[string]int{})
	}
	g.last[i] = max(g.last[i], p.At)
	g.gauges[i][p.Gauge]++
	g.parts = append(g.parts, sampled{value, int32(i), int32(p.Age)})
}

// group names the group of a part; empty leaves it out.
func (g *gathered) group(o *series.Options, p *series.Part) string {
	of := "" // which of several machines and features
	if machines, features := g.several(); machines && features {
		of = o.Machine + ", " + o.Characteristic
	} else if machines {
		of = o.Machine
	} else if features {
		of = o.Characteristic
	}
	with := func(name string) string {
		if of == "" {
			return name
		}
		return of + ", " + name
	}
	switch g.a.By {
	case ByTool:
		if p.Life == 0 {
			return ""
		}
		return with(fmt.Sprintf("%s no. %d", p.Tool, p.Life))
	case ByGauge:
		return with(p.Gauge)
	case ByTime:
		if p.At < g.a.At.UnixMilli() {
			return "before"
		}
		return "after"
	case ByMode:
		if p.Off {
			return "observed"
		}
		return "corrected"
	case ByShift:
		return g.a.shift(p.At)
	}
	for i := range g.a.Select { // a machine that makes two of the features
		if x := &g.a.Select[i]; x.Machine == o.Machine && x.Characteristic != o.Characteristic {
			return o.Machine + ", " + o.Characteristic
		}
	}
	return o.Machine
}

func (g *gathered) several() (machines, features bool) {
	for i := range g.a.Select {
		machines = machines || g.a.Select[i].Machine != g.a.Select[0].Machine
		features = features || g.a.Select[i].Characteristic != g.a.Select[0].Characteristic
	}
	return machines, features
}

// shift names the shift of a moment by when it begins; the last one goes on after
// midnight.
func (a *PartsAsked) shift(ms int64) string {
	zone := a.Zone
	if zone == nil {
		zone = time.UTC
	}
	hour, minute, second := time.UnixMilli(ms).In(zone).Clock()
	now := time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(second)*time.Second
	begins := a.Shifts[len(a.Shifts)-1]
	for _, s := range a.Shifts {
		if s <= now {
			begins = s
		}
	}
	return fmt.Sprintf("from %02d:%02d", int(begins.Hours()), int(begins.Minutes())%60)
}

// compared says what is compared, what it rests on, and what makes it unfair.
func (g *gathered) compared() *Compared {
	a := g.a
	s := &Compared{By: strings.ReplaceAll(string(a.By), "-", " and "), Unit: string(a.Unit)}
	var names []string
	for _, b := range g.bases {
		if !slices.Contains(names, b.Characteristic) {
			names = append(names, b.Characteristic)
		}
		for _, f := range factsOf(b, a.Unit) {
			if len(g.bases) > 1 {
				f.Name = b.Machine + ", " + b.Characteristic + ": " + f.Name
			}
			s.Basis = append(s.Basis, f)
		}
		for _, n := range notesOf(b) {
			if len(g.bases) > 1 && n != Simulated {
				n = b.Machine + ", " + b.Characteristic + ": " + n
			}
			if !slices.Contains(s.Notes, n) {
				s.Notes = append(s.Notes, n)
			}
		}
	}
	s.Name = map[What]string{FromAim: "Deviation from aim", Forecast: "Deviation from what was forecast"}[a.What] + " of " + strings.Join(names, " and ")
	if len(names) > 1 {
		s.Notes = append(s.Notes, fmt.Sprintf("These are different features: what differs may be the feature, its tool and its gauge as well as the %s. A fair comparison is of one feature that both make.", a.By))
	}
	if a.What == FromAim {
		s.Notes = append(s.Notes, "These are the sizes that parts left with: corrections are in them, and hold every corrected process near its aim. What a machine scatters by itself is compared by its forecast errors.")
	} else {
		s.Notes = append(s.Notes, "What was expected of each part before it was measured, wear and corrections included, is taken off: what is left is the scatter of machine and gauge.")
	}
	if g.untold > 0 {
		s.Notes = append(s.Notes, count(g.untold, "part")+" are left out: nothing was expected of them yet, or what they were cut with is not known.")
	}
	if a.By == ByShift && a.Zone != nil {
		s.Basis = append(s.Basis, Fact{"shifts", "by the clock of " + a.Zone.String()})
	}
	if a.By == ByTime {
		s.Basis = append(s.Basis, Fact{"after", "from " + a.At.UTC().Format("2006-01-02 15:04:05") + " UTC on"})
	}
	return s
}

// gaugesDiffer says it where groups were not measured by the same gauges.
func (g *gathered) gaugesDiffer(s *Compared, kept []int) {
	if g.a.By == ByGauge {
		return
	}
	var sets []string
	for _, i := range kept {
		sets = append(sets, g.names[i]+" by "+strings.Join(slices.Sorted(maps.Keys(g.gauges[i])), " and "))
	}
	for _, i := range kept {
		if !slices.Equal(slices.Sorted(maps.Keys(g.gauges[i])), slices.Sorted(maps.Keys(g.gauges[kept[0]]))) {
			s.Notes = append(s.Notes, "They were not measured by the same gauges ("+strings.Join(sets, "; ")+"): what differs may be the gauge.")
			return
		}
	}
}
