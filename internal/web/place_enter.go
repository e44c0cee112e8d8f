package web

import (
	"cmp"
	"net/url"
	"slices"

	"offsetbridge/internal/core"
)

// EnterPlace takes a measured value by hand.
type EnterPlace struct {
	To      string
	Machine string
	Sizes   []EnterSize
	Chosen  string
	Gauges  []string
}

// EnterSize is one size that may be entered.
type EnterSize struct{ Name, Low, High string }

func (p *Page) placeEnter(d *Doc, q url.Values) error {
	in, err := p.board.plant.Inside(d.ctx, q.Get("machine"))
	if err != nil {
		return err
	}
	m := &EnterPlace{Machine: in.Machine, Chosen: q.Get("characteristic"), To: ours(cmp.Or(q.Get("to"), "/machine?machine="+url.QueryEscape(in.Machine))).RequestURI()}
	for i := range in.Close {
		for _, z := range in.Close[i].Learned {
			m.Sizes = append(m.Sizes, EnterSize{z.Name, d.Length(z.Limits.Low), d.Length(z.Limits.High)})
			for _, u := range z.Gauges {
				if !slices.Contains(m.Gauges, u.Gauge) {
					m.Gauges = append(m.Gauges, u.Gauge)
				}
			}
		}
	}
	d.Data, d.News, d.Back = m, "", m.To
	return nil
}

// AssignPlace sorts one reading of the tray.
type AssignPlace struct {
	TrayLine
	Machines []string // to choose from, the reading's own alone where it is known
	Sizes    []string
}

func (p *Page) placeAssign(d *Doc, q url.Values) error {
	if p.server.o.Trust == nil {
		return errNoPlace
	}
	tray, err := p.server.o.Trust.Tray(d.ctx)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(tray, func(x TrayItem) bool { return x.ID == q.Get("id") })
	if i < 0 {
		return ErrNoItem
	}
	m := &AssignPlace{TrayLine: TrayLine{tray[i], d.Length(tray[i].ValueNM)}}
	all, err := p.gauges(d)
	if err != nil {
		return err
	}
	for _, g := range all {
		if g.Gauge != tray[i].Gauge {
			continue
		}
		for _, v := range g.Machines {
			if tray[i].Machine == "" || tray[i].Machine == v.Machine {
				m.Machines = append(m.Machines, v.Machine)
			}
		}
	}
	for _, name := range m.Machines[:min(len(m.Machines), 8)] {
		in, err := p.board.plant.Inside(d.ctx, name)
		if err != nil {
			continue
		}
		for k := range in.Close {
			for _, z := range in.Close[k].Learned {
				serves := slices.ContainsFunc(z.Gauges, func(u core.GaugeUse) bool { return u.Gauge == tray[i].Gauge })
				if serves && !slices.Contains(m.Sizes, z.Name) {
					m.Sizes = append(m.Sizes, z.Name)
				}
			}
		}
	}
	d.Data, d.News, d.Back = m, "", "/gauges"
	return nil
}
