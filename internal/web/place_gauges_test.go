package web

import (
	"context"
	"html"
	"net/http"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// bench are the gauges of a test, with what was done with them.
type bench struct {
	Trust
	gauges    []GaugeStatus
	tray      []TrayItem
	checks    []core.Check
	adjusted  []bool
	assigned  []core.Assign
	discarded []core.Discard
}

func (b *bench) Gauges(context.Context) ([]GaugeStatus, error) { return b.gauges, nil }
func (b *bench) Tray(context.Context) ([]TrayItem, error)      { return b.tray, nil }

func (b *bench) Check(_ context.Context, c core.Check, adjusted bool) (CheckResult, error) {
	b.checks, b.adjusted = append(b.checks, c), append(b.adjusted, adjusted)
	return CheckResult{Machines: []CheckedOn{{Machine: "mill", Withdrawn: []Withdrawn{{Proposal: 3}}}}}, nil
}

func (b *bench) Assign(_ context.Context, id string, f core.Assign) (bridge.Released, error) {
	b.assigned = append(b.assigned, f)
	return bridge.Released{Events: []core.Event{core.Judged{}}}, nil
}

func (b *bench) Discard(_ context.Context, id string, f core.Discard) (bridge.Released, error) {
	b.discarded = append(b.discarded, f)
	return bridge.Released{}, nil
}

func openBench(t *testing.T) (*shown, *bench) {
	t.Helper()
	in := func(days int) int64 { return time.Now().Add(time.Duration(days)*24*time.Hour + time.Hour).UnixMilli() }
	tr := &bench{
		gauges: []GaugeStatus{
			{Gauge: "quiet-1", Due: in(400), Machines: []core.GaugeView{{Machine: "mill", Say: "in order"}}},
			{Gauge: "bore-1", Due: in(400), Standards: []StandardStatus{{Name: "ring <A>", Value: 27_939_800, Due: in(12), Certificate: "C 7"}},
				Last: &core.PlantGauge{Standard: "ring <A>", Adjusted: true, AsFound: 4_000, Who: "p1"}, Machines: []core.GaugeView{{Machine: "mill", Say: "in order", Since: 41, Blind: "blind to two lobes"}}},
			{Gauge: "old-1", Due: in(-3), Machines: []core.GaugeView{{Machine: "mill", Waiting: "g-due", Say: "x"}}},
		},
		tray: []TrayItem{{ID: "plant/7", Gauge: "bore-1", Value: "27.9999 mm", ValueNM: 27_999_900, Code: "t-task", Part: "58"}},
	}
	s := &shown{plant: &plant{status: Status{Machines: []core.View{{Machine: "mill", Up: true}}}}, at: time.Now()}
	s.plant.entries = []Entry{}
	s.plant.inside = core.Inside{Close: []core.LoopInside{{
		LoopView: core.LoopView{Name: "bore"}, Learned: []core.Learned{{Characteristic: core.Characteristic{Name: "bore D28", Limits: length.Range{Low: 28_000_000, High: 28_033_000}, Gauges: []core.GaugeUse{{Gauge: "bore-1"}}}}},
	}}}
	var err error
	s.Listener, err = New(Options{Plant: s.plant, Trust: tr, Log: zap.NewNop()}).ListenPage(PageOptions{
		Listen: "127.0.0.1:0", Watch: true,
		House: account.New(account.Options{People: people, Now: s.now, Match: func(h, p string) bool { return h == p }}),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s, tr
}

// What needs somebody comes first, and a date is shown before it bites.
func TestTheListOfGauges(t *testing.T) {
	s, _ := openBench(t)
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/gauges")
	body = html.UnescapeString(body)
	wants(t, "gauges", body, "27.9999\u00a0mm", "/assign?id=plant%2f7", "12 days from now", "calibration out of date since", "set on ring <A>, as found +0.0040\u00a0mm, by Anna")
	at := func(text string) int { return strings.Index(body, "<strong>"+text+"</strong>") }
	if !(0 < at("old-1") && at("old-1") < at("bore-1") && at("bore-1") < at("quiet-1")) {
		t.Errorf("their order is %d %d %d", at("old-1"), at("bore-1"), at("quiet-1"))
	}
	if _, body, _ = b.look("/gauges?q=QUIET"); strings.Contains(body, "old-1") || !strings.Contains(body, "quiet-1") {
		t.Error("the search finds another one")
	}
}

// As-found comes first: what the gauge shows on its ring, from which the deviation
// is worked out here.
func TestASettingIsEnteredAsFound(t *testing.T) {
	s, tr := openBench(t)
	b := s.browser(t)
	if _, body, _ := b.look("/gauge?gauge=bore-1"); strings.Contains(body, "/check") {
		t.Error("somebody who is not signed in is offered a setting")
	}
	b.signIn("p1", "274916")
	s.plant.entries = []Entry{
		entry(2, core.RingChecked{Check: core.Check{Gauge: "bore-1", Standard: "ring <A>", AsFound: -1_500, Who: core.Person{Principal: "p1"}}}),
		entry(1, core.Set{Check: core.Check{Gauge: "bore-1", Standard: "ring <A>", AsFound: 4_000, Who: core.Person{Principal: "station"}}}),
	}
	_, body, _ := b.look("/gauge?gauge=bore-1")
	wants(t, "the gauge", html.UnescapeString(body), "before you adjust", "ring <A>", "27.9398\u00a0mm", "C 7", "blind to two lobes", "since it was good: 41", "−0.0015\u00a0mm", "as certified", "station")
	if n := strings.Count(body, `<circle class="dot"`); n != 2 || strings.Count(body, `class="shape change"`) != 1 {
		t.Errorf("%d checks are drawn", n)
	}
	form := []string{"standard", "ring <A>", "read:length", "about 28", "adjusted:bool", "yes", "to", "/gauges", "from", "/gauge?gauge=bore-1", "form", "check"}
	status, body, _ := b.fill("/do/v1/gauges/bore-1/check", form...)
	if status != http.StatusBadRequest || len(tr.checks) != 0 {
		t.Errorf("no number: %d %v", status, tr.checks)
	}
	wants(t, "no number", body, `value="about 28"`)
	form[3] = "27.9438"
	status, _, h := b.fill("/do/v1/gauges/bore-1/check", form...)
	if status != http.StatusSeeOther || len(tr.checks) != 1 || tr.checks[0].AsFound != 4_000 || !tr.adjusted[0] || tr.checks[0].Who.Principal != "p1" {
		t.Fatalf("%d %+v %v", status, tr.checks, tr.adjusted)
	}
	_, body, _ = b.look(h.Get("Location"))
	wants(t, "afterwards", html.UnescapeString(body), "As found +0.0040 mm; mill: found good, proposals withdrawn: 1.")
	for _, path := range []string{"/gauge?gauge=none", "/gauge"} {
		if status, _, _ := b.look(path); status != http.StatusNotFound {
			t.Errorf("%s: %d", path, status)
		}
	}
}

func TestAReadingOfTheTrayIsSorted(t *testing.T) {
	s, tr := openBench(t)
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/assign?id=plant%2F7")
	wants(t, "the reading", body, "<option>mill</option>", "bore D28", `value="58"`, `action="/do/v1/tray/plant/7/assign"`)
	if status, _, _ := b.look("/assign?id=plant/8"); status != http.StatusNotFound {
		t.Errorf("another one: %d", status)
	}
	b.fill("/do/v1/tray/plant/7/assign", "machine", "mill", "characteristic", "bore D28", "part", "59", "reason", "it lay on the bench", "to", "/gauges")
	b.fill("/do/v1/tray/plant/7/discard", "reason", "a slip", "to", "/gauges")
	if len(tr.assigned) != 1 || tr.assigned[0].Part != "59" || len(tr.discarded) != 1 || tr.discarded[0].Reason != "a slip" {
		t.Errorf("%+v %+v", tr.assigned, tr.discarded)
	}
}

// A measuring task and a measured value reach the machine as they were typed.
func TestMeasuringTasksAndValuesByHand(t *testing.T) {
	s, _ := openBench(t)
	s.plant.inside.Tasks = []core.TaskView{{Task: core.Task{Gauge: "bore-1", Ring: "ring <A>"}, Left: 90_000}, {Task: core.Task{Gauge: "other"}}}
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/gauge?gauge=bore-1")
	wants(t, "the task", html.UnescapeString(body), "ring <A>, a ring check; ends in 2 min", "Take back")
	b.fill("/do/v1/machines/mill/tasks", "gauge", "bore-1", "characteristic", "bore D28", "part", "61", "cut:int", "2", "to", "/gauge?gauge=bore-1")
	_, body, _ = b.look("/enter?machine=mill&characteristic=bore+D28&to=/gauges")
	wants(t, "by hand", html.UnescapeString(body), "not the deviation", "bore D28: 28.0000\u00a0mm – 28.0330\u00a0mm", "<option>bore-1</option>", `name="to" value="/gauges"`)
	status, body, _ := b.fill("/do/v1/machines/mill/readings", "characteristic", "bore D28", "part", "61", "value:length", "28.0145", "gauge", "bore-1", "to", "/gauges", "from", "/enter?machine=mill", "form", "enter")
	if status != http.StatusConflict || !strings.Contains(body, `value="28.0145"`) {
		t.Errorf("without a reason: %d", status)
	}
	b.fill("/do/v1/machines/mill/readings", "characteristic", "bore D28", "part", "61", "value:length", "28.0145", "gauge", "bore-1", "reason", "the gateway is down", "to", "/gauges")
	all := s.plant.made()
	if len(all) != 2 {
		t.Fatalf("%d things happened: %+v", len(all), all)
	}
	if x, ok := all[0].(core.Task); !ok || x.Part != "61" || x.Cut != 2 || x.For != 600_000 {
		t.Errorf("the task: %+v", all[0])
	}
	if x, ok := all[1].(core.Reading); !ok || x.Value != 28_014_500 || x.Manual == nil || x.Manual.Principal != "p1" {
		t.Errorf("the value: %+v", all[1])
	}
}
