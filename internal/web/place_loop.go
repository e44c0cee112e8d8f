package web

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// LoopPlace is a loop's own page.
type LoopPlace struct {
	When    string // the next part is to be measured
	Machine string
	core.LoopInside
	Size      core.Learned // the one that is drawn, of several
	Say       string
	Hold      *NeedLine
	Run       Run
	Rows      []RunRow
	Stages    []Stage
	Decided   string // when, and on which part
	ByHand    string
	Registers []RegisterRow
	Control   map[string]core.Shown
	To        []BackTo
	TestStep  bool // the direction is not shown yet, and whoever looks may ask for a step that shows it
}

// RunRow is one line beside the chart.
type RunRow struct {
	What, Value, FromAim, Say string
	Mark                      bool
}

// Stage is one stage of a decision with its verdict.
type Stage struct{ Key, How, Verdict string }

// RegisterRow is one change of a register, whoever made it.
type RegisterRow struct{ At, Register, Old, New, By string }

// BackTo is what a value put back would be.
type BackTo struct{ Register, Now, New string }

// How much of the record a loop's page looks through, and shows.
const (
	loopEvents  = 400
	otherEvents = 100
	loopRows    = 60
)

func (p *Page) placeLoop(d *Doc, q url.Values) error {
	in, err := p.board.plant.Inside(d.ctx, q.Get("machine"))
	if err != nil {
		return err
	}
	i := slices.IndexFunc(in.Close, func(l core.LoopInside) bool { return l.Name == q.Get("loop") })
	if i < 0 {
		return errNoPlace
	}
	m := &LoopPlace{Machine: in.Machine, LoopInside: in.Close[i], Control: controlOf(&in.Close[i]), To: backTo(d, &in.Close[i])}
	m.TestStep = !m.Proven && m.Mode != core.Observe && len(m.Turns) > 0 && d.May(string(core.Setter))
	m.Size = m.Learned[0]
	for _, x := range m.Learned {
		if x.Name == q.Get("size") {
			m.Size = x
		}
	}
	if m.Signed != nil {
		x := *m.Signed
		x.Who = p.name(x.Who)
		m.Signed = &x
	}
	line := d.loopLine(in.Machine, m.LoopView)
	m.When = line.Due
	if m.Say = line.Say; m.LoopView.Hold != nil {
		m.Hold = holdLine(d, in.Machine, m.LoopView.Hold)
	}
	if m.Open != nil {
		m.ByHand = d.byHand(*m.Open)
	}
	story, err := p.story(d, in.Machine, &m.LoopInside)
	if err != nil {
		return err
	}
	m.tell(d, p, story)
	d.Title, d.News, d.Data = m.Name, in.Machine, m
	return nil
}

// story returns what the record says of a loop, its registers and its tool,
// newest first.
func (p *Page) story(d *Doc, machine string, l *core.LoopInside) ([]told, error) {
	own, err := p.board.plant.History(d.ctx, HistoryQuery{Machine: machine, Loop: l.Name, Kinds: []string{
		core.Judged{}.Kind(), core.Concluded{}.Kind(), core.Intended{}.Kind(), core.Approved{}.Kind(), core.FirstOff{}.Kind(),
	}, Limit: loopEvents})
	if err != nil {
		return nil, err
	}
	all, err := p.board.plant.History(d.ctx, HistoryQuery{Machine: machine, Kinds: []string{core.Moved{}.Kind(), core.ToolChanged{}.Kind()}, Limit: otherEvents})
	if err != nil {
		return nil, err
	}
	var out []told
	for _, e := range append(own, all...) {
		x, err := core.Decode(e.Kind, e.Event)
		if err != nil {
			continue // verifying the journal tells
		}
		switch x := x.(type) {
		case core.Moved:
			if !slices.ContainsFunc(l.Turns, func(r core.RegisterView) bool { return r.Name == x.Register }) {
				continue
			}
		case core.ToolChanged:
			if x.Tool != l.Tool {
				continue
			}
		}
		out = append(out, told{e, x})
	}
	slices.SortStableFunc(out, func(a, b told) int { return cmp.Compare(b.Seq, a.Seq) })
	return out, nil
}

