package web

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"offsetbridge/internal/core"
)

// Bounds of one look back through the record.
const (
	historyRaw  = 200   // records of one question to the journal
	historyScan = 2_000 // records that one look back passes by, whatever they are
	historyDays = 30    // a look back without dates goes no further
)

// told is one event of the record, read.
type told struct {
	Entry
	event core.Event
}

// place is where a record stands, to page on from it.
func (e *Entry) place() string { return e.Stream + ":" + strconv.FormatUint(e.Seq, 10) }

// lookBack goes through the record from the newest that q wants, until so many are
// kept or as many have passed by as one look may cost. seen is all that passed by;
// next is where to go on, empty at the end.
func lookBack(ctx context.Context, p Plant, q HistoryQuery, keep func(core.Event) bool, most int) (kept, seen []told, next string, err error) {
	q.Limit = historyRaw
	last := ""
	for passed := 0; passed < historyScan; {
		entries, err := p.History(ctx, q)
		if err != nil || len(entries) == 0 { // a page may be short, the end is the empty one
			return kept, seen, next, err
		}
		passed += len(entries)
		for _, e := range entries {
			q.BeforeStream, q.Before, last = e.Stream, e.Seq, e.place()
			x, err := core.Decode(e.Kind, e.Event)
			if err != nil {
				continue // verifying the journal tells
			}
			t := told{e, x}
			seen = append(seen, t)
			if len(kept) < most && keep(x) {
				if kept = append(kept, t); len(kept) == most {
					next = e.place()
				}
			}
		}
		if len(kept) == most {
			return kept, seen, next, nil
		}
	}
	return kept, seen, last, nil
}

// wanted reads what is asked of the record from an address. Days are those of the
// computer's time zone, the last one included.
func wanted(v url.Values) (q HistoryQuery, err error) {
	q = HistoryQuery{Machine: v.Get("machine"), Loop: v.Get("loop"), Part: v.Get("part"), Gauge: v.Get("gauge"), Person: v.Get("person")}
	if q.From, err = moment(v.Get("from"), 0); err != nil {
		return q, err
	}
	if q.To, err = moment(v.Get("to"), 1); err != nil {
		return q, err
	}
	if t := v.Get("before"); t != "" {
		i := strings.LastIndexByte(t, ':')
		n, err := strconv.ParseUint(t[i+1:], 10, 64)
		if i < 1 || err != nil || n == 0 {
			return q, fmt.Errorf("before %q is no place in the record, use what an answer before gave as next", t)
		}
		q.BeforeStream, q.Before = t[:i], n
	}
	if t := v.Get("kinds"); t != "" {
		q.Kinds = strings.Split(t, ",")
	}
	return q, nil
}

// moment reads a time, or a day and so many days after its beginning, as UTC
// milliseconds; 0 for nothing.
func moment(s string, days int) (int64, error) {
	if s == "" {
		return 0, nil
	}
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.UnixMilli(), nil
	}
	t, err := time.ParseInLocation(time.DateOnly, s, time.Local)
	if err != nil {
		return 0, fmt.Errorf("time %q is none, write it as in 2026-03-02 or 2026-03-02T06:12:44Z", s)
	}
	return t.AddDate(0, 0, days).UnixMilli(), nil
}

// onRing says of an event whether it tells of a gauge on that ring.
func onRing(e core.Event, ring string) bool {
	switch e := e.(type) {
	case core.Set:
		return e.Standard == ring
	case core.RingChecked:
		return e.Standard == ring
	case core.RingRead:
		return e.Ring == ring
	case core.Tasked:
		return e.Ring == ring
	}
	return false
}

var ringKinds = []string{core.Set{}.Kind(), core.RingChecked{}.Kind(), core.RingRead{}.Kind(), core.Tasked{}.Kind()}

// history gives records as they stand in the journal.
func (s *server) history(w http.ResponseWriter, r *http.Request) {
	v := r.URL.Query()
	q, err := wanted(v)
	if err != nil {
		refuse(w, http.StatusBadRequest, "moment", err.Error())
		return
	}
	limit := 100
	if t := v.Get("limit"); t != "" {
		if limit, err = strconv.Atoi(t); err != nil || limit < 1 || limit > 1000 {
			refuse(w, http.StatusBadRequest, "limit", "limit "+strconv.Quote(t)+" is not a number from 1 to 1000")
			return
		}
	}
	out := HistoryView{Events: []Entry{}}
	if ring := v.Get("ring"); ring != "" {
		if len(q.Kinds) == 0 {
			q.Kinds = ringKinds
		}
		var kept []told
		kept, _, out.Next, err = lookBack(r.Context(), s.o.Plant, q, func(e core.Event) bool { return onRing(e, ring) }, limit)
		for _, t := range kept {
			out.Events = append(out.Events, t.Entry)
		}
		s.give(w, out, err)
		return
	}
	q.Limit = limit
	entries, err := s.o.Plant.History(r.Context(), q)
	if out.Events = append(out.Events, entries...); len(entries) == limit {
		out.Next = entries[limit-1].place()
	}
	s.give(w, out, err)
}

