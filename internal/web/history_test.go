package web

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

var bo = core.Person{Principal: "p2", Role: core.Setter, Auth: "pin"}

// decidedPlant is a plant in which Bo approved a change, at the loop's own time one
// happened by itself, and people did what people do.
func decidedPlant(s *shown) {
	p := card().Proposal
	own := p
	own.ID, own.Need = 21, ""
	in := func(id, proposal uint64) core.Intended {
		return core.Intended{Intent: core.Intent{ID: id, Proposal: proposal, Loop: "bore", Register: "T12 D", Old: 12_000, New: 5_000}}
	}
	done := func(id uint64) core.Concluded {
		return core.Concluded{Outcome: core.Outcome{Intent: id, Result: core.Applied, Read: 5_000}, Loop: "bore", Register: "T12 D"}
	}
	s.plant.entries = []Entry{
		entry(30, core.RingChecked{Check: core.Check{Gauge: "bore-1", Standard: "ring 28", AsFound: -1_500, Who: bo}}),
		entry(29, core.Resumed{Loop: "bore", Cause: "by-hand", Note: "looked", Who: bo}),
		entry(28, core.Held{Loop: "bore", Cause: "by-hand", Text: "chip", Who: &bo}),
		entry(27, core.Voided{Proposal: 25, Loop: "bore", Cause: "newer"}),
		entry(26, core.Voided{Proposal: 24, Loop: "bore", Cause: "no", Reason: "wet", Who: &bo}),
		entry(23, done(22)), entry(22, in(22, 21)), entry(21, core.Proposed{Proposal: own}),
		entry(20, done(19)), entry(19, in(19, 17)), entry(18, core.Approved{Proposal: 17, Loop: "bore", Who: bo}), entry(17, core.Proposed{Proposal: p}),
		entry(16, core.Judged{Loop: "bore", Count: 57, Deviation: -7_000, Reading: core.Reading{Gauge: "bore-1", Characteristic: "bore D28", Part: "57", Value: 27_991_000}}),
		entry(15, core.Judged{Loop: "bore", Admit: "implausible", Reading: core.Reading{Gauge: "bore-1", Characteristic: "bore D28", Part: "56", Value: 1_000}}),
		entry(14, core.Set{Check: core.Check{Gauge: "bore-1", Standard: "ring 30", AsFound: 4_000, Who: bo}}),
	}
}

// rows returns the lines of a table of the record, as text.
func rows(body string) (all []string) {
	for _, r := range strings.Split(body, "<tr>")[1:] {
		r, _, _ = strings.Cut(r, "</tr>")
		var text strings.Builder
		for _, cell := range strings.FieldsFunc(r, func(c rune) bool { return c == '<' }) {
			if _, t, ok := strings.Cut(cell, ">"); ok && t != "" {
				text.WriteString(t + "|")
			}
		}
		all = append(all, html.UnescapeString(text.String()))
	}
	return all
}

// Who, when, what and why stand on one line, made of what the record says of it in
// several.
func TestHistoryTellsWhoWhatAndWhy(t *testing.T) {
	s := open(t, false)
	decidedPlant(s)
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/history?from=2023-01-01")
	got := rows(body)
	at := s.plant.entries[0].At.Local().Format("2006-01-02 15:04")
	change := "|mill|bore|T12 D +0.012\u00a0mm → +0.005\u00a0mm|Part 57 measured 27.9910\u00a0mm, aim 27.9980\u00a0mm|"
	for _, want := range []string{
		at + "|mill|Bore-1 checked on ring 28, as found −0.0015\u00a0mm|Bo|",
		at + "|mill|bore|Put on hold, nothing is written|" + Cap(core.Code("by-hand").Words()) + ": chip|Bo|",
		at + "|mill|bore|Hold ended|" + Cap(core.Code("by-hand").Words()) + ": looked|Bo|",
		at + change + "by the loop itself|",
		at + change + "Bo|",
		at + "|mill|bore|Approved: T12 D +0.012\u00a0mm → +0.005\u00a0mm|Part 57 measured 27.9910\u00a0mm, aim 27.9980\u00a0mm|Bo|",
	} {
		if !slices.Contains(got, want) {
			t.Errorf("no line says %q; there are:\n%s", want, strings.Join(got, "\n"))
		}
	}
	if len(got) != 9 { // and the heading, the rejection and the setting: none of what only led to them
		t.Errorf("%d lines:\n%s", len(got), strings.Join(got, "\n"))
	}
}