func (m *LoopPlace) tell(d *Doc, p *Page, story []told) {
	who := map[uint64]string{} // by proposal
	intents := map[uint64]core.Intent{}
	for _, e := range story {
		switch x := e.event.(type) {
		case core.Approved:
			who[x.Proposal] = p.name(x.Who.Principal)
		case core.Intended:
			intents[x.Intent.ID] = x.Intent
		}
	}
	var points []runPoint
	for _, e := range story {
		switch x := e.event.(type) {
		case core.Judged:
			m.judged(d, &points, e, x)
		case core.Concluded:
			if in, ok := intents[x.Outcome.Intent]; ok && x.Result == core.Applied {
				by := cmp.Or(who[in.Proposal], d.T("by_itself"))
				at := m.Control[x.Register]
				m.change(d, &points, e, "change", x.Register, d.Register(in.Old, at), d.Register(in.New, at), by)
			}
		case core.Moved:
			at := m.Control[x.Register]
			m.change(d, &points, e, "typed", x.Register, d.Register(x.Old, at), d.Register(x.New, at), d.T("at_panel"))
		case core.ToolChanged:
			say := d.T("tool_new", "tool", x.Tool)
			if x.Who != nil {
				say = d.T("tool_new_by", "tool", x.Tool, "who", p.name(x.Who.Principal))
			}
			m.add(&points, runPoint{Kind: "tool", Say: say}, RunRow{What: d.T("tool_change"), Say: say, Mark: true})
		}
	}
	slices.Reverse(points)
	m.draw(d, points)
}

func (m *LoopPlace) add(points *[]runPoint, at runPoint, row RunRow) {
	if len(*points) >= loopRows {
		return
	}
	*points = append(*points, at)
	m.Rows = append(m.Rows, row)
}

func (m *LoopPlace) change(d *Doc, points *[]runPoint, e told, kind, register, from, to, by string) {
	say := register + " " + from + " → " + to
	m.add(points, runPoint{Kind: kind, Say: say}, RunRow{What: d.T("mark_" + kind), Say: say + " · " + by, Mark: true})
	if len(m.Registers) < loopRows {
		m.Registers = append(m.Registers, RegisterRow{At: d.Time(e.At), Register: register, Old: from, New: to, By: by})
	}
}

func (m *LoopPlace) judged(d *Doc, points *[]runPoint, e told, j core.Judged) {
	if j.Reading.Characteristic != m.Size.Name {
		return
	}
	part := cmp.Or(j.Reading.Part, strconv.FormatUint(j.Count, 10))
	if m.Stages == nil && j.Gather == "" {
		m.Stages, m.Decided = m.stages(d, &j, part), d.T("decided_on", "part", part, "at", d.Time(e.At))
	}
	if j.Measurement() == nil {
		return
	}
	size := m.Size.Aim + j.Deviation
	row := RunRow{What: d.T("part", "n", part), Value: d.Length(size), FromAim: d.Signed(j.Deviation)}
	doubt := j.Estimate == "suspect" || j.Estimate == "ignored"
	switch {
	case doubt:
		row.Say = d.Say(j.Estimate)
	case j.Route != "":
		row.Say = d.Say(j.Route)
	case j.Propose != "":
		row.Say = d.Say(j.Propose)
	}
	m.add(points, runPoint{Part: part, FromAim: j.Deviation, Doubt: doubt, Say: row.What + ": " + row.FromAim}, row)
}