// What a look back shows.
const (
	showChanges  = "changes"  // what was decided, changed and held
	showReadings = "readings" // what was measured
	showAll      = "all"
)

// kindsOf returns the records to look at for a choice, and which are shown: some are
// only there to say more of others.
func kindsOf(show string) ([]string, func(core.Event) bool) {
	kinds := func(all ...core.Event) (out []string) {
		for _, e := range all {
			out = append(out, e.Kind())
		}
		return out
	}
	switch show {
	case showReadings:
		return kinds(core.Judged{}, core.Waits{}, core.Unplaced{}, core.Assigned{}, core.Discarded{}, core.Plugged{}, core.FirstOff{}, core.Set{}, core.RingChecked{}), always
	case showAll:
		return nil, func(e core.Event) bool {
			_, seen := e.(core.Seen)
			return !seen
		}
	}
	return kinds(core.Configured{}, core.Loaded{}, core.Moved{}, core.ToolChanged{}, core.Voided{}, core.Approved{}, core.Marked{}, core.Concluded{}, core.Held{},
		core.Resumed{}, core.FirstOff{}, core.Typed{}, core.FirstCut{}, core.Set{}, core.RingChecked{}, core.Plugged{}, core.Assigned{}, core.Discarded{},
		core.Proposed{}, core.Intended{}), isChange
}

func always(core.Event) bool { return true }

// isChange reports whether an event is one that the next shift has to know of.
func isChange(e core.Event) bool {
	switch e := e.(type) {
	case core.Proposed, core.Intended:
		return false
	case core.Voided:
		return e.Who != nil
	}
	return true
}

// Shows are the choices of what a look back shows.
func (d *Doc) Shows() []string { return []string{showChanges, showReadings, showAll} }

// HistoryPlace is the record, as somebody reads it who was not there.
type HistoryPlace struct {
	Show, Machine, Loop, Part, Gauge, Ring, Person string
	From, To                                       string
	People                                         []PersonView
	Lines                                          []HistoryLine
	Next                                           string // address of older ones, "" for none
	Newest                                         string // address without paging, "" on the first page
	LookBack                                       string // address of what rested on the gauge
}

// historyLines is how many lines one document shows.
const historyLines = 50

func (p *Page) placeHistory(d *Doc, v url.Values) error {
	m := &HistoryPlace{
		Machine: strings.TrimSpace(v.Get("machine")), Loop: strings.TrimSpace(v.Get("loop")), Part: strings.TrimSpace(v.Get("part")),
		Gauge: strings.TrimSpace(v.Get("gauge")), Ring: strings.TrimSpace(v.Get("ring")), Person: v.Get("person"),
		Show: cmp.Or(v.Get("show"), showChanges), From: v.Get("from"), To: v.Get("to"),
	}
	if m.From == "" && m.To == "" {
		m.From = time.Now().AddDate(0, 0, -historyDays).Format(time.DateOnly)
	}
	for _, x := range p.house.People() {
		m.People = append(m.People, view(x))
	}
	d.Data, d.News = m, ""
	asked := url.Values{"from": {m.From}, "to": {m.To}, "before": v["before"]}
	for key, value := range map[string]string{"machine": m.Machine, "loop": m.Loop, "part": m.Part, "gauge": m.Gauge, "person": m.Person} {
		asked.Set(key, value)
	}
	q, err := wanted(asked)
	if err != nil {
		d.Refused = Cap(err.Error()) + "."
		return nil
	}
	kinds, keep := kindsOf(m.Show)
	if m.Part != "" && m.Show == showChanges {
		kinds, keep = kindsOf(showAll) // of one part all of it is asked for
	}
	if m.Ring != "" {
		kinds, keep = ringKinds, func(e core.Event) bool { return onRing(e, m.Ring) }
	}
	q.Kinds = kinds
	kept, seen, next, err := lookBack(d.ctx, p.board.plant, q, keep, historyLines)
	if err != nil {
		return err
	}
	m.Lines, err = p.lines(d, kept, seen)
	m.addresses(v, next)
	return err
}

func (m *HistoryPlace) addresses(v url.Values, next string) {
	at := func(path, before string) string {
		q := url.Values{}
		for key := range v {
			if x := strings.TrimSpace(v.Get(key)); x != "" && key != "before" {
				q.Set(key, x)
			}
		}
		if before != "" {
			q.Set("before", before)
		}
		return path + "?" + q.Encode()
	}
	if next != "" {
		m.Next = at("/history", next)
	}
	if v.Get("before") != "" {
		m.Newest = at("/history", "")
	}
	if m.Gauge != "" {
		m.LookBack = "/lookback?" + url.Values{"gauge": {m.Gauge}, "from": {m.From}, "to": {m.To}}.Encode()
	}
}

// historyBack is how far back in its loop an event finds what it refers to: what was
// proposed is decided soon after.
const historyBack = 30

