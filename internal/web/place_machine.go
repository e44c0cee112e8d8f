package web

import (
	"net/url"
	"slices"

	"offsetbridge/internal/core"
)

// MachinePlace is one machine with its loops.
type MachinePlace struct {
	Line
	Hold  *NeedLine
	Loops []LoopLine
}

func (p *Page) placeMachine(d *Doc, q url.Values) error {
	st, err := p.board.plant.Status(d.ctx)
	if err != nil {
		return err
	}
	name := q.Get("machine")
	i := slices.IndexFunc(st.Machines, func(v core.View) bool { return v.Machine == name })
	if i < 0 {
		return ErrNoMachine
	}
	v := &st.Machines[i]
	m := &MachinePlace{Line: LineOf(*v)}
	for _, l := range v.Loops {
		m.Loops = append(m.Loops, loopLine(v.Machine, l))
	}
	d.Title, d.News, d.Data = name, name, m
	return nil
}
