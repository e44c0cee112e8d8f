package web

import (
	"net/url"
	"strconv"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// leastIndex is how many sizes an index is worked out from.
const leastIndex = 30

// CapabilityPlace is what one machine's sizes have been since the page began.
type CapabilityPlace struct {
	Machines []string // all of them, for the choice
	Machine  string
	Since    string
	Lines    []CapabilityLine
}

// CapabilityLine is one characteristic. Its figures are those of the sizes as they
// came, corrections and all; Few says that they are too few for an index.
type CapabilityLine struct {
	Name, Loop, Mode     string
	N                    int
	Mean, SD, From, To   string // from aim
	Low, High            string // limits, from aim
	Pp, Ppk, PpIs, PpkIs string // with their intervals
	Few                  bool
}

func (p *Page) placeCapability(d *Doc, q url.Values) error {
	st, err := p.board.plant.Status(d.ctx)
	if err != nil {
		return err
	}
	c := &CapabilityPlace{Machine: q.Get("machine"), Since: d.Time(p.board.sizes.since)}
	for _, m := range st.Machines {
		c.Machines = append(c.Machines, m.Machine)
	}
	if c.Machine == "" && len(c.Machines) > 0 {
		c.Machine = c.Machines[0]
	}
	d.Title, d.Data = d.T("capability"), c
	if c.Machine == "" {
		return nil
	}
	in, err := p.board.plant.Inside(d.ctx, c.Machine)
	if err != nil {
		return err
	}
	for i := range in.Close {
		for k := range in.Close[i].Learned {
			c.Lines = append(c.Lines, p.capabilityLine(d, c.Machine, &in.Close[i], &in.Close[i].Learned[k]))
		}
	}
	return nil
}

// capabilityLine works the indices of ISO 22514-2 out from the moments that are kept.
func (p *Page) capabilityLine(d *Doc, machine string, l *core.LoopInside, z *core.Learned) CapabilityLine {
	m := p.board.sizes.at(machine, z.Name)
	low, high := z.Limits.Low-z.Aim, z.Limits.High-z.Aim
	x := CapabilityLine{
		Name: z.Name, Loop: l.Name, Mode: d.T("mode_" + string(l.Mode)), N: m.N, Low: d.Signed(low), High: d.Signed(high), Few: m.N < leastIndex,
	}
	if m.N == 0 {
		return x
	}
	um := func(v float64) string {
		n, _ := length.FromMicrometres(v)
		return d.Signed(n)
	}
	x.Mean, x.From, x.To = um(m.Mean()), um(m.Least), um(m.Most)
	if m.N < 2 {
		return x
	}
	sd, _ := length.FromMicrometres(m.SD())
	x.SD = d.Length(sd)
	if x.Few || !(m.SD() > 0) {
		x.Few = true
		return x
	}
	limits := capability.Limits{Lower: low.Micrometres(), Upper: high.Micrometres()}
	x.Pp, x.PpIs = d.figure(capability.Ratio(limits, m.SD(), float64(m.N-1), capability.Confidence))
	x.Ppk, x.PpkIs = d.figure(capability.Nearest(limits, m.Mean(), m.SD(), m.N, float64(m.N-1), capability.Confidence))
	return x
}

// figure writes an index and its interval.
func (f Format) figure(x capability.Figure) (value, interval string) {
	two := func(v float64) string { return f.plain(strconv.FormatFloat(v, 'f', 2, 64)) }
	return two(x.Value), f.T("c_interval", "low", two(x.Low), "high", two(x.High))
}
