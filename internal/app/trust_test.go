package app

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/simulators/gauge"
	"offsetbridge/testdata/peers/shop"
)

const stationTopic = "hall/rings"

// trusting is the shop's configuration with a ring and a ring station.
func trusting(t testing.TB, s *shop.Shop) string {
	return s.Config(t, `mode      = "auto"`, `mode      = "confirm"`,
		"max_decimals = 4\n", `max_decimals = 4
repeatability = "0.0005 mm"
standards = ["ring 28"]
setting = { every = "8 h" }
`, "[[machine]]\n", `[[standard]]
name = "ring 28"
value = "27.9900 mm"
uncertainty = "0.0008 mm"
due = "2090-06-30"

[[announcement]]
name = "ring station"
kind = "setting"
topic = "hall/rings"
message = { gauge = "/gauge", standard = "/standard", as_found = "/as_found", unit = "/unit", sequence = "/n", person = "/person" }

[[announcement]]
name = "ring check"
kind = "ring check"
topic = "hall/ring-checks"
message = { gauge = "/gauge", standard = "/standard", as_found = "/as_found", unit = "/unit", sequence = "/n", person = "/person" }

[[machine]]
`)
}

// ringStation publishes settings.
type ringStationSender struct {
	t testing.TB
	g *gauge.Gauge
	n int
}

func station(t testing.TB, s *shop.Shop, topic string) *ringStationSender {
	t.Helper()
	g, err := gauge.Dial(t.Context(), gauge.Options{Broker: s.Broker.URL(), Station: "station " + topic[len(topic)-5:], Topic: topic, Decimals: 4})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Close)
	return &ringStationSender{t: t, g: g}
}

func (r *ringStationSender) send(asFound, standard string, times int) {
	r.t.Helper()
	r.n++
	for range times {
		payload := fmt.Sprintf(`{"gauge":"bore-1","standard":%q,"as_found":%s,"unit":"mm","n":%d,"person":"S. Etter"}`, standard, asFound, r.n)
		if err := r.g.SendRaw(r.t.Context(), []byte(payload), false); err != nil {
			r.t.Fatal(err)
		}
	}
}

func checked(record int) func(core.Checked) bool {
	n := 0
	return func(core.Checked) bool { n++; return n == record }
}

func nth(t testing.TB, d *daemon, n int) core.Checked {
	t.Helper()
	shop.Wait(t, "the machine is told", func() bool { return len(find(d, func(core.Checked) bool { return true })) >= n })
	return find(d, checked(n))[0]
}

// TestASettingOverMQTT: a gauge that was never set steers nothing; a setting that
// finds it 4 µm off withdraws what was proposed since the one before, and one
// query by gauge tells readings and proposals.
func TestASettingOverMQTT(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -8_000}})
	d := start(t, trusting(t, s))
	d.live(t)
	if j := part(t, s, d); j.Admit != "w-never-set" {
		t.Fatalf("never set, and judged %s", core.Encode(j))
	}
	rings := station(t, s, stationTopic)
	rings.send("0.0010", "ring 28", 1)
	if c := nth(t, d, 1); c.Verdict != "" || !c.Adjusted || c.Check.Who.Principal != "S. Etter" || c.Limit != 3300 {
		t.Fatalf("first setting %s", core.Encode(c))
	}
	first := part(t, s, d)
	if first.Admit != "" || first.Attribute != "" {
		t.Fatalf("set, and judged %s", core.Encode(first))
	}
	card := d.card(t)
	last := part(t, s, d)

	rings.send("0.0040", "ring 28", 2) // delivered twice
	c := nth(t, d, 2)
	if c.Verdict != "as-found" || c.Suspect == nil || c.Suspect.From != first.Reading.Sequence || c.Suspect.To != last.Reading.Sequence || c.Suspect.Used != 2 {
		t.Fatalf("second setting %s", core.Encode(c))
	}
	v := awaits(t, d, "the proposal is withdrawn", func(v core.Voided) bool { return v.Cause == "gauge-off" })
	if !strings.HasSuffix(card.ID, fmt.Sprintf("/%d", v.Proposal)) {
		t.Errorf("withdrawn %d, the card was %s", v.Proposal, card.ID)
	}
	if err := d.approve(t.Context(), card); refusal(err) != "gone" {
		t.Errorf("a withdrawn proposal was answered with %v", err)
	}
	rings.send("0.0002", "ring 99", 1)
	awaits(t, d, "another ring is refused in words", func(r core.Rejected) bool {
		return r.Code == codeNoStandard && strings.Contains(r.Why, `"ring 99" is not one of gauge "bore-1", take "ring 28"`)
	})
	part(t, s, d)
	if n := len(find(d, func(core.Checked) bool { return true })); n != 2 {
		t.Errorf("%d settings were taken, one of two was a repetition", n)
	}
	kinds := map[string]int{}
	for _, e := range history(t, d, web.HistoryQuery{Gauge: "bore-1", Limit: 100}) {
		kinds[e.Kind]++
	}
	if kinds["read"] != 4 || kinds["void"] < 1 || kinds["prop"] < 1 || kinds["check"] != 2 || kinds["set"] != 2 {
		t.Errorf("one query by gauge tells %v", kinds)
	}
	untouched(t, s)
}

