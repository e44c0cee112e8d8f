package web

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"offsetbridge/internal/core"
)

// machinesOnPage bounds the lines of one document: with them it stays small
// however many machines there are.
const machinesOnPage = 60

// MachinesPlace is the list of machines: who needs somebody comes first.
type MachinesPlace struct {
	Needs []NeedLine
	More  int // holds that are not listed
	Lines []Line
	Query string
	All   int
	Prev  string // address of the lines before, "" for none
	Next  string
}

// NeedLine is a hold with where it is ended.
type NeedLine struct {
	Need
	What string
	Link string
}

func (p *Page) placeMachines(d *Doc, q url.Values) error {
	st, err := p.board.plant.Status(d.ctx)
	if err != nil {
		return err
	}
	m := &MachinesPlace{Query: strings.TrimSpace(q.Get("q"))}
	m.needs(d, st)
	var all []Line
	for _, v := range st.Machines {
		if m.Query == "" || strings.Contains(strings.ToLower(v.Machine), strings.ToLower(m.Query)) {
			all = append(all, d.line(v))
		}
	}
	slices.SortStableFunc(all, func(a, b Line) int {
		return cmp.Compare(slices.Index(order, a.State), slices.Index(order, b.State))
	})
	m.All = len(all)
	from, _ := strconv.Atoi(q.Get("from")) //nolint:errcheck // 0 then
	from = max(0, min(from, len(all)))
	to := min(len(all), from+machinesOnPage)
	m.Lines = all[from:to]
	at := func(n int) string {
		return "/machines?" + url.Values{"q": {m.Query}, "from": {strconv.Itoa(n)}}.Encode()
	}
	if from > 0 {
		m.Prev = at(max(0, from-machinesOnPage))
	}
	if to < len(all) {
		m.Next = at(to)
	}
	d.Data = m
	return nil
}

func (m *MachinesPlace) needs(d *Doc, st Status) {
	add := func(machine string, h *core.Held) {
		if h == nil || machine != "" && st.HoldAll != nil && h.Cause == holdAll {
			return // said once for all
		}
		if len(m.Needs) == maxNeeds/4 {
			m.More++
			return
		}
		n := NeedLine{Need: d.need(machine, *h), What: d.T("everything")}
		if machine != "" {
			n.What = machine
		}
		if h.Loop != "" {
			n.What += " · " + h.Loop
		}
		n.Link = "/hold?" + url.Values{"machine": {machine}, "loop": {h.Loop}, "resume": {string(h.Cause)}, "to": {d.Here}}.Encode()
		m.Needs = append(m.Needs, n)
	}
	add("", st.HoldAll)
	for i := range st.Machines {
		v := &st.Machines[i]
		add(v.Machine, v.Hold)
		for k := range v.Loops {
			add(v.Machine, v.Loops[k].Hold)
		}
	}
}

// name returns who somebody is, for the others to see.
func (p *Page) name(id string) string {
	for _, x := range p.house.People() {
		if x.ID == id {
			return cmp.Or(x.Name, id)
		}
	}
	return id
}
