package web

import (
	"cmp"
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"offsetbridge/internal/core"
)

// HandoverView is what one shift tells the next: what waits for somebody, what must
// not be touched, what drifts, and what was changed since.
type HandoverView struct {
	Since   time.Time     `json:"since"`
	Until   time.Time     `json:"until"`
	Waits   []HandoverRow `json:"waits"`
	Hands   []HandoverRow `json:"hands_off"` // what must not be touched
	Drifts  []HandoverRow `json:"drifts"`    // the fastest first
	Changed []HistoryLine `json:"changed"`   // the newest first
	More    bool          `json:"more"`      // the record or the cell holds more than is listed
}

// HandoverRow is one thing to know.
type HandoverRow struct {
	Where string `json:"where"`
	Say   string `json:"say"`
}

// Bounds of a hand-over list. It is read aloud and printed: nobody takes over more.
const (
	handoverHours = 8
	handoverMost  = 72 // hours back
	handoverLines = 200
	handoverRows  = 60 // of each other kind
)

// What counts as drift, in shares of the tolerance: what drifts a tenth of it in
// fifty parts is compensated several times a shift, and a last size in the outer
// eighth is near a limit (common practice, no source).
const (
	driftAhead = 50
	driftShare = 10
	nearShare  = 8
)

// HandoverPlace is the list on a page of its own, which prints.
type HandoverPlace struct {
	HandoverView
	Hours  int
	Choice []int
	From   string
	To     string
}

func (p *Page) placeHandover(d *Doc, v url.Values) error {
	hours, err := hoursOf(v.Get("hours"))
	if err != nil {
		hours = handoverHours
	}
	view, err := p.handoverOf(d, hours, time.Now())
	if err != nil {
		return err
	}
	d.Data = &HandoverPlace{HandoverView: view, Hours: hours, Choice: []int{8, 12, 24}, From: d.Time(view.Since), To: d.Time(view.Until)}
	d.News = ""
	return nil
}

func (p *Page) handover(w http.ResponseWriter, r *http.Request) {
	hours, err := hoursOf(r.URL.Query().Get("hours"))
	if err != nil {
		refuse(w, http.StatusBadRequest, "limit", "hours "+strconv.Quote(r.URL.Query().Get("hours"))+" is not a number from 1 to "+strconv.Itoa(handoverMost))
		return
	}
	view, err := p.handoverOf(&Doc{ctx: r.Context(), Format: formatOf(r.Context())}, hours, time.Now())
	p.server.give(w, view, err)
}

func hoursOf(s string) (int, error) {
	if s == "" {
		return handoverHours, nil
	}
	n, err := strconv.Atoi(s)
	if err == nil && (n < 1 || n > handoverMost) {
		err = strconv.ErrRange
	}
	return n, err
}

func (p *Page) handoverOf(d *Doc, hours int, now time.Time) (HandoverView, error) {
	v := HandoverView{
		Since: now.Add(-time.Duration(hours) * time.Hour).UTC().Truncate(time.Second), Until: now.UTC().Truncate(time.Second),
		Waits: []HandoverRow{}, Hands: []HandoverRow{}, Drifts: []HandoverRow{}, Changed: []HistoryLine{},
	}
	st, err := p.board.plant.Status(d.ctx)
	if err != nil {
		return v, err
	}
	v.holds(d, st)
	for i := range st.Machines {
		v.waits(d, &st.Machines[i])
	}
	if st.Tray > 0 {
		v.Waits = append(v.Waits, HandoverRow{d.T("tray"), d.T("o_tray", "n", st.Tray)})
	}
	gauges, err := p.gauges(d)
	if err != nil {
		return v, err
	}
	for i := range gauges {
		switch l := p.gaugeLine(d, &gauges[i]); l.State {
		case "hold":
			v.Waits = append(v.Waits, HandoverRow{l.Gauge, withNote(l.Say, l.Due)})
		case "waits":
			v.Waits = append(v.Waits, HandoverRow{l.Gauge, Cap(l.Due)})
		}
	}
	if v.Drifts, err = p.drifts(d.ctx, d, st); err != nil {
		return v, err
	}
	kinds, keep := kindsOf(showChanges)
	kept, seen, next, err := lookBack(d.ctx, p.board.plant, HistoryQuery{Kinds: kinds, From: v.Since.UnixMilli()}, keep, handoverLines)
	if err != nil {
		return v, err
	}
	lines, err := p.lines(d, kept, seen)
	v.Changed, v.More = append(v.Changed, lines...), next != ""
	for _, rows := range []*[]HandoverRow{&v.Waits, &v.Hands, &v.Drifts} {
		if len(*rows) > handoverRows {
			*rows, v.More = (*rows)[:handoverRows], true
		}
	}
	return v, err
}