func history(t testing.TB, d *daemon, q web.HistoryQuery) []web.Entry {
	t.Helper()
	all, err := d.History(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// TestARingCheckOverMQTT: left as it was and found off, the gauge waits until it
// is set.
func TestARingCheckOverMQTT(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	d := start(t, trusting(t, s))
	d.live(t)
	rings, checks := station(t, s, stationTopic), station(t, s, "hall/ring-checks")
	rings.send("0", "ring 28", 1)
	nth(t, d, 1)
	checks.send("-0.0034", "ring 28", 1)
	if c := nth(t, d, 2); c.Adjusted || c.Verdict != "as-found" {
		t.Fatalf("check %s", core.Encode(c))
	}
	if j := part(t, s, d); j.Admit != "w-off" {
		t.Fatalf("found off, and judged %s", core.Encode(j))
	}
	shop.Wait(t, "the loop waits, in words", func() bool {
		return d.status(t).Machines[0].Loops[0].Waiting == "w-off"
	})
	rings.send("-0.0034", "ring 28", 1)
	nth(t, d, 3)
	if j := part(t, s, d); j.Admit != "" {
		t.Fatalf("set, and judged %s", core.Encode(j))
	}
}

// opened is a program whose doors are open and that does nothing by itself: it
// hands nothing over and looks at no calendar.
func opened(t testing.TB, path string, wall func() time.Time) *daemon {
	t.Helper()
	c, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	d := &daemon{client: web.NewClient(c.Socket.Path)}
	if d.App, err = New(t.Context(), Options{Config: c, Digest: "test", Version: "test", Log: zap.NewNop(), Watch: d.keep, Wall: wall}); err != nil {
		t.Fatal(err)
	}
	d.end = sync.OnceFunc(d.Close)
	t.Cleanup(d.end)
	return d
}

// TestASettingIsToldAfterARestart: recorded by the plant and not yet told to the
// machine when the process ended, it is told at the next start, once.
func TestASettingIsToldAfterARestart(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	path := trusting(t, s)
	d := opened(t, path, nil)
	shop.Wait(t, "subscribed", func() bool { return d.status(t).Broker.Up })
	station(t, s, stationTopic).send("0.0005", "ring 28", 1)
	awaits(t, d, "the plant records it", func(core.Set) bool { return true })
	d.end()
	if n := len(find(d, func(core.Checked) bool { return true })); n != 0 {
		t.Fatalf("%d were told before the stop", n)
	}
	for range 2 {
		d = start(t, path)
		d.live(t)
		if got := d.gauge(t); got.Waiting != "" || got.Ring != "ring 28" {
			t.Fatalf("after a restart %+v", got)
		}
		d.end()
	}
	d = start(t, path)
	if n := len(history(t, d, web.HistoryQuery{Gauge: "bore-1", Limit: 100})); n != 2 { // the plant's record and the machine's
		t.Errorf("%d events of the gauge after three starts", n)
	}
}

func (d *daemon) gauge(t testing.TB) core.GaugeView {
	t.Helper()
	all, err := d.Gauges(t.Context())
	if err != nil || len(all) != 1 || len(all[0].Machines) != 1 {
		t.Fatalf("gauges %+v, %v", all, err)
	}
	return all[0].Machines[0]
}

// TestDueDatesFollowTheCalendar: the day after the last good one the gauge waits.
func TestDueDatesFollowTheCalendar(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	now := time.Now()
	d := opened(t, trusting(t, s), func() time.Time { return now })
	d.check(t, web.CheckRequest{Standard: "ring 28", AsFound: "0 mm", Adjusted: true})
	day := func(text string) {
		var err error
		if now, err = time.Parse(time.RFC3339, text); err != nil {
			t.Fatal(err)
		}
		if err := d.LookAtDates(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	day("2090-06-30T23:59:59Z")
	if got := d.gauge(t).Waiting; got != "" {
		t.Fatalf("on the last good day: %q", got)
	}
	day("2090-07-01T00:00:00Z")
	if got := d.gauge(t).Waiting; got != "w-ring" {
		t.Fatalf("the day after: %q", got)
	}
	r := d.check(t, web.CheckRequest{Standard: "ring 28", AsFound: "0 mm", Adjusted: true})
	if r.Machines[0].Verdict != "w-ring" || d.gauge(t).Waiting != "w-ring" {
		t.Fatalf("set on a ring that is out of date: %+v", r)
	}
}

func (d *daemon) check(t testing.TB, q web.CheckRequest) (r web.CheckResult) {
	t.Helper()
	if err := d.client.Post(t.Context(), "/v1/gauges/bore-1/check", q, &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// TestChecksFromTheTerminal: what is refused, and the answer that names what is
// suspect and withdrawn.
func TestChecksFromTheTerminal(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -8_000}})
	d := start(t, trusting(t, s))
	d.live(t)
	hot := 99.0
	for code, q := range map[string]web.CheckRequest{
		"no-std":      {Standard: "ring 99", AsFound: "0 mm"},
		"as_found":    {Standard: "ring 28", AsFound: "27.99 mm"},
		"temperature": {Standard: "ring 28", AsFound: "0 mm", Celsius: &hot},
	} {
		if err := d.client.Post(t.Context(), "/v1/gauges/bore-1/check", q, nil); refusal(err) != code {
			t.Errorf("%+v was answered with %v, want %q", q, err, code)
		}
	}
	if err := d.client.Post(t.Context(), "/v1/gauges/bore-9/check", web.CheckRequest{Standard: "ring 28", AsFound: "0 mm"}, nil); refusal(err) != "no-std" {
		t.Errorf("an unknown gauge was answered with %v", err)
	}
	d.check(t, web.CheckRequest{Standard: "ring 28", AsFound: "0 mm", Adjusted: true})
	part(t, s, d)
	d.card(t)
	r := d.check(t, web.CheckRequest{Standard: "ring 28", AsFound: "4 um", Adjusted: true})
	if m := r.Machines[0]; m.Limit != 3300*length.Nanometre || m.Suspect == nil || m.Suspect.Used != 1 || len(m.Withdrawn) != 1 || m.Withdrawn[0].Loop != shop.Loop {
		t.Fatalf("answered %+v", r)
	}
}

// TestTrayAndHandEntry: what looks like the ring waits, is placed by a person,
// and a size entered by hand needs a person's yes.
func TestTrayAndHandEntry(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	d := start(t, trusting(t, s))
	d.live(t)
	d.check(t, web.CheckRequest{Standard: "ring 28", AsFound: "0 mm", Adjusted: true})
	p, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	awaits(t, d, "the part is recorded", func(c core.Recorded) bool { return c.Count == p.Count })
	r := s.Reading(p)
	r.Nanometres = 27_990_500
	if err := s.Gauge.Send(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	if j := d.judged(t, r.Sequence); j.Admit != "ring" {
		t.Fatalf("judged %s", core.Encode(j))
	}
	unknown := s.Reading(p)
	unknown.Characteristic, unknown.Nanometres = "bore 28", 28_010_000
	if err := s.Gauge.Send(t.Context(), unknown); err != nil {
		t.Fatal(err)
	}
	var tray struct{ Readings []web.TrayItem }
	shop.Wait(t, "both wait", func() bool {
		return d.client.Get(t.Context(), "/v1/tray", nil, &tray) == nil && len(tray.Readings) == 2
	})
	place := func(id string, q web.AssignRequest) (out web.ReadingResult, err error) {
		err = d.client.Post(t.Context(), "/v1/tray/"+id+"/assign", q, &out)
		return out, err
	}
	if _, err := place("plant/1", web.AssignRequest{Part: "1", Reason: "typing error"}); refusal(err) != string(codeNowhere) {
		t.Errorf("placed on a characteristic nobody has: %v", err)
	}
	if _, err := place("plant/77", web.AssignRequest{Characteristic: shop.Feature, Part: "1", Reason: "r"}); refusal(err) != "no-item" {
		t.Errorf("placed what is not there: %v", err)
	}
	if _, err := place("nowhere/1", web.AssignRequest{Part: "1", Reason: "r"}); refusal(err) != "no-item" {
		t.Errorf("placed out of a tray that is not there: %v", err)
	}
	part := fmt.Sprint(p.Count)
	got, err := place("plant/1", web.AssignRequest{Characteristic: shop.Feature, Part: part, Reason: "typing error"})
	if err != nil || !got.Used {
		t.Fatalf("placed: %+v, %v", got, err)
	}
	j := awaits(t, d, "it is used as placed by a person", func(j core.Judged) bool { return j.Reading.Reason == "typing error" })
	if j.Reading.Manual == nil || j.Reading.Manual.Principal == "" || !j.NoIdent || j.Reading.Value != 28_010_000 {
		t.Errorf("used as %s", core.Encode(j))
	}
	if err := d.client.Post(t.Context(), "/v1/tray/mill-1/1/discard", map[string]string{"reason": "it was the ring"}, nil); err != nil {
		t.Error(err)
	}
	if err := d.client.Get(t.Context(), "/v1/tray", nil, &tray); err != nil || len(tray.Readings) != 0 {
		t.Errorf("left in the tray: %+v, %v", tray, err)
	}

	enter := func(q web.EnterRequest) (out web.ReadingResult, err error) {
		err = d.client.Post(t.Context(), "/v1/machines/mill-1/readings", q, &out)
		return out, err
	}
	for code, q := range map[string]web.EnterRequest{
		"value":  {Characteristic: shop.Feature, Part: part, Value: "28.01", Reason: "r"},
		"part":   {Characteristic: shop.Feature, Value: "28.01 mm", Reason: "r"},
		"reason": {Characteristic: shop.Feature, Part: part, Value: "28.01 mm"},
	} {
		if _, err := enter(q); refusal(err) != code {
			t.Errorf("%+v was answered with %v, want %q", q, err, code)
		}
	}
	if got, err := enter(web.EnterRequest{Characteristic: shop.Feature, Part: part, Value: "28.0102 mm", Reason: "gateway is down"}); err != nil || got.Code != "" {
		t.Errorf("entered: %+v, %v", got, err)
	}
	if got, err := enter(web.EnterRequest{Characteristic: shop.Feature, Part: part, Value: "28.0102 in", Reason: "gateway is down"}); err != nil || got.Code != "odd" {
		t.Errorf("entered in inches: %+v, %v", got, err)
	}
}

// TestAGOResultFromTheTerminal: GO refused at a measured size advises an aim, and
// moves nothing.
func TestAGOResultFromTheTerminal(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -8_000}})
	d := start(t, trusting(t, s))
	d.live(t)
	d.check(t, web.CheckRequest{Standard: "ring 28", AsFound: "0 mm", Adjusted: true})
	j := part(t, s, d)
	var r web.PlugResult
	q := web.PlugRequest{Characteristic: shop.Feature, Part: j.Reading.Part, Plug: core.PlugGO}
	if err := d.client.Post(t.Context(), "/v1/machines/mill-1/plugs", q, &r); err != nil {
		t.Fatal(err)
	}
	inside := j.Reading.Value - 28*length.Millimetre
	if r.Size == nil || *r.Size != j.Reading.Value || r.LeastNM != inside || r.AimNM == nil || *r.AimNM != 28*length.Millimetre+(inside+33*length.Micrometre)/2 {
		t.Errorf("GO refused at %s: %+v", j.Reading.Value, r)
	}
	q.Part = "4711"
	if err := d.client.Post(t.Context(), "/v1/machines/mill-1/plugs", q, &r); err != nil {
		t.Fatal(err)
	}
	for code, bad := range map[string]web.PlugRequest{
		"plug":    {Characteristic: shop.Feature, Part: "1", Plug: "MAYBE"},
		"no-char": {Characteristic: "bore 30", Part: "1", Plug: core.PlugGO},
	} {
		if err := d.client.Post(t.Context(), "/v1/machines/mill-1/plugs", bad, nil); refusal(err) != code {
			t.Errorf("%+v was answered with %v", bad, err)
		}
	}
	if err := d.client.Post(t.Context(), "/v1/machines/mill-9/plugs", q, nil); refusal(err) != "machine" {
		t.Errorf("an unknown machine was answered with %v", err)
	}
	untouched(t, s)
}
