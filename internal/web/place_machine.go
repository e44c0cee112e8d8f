package web

import (
	"net/url"

	"offsetbridge/internal/core"
)

// MachinePlace is one machine with its loops and its tools.
type MachinePlace struct {
	Line
	Hold  *NeedLine
	Loops []MachineLoop
	Tools []core.ToolView
}

// MachineLoop is one loop of a machine.
type MachineLoop struct {
	LoopLine
	Ended *NeedLine // where its hold is ended
	To    []BackTo  // what putting back would write
	Open  bool      // a decision waits
}

func (p *Page) placeMachine(d *Doc, q url.Values) error {
	in, err := p.board.plant.Inside(d.ctx, q.Get("machine"))
	if err != nil {
		return err
	}
	m := &MachinePlace{Line: d.line(in.View), Tools: in.Tools}
	if in.View.Hold != nil {
		m.Hold = holdLine(d, in.Machine, in.View.Hold)
	}
	for i := range in.Close {
		l := &in.Close[i]
		x := MachineLoop{LoopLine: d.loopLine(in.Machine, l.LoopView), To: backTo(d, l), Open: l.Open != nil && l.Open.Status == core.Pending}
		if l.LoopView.Hold != nil {
			x.Ended = holdLine(d, in.Machine, l.LoopView.Hold)
		}
		m.Loops = append(m.Loops, x)
	}
	d.Title, d.News, d.Data = in.Machine, in.Machine, m
	return nil
}

// backTo says what putting back would write.
func backTo(d *Doc, l *core.LoopInside) []BackTo {
	at := controlOf(l)
	var out []BackTo
	for _, b := range l.Back {
		out = append(out, BackTo{b.Register, d.Register(b.Old, at[b.Register]), d.Register(b.New, at[b.Register])})
	}
	return out
}

// controlOf says how the control shows each register of a loop.
func controlOf(l *core.LoopInside) map[string]core.Shown {
	out := map[string]core.Shown{}
	for _, r := range l.Turns {
		out[r.Name] = core.Shown{Unit: r.Unit, Step: r.Step}
	}
	return out
}
