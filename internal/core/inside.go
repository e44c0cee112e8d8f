package core

import (
	"math"
	"slices"

	"offsetbridge/internal/length"
)

// Inside is a close look at one machine, for whoever stands at it: a copy, made
// from the same numbers that are sent. It is worked out when somebody asks.
type Inside struct {
	View
	Tools []ToolView   `json:"tools"`
	Close []LoopInside `json:"close"` // in the order of Loops
	Tasks []TaskView   `json:"tasks"`
	Parts []PartView   `json:"parts"` // the last ones, newest first
	Lacks []string     `json:"lacks,omitempty"`
}

// ToolView is one tool of a machine.
type ToolView struct {
	Name       string   `json:"name"`
	Generation int64    `json:"generation"` // -1 where it cannot be read
	Loops      []string `json:"loops"`
	Parts      uint64   `json:"parts"` // cut with it, as far back as is remembered
}

// TaskView is a measuring task that is open.
type TaskView struct {
	Task
	Left int64 `json:"expires_in_ms"`
}

// PartView is one part as far as it is known here.
type PartView struct {
	Count    uint64   `json:"count"`
	Serial   string   `json:"serial,omitempty"`
	Nth      int      `json:"nth"`
	Program  string   `json:"program"`
	Doubt    Code     `json:"doubt,omitempty"` // why it steers nothing
	Measured []string `json:"measured,omitempty"`
	Missing  []string `json:"missing,omitempty"` // characteristics of its program that were not read
	OldTool  bool     `json:"old_tool,omitempty"`
}

// LoopInside is one loop with what it has learned and what bounds it.
type LoopInside struct {
	LoopView
	Tool      string         `json:"tool"`
	Program   string         `json:"program,omitempty"`
	Damping   float64        `json:"damping"`
	DeadBand  length.Length  `json:"dead_band_nm"`
	Bounds    Bounds         `json:"bounds"`
	Turns     []RegisterView `json:"turns"` // its registers, in its order
	Learned   []Learned      `json:"learned"`
	InTransit uint64         `json:"in_transit"` // parts cut since the newest one that was used
	Signed    *Signed        `json:"signed,omitempty"`
	CannotPut Code           `json:"cannot_put_back,omitempty"`
	Back      []Move         `json:"put_back,omitempty"`
	CannotFO  Code           `json:"cannot_sign,omitempty"` // why the first part cannot be signed
	FirstPart string         `json:"first_part_measured,omitempty"`
	Open      *ProposalView  `json:"open,omitempty"`
	Trouble   Code           `json:"gauge_trouble,omitempty"`
}

// Learned is one size of a loop, with what the estimate has learned of it.
type Learned struct {
	Characteristic
	Ready     bool           `json:"ready"`
	Sigma     length.Length  `json:"sigma_nm"`            // of the next part
	Noise     length.Length  `json:"noise_nm"`            // of one reading on a steady process
	PerPart   length.Length  `json:"drift_nm_per_part"`   // what the process does by itself, if nothing is changed
	Ratio     float64        `json:"effect_ratio"`        // learned ÷ nominal
	RatioTwo  float64        `json:"effect_ratio_2s"`     // two standard deviations of it
	Moves     int            `json:"moves"`               // that the response was seen of
	Seen      float64        `json:"response"`            // seen ÷ commanded
	SeenTwo   float64        `json:"response_2s"`         // two standard errors of it
	Proven    bool           `json:"direction_proven"`    //
	Used      int            `json:"used"`                // readings since the set-up or tool change
	Newest    *MeasuredView  `json:"newest,omitempty"`    //
	Part      string         `json:"newest_of,omitempty"` // part of it
	GO        string         `json:"go,omitempty"`        // of that part
	NOGO      string         `json:"nogo,omitempty"`
	Aside     *length.Length `json:"first_cut_nm,omitempty"` // before the first reading: where to cut to
	Reachable length.Length  `json:"one_change_nm,omitempty"`
}

// The parts of a machine that are shown, and for how many parts drift is looked
// ahead.
const (
	insideParts = 12
	driftParts  = 10
)

// Inside returns the close look.
func (s *State) Inside() Inside {
	g := &s.Ledger
	v := Inside{View: s.View(), Tools: []ToolView{}, Tasks: []TaskView{}, Lacks: g.Settings.Lacks}
	for i, name := range g.Settings.Tools {
		v.Tools = append(v.Tools, s.toolView(i, name))
	}
	d := &decision{s: s}
	for i := range g.Settings.Loops {
		v.Close = append(v.Close, d.loopInside(&g.Settings.Loops[i], v.View.Loops[i], &v.View))
	}
	for _, t := range g.Tasks {
		if s.now.valid(t) {
			k := slices.IndexFunc(s.now.tasks, func(o openTask) bool { return o.gauge == t.Gauge })
			v.Tasks = append(v.Tasks, TaskView{Task: t, Left: t.For - (s.now.at.Mono - s.now.tasks[k].at)})
		}
	}
	for i := len(g.Cuts) - 1; i >= 0 && len(v.Parts) < insideParts; i-- {
		v.Parts = append(v.Parts, d.partView(&g.Cuts[i]))
	}
	return v
}