func (m *LoopPlace) draw(d *Doc, points []runPoint) {
	z := &m.Size
	limits := length.Range{Low: z.Limits.Low - z.Aim, High: z.Limits.High - z.Aim}
	rules := []rule{
		{limits.High, "edge", d.T("high") + " " + d.Length(z.Limits.High)},
		{limits.Low, "edge", d.T("low") + " " + d.Length(z.Limits.Low)},
		{0, "dash", d.T("aim") + " " + d.Length(z.Aim)},
	}
	if three := 3 * z.Noise; z.Ready && three > 0 {
		rules = append(rules, rule{three, "dots", "+3σ " + d.Signed(three)}, rule{-three, "dots", "−3σ " + d.Signed(-three)})
	}
	sizes := slices.DeleteFunc(slices.Clone(points), func(p runPoint) bool { return p.Kind != "" })
	name := d.T("run_none")
	if n := len(sizes); n > 0 {
		name = d.T("run_name", "n", n, "name", z.Name, "last", sizes[n-1].Say)
	}
	m.Run = runOf(name, points, limits, rules)
}

// stages says the arithmetic of a decision, stage by stage. A stage that stopped
// it says why; those after it did not happen.
func (m *LoopPlace) stages(d *Doc, j *core.Judged, part string) []Stage {
	var out []Stage
	good := d.T("stage_good")
	add := func(key, how string, code core.Code) bool {
		verdict := good
		if code != "" {
			verdict = d.Say(code)
		}
		out = append(out, Stage{key, how, verdict})
		return code == ""
	}
	if !add("admit", d.T("how_admit", "gauge", j.Reading.Gauge, "value", d.Length(j.Reading.Value), "part", part), j.Admit) {
		return out
	}
	if !add("attribute", d.T("how_attribute", "n", j.Count, "command", d.Signed(j.Command), "deviation", d.Signed(j.Deviation)), j.Attribute) {
		return out
	}
	if !add("estimate", d.T("how_estimate", "drift", d.Signed(j.Drift), "ratio", d.plain(times2(float64(j.Ratio)/1000)), "spread", d.Spread(j.Sigma), "noise", d.Length(j.Noise)), j.Estimate) && j.Moves == nil {
		return out
	}
	how := d.T("how_propose_none", "band", d.Length(m.DeadBand))
	for i, v := range j.Moves {
		if i == 0 {
			how = ""
		} else {
			how += "; "
		}
		at := m.Control[v.Register]
		how += d.T("how_propose", "register", v.Register, "old", d.Register(v.Old, at), "want", unbroken(v.Want.Signed(at.Unit, at.Unit.Digits(at.Step)+1)), "new", d.Register(v.New, at), "size", d.Signed(v.Size))
	}
	if !add("propose", how, j.Propose) {
		return out
	}
	b := &m.Bounds
	need := d.T("need_nobody")
	if j.Need != "" {
		need = d.T("need", "role", d.T(string(j.Need)))
	}
	out = append(out, Stage{"bound", d.T("how_bound", "auto", d.Length(b.AutoStep), "operator", d.Length(b.OperatorStep), "setter", d.Length(b.SetterStep)), Cap(need)})
	if j.Bound != "" {
		out[len(out)-1].Verdict += ": " + d.code(j.Bound)
	}
	if j.Route != "" {
		out = append(out, Stage{"route", "", d.Say(j.Route)})
	}
	return out
}

// times2 writes a ratio to two decimals.
func times2(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

// Ratio writes a learned ratio with its uncertainty.
func (d *Doc) Ratio(v, two float64) string {
	return d.plain(times2(v)) + "\u00a0±\u00a0" + d.plain(times2(two))
}

// holdLine is a hold with where it is ended.
func holdLine(d *Doc, machine string, h *core.Held) *NeedLine {
	n := &NeedLine{Need: d.need(machine, *h), What: machine}
	if h.Loop != "" {
		n.What += " · " + h.Loop
	}
	n.Link = "/hold?" + url.Values{"machine": {machine}, "loop": {h.Loop}, "resume": {string(h.Cause)}, "to": {d.Here}}.Encode()
	return n
}
