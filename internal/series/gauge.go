package series

import (
	"fmt"
	"slices"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// Visit is one time that a gauge was put on a standard.
type Visit struct {
	At       int64 // UTC milliseconds
	Standard string
	AsFound  length.Length // reading − certified value, before anybody adjusted
	Adjusted bool
}

// Repeat is one cut that a gauge measured more than once.
type Repeat struct {
	Machine, Characteristic string
	Count                   uint64
	Sizes                   []length.Length
}

// GaugeRecord is what a journal tells of a gauge.
type GaugeRecord struct {
	Gauge    string
	Visits   []Visit  // oldest first; the newest kept
	Repeats  []Repeat // cuts that it measured more than once; the newest kept
	Readings int      // that are tied to a cut
	Trust    *core.Trust
	Demo     bool
	Heads    []journal.Head
}

// Bounds of what is kept of a gauge.
const (
	mostVisits  = 10_000
	mostRepeats = 20_000
	mostAgain   = 50 // readings of one cut
)

const plantStream = "plant"

// ReadGauge reads what the journal tells of a gauge between two moments (0 is no bound):
// its settings and ring checks from the plant's stream, the cuts that it measured more
// than once from those of all machines. Readings at several places of a part are no
// repetition and are left out.
func ReadGauge(j Source, gauge string, from, to int64, known []core.Settings) (*GaugeRecord, error) {
	g := &GaugeRecord{Gauge: gauge}
	for _, h := range j.Heads() {
		if h.Stream == plantStream && h.Seq > 0 {
			if err := g.read(j, h, from, to, g.plant); err != nil {
				return nil, err
			}
		}
	}
	for i := range known {
		g.settings(&known[i])
	}
	for _, m := range Machines(j) {
		r := &repeats{g: g, machine: m, count: map[uint64]int{}}
		if err := g.read(j, j.Head(stream+m), from, to, r.record); err != nil {
			return nil, err
		}
		r.end()
	}
	if g.Trust == nil && len(g.Visits) == 0 && g.Readings == 0 {
		return nil, fmt.Errorf("%w: %q", ErrGauge, gauge)
	}
	return g, nil
}

func (g *GaugeRecord) read(j Source, h journal.Head, from, to int64, visit func(r journal.Record, e core.Event)) error {
	first, err := j.First(h.Stream)
	if err != nil || h.Seq == 0 {
		return err
	}
	g.Heads = append(g.Heads, h)
	return j.Read(h.Stream, first, func(r journal.Record) error {
		if r.Seq > h.Seq || !ofGauge[r.Kind] || r.At < from && r.Kind != (core.Configured{}).Kind() || to != 0 && r.At >= to {
			return nil
		}
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return fmt.Errorf("record %d of %s: %w", r.Seq, r.Stream, err)
		}
		visit(r, e)
		return nil
	})
}

var ofGauge = map[string]bool{
	core.Set{}.Kind(): true, core.RingChecked{}.Kind(): true, core.Judged{}.Kind(): true, core.Configured{}.Kind(): true,
}

func (g *GaugeRecord) plant(r journal.Record, e core.Event) {
	var c core.Check
	adjusted := false
	switch e := e.(type) {
	case core.Set:
		c, adjusted = e.Check, true
	case core.RingChecked:
		c = e.Check
	default:
		return
	}
	if c.Gauge != g.Gauge {
		return
	}
	if len(g.Visits) == mostVisits {
		g.Visits = append(g.Visits[:0], g.Visits[mostVisits/2:]...)
	}
	g.Visits = append(g.Visits, Visit{r.At, c.Standard, c.AsFound, adjusted})
}

func (g *GaugeRecord) settings(s *core.Settings) {
	for i := range s.Gauges {
		if s.Gauges[i].Gauge == g.Gauge {
			t := s.Gauges[i]
			g.Trust, g.Demo = &t, s.Demo
		}
	}
}

// repeats collects the readings of the newest cuts of one machine.
type repeats struct {
	g       *GaugeRecord
	machine string
	recent  []Repeat
	count   map[uint64]int // of a cut: its place, plus what has left
	left    int
}

func (x *repeats) record(_ journal.Record, e core.Event) {
	switch e := e.(type) {
	case core.Configured:
		x.g.settings(&e.Settings)
	case core.Judged:
		x.judged(&e)
	}
}

func (x *repeats) judged(e *core.Judged) {
	if e.Reading.Gauge != x.g.Gauge || e.Admit != "" || e.Count == 0 { // waiting, or of no known cut
		return
	}
	x.g.Readings++
	if e.Gather != "" || e.Whole != nil {
		return
	}
	if at, seen := x.count[e.Count]; seen && at >= x.left {
		r := &x.recent[at-x.left]
		if r.Characteristic == e.Reading.Characteristic && len(r.Sizes) < mostAgain {
			r.Sizes = append(r.Sizes, e.Reading.Size())
		}
		return
	}
	if len(x.recent) == remembered {
		x.keep(&x.recent[0])
		delete(x.count, x.recent[0].Count)
		x.recent = append(x.recent[:0], x.recent[1:]...)
		x.left++
	}
	x.count[e.Count] = x.left + len(x.recent)
	x.recent = append(x.recent, Repeat{x.machine, e.Reading.Characteristic, e.Count, []length.Length{e.Reading.Size()}})
}

func (x *repeats) keep(r *Repeat) {
	if len(r.Sizes) < 2 {
		return
	}
	g := x.g
	if len(g.Repeats) == mostRepeats {
		g.Repeats = append(g.Repeats[:0], g.Repeats[mostRepeats/2:]...)
	}
	c := *r
	c.Sizes = slices.Clone(r.Sizes)
	g.Repeats = append(g.Repeats, c)
}

func (x *repeats) end() {
	for i := range x.recent {
		x.keep(&x.recent[i])
	}
}