// What one person did is told as fully although the proposal is nobody's.
func TestHistoryIsFiltered(t *testing.T) {
	s := open(t, false)
	decidedPlant(s)
	b := s.browser(t)
	b.signIn("p1", "274916")
	for _, x := range []struct {
		query      string
		lines      int
		with, none string
	}{
		{"person=p2", 6, "Approved: T12 D +0.012", "by the loop itself"},
		{"person=p1", 0, "Nothing of that is on record", "Bo|"},
		{"ring=ring+30", 1, "set on ring 30", "ring 28"},
		{"gauge=bore-1&show=readings", 4, "Implausible", "Approved"},
		{"part=57", 3, "57, bore D28: 27.9910", "Part 56,"},
		{"machine=mill&to=2023-01-01", 0, "Nothing of that is on record", "Bo|"},
		{"show=all", 15, "Ended without a change", "|void|"},
	} {
		q, err := url.ParseQuery(x.query)
		if err != nil {
			t.Fatal(err)
		}
		if q.Get("to") == "" {
			q.Set("from", "2023-01-01")
		}
		_, body, _ := b.look("/history?" + q.Encode())
		got := rows(body)
		text := html.UnescapeString(body) + strings.Join(got, "\n")
		if n := max(0, len(got)-1); n != x.lines || !strings.Contains(strings.ToLower(text), strings.ToLower(x.with)) || strings.Contains(strings.Join(got, "\n"), x.none) {
			t.Errorf("%s: %d lines, want %d with %q and without %q:\n%s", x.query, n, x.lines, x.with, x.none, strings.Join(got, "\n"))
		}
	}
	if status, body, _ := b.look("/history?from=yesterday"); status != http.StatusOK || !strings.Contains(html.UnescapeString(body), `Time "yesterday" is none`) {
		t.Errorf("%d for a time that is none", status)
	}
}

// One page after the other shows each event once, whatever is passed by in between.
func TestHistoryIsPaged(t *testing.T) {
	s := open(t, false)
	s.plant.entries = []Entry{}
	for n := uint64(3000); n > 0; n-- {
		e := core.Event(core.Voided{Proposal: n, Loop: "bore", Cause: "newer"}) // nobody's: not shown
		if n%20 == 0 {
			e = core.Resumed{Loop: "bore", Cause: "by-hand", Note: fmt.Sprint("note ", n), Who: bo}
		}
		s.plant.entries = append(s.plant.entries, entry(n, e))
	}
	b := s.browser(t)
	b.signIn("p1", "274916")
	var all []string
	pages := 0
	for at := "/history?from=2023-01-01"; at != ""; pages++ {
		if pages > 20 {
			t.Fatal("it never ends")
		}
		_, body, _ := b.look(at)
		if got := rows(body); len(got) > 0 {
			all = append(all, got[1:]...)
		}
		at = ""
		for _, a := range strings.Split(body, `<a class="button" href="`) {
			if to, text, _ := strings.Cut(a, `">`); strings.HasPrefix(text, "Older") {
				at = html.UnescapeString(to)
			}
		}
	}
	if len(all) != 150 || !strings.Contains(all[0], "note 3000|") || !strings.Contains(all[149], "note 20|") {
		t.Errorf("%d lines on %d pages", len(all), pages)
	}
	seen := map[string]bool{}
	for _, l := range all {
		if seen[l] {
			t.Fatalf("twice: %s", l)
		}
		seen[l] = true
	}
}

// The interface gives the same records, on and on.
func TestHistoryOfTheInterfaceIsPaged(t *testing.T) {
	s := open(t, false)
	decidedPlant(s)
	b := s.browser(t)
	b.signIn("p1", "274916")
	var seqs []uint64
	for before := ""; ; {
		var v HistoryView
		if status, _ := b.ask("GET", "/v1/history?limit=4&before="+url.QueryEscape(before), "", &v); status != http.StatusOK {
			t.Fatalf("status %d", status)
		}
		for _, e := range v.Events {
			seqs = append(seqs, e.Seq)
		}
		if before = v.Next; before == "" {
			break
		}
	}
	if len(seqs) != len(s.plant.entries) || !slices.IsSortedFunc(seqs, func(a, b uint64) int { return int(b) - int(a) }) {
		t.Errorf("records %v", seqs)
	}
	var v HistoryView
	b.ask("GET", "/v1/history?ring=ring+28", "", &v)
	if len(v.Events) != 1 || v.Events[0].Seq != 30 {
		t.Errorf("of a ring: %+v", v)
	}
	b.ask("GET", "/v1/history?kinds=hold,resume&to=2023-11-14T00:00:00Z", "", &v)
	s.plant.mu.Lock()
	q := s.plant.asked
	s.plant.mu.Unlock()
	if len(q.Kinds) != 2 || q.To != time.Date(2023, 11, 14, 0, 0, 0, 0, time.UTC).UnixMilli() {
		t.Errorf("asked %+v", q)
	}
	for _, bad := range []string{"from=x", "to=2023-13-01", "before=mill", "before=machine/mill:x", "before=:4", "before=machine/mill:0"} {
		if status, code := b.ask("GET", "/v1/history?"+bad, "", nil); status != http.StatusBadRequest || code != "moment" {
			t.Errorf("%s: %d %s", bad, status, code)
		}
	}
}

