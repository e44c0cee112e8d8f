package web

import (
	"cmp"
	"strconv"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// HistoryLine is one event as a person reads it: who, when, what, why.
type HistoryLine struct {
	At      string `json:"at"`
	Machine string `json:"machine,omitempty"`
	Loop    string `json:"loop,omitempty"`
	Who     string `json:"who"`
	What    string `json:"what"`
	Why     string `json:"why,omitempty"`
}

// tales says events in sentences. What an event only refers to, it has learned from
// those around it; where it has not, the sentence says less.
type tales struct {
	f       Format
	name    func(string) string
	shown   map[string]core.Shown // registers as their control shows them
	props   map[string]core.Proposal
	yes     map[string]string // who approved
	intents map[string]core.Intent
}

func (p *Page) tales(d *Doc) *tales {
	t := &tales{
		f: d.Format, name: p.name, shown: map[string]core.Shown{}, props: map[string]core.Proposal{}, yes: map[string]string{}, intents: map[string]core.Intent{},
	}
	if st, err := p.board.plant.Status(d.ctx); err == nil {
		for i := range st.Machines {
			m := &st.Machines[i]
			for k := range m.Registers {
				t.shown[m.Machine+"/"+m.Registers[k].Name] = m.Registers[k].Shown()
			}
		}
	}
	return t
}

func machineName(stream string) string {
	name, ok := strings.CutPrefix(stream, "machine/")
	if !ok {
		return ""
	}
	return name
}

func (t *tales) key(e *told, id uint64) string { return e.Stream + "/" + strconv.FormatUint(id, 10) }

// learn takes what other events refer to.
func (t *tales) learn(seen []told) {
	for i := range seen {
		e := &seen[i]
		switch x := e.event.(type) {
		case core.Proposed:
			t.props[t.key(e, x.ID)] = x.Proposal
		case core.Intended:
			t.intents[t.key(e, x.Intent.ID)] = x.Intent
		case core.Approved:
			key, who := t.key(e, x.Proposal), t.name(x.Who.Principal)
			if was := t.yes[key]; was != "" && was != who {
				who = was + ", " + who
			}
			t.yes[key] = who
		}
	}
}

// knows reports whether what an event refers to has been learned.
func (t *tales) knows(e *told) bool {
	ref := uint64(0)
	switch x := e.event.(type) {
	case core.Approved:
		ref = x.Proposal
	case core.Voided:
		ref = x.Proposal
	case core.Concluded:
		in, ok := t.intents[t.key(e, x.Outcome.Intent)]
		if ref = in.Proposal; !ok {
			return false
		}
	default:
		return true
	}
	_, ok := t.props[t.key(e, ref)]
	return ok
}

// line says one event.
func (t *tales) line(e *told) HistoryLine {
	l := HistoryLine{At: t.f.Time(e.At), Machine: machineName(e.Stream), Loop: e.event.Keys().Loop}
	l.Who = t.name(e.event.Keys().Person)
	switch {
	case t.decided(e, &l), t.changed(e, &l), t.measured(e, &l):
	default:
		t.ran(e, &l)
	}
	l.Who = cmp.Or(l.Who, t.f.T("h_program"))
	l.What, l.Why = Cap(strings.TrimSuffix(strings.TrimSpace(l.What), ":")), Cap(l.Why)
	return l
}

// decided says what people decided.
func (t *tales) decided(e *told, l *HistoryLine) bool {
	f := &t.f
	switch x := e.event.(type) {
	case core.Proposed:
		l.What, l.Why = f.T("h_proposed", "moves", t.moves(l.Machine, x.Moves)), f.code(x.Reason)
		l.Who = cmp.Or(l.Who, f.T("by_itself"))
	case core.Voided:
		l.What, l.Why = f.T("h_ended", "moves", t.movesOf(e, x.Proposal)), f.code(x.Cause)
		if x.Who != nil && x.Reason != "" {
			l.What, l.Why = f.T("h_rejected", "moves", t.movesOf(e, x.Proposal)), x.Reason
		}
	case core.Approved:
		key := "h_approved"
		if x.Another {
			key = "h_agreed"
		}
		l.What, l.Why = f.T(key, "moves", t.movesOf(e, x.Proposal)), t.because(e, x.Proposal)
	case core.Declined:
		l.What, l.Why = f.T("h_declined", "what", x.What), f.code(x.Cause)
	case core.Marked:
		key := "h_again"
		if !x.On {
			key = "h_again_off"
		}
		l.What = f.T(key, "part", x.Part)
	case core.Held:
		l.What, l.Why = f.T("h_held"), withNote(f.code(x.Cause), x.Text)
	case core.Resumed:
		l.What, l.Why = f.T("h_resumed"), withNote(f.code(x.Cause), x.Note)
	case core.FirstOff:
		l.What, l.Why = f.T("h_signed", "part", x.Part), x.Note
	case core.Assigned:
		l.What, l.Why = f.T("h_assigned", "part", x.Part), x.Reason
	case core.Discarded:
		l.What, l.Why = f.T("h_discarded"), x.Reason
	default:
		return false
	}
	return true
}

// changed says what became another one: registers, tools, settings.
func (t *tales) changed(e *told, l *HistoryLine) bool {
	f := &t.f
	switch x := e.event.(type) {
	case core.Moved:
		l.Who, l.What = f.T("at_panel"), t.move(l.Machine, x.Register, x.Old, x.New)
	case core.Typed:
		l.What, l.Why = t.move(l.Machine, x.Register, x.Old, x.New), f.T("h_typed")
		if !x.Known {
			l.What = f.T("h_holds", "register", x.Register, "value", t.register(l.Machine, x.Register, x.New))
		}
	case core.FirstCut:
		l.What = f.T("h_first", "part", cmp.Or(x.Part, f.T("h_next")))
	case core.Intended:
		l.What = f.T("h_sent", "move", t.move(l.Machine, x.Register, x.Old, x.New))
	case core.Concluded:
		t.concluded(e, l, &x)
	case core.ToolChanged:
		if l.What = f.T("h_insert", "tool", x.Tool); x.Who == nil {
			l.Who, l.What = f.T("h_control"), f.T("tool_new", "tool", x.Tool)
		}
	case core.Configured:
		l.What = f.T("h_config")
	case core.Loaded:
		l.What = f.T("h_loaded", "n", len(x.Machines))
	case core.Set:
		l.What = f.T("h_set", "gauge", x.Gauge, "ring", x.Standard, "found", f.Signed(x.AsFound))
	case core.RingChecked:
		l.What = f.T("h_checked", "gauge", x.Gauge, "ring", x.Standard, "found", f.Signed(x.AsFound))
	case core.Checked:
		l.What, l.Why = f.T("h_checked", "gauge", x.Check.Gauge, "ring", x.Check.Standard, "found", f.Signed(x.Check.AsFound)), f.code(x.Verdict)
	default:
		return false
	}
	return true
}

// concluded says what became of a write.
func (t *tales) concluded(e *told, l *HistoryLine, x *core.Concluded) {
	in, known := t.intents[t.key(e, x.Outcome.Intent)]
	l.Who = t.f.T("by_itself")
	if known {
		l.Why = t.because(e, in.Proposal)
		l.Who = cmp.Or(t.yes[t.key(e, in.Proposal)], l.Who)
		if p, ok := t.props[t.key(e, in.Proposal)]; t.yes[t.key(e, in.Proposal)] == "" && (!ok || p.Need != "") {
			l.Who = t.f.T("h_somebody") // whose yes lies further back than was looked
		}
	}
	switch {
	case x.Result != core.Applied:
		l.What, l.Why = t.f.T("h_failed", "register", x.Register), t.f.code(x.Code)
	case known:
		l.What = t.move(l.Machine, x.Register, in.Old, in.New)
	default:
		l.Who, l.What = t.f.T("h_somebody"), t.f.T("h_holds", "register", x.Register, "value", t.register(l.Machine, x.Register, x.Read))
	}
}

// measured says what gauges showed.
func (t *tales) measured(e *told, l *HistoryLine) bool {
	f := &t.f
	switch x := e.event.(type) {
	case core.Judged:
		if l.Who = x.Reading.Gauge; x.Reading.Manual != nil {
			l.Who = t.name(x.Reading.Manual.Principal)
		}
		l.What = f.T("h_read", "part", partOf(&x), "name", x.Reading.Characteristic, "value", f.Length(x.Reading.Value))
		for _, c := range []core.Code{x.Admit, x.Attribute, x.Gather, x.Estimate} {
			if l.Why == "" && c != "" && c != "step" {
				l.Why = f.code(c)
			}
		}
		if l.Why == "" {
			l.Why = f.T("h_from_aim", "off", f.Signed(x.Deviation))
		}
		if x.Reading.Reason != "" {
			l.Why = withNote(l.Why, x.Reading.Reason)
		}
	case core.Waits:
		l.Who, l.What = x.Reading.Gauge, f.T("h_waits", "part", x.Reading.Part)
	case core.Unplaced:
		l.Who, l.What, l.Why = x.Reading.Gauge, f.T("h_unplaced", "value", f.Length(x.Reading.Value)), f.code(x.Code)
	case core.Plugged:
		key := "plug_refused"
		if x.Enters {
			key = "plug_enters"
		}
		l.What, l.Why = f.T("h_plug", "plug", x.Plug, "how", f.T(key), "part", x.Part), x.Reason
	case core.RingRead:
		l.What = f.T("h_checked", "gauge", x.Reading.Gauge, "ring", x.Ring, "found", f.Signed(x.AsFound))
	case core.Asked:
		l.What = f.T("h_asked", "gauge", x.Gauge, "part", x.Part)
	case core.AskEnded:
		l.What, l.Why = f.T("h_ask_ended", "part", x.Part), f.code(x.Cause)
	default:
		return false
	}
	return true
}

// ran says what else is on record.
func (t *tales) ran(e *told, l *HistoryLine) {
	f := &t.f
	switch x := e.event.(type) {
	case core.Begun:
		l.What = f.T("h_begun", "version", x.Version)
	case core.Linked:
		if l.What = f.T("h_up"); !x.Up {
			l.What, l.Why = f.T("h_down"), f.code(x.Cause)
		}
	case core.Broker:
		if l.What = f.T("h_broker_up"); !x.Up {
			l.What, l.Why = f.T("broker"), f.code(x.Code)
		}
	case core.Recorded:
		l.Who, l.What, l.Why = f.T("h_control"), f.T("h_cut", "part", cmp.Or(x.Serial, strconv.FormatUint(x.Count, 10))), f.code(x.Doubt)
	case core.Tasked:
		switch {
		case x.Ring != "":
			l.What = f.T("h_task", "gauge", x.Gauge, "what", x.Ring)
		case x.Part != "":
			l.What = f.T("h_task", "gauge", x.Gauge, "what", f.T("part", "n", x.Part))
		default:
			l.What = f.T("h_task_off", "gauge", x.Gauge)
		}
	case core.Paired:
		l.What = f.T("h_paired", "serial", x.Serial)
	case core.Rejected:
		l.Who, l.What, l.Why = x.Gauge, f.T("h_message"), cmp.Or(f.code(x.Code), x.Why)
	default:
		l.What = e.Kind // a version that knows it says more
	}
}

// because says what a correction rests on.
func (t *tales) because(e *told, id uint64) string {
	p, ok := t.props[t.key(e, id)]
	switch {
	case !ok:
		return ""
	case p.Trigger != "":
		return t.f.code(p.Trigger)
	}
	return t.f.T("h_because", "part", p.Part, "measured", t.f.Length(p.Measured), "aim", t.f.Length(p.Aim))
}

func (t *tales) movesOf(e *told, id uint64) string {
	return t.moves(machineName(e.Stream), t.props[t.key(e, id)].Moves)
}

func (t *tales) moves(machine string, moves []core.Move) string {
	var all []string
	for _, m := range moves {
		all = append(all, t.move(machine, m.Register, m.Old, m.New))
	}
	return strings.Join(all, ", ")
}

func (t *tales) move(machine, register string, old, new length.Length) string {
	return register + " " + t.register(machine, register, old) + " → " + t.register(machine, register, new)
}

func (t *tales) register(machine, register string, v length.Length) string {
	at, ok := t.shown[machine+"/"+register]
	if !ok { // the register is not configured any more
		return t.f.Signed(v)
	}
	return t.f.Register(v, at)
}

func withNote(s, note string) string {
	if s == "" || note == "" {
		return s + note
	}
	return s + ": " + note
}