func (s *State) toolView(i int, name string) ToolView {
	g := &s.Ledger
	v := ToolView{Name: name, Generation: -1, Loops: []string{}}
	if g.Seen != nil {
		v.Generation = g.Seen.Tools[i]
	}
	for k := range g.Settings.Loops {
		l := &g.Settings.Loops[k]
		if slices.ContainsFunc(l.Registers, func(r string) bool { return g.Settings.Register(r).Tool == name }) {
			v.Loops = append(v.Loops, l.Name)
		}
	}
	for k := range g.Cuts {
		if g.Cuts[k].Tools[i] == v.Generation && !g.renewed(name, g.Cuts[k].Count) {
			v.Parts++
		}
	}
	return v
}

func (d *decision) partView(cut *Cut) PartView {
	v := PartView{Count: cut.Count, Serial: cut.Serial, Nth: cut.Nth, Program: cut.Program, Doubt: cut.Doubt, Measured: slices.Clone(cut.Measured)}
	for i := range d.set().Loops {
		l := &d.set().Loops[i]
		if l.Program != "" && l.Program != cut.Program {
			continue
		}
		v.OldTool = v.OldTool || d.book().Seen != nil && !d.sameTools(cut, l)
		for k := range l.Characteristics {
			if name := l.Characteristics[k].Name; !slices.Contains(cut.Measured, name) {
				v.Missing = append(v.Missing, name)
			}
		}
	}
	return v
}

func (d *decision) loopInside(l *Loop, shown LoopView, all *View) LoopInside {
	s, b := d.s, d.s.loopBook(l.Name)
	tool, _ := s.toolOf(l)
	v := LoopInside{
		LoopView: shown, Tool: tool, Program: l.Program, Damping: l.Damping, DeadBand: l.DeadBand, Bounds: l.Bounds,
		Signed: clone(b.Signed), CannotPut: s.cannotPutBack(l), Trouble: s.gaugesOf(l),
	}
	if v.CannotPut == "" {
		v.Back = s.back(l)
	}
	for _, name := range l.Registers {
		v.Turns = append(v.Turns, all.Registers[d.set().registerIndex(name)])
	}
	for i := range l.Characteristics {
		v.Learned = append(v.Learned, d.learnedOf(l, b, i))
	}
	if n := v.Learned[0].Part; b.Sizes[0].Used > 0 {
		v.FirstPart = n
	}
	_, v.CannotFO = s.firstOff(l, v.FirstPart)
	if seen := d.book().Seen; seen != nil && v.LastPart > 0 && seen.Counter > v.LastPart {
		v.InTransit = seen.Counter - v.LastPart
	}
	for i := range all.Proposals {
		if all.Proposals[i].Loop == l.Name {
			p := all.Proposals[i]
			v.Open = &p
		}
	}
	return v
}

func (d *decision) learnedOf(l *Loop, b *LoopBook, i int) Learned {
	ch, z := &l.Characteristics[i], &b.Sizes[i]
	v := Learned{Characteristic: *ch, Moves: z.Response.Moves, Used: z.Used}
	if ratio, se := z.Response.Ratio(); v.Moves > 0 && !math.IsInf(se, 0) {
		v.Seen, v.SeenTwo = ratio, 2*se
	}
	if d.book().Seen != nil {
		f := d.forecast(l, i)
		v.Ready, v.Sigma, v.Noise = f.Ready, fromMicrometres(f.Sigma), fromMicrometres(f.Noise)
		v.Ratio, v.RatioTwo = f.Effect, 2*f.EffectSigma
		v.Proven = d.s.proven(l, i, v.Noise)
		if part := d.nextPart(); f.Ready {
			e, minute := d.s.estimateOf(l.Name, i), d.minute()
			now, later := e.forecast(part, minute), e.forecast(part+driftParts, minute+driftParts*d.book().Cycle)
			v.PerPart = fromMicrometres((later.Drift - now.Drift) / driftParts)
		}
	}
	if m := z.Newest; m != nil {
		x := d.set().MeasurementView(m, ch)
		v.Newest, v.Part = &x, partName(m.Part, m.Count)
		if z.Plug.Part == v.Part {
			v.GO, v.NOGO = z.Plug.GO, z.Plug.NOGO
		}
	}
	if b.First && z.Used == 0 {
		far, most := firstCut(l, ch)
		v.Aside, v.Reachable = &far, most
	}
	return v
}

// firstCut says to which size the first part of a set-up is best cut: on the side
// that can be cut again, half of what one approved change may take off from the
// aim, at most half of the tolerance; and how much that change may be. Leaving
// metal on is common practice, no source; how much follows from the bounds.
func firstCut(l *Loop, ch *Characteristic) (to, most length.Length) {
	most = l.Bounds.SetterStep
	far := min(most/2, ch.Tolerance()/2)
	if far <= 0 {
		far = ch.Tolerance() / 2
	}
	if ch.Internal {
		return ch.Aim - far, most
	}
	return ch.Aim + far, most
}