// Whatever is on record has a sentence, without a hole in it.
func TestEveryEventHasASentence(t *testing.T) {
	s := open(t, false)
	page, ok := s.http.Handler.(*Page)
	if !ok {
		t.Fatalf("the page is a %T", s.http.Handler)
	}
	d := &Doc{ctx: t.Context(), Format: page.formatFor(httptest.NewRequest("GET", "/", nil), nil)}
	who := bo
	v := length.Length(5_000)
	for _, e := range []core.Event{
		core.Begun{Version: "1"}, core.Configured{Who: who}, core.Linked{Up: true}, core.Linked{Cause: "m-dial"}, core.Recorded{Cut: core.Cut{Count: 7}},
		core.Moved{Register: "T12 D", Old: 1_000, New: 2_000}, core.ToolChanged{Tool: "T12"}, core.ToolChanged{Tool: "T12", Who: &who},
		core.Waits{Reading: core.Reading{Gauge: "g", Part: "7"}}, core.Judged{Reading: core.Reading{Gauge: "g", Part: "7", Characteristic: "c", Value: v}},
		core.Proposed{Proposal: card().Proposal}, core.Voided{Cause: "newer"}, core.Voided{Cause: "no", Reason: "r", Who: &who}, core.Approved{Who: who},
		core.Approved{Who: who, Another: true}, core.Declined{What: "approve", Cause: "role", Who: who}, core.Marked{Part: "7", On: true, Who: who}, core.Marked{Part: "7", Who: who},
		core.Intended{Intent: core.Intent{Register: "T12 D", Old: 1_000, New: 2_000}}, core.Concluded{Register: "T12 D", Outcome: core.Outcome{Result: core.Unknown, Code: "restart"}},
		core.Held{Cause: "by-hand", Text: "x"}, core.Resumed{Cause: "by-hand", Note: "x", Who: who}, core.Paired{Pair: core.Pair{Serial: "S7"}},
		core.Tasked{Task: core.Task{Gauge: "g", Part: "7"}}, core.Tasked{Task: core.Task{Gauge: "g", Ring: "R"}}, core.Tasked{Task: core.Task{Gauge: "g"}},
		core.Rejected{Gauge: "g", Code: "x", Why: "y"}, core.Unplaced{Reading: core.Reading{Gauge: "g", Value: v}, Code: "t-task"}, core.Loaded{Machines: []string{"mill"}},
		core.Broker{Up: true}, core.Broker{Code: "b-down"}, core.Set{Check: core.Check{Gauge: "g", Standard: "R", Who: who}},
		core.RingChecked{Check: core.Check{Gauge: "g", Standard: "R", Who: who}}, core.Checked{Check: core.Check{Gauge: "g", Standard: "R", Who: who}},
		core.RingRead{Ring: "R", Reading: core.Reading{Gauge: "g"}, Who: "p2"}, core.Assigned{Part: "7", Reason: "r", Who: who}, core.Discarded{Reason: "r", Who: who},
		core.Plugged{Plug: core.PlugGO, Part: "7", Enters: true, Who: who}, core.FirstOff{Part: "7", Who: who}, core.Typed{Register: "T12 D", Known: true, Old: 1_000, New: v, Who: who},
		core.Typed{Register: "T12 D", New: v, Who: who}, core.FirstCut{Who: who}, core.Asked{Request: core.Request{Part: "7", Gauge: "g"}}, core.AskEnded{Part: "7", Cause: "x"},
	} {
		x := told{entry(1, e), e}
		l := page.tales(d).line(&x)
		if l.Who == "" || l.What == "" || strings.EqualFold(l.What, e.Kind()) || strings.ContainsAny(l.What+l.Why, "{}") || strings.HasPrefix(l.What, "H_") {
			t.Errorf("%s: %+v", e.Kind(), l)
		}
	}
}

