package report

import (
	"fmt"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// Doubt is a gauge that was found to read wrongly, and the time in which it may have.
type Doubt struct {
	Gauge string
	Off   *length.Length // what it read too much; nil where nobody knows
	Unit  length.Unit
	// Series gives the time and the settings known from elsewhere; its machine may be
	// empty for all, its characteristic is not used.
	Series series.Options
}

// mostListed bounds the lines of a look-back: of more, the first are listed and all
// are counted.
const mostListed = 20_000

type lookbackPart struct {
	Time           string `json:"time"`
	Machine        string `json:"machine"`
	Characteristic string `json:"characteristic"`
	Part           string `json:"part"`
	Read           string `json:"read"`
	Size           string `json:"size,omitempty"`
	Was            string `json:"was"`
	Is             string `json:"is,omitempty"`
}

type lookbackMove struct {
	Time     string `json:"time"`
	Machine  string `json:"machine"`
	Register string `json:"register"`
	Old      string `json:"old"`
	New      string `json:"new"`
	Part     string `json:"part"` // the newest it rested on
	Result   string `json:"result"`
}

type lookbackData struct {
	Report      string         `json:"report"`
	Gauge       string         `json:"gauge"`
	Off         string         `json:"off,omitempty"`
	Measured    int            `json:"parts"`
	Otherwise   int            `json:"parts_judged_otherwise"`
	Outside     int            `json:"parts_outside"`
	Corrections int            `json:"corrections"`
	Parts       []lookbackPart `json:"list"`
	Moves       []lookbackMove `json:"correction_list"`
}

// lookback gathers what rested on a gauge.
type lookback struct {
	d    *Doubt
	data lookbackData
	bad  map[int]bool // parts listed that are judged otherwise, or outside
}

// Lookback lists what rested on a gauge in a time: the parts whose last size it
// gave, judged anew by what it read too much, and the corrections whose newest
// reading was its.
func Lookback(j series.Source, d *Doubt) (*Document, error) {
	x := &lookback{d: d, bad: map[int]bool{}, data: lookbackData{Report: "lookback", Gauge: d.Gauge, Parts: []lookbackPart{}, Moves: []lookbackMove{}}}
	if d.Off != nil {
		x.data.Off = d.Off.Signed(d.Unit, 4)
	}
	var heads []Head
	for _, m := range series.Machines(j) {
		if d.Series.Machine != "" && d.Series.Machine != m {
			continue
		}
		if err := x.parts(j, m); err != nil {
			return nil, err
		}
		if err := x.moves(j, m); err != nil {
			return nil, err
		}
		heads = append(heads, HeadOf(j.Head("machine/"+m)))
	}
	return x.document(heads), nil
}

func (x *lookback) parts(j series.Source, machine string) error {
	names, err := series.Characteristics(j, machine, x.d.Series.Known)
	if err != nil {
		return err
	}
	for _, name := range names {
		o := x.d.Series
		o.Machine, o.Characteristic = machine, name
		if _, err := series.Read(j, o, func(p *series.Part) {
			if p.Gauge == x.d.Gauge {
				x.part(machine, name, p)
			}
		}); err != nil {
			return err
		}
	}
	return nil
}

func (x *lookback) part(machine, name string, p *series.Part) {
	x.data.Measured++
	was, is := inside(p.Size, p.Limits), ""
	line := lookbackPart{Time: moment(p.At), Machine: machine, Characteristic: name, Part: p.Name, Read: p.Size.Text(x.d.Unit, 4), Was: was}
	outside := was != "inside"
	if x.d.Off != nil {
		size := p.Size - *x.d.Off
		is = inside(size, p.Limits)
		line.Size, line.Is = size.Text(x.d.Unit, 4), is
		outside = is != "inside"
		if is != was {
			x.data.Otherwise++
		}
	}
	if outside {
		x.data.Outside++
	}
	if len(x.data.Parts) == mostListed {
		return
	}
	if outside || is != "" && is != was {
		x.bad[len(x.data.Parts)] = true
	}
	x.data.Parts = append(x.data.Parts, line)
}

// inside says where a size lies, by itself: whether a part is good also asks for the
// uncertainty.
func inside(size length.Length, r length.Range) string {
	switch {
	case size < r.Low:
		return "below"
	case size > r.High:
		return "above"
	}
	return "inside"
}

// moves lists the corrections of a machine whose newest reading was the gauge's.
func (x *lookback) moves(j series.Source, machine string) error {
	first, err := j.First("machine/" + machine)
	if err != nil {
		return err
	}
	rests := map[uint64]string{} // open proposals that rest on the gauge, by their newest part
	type intent struct {
		proposal uint64
		line     int // −1 beyond the list
	}
	under := map[uint64]intent{}
	return j.Read("machine/"+machine, first, func(r journal.Record) error {
		switch r.Kind {
		case "prop", "void", "intent", "outcome":
		default:
			return nil
		}
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return err
		}
		switch e := e.(type) {
		case core.Proposed:
			if e.Gauge == x.d.Gauge {
				rests[e.ID] = e.Part
			}
		case core.Voided:
			delete(rests, e.Proposal)
		case core.Intended:
			part, ok := rests[e.Proposal]
			if o := &x.d.Series; !ok || r.At < o.From || o.To != 0 && r.At >= o.To {
				return nil
			}
			x.data.Corrections++
			under[e.ID] = intent{e.Proposal, -1}
			if len(x.data.Moves) < mostListed {
				under[e.ID] = intent{e.Proposal, len(x.data.Moves)}
				x.data.Moves = append(x.data.Moves, lookbackMove{
					Time: moment(r.At), Machine: machine, Register: e.Register, Part: part, Result: "unknown",
					Old: e.Old.Text(x.d.Unit, 4), New: e.New.Text(x.d.Unit, 4),
				})
			}
		case core.Concluded:
			if in, ok := under[e.Intent]; ok && in.line >= 0 {
				x.data.Moves[in.line].Result = string(e.Result)
			}
			if in, ok := under[e.Intent]; ok && !e.More && !e.Again {
				delete(rests, in.proposal)
			}
		}
		return nil
	})
}