// holds lists what must not be touched: what somebody, or the program, has stopped
// with a cause, and what nobody knows the outcome of.
func (v *HandoverView) holds(d *Doc, st Status) {
	add := func(where string, h *core.Held) {
		if h == nil {
			return
		}
		if h.Loop != "" {
			where += " · " + h.Loop
		}
		say := withNote(d.Say(h.Cause), h.Text) + ". " + Cap(d.T("clears", "role", d.T(string(h.Clear)))) + "."
		v.Hands = append(v.Hands, HandoverRow{where, say})
	}
	add(d.T("everything"), st.HoldAll)
	for i := range st.Machines {
		m := &st.Machines[i]
		if m.Hold != nil && (st.HoldAll == nil || m.Hold.Cause != holdAll) {
			add(m.Machine, m.Hold)
		}
		for k := range m.Loops {
			if h := m.Loops[k].Hold; h != nil && (m.Hold == nil || *h != *m.Hold) {
				add(m.Machine, h)
			}
		}
		for k := range m.Registers {
			if m.Registers[k].Pending {
				v.Hands = append(v.Hands, HandoverRow{m.Machine, d.T("o_pending", "register", m.Registers[k].Name)})
			}
		}
	}
}

// waits lists what waits for somebody at one machine.
func (v *HandoverView) waits(d *Doc, m *core.View) {
	if !m.Up && !m.ByHand {
		v.Waits = append(v.Waits, HandoverRow{m.Machine, cmp.Or(d.Say(m.Link), d.T("not_connected"))})
	}
	if m.FirstPart {
		v.Waits = append(v.Waits, HandoverRow{m.Machine, d.Say(core.Code("w-first"))})
	}
	for i := range m.Proposals {
		p := &m.Proposals[i]
		say := cardSentence(d, p)
		if p.Status != core.Pending {
			say = withNote(say, d.code(p.Waiting))
		}
		v.Waits = append(v.Waits, HandoverRow{m.Machine + " · " + p.Loop, say})
	}
	for i := range m.Requests {
		v.Waits = append(v.Waits, HandoverRow{m.Machine, Cap(m.Requests[i].Say)})
	}
	for k := range m.Loops {
		l := &m.Loops[k]
		if l.First && l.Hold == nil {
			v.Waits = append(v.Waits, HandoverRow{m.Machine + " · " + l.Name, d.T("first_due")})
		}
	}
}

// cardSentence is what a proposal asks, with its registers.
func cardSentence(d *Doc, p *core.ProposalView) string {
	say := d.T("o_card", "name", p.Characteristic, "by", d.Signed(p.Size), "measured", d.Length(p.Measured), "aim", d.Length(p.Aim))
	for i, m := range p.Moves {
		if i < len(p.Control) {
			say += ", " + m.Register + " " + d.Register(m.Old, p.Control[i]) + " → " + d.Register(m.New, p.Control[i])
		}
	}
	return say
}

// drifts lists the sizes that run away, are near a limit, or whose tool has used
// most of its travel: the one with the fewest parts left first.
func (p *Page) drifts(ctx context.Context, d *Doc, st Status) ([]HandoverRow, error) {
	type urgent struct {
		HandoverRow
		left float64 // parts
	}
	var all []urgent
	for i := range st.Machines {
		in, err := p.board.plant.Inside(ctx, st.Machines[i].Machine)
		if err != nil {
			return nil, err
		}
		for k := range in.Close {
			l := &in.Close[k]
			for z := range l.Learned {
				if say, left := driftOfSize(d, l, &l.Learned[z]); say != "" {
					all = append(all, urgent{HandoverRow{in.Machine + " · " + l.Name, say}, left})
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b urgent) int { return cmp.Compare(a.left, b.left) })
	rows := []HandoverRow{}
	for _, x := range all {
		rows = append(rows, x.HandoverRow)
	}
	return rows, nil
}

// driftOfSize says how a size runs, and for how many parts it stays inside its limits
// if nothing is changed; empty where there is nothing to say.
func driftOfSize(d *Doc, l *core.LoopInside, z *core.Learned) (string, float64) {
	const never = 1e9
	t := z.Limits.High - z.Limits.Low
	if t <= 0 || l.Readings == 0 {
		return "", never
	}
	off := l.FromAim
	for _, s := range l.Sizes {
		if s.Characteristic == z.Name {
			off = s.FromAim
		}
	}
	size, left, say := z.Aim+off, never, ""
	if z.Ready && z.PerPart.Abs()*driftAhead*driftShare >= t {
		room := z.Limits.High - size
		if z.PerPart < 0 {
			room = size - z.Limits.Low
		}
		left = max(0, float64(room)/float64(z.PerPart.Abs()))
		say = d.T("o_drift", "name", z.Name, "per", d.Signed(z.PerPart), "n", int(left))
	}
	if room := min(z.Limits.High-size, size-z.Limits.Low); room*nearShare < t {
		left = min(left, 0)
		say = withNote(d.T("o_near", "name", z.Name, "off", d.Signed(off), "room", d.Signed(room)), say)
	}
	if l.Travel > 0 && l.Spent*10 >= l.Travel*7 {
		budget := d.T("o_travel", "spent", d.Length(l.Spent), "travel", d.Length(l.Travel))
		left = min(left, never/2)
		say = withNote(cmp.Or(say, z.Name), budget)
	}
	return say, left
}