// lines says what is to be told of events, the newest first.
func (p *Page) lines(d *Doc, kept, seen []told) ([]HistoryLine, error) {
	t := p.tales(d)
	t.learn(seen)
	out := make([]HistoryLine, 0, len(kept))
	for i := range kept {
		e := &kept[i]
		if !t.knows(e) {
			entries, err := p.board.plant.History(d.ctx, HistoryQuery{
				Machine: machineName(e.Stream), Loop: e.event.Keys().Loop, BeforeStream: e.Stream, Before: e.Seq, Limit: historyBack,
				Kinds: []string{core.Proposed{}.Kind(), core.Intended{}.Kind(), core.Approved{}.Kind()},
			})
			if err != nil {
				return nil, err
			}
			t.learn(decoded(entries))
		}
		out = append(out, t.line(e))
	}
	return out, nil
}

// decoded reads events; what cannot be read is left out, verifying the journal tells.
func decoded(entries []Entry) (all []told) {
	for _, e := range entries {
		if x, err := core.Decode(e.Kind, e.Event); err == nil {
			all = append(all, told{e, x})
		}
	}
	return all
}

// LookbackPlace is what rested on a gauge in a time.
type LookbackPlace struct {
	Gauge, From, To string
	Readings, Parts int
	Changes         int
	Used            []LookbackRow
	Moves           []HistoryLine
	More            bool   // the record holds more than was looked at
	Next            string // address of what was measured before that
}

// LookbackRow is a part whose size came from the gauge.
type LookbackRow struct{ At, Machine, Size, Part, Read, FromAim string }

// lookbackLines is how many lines of each kind a look-back lists; all are counted.
const lookbackLines = 200

// placeLookback answers what rested on a gauge: the parts that it measured, and the
// corrections whose newest reading was its.
func (p *Page) placeLookback(d *Doc, v url.Values) error {
	m := &LookbackPlace{Gauge: v.Get("gauge"), From: v.Get("from"), To: v.Get("to")}
	if m.Gauge == "" {
		return errNoPlace
	}
	d.Data, d.News, d.Title = m, "", d.T("lookback_of", "gauge", m.Gauge)
	q, err := wanted(v)
	if err != nil {
		d.Refused = Cap(err.Error()) + "."
		return nil
	}
	q.Kinds = []string{core.Judged{}.Kind(), core.Proposed{}.Kind()}
	kept, _, next, err := lookBack(d.ctx, p.board.plant, q, always, historyScan)
	if err != nil {
		return err
	}
	parts := map[string]bool{}
	var asked []told
	for _, t := range kept {
		switch x := t.event.(type) {
		case core.Judged:
			m.used(d, &t, &x, parts)
		case core.Proposed:
			asked = append(asked, t)
		}
	}
	m.Parts = len(parts)
	if m.More = next != ""; m.More {
		m.Next = "/lookback?" + url.Values{"gauge": {m.Gauge}, "from": {m.From}, "to": {m.To}, "before": {next}}.Encode()
	}
	return p.rested(d, m, q, asked)
}

func (m *LookbackPlace) used(d *Doc, t *told, x *core.Judged, parts map[string]bool) {
	if x.Admit != "" || x.Attribute != "" || x.Gather != "" {
		return // it rested on nothing
	}
	m.Readings++
	machine := machineName(t.Stream)
	part := partOf(x)
	parts[machine+"\x00"+part] = true
	if len(m.Used) < lookbackLines {
		m.Used = append(m.Used, LookbackRow{d.Time(t.At), machine, x.Reading.Characteristic, part, d.Length(x.Reading.Value), d.Signed(x.Deviation)})
	}
}

// rested finds what became of the corrections that were asked for by the gauge.
func (p *Page) rested(d *Doc, m *LookbackPlace, q HistoryQuery, asked []told) error {
	loops := map[[2]string]map[uint64]bool{} // proposals by machine and loop
	for _, t := range asked {
		x := t.event.(core.Proposed)
		at := [2]string{machineName(t.Stream), x.Loop}
		if loops[at] == nil {
			loops[at] = map[uint64]bool{}
		}
		loops[at][x.ID] = true
	}
	t := p.tales(d)
	t.learn(asked)
	var outcomes []told
	for at, ids := range loops {
		own := HistoryQuery{Machine: at[0], Loop: at[1], From: q.From, Kinds: []string{core.Intended{}.Kind(), core.Concluded{}.Kind(), core.Approved{}.Kind()}}
		_, seen, _, err := lookBack(d.ctx, p.board.plant, own, always, historyScan)
		if err != nil {
			return err
		}
		t.learn(seen)
		for _, o := range seen {
			x, ok := o.event.(core.Concluded)
			if ok && x.Result == core.Applied && ids[t.intents[t.key(&o, x.Outcome.Intent)].Proposal] {
				outcomes = append(outcomes, o)
			}
		}
	}
	slices.SortFunc(outcomes, func(a, b told) int { return b.At.Compare(a.At) })
	m.Changes = len(outcomes)
	for i := range outcomes[:min(len(outcomes), lookbackLines)] {
		m.Moves = append(m.Moves, t.line(&outcomes[i]))
	}
	return nil
}