func (x *lookback) document(heads []Head) *Document {
	d := &Document{
		Title: "What rested on gauge " + x.d.Gauge, Summary: x.inWords(), Data: &x.data, Heads: heads,
		Basis: []Fact{{"gauge", x.d.Gauge}, {"time", x.between()}},
		Notes: []string{
			"A part counts where its last size came from this gauge. A correction counts where its newest reading did; its estimate may rest on older readings of this gauge too.",
			"Inside and outside compare the size with the limits alone, without its uncertainty (ISO 14253-1 asks for it).",
			"What to hold back, measure again or call back is for whoever answers for the parts to decide.",
		},
	}
	if x.d.Off != nil {
		d.Basis = append(d.Basis, Fact{"it read too much by", x.data.Off})
	} else {
		d.Notes = append(d.Notes, "How much it read too much was not given (--off), so the sizes stand as they were read.")
	}
	parts := &Table{Columns: []string{"time, UTC", "machine", "characteristic", "part", "read", "size", "was", "is"}, Words: map[int]bool{0: true, 1: true, 2: true, 3: true, 6: true, 7: true}}
	for i, p := range x.data.Parts {
		if cells := []string{p.Time, p.Machine, p.Characteristic, p.Part, p.Read, p.Size, p.Was, p.Is}; x.bad[i] {
			parts.Bad(cells...)
		} else {
			parts.Row(cells...)
		}
	}
	moves := &Table{Columns: []string{"time, UTC", "machine", "register", "old", "new", "newest part", "result"}, Words: map[int]bool{0: true, 1: true, 2: true, 5: true, 6: true}}
	for _, m := range x.data.Moves {
		moves.Row(m.Time, m.Machine, m.Register, m.Old, m.New, m.Part, m.Result)
	}
	d.Sections = []Section{
		{Title: "Parts", Table: parts, Text: x.more(x.data.Measured, len(x.data.Parts))},
		{Title: "Corrections", Table: moves, Text: x.more(x.data.Corrections, len(x.data.Moves))},
	}
	return d
}

func (x *lookback) more(all, listed int) []string {
	if all == listed {
		return nil
	}
	return []string{fmt.Sprintf("The first %d of %d are listed: ask for a shorter time to see the others.", listed, all)}
}

func (x *lookback) between() string {
	o := &x.d.Series
	from, to := "the beginning of the record", "its end"
	if o.From != 0 {
		from = moment(o.From) + " UTC"
	}
	if o.To != 0 {
		to = moment(o.To) + " UTC"
	}
	return from + " to " + to
}

func (x *lookback) inWords() string {
	n := &x.data
	words := fmt.Sprintf("%s and %s rested on gauge %s.", count(n.Measured, "part"), count(n.Corrections, "correction"), x.d.Gauge)
	if n.Measured == 0 {
		return words
	}
	if x.d.Off == nil {
		return words + fmt.Sprintf(" As they were read, %d lie outside their limits.", n.Outside)
	}
	return words + fmt.Sprintf(" Judged anew, %d lie outside their limits. Judged otherwise than before: %d.", n.Outside, n.Otherwise)
}
