package web

import (
	"cmp"
	"encoding/json"
	"net/http"
	"slices"
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Line is one machine in a list: whoever needs somebody comes first.
type Line struct {
	Machine string `json:"machine"`
	State   string `json:"state"` // hold, decide, loop-hold, away, waits, quiet
	Say     string `json:"say"`
	Counter uint64 `json:"counter"`
	Program string `json:"program,omitempty"`
	Loops   int    `json:"loops"`
	Pending int    `json:"pending,omitempty"`
	Holds   int    `json:"holds,omitempty"`
	Waits   int    `json:"waits,omitempty"`
}

// order of the states, the most urgent first.
var order = []string{"hold", "loop-hold", "decide", "away", "waits", "quiet"}

// line says what there is to see of a machine on one line.
func (f Format) line(v core.View) Line {
	l := Line{Machine: v.Machine, Counter: v.Counter, Program: v.Program, Loops: len(v.Loops), State: "quiet", Say: f.T("line_quiet")}
	waits, due := "", ""
	for i := range v.Loops {
		x := &v.Loops[i]
		switch {
		case x.Hold != nil:
			l.Holds++
		case x.Waiting != "":
			l.Waits++
			waits = x.Name + ": " + f.code(x.Waiting)
		case x.Due != nil && *x.Due < 0 && due == "":
			due = x.Name + ": " + f.Due(x.Due)
		}
	}
	for i := range v.Proposals {
		if v.Proposals[i].Status == core.Pending {
			l.Pending++
		}
	}
	switch {
	case v.Hold != nil:
		l.State, l.Say = "hold", f.code(v.Hold.Cause)
	case l.Holds > 0:
		i := slices.IndexFunc(v.Loops, func(x core.LoopView) bool { return x.Hold != nil })
		l.State, l.Say = "loop-hold", v.Loops[i].Name+": "+f.code(v.Loops[i].Hold.Cause)
	case l.Pending > 0:
		l.State, l.Say = "decide", f.T("line_decide")
	case !v.Up && v.Link != "":
		l.State, l.Say = "away", f.code(v.Link)
	case !v.Up:
		l.State, l.Say = "away", f.T("line_away")
	case l.Waits > 0:
		l.State, l.Say = "waits", waits
	case due != "":
		l.State, l.Say = "waits", due
	}
	return l
}

func (s *server) lines(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Plant.Status(r.Context())
	lines := make([]Line, 0, len(st.Machines))
	for _, m := range st.Machines {
		lines = append(lines, English().line(m))
	}
	slices.SortStableFunc(lines, func(a, b Line) int {
		return cmp.Compare(slices.Index(order, a.State), slices.Index(order, b.State))
	})
	s.give(w, LinesView{lines}, err)
}

// MachinePage is one machine with its loops.
type MachinePage struct {
	Line
	Hold  *Need      `json:"hold,omitempty"`
	Loops []LoopLine `json:"loops_list"`
}

// LoopLine is one loop as a person reads it.
type LoopLine struct {
	Name    string `json:"name"`
	Mode    string `json:"mode"`
	Say     string `json:"say"`
	FromAim string `json:"from_aim,omitempty"` // of the part last measured
	Part    uint64 `json:"part,omitempty"`
	First   bool   `json:"first_part,omitempty"`
	Spent   string `json:"spent"` // of the travel budget
	Travel  string `json:"travel"`
	Proven  bool   `json:"proven"`
	Hold    *Need  `json:"hold,omitempty"`
	Waiting string `json:"waiting,omitempty"`
	Due     string `json:"due,omitempty"` // when the next part is to be measured
}

func (s *server) machine(w http.ResponseWriter, r *http.Request) {
	st, err := s.o.Plant.Status(r.Context())
	if err != nil {
		s.fail(w, err)
		return
	}
	i := slices.IndexFunc(st.Machines, func(v core.View) bool { return v.Machine == r.PathValue("machine") })
	if i < 0 {
		s.fail(w, ErrNoMachine)
		return
	}
	v := st.Machines[i]
	f := English()
	out := MachinePage{Line: f.line(v), Loops: []LoopLine{}}
	if v.Hold != nil {
		n := f.need(v.Machine, *v.Hold)
		out.Hold = &n
	}
	for _, l := range v.Loops {
		out.Loops = append(out.Loops, f.loopLine(v.Machine, l))
	}
	answer(w, http.StatusOK, out)
}

func (f Format) loopLine(machine string, l core.LoopView) LoopLine {
	out := LoopLine{
		Name: l.Name, Mode: string(l.Mode), First: l.First, Proven: l.Proven, Waiting: f.code(l.Waiting), Part: l.LastPart,
		Spent: f.size(l.Spent), Travel: f.size(l.Travel), Say: f.T("loop_steers"),
	}
	out.Due = f.Due(l.Due)
	switch {
	case l.Hold != nil:
		n := f.need(machine, *l.Hold)
		out.Hold, out.Say = &n, n.Say
	case l.Waiting != "":
		out.Say = out.Waiting
	case l.Readings == 0:
		out.Say = f.T("loop_unread")
	case l.First:
		out.Say = f.T("loop_first")
	case l.Mode == core.Observe:
		out.Say = f.T("loop_observes")
	}
	if l.Readings > 0 {
		out.FromAim = f.signed(l.FromAim)
	}
	return out
}

// Due says when the next part is to be measured, "" where nobody said how often.
func (f Format) Due(in *int64) string {
	switch {
	case in == nil:
		return ""
	case *in < -1:
		return f.T("measure_over", "n", -*in)
	case *in < 0:
		return f.T("measure_over1")
	case *in == 1:
		return f.T("measure_next")
	case *in == 0:
		return f.T("measure_now")
	}
	return f.T("measure_in", "n", *in)
}

// Trend are the last sizes of a loop, and where it was corrected.
type Trend struct {
	Points []Point `json:"points"` // oldest first
}

// Point is one measured part, or a correction that was proven.
type Point struct {
	Part    string        `json:"part,omitempty"`
	FromAim length.Length `json:"from_aim_nm"`
	Say     string        `json:"say"`
	Change  bool          `json:"change,omitempty"`
	Tool    bool          `json:"tool,omitempty"`
}

// The last ten sizes with the corrections between them stand in the newest
// events of a loop; more are not looked through.
const (
	trendSizes  = 10
	trendEvents = 120
)

func (s *server) trend(w http.ResponseWriter, r *http.Request) {
	q := HistoryQuery{Machine: r.PathValue("machine"), Loop: r.URL.Query().Get("loop"), Limit: trendEvents}
	if q.Loop == "" {
		refuse(w, http.StatusBadRequest, "loop", "no loop is named, add ?loop=NAME")
		return
	}
	entries, err := s.o.Plant.History(r.Context(), q)
	s.give(w, formatOf(r.Context()).trend(entries), err)
}

func (f Format) trend(newest []Entry) Trend {
	out := Trend{Points: []Point{}}
	sizes := 0
	for _, e := range newest {
		switch e.Kind {
		case core.Judged{}.Kind():
			var j core.Judged
			if json.Unmarshal(e.Event, &j) != nil || j.Admit != "" || j.Attribute != "" || j.Gather != "" {
				continue
			}
			out.Points = append(out.Points, Point{Part: cmp.Or(j.Reading.Part, strconv.FormatUint(j.Count, 10)), FromAim: j.Deviation, Say: f.signed(j.Deviation)})
			sizes++
		case core.Concluded{}.Kind():
			var c core.Concluded
			if json.Unmarshal(e.Event, &c) == nil && c.Result == core.Applied {
				out.Points = append(out.Points, Point{Change: true, Say: c.Register + " " + c.Read.Signed(length.MM, 4)})
			}
		}
		if sizes == trendSizes {
			break
		}
	}
	slices.Reverse(out.Points)
	return out
}
