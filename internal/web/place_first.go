package web

import (
	"cmp"
	"net/url"
	"slices"
	"strings"

	"offsetbridge/internal/core"
)

// FirstPlace leads through the first part of one tool, step by step: every step
// is read off what is on record, so that it goes on by itself when a reading
// arrives or a change was proven, whoever looks.
type FirstPlace struct {
	Machine string
	Tool    string
	Tools   []core.ToolView // to choose from
	Loops   []FirstLoop
	Away    string // why the machine does not answer
	Needs   []FirstNeed
	Query   string
}

// FirstNeed is a machine with loops that have no first part yet.
type FirstNeed struct{ Machine, Loops string }

// FirstLoop is the set-up of one loop of the tool.
type FirstLoop struct {
	Name    string
	Size    core.Learned
	Hold    *NeedLine
	Open    *core.ProposalView
	ByHand  string
	Rows    []BackTo // registers of the open change
	Trouble []GaugeTrouble
	GO      string // of the part measured last
	NOGO    string
	Part    string
	Signed  string
	Steps   []FirstStep
	Done    int

	set setUp
}

// FirstStep is one step: done, the one to do now, or still to come.
type FirstStep struct {
	Key   string
	State string // done, now, later
	Say   string
}

// GaugeTrouble is a gauge whose readings steer nothing, and why.
type GaugeTrouble struct {
	Gauge, Say string
}

func (p *Page) placeFirst(d *Doc, q url.Values) error {
	m := &FirstPlace{Machine: q.Get("machine"), Tool: q.Get("tool"), Query: strings.TrimSpace(q.Get("q"))}
	d.Data = m
	if m.Machine == "" {
		return p.firstNeeds(d, m)
	}
	in, err := p.board.plant.Inside(d.ctx, m.Machine)
	if err != nil {
		return err
	}
	d.News, d.Title = m.Machine, d.T("first")+" · "+strings.TrimSpace(m.Machine+" "+m.Tool)
	m.Tools = in.Tools
	if !in.Up {
		if m.Away = d.T("not_connected"); in.Link != "" {
			m.Away = d.Say(in.Link)
		}
	}
	if m.Tool == "" {
		return nil
	}
	i := slices.IndexFunc(in.Tools, func(t core.ToolView) bool { return t.Name == m.Tool })
	if i < 0 {
		return errNoPlace
	}
	for k := range in.Close {
		l := &in.Close[k]
		if !slices.Contains(in.Tools[i].Loops, l.Name) {
			continue
		}
		story, err := p.story(d, in.Machine, l)
		if err != nil {
			return err
		}
		f := p.firstLoop(d, &in, l, setUpOf(l, story))
		f.steps(d, l, in.Tools[i].Parts > 0)
		m.Loops = append(m.Loops, f)
	}
	return nil
}

// firstNeeds lists the machines where a first part is due.
func (p *Page) firstNeeds(d *Doc, m *FirstPlace) error {
	st, err := p.board.plant.Status(d.ctx)
	if err != nil {
		return err
	}
	for i := range st.Machines {
		v := &st.Machines[i]
		if m.Query != "" && !strings.Contains(strings.ToLower(v.Machine), strings.ToLower(m.Query)) {
			continue
		}
		var due []string
		for k := range v.Loops {
			if v.Loops[k].First {
				due = append(due, v.Loops[k].Name)
			}
		}
		if len(m.Needs) < machinesOnPage && (len(due) > 0 || m.Query != "") {
			m.Needs = append(m.Needs, FirstNeed{v.Machine, strings.Join(due, ", ")})
		}
	}
	return nil
}

func (p *Page) firstLoop(d *Doc, in *core.Inside, l *core.LoopInside, set setUp) FirstLoop {
	f := FirstLoop{Name: l.Name, Size: steering(l), Open: l.Open, set: set}
	for i := range f.set.changes {
		c := &f.set.changes[i]
		c.by = cmp.Or(p.name(c.by), d.T("by_itself"))
	}
	f.GO, f.NOGO, f.Part = f.Size.GO, f.Size.NOGO, f.Size.Part
	if l.LoopView.Hold != nil {
		f.Hold = holdLine(d, in.Machine, l.LoopView.Hold)
	} else if in.View.Hold != nil {
		f.Hold = holdLine(d, in.Machine, in.View.Hold)
	}
	if l.Signed != nil {
		f.Signed = d.T("signed_part", "part", l.Signed.Part, "who", p.name(l.Signed.Who))
	}
	if l.Open != nil {
		f.ByHand = d.byHand(*l.Open)
		at := controlOf(l)
		for _, v := range l.Open.Moves {
			f.Rows = append(f.Rows, BackTo{v.Register, d.Register(v.Old, at[v.Register]), d.Register(v.New, at[v.Register])})
		}
	}
	if l.Trouble != "" {
		f.Trouble = p.troubles(d, in.Machine, l)
	}
	return f
}

// troubles names the gauges of a loop that are not in order at its machine.
func (p *Page) troubles(d *Doc, machine string, l *core.LoopInside) []GaugeTrouble {
	var out []GaugeTrouble
	if p.server.o.Trust != nil {
		all, err := p.server.o.Trust.Gauges(d.ctx)
		for i := range all {
			serves := slices.ContainsFunc(l.Learned, func(x core.Learned) bool {
				return slices.ContainsFunc(x.Gauges, func(u core.GaugeUse) bool { return u.Gauge == all[i].Gauge })
			})
			k := slices.IndexFunc(all[i].Machines, func(v core.GaugeView) bool { return v.Machine == machine })
			if err == nil && serves && k >= 0 && all[i].Machines[k].Waiting != "" {
				out = append(out, GaugeTrouble{all[i].Gauge, d.Say(all[i].Machines[k].Waiting)})
			}
		}
	}
	if len(out) == 0 {
		out = append(out, GaugeTrouble{Say: d.Say(l.Trouble)})
	}
	return out
}

// steering returns the size of a loop that leads its first part.
func steering(l *core.LoopInside) core.Learned {
	for _, z := range l.Learned {
		if z.Used > 0 || z.Newest != nil {
			return z
		}
	}
	return l.Learned[0]
}
