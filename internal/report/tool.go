package report

import (
	"fmt"
	"math"
	"strings"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// ToolAsked is which tool is judged: that of the loop of a characteristic.
type ToolAsked struct {
	Series     series.Options
	Unit       length.Unit
	Confidence float64
}

// ToolEnd is one reason why an insert cannot go on.
type ToolEnd struct {
	What  string  // as in "until WHAT"
	Level float64 // of the path at which it is reached; NaN: it is none of size
	Left  capability.Left
	Aside bool // it is not what will end it: said, but not first
}

// Tooled is what is known of a tool's inserts, from wherever it comes.
type Tooled struct {
	Name    string // of the tool
	Unit    string
	Basis   []Fact
	Notes   []string
	Heads   []Head
	Inserts capability.Inserts
	Ends    func(w *capability.Wear) []ToolEnd
}

// travelled is what the registers of a loop moved in one life, by size.
type travelled struct {
	life  int
	parts int
	by    length.Length
	last  length.Length
	some  bool
}

// record collects a tool's inserts out of a journal.
type toolRecord struct {
	unit    length.Unit
	s       Tooled
	now     travelled
	before  []travelled // the newest lives
	command length.Length
	part    series.Part
	some    bool
	loose   int // parts whose register values are not known
}

// mostTravels bounds the lives whose travel is averaged.
const mostTravels = 50

func (r *toolRecord) take(p *series.Part) {
	r.part, r.some = *p, true
	if !p.Tied || p.Age == 0 {
		r.loose++
		return
	}
	r.s.Inserts.Add(p.Life, p.Age, (p.Size - p.Aim - p.Command).Float(r.unit))
	if r.now.life != p.Life {
		if r.now.life != 0 {
			if len(r.before) == mostTravels {
				r.before = append(r.before[:0], r.before[1:]...)
			}
			r.before = append(r.before, r.now)
		}
		r.now = travelled{life: p.Life}
	}
	if r.now.some {
		r.now.by += (p.Command - r.now.last).Abs()
	}
	r.now.last, r.now.some = p.Command, true
	r.now.parts++
	r.command = p.Command
}

// ToolOfRecord judges the wear of a loop's tool, and when its insert is spent.
func ToolOfRecord(j series.Source, a ToolAsked) (*Document, error) {
	r := &toolRecord{unit: a.Unit}
	b, err := series.Read(j, a.Series, r.take)
	if err != nil {
		return nil, err
	}
	r.s.Name, r.s.Unit, r.s.Basis, r.s.Notes = r.part.Tool+" at "+b.Machine, string(a.Unit), factsOf(b, a.Unit), notesOf(b)
	r.s.Heads = []Head{HeadOf(b.Head)}
	if r.part.Tool == "" {
		r.s.Name = "the tool of " + b.Characteristic + " at " + b.Machine
	}
	if r.loose > 0 {
		r.s.Notes = append(r.s.Notes, fmt.Sprintf("of %s it is not known what registers they were cut with: left out", count(r.loose, "part")))
	}
	r.s.Ends = func(w *capability.Wear) []ToolEnd { return r.ends(b, w) }
	return Tool(&r.s, a.Confidence), nil
}

// ends are the reasons that a record knows of.
func (r *toolRecord) ends(b *series.Basis, w *capability.Wear) (out []ToolEnd) {
	loop, at := b.Settings.Find(b.Characteristic)
	_, wear, known := w.Now()
	slope := wear.Value
	if loop == nil || !known || !r.some {
		return nil
	}
	if low, high, ok := reach(b, loop, at); ok {
		// The registers have to add what the tool takes away: the path may go so far as
		// they can answer.
		level, name := -high, loop.Registers[0]
		if slope > 0 {
			level = -low
		}
		x := level.Float(r.unit)
		if left, ok := w.Until(x, slope > 0); ok {
			out = append(out, ToolEnd{What: "the hard band of " + name + " is used up", Level: x, Left: left, Aside: r.part.Off})
		}
	} else {
		r.s.Notes = append(r.s.Notes, "the loop has several registers: when their bands are used up is not worked out")
	}
	if left, ok := r.budget(loop); ok {
		out = append(out, ToolEnd{What: "what the loop may change without being asked is used up", Level: math.NaN(), Left: left, Aside: r.part.Off})
	}
	side := r.part.Limits.Low
	if slope > 0 {
		side = r.part.Limits.High
	}
	x := (side - r.part.Aim - r.command).Float(r.unit)
	if left, ok := w.Until(x, slope > 0); ok {
		out = append(out, ToolEnd{What: "a limit of size is reached if nobody corrects from now on", Level: x, Left: left, Aside: !r.part.Off})
	}
	return out
}

// reach is what the only register of a loop can add to the size, from its hard band.
func reach(b *series.Basis, loop *core.Loop, at int) (low, high length.Length, ok bool) {
	if len(loop.Registers) != 1 {
		return 0, 0, false
	}
	reg := b.Settings.Register(loop.Registers[0])
	if reg == nil || loop.Effects[at][0] == 0 || reg.Band.High <= reg.Band.Low {
		return 0, 0, false
	}
	low, high = loop.Effects[at][0].Of(reg.Band.Low), loop.Effects[at][0].Of(reg.Band.High)
	return min(low, high), max(low, high), true
}

// budget is how many parts the loop's travel lasts, by what it travelled a part in the
// lives of this record: as if nobody had approved any of it, so rather too few.
func (r *toolRecord) budget(loop *core.Loop) (left capability.Left, ok bool) {
	if loop.Bounds.Travel <= 0 || loop.Mode != core.Auto {
		return left, false
	}
	var rate capability.Moments
	const fewest = 20 // parts of a life
	for _, t := range append(r.before, r.now) {
		if t.parts >= fewest {
			rate.Add(t.by.Micrometres() / float64(t.parts-1))
		}
	}
	if rate.N < 3 || !(rate.Mean() > 0) {
		return left, false
	}
	rest := max(0, (loop.Bounds.Travel - r.now.by).Micrometres())
	spread := 2 * rate.SD() * math.Sqrt(1+1/float64(rate.N)) // about 95 %
	left = capability.Left{Value: math.Ceil(rest / rate.Mean()), Low: math.Floor(rest / (rate.Mean() + spread)), High: math.Inf(1)}
	if slow := rate.Mean() - spread; slow > 0 {
		left.High = math.Ceil(rest / slow)
	}
	return left, true
}

// Tool judges inserts: how they wear, and how many parts the one in use has left.
func Tool(s *Tooled, confidence float64) *Document {
	w := capability.WearOf(&s.Inserts, confidence)
	var ends []ToolEnd
	if s.Ends != nil {
		ends = s.Ends(w)
	}
	if left, lives, ok := w.AsBefore(); ok {
		ends = append(ends, ToolEnd{What: fmt.Sprintf("it is changed as the %d before it were", len(lives)), Level: math.NaN(), Left: left})
	}
	d := &Document{Title: "Wear of " + s.Name, Basis: s.Basis, Heads: s.Heads, Summary: toolInWords(s, w, ends), Data: toolOf(s, w, ends)}
	d.Sections = append(d.Sections, endsSection(s, w, ends), curves(s, w), insertsSection(s, w))
	d.Notes = append(d.Notes, s.Notes...)
	d.Notes = append(d.Notes,
		"Wear is what the process does by itself: each size from its aim less what the registers in force added. Heat, another batch of material and a drifting gauge are in it.",
		"An end is counted from when the path of the sizes is as likely as not to have gone there; breaking, chipping and a worse surface come without any warning in a size.")
	longest := 0.0
	for i := range w.Each {
		longest = max(longest, w.Each[i].Last)
	}
	if e := first(ends); e != nil && e.Left.Value > farAhead*longest {
		d.Notes = append(d.Notes, fmt.Sprintf("So many parts are far beyond the %s of the longest life in this record: what an insert does at its end has not been seen.", fixed(longest, 0)))
	}
	if len(w.Each) > 0 && !w.Each[0].Whole {
		d.Notes = append(d.Notes, "The first insert of the record may have been older than the record.")
	}
	return d
}

// farAhead is how many times the longest life seen may be looked ahead without a word.
const farAhead = 2

// leftInWords writes parts left with their interval.
func leftInWords(l *capability.Left) string {
	n := func(v float64) string { return fixed(v, 0) }
	switch {
	case math.IsInf(l.Value, 1):
		return "no end in sight, " + n(l.Low) + " parts at least"
	case math.IsInf(l.High, 1):
		return fmt.Sprintf("about %s parts (%s at least)", n(l.Value), n(l.Low))
	case l.Low == l.High:
		return fmt.Sprintf("about %s parts", n(l.Value))
	}
	return fmt.Sprintf("about %s parts (%s to %s)", n(l.Value), n(l.Low), n(l.High))
}

// first is the end that comes first; nil where there is none.
func first(ends []ToolEnd) (out *ToolEnd) {
	for i := range ends {
		e := &ends[i]
		if e.Aside || math.IsInf(e.Left.Value, 1) {
			continue
		}
		if out == nil || e.Left.Value < out.Left.Value {
			out = e
		}
	}
	return out
}

func toolInWords(s *Tooled, w *capability.Wear, ends []ToolEnd) string {
	var words []string
	if e := first(ends); e != nil {
		text := leftInWords(&e.Left)
		words = append(words, strings.ToUpper(text[:1])+text[1:]+" until "+e.What+".")
	} else if len(ends) > 0 {
		words = append(words, "No end of the insert is in sight.")
	} else {
		words = append(words, "How long the insert lasts cannot be told yet: too few parts, or their register values are not known.")
	}
	if _, slope, known := w.Now(); known {
		k := decimals(w.Noise)
		way := "It makes sizes larger"
		if slope.Value < 0 {
			way = "It makes sizes smaller"
		}
		if slope.Low < 0 && slope.High > 0 {
			way = "No wear of it is shown: sizes move"
		}
		words = append(words, fmt.Sprintf("%s by %s %s in 100 parts (%s to %s).", way, fixed(100*math.Abs(slope.Value), k), s.Unit,
			signed(100*slope.Low, k), signed(100*slope.High, k)))
	}
	if w.Settled > 0 {
		words = append(words, fmt.Sprintf("A new insert runs in over %d parts.", w.Settled))
	}
	return strings.Join(words, " ")
}