// What rested on a gauge: the readings that were used, and what became of the
// corrections that were asked for by them.
func TestWhatRestedOnAGauge(t *testing.T) {
	s := open(t, false)
	decidedPlant(s)
	for i := range s.plant.entries {
		if x, err := core.Decode(s.plant.entries[i].Kind, s.plant.entries[i].Event); err == nil {
			if p, ok := x.(core.Proposed); ok && p.ID == 17 {
				p.Gauge = "bore-1"
				s.plant.entries[i] = entry(17, p)
			}
		}
	}
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/lookback?gauge=bore-1&from=2023-01-01&to=2023-12-31")
	wants(t, "the look-back", html.UnescapeString(body), "1 readings of 1 parts were used, and 1 corrections rested on them.", "T12 D +0.012\u00a0mm → +0.005\u00a0mm", "<td>57</td>", "−0.0070\u00a0mm", "--gauge \"bore-1\"")
	if strings.Contains(body, "<td>56</td>") {
		t.Error("a reading that was not used is said to have been")
	}
	if _, body, _ = b.look("/lookback?gauge=bore-2&from=2023-01-01"); !strings.Contains(body, "0 readings of 0 parts were used, and 0 corrections") {
		t.Error("another gauge")
	}
	if status, _, _ := b.look("/lookback"); status != http.StatusNotFound {
		t.Errorf("without a gauge: %d", status)
	}
}

// The hand-over says what must not be touched, what waits, what drifts, what changed.
func TestTheShiftIsHandedOver(t *testing.T) {
	s, tr := openBench(t)
	decidedPlant(s)
	for i := range s.plant.entries {
		s.plant.entries[i].At = time.Now().Add(-time.Hour)
	}
	held := core.Held{Loop: "slot", Cause: "foreign", Text: "T9 D", Clear: core.Setter}
	m := &s.plant.status.Machines[0]
	m.Proposals = []core.ProposalView{card()}
	m.Loops = []core.LoopView{{Name: "slot", Hold: &held}, {Name: "bore", First: true}}
	m.Registers = []core.RegisterView{{Name: "T9 D", Pending: true}}
	s.plant.status.Tray = 2
	l := &s.plant.inside.Close[0]
	l.Name, l.Readings, l.FromAim, l.Spent, l.Travel = "bore", 12, 13_000, 80_000, 100_000
	l.Learned[0].Aim, l.Learned[0].Ready, l.Learned[0].PerPart = 28_016_500, true, 500
	tr.gauges = tr.gauges[1:]
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/handover?hours=12")
	text := html.UnescapeString(body)
	wants(t, "the hand-over", text,
		"mill · slot</strong> <span>"+Cap(core.Code("foreign").Words())+": T9 D. ", "T9 D: a write without a certain outcome",
		"mill · bore</strong> <span>bore D28: +0.0070\u00a0mm? measured 27.9910\u00a0mm, aim 27.9980\u00a0mm, T12 D +0.012\u00a0mm → +0.005\u00a0mm", "First part due", "2 readings fit no part",
		"bore-1</strong>", "12 days from now",
		"bore D28: last +0.0130\u00a0mm from aim, +0.0035\u00a0mm to the limit: bore D28: +0.0005\u00a0mm a part; inside its limits for 7 more parts",
		"0.0800\u00a0mm of 0.1000\u00a0mm travel used", "by the loop itself", "Handed over by", `aria-current="true">12 hours`)
	order := []string{`id="hands"`, `id="waits"`, `id="drifts"`, `id="changed"`}
	for i := 1; i < len(order); i++ {
		if strings.Index(text, order[i-1]) > strings.Index(text, order[i]) {
			t.Errorf("%s stands before %s", order[i], order[i-1])
		}
	}
	var v HandoverView
	if status, _ := b.ask("GET", "/v1/handover?hours=2", "", &v); status != http.StatusOK || len(v.Hands) != 2 || len(v.Drifts) != 1 || len(v.Changed) != 8 || v.More || v.Until.Sub(v.Since) != 2*time.Hour {
		t.Errorf("as JSON: %+v", v)
	}
	for i := range s.plant.entries {
		s.plant.entries[i].At = time.Now().Add(-3 * time.Hour)
	}
	if b.ask("GET", "/v1/handover?hours=2", "", &v); len(v.Changed) != 0 {
		t.Errorf("what was before the shift is handed over: %+v", v.Changed)
	}
	for _, bad := range []string{"0", "73", "x", "-1"} {
		if status, code := b.ask("GET", "/v1/handover?hours="+bad, "", nil); status != http.StatusBadRequest || code != "limit" {
			t.Errorf("%s hours: %d %s", bad, status, code)
		}
	}
}
