package web

import (
	"context"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// Every text of the page is said in every language that comes with it, with the
// same {names}.
func TestTheLanguagesAreComplete(t *testing.T) {
	body, err := static.ReadFile("static/de.json")
	if err != nil {
		t.Fatal(err)
	}
	de, err := readWords("de", body)
	if err != nil {
		t.Fatal(err)
	}
	names := func(s string) []string {
		all := filled.FindAllString(s, -1)
		slices.Sort(all)
		return slices.Compact(all)
	}
	for k, en := range english().text {
		if k == "no_length" {
			continue // the length's own sentence, or one of the language
		}
		if got, ok := de.text[k]; !ok || !slices.Equal(names(got), names(en)) {
			t.Errorf("German %q is %q; English is %q", k, got, en)
		}
	}
	for k, en := range english().list {
		if len(de.list[k]) != len(en) {
			t.Errorf("German list %q has %d texts; English has %d", k, len(de.list[k]), len(en))
		}
	}
	if _, err := catalogues(""); err != nil {
		t.Error(err)
	}
}

func TestAShopsOwnTexts(t *testing.T) {
	dir := t.TempDir()
	put := func(name, body string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put("readme.txt", "not a catalogue")
	put("fr.json", `{"language":"Français","decimal_sign":",","queue":"À décider","code.few":"trop peu de mesures"}`)
	put("de.json", `{"queue":"Warteliste"}`)
	all, err := catalogues(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ lang, key, want string }{
		{"fr", "queue", "À décider"}, {"fr", "machines", "Machines"}, {"de", "queue", "Warteliste"}, {"de", "machines", "Maschinen"}, {"en", "queue", "Queue"},
	} {
		if got := all[c.lang].fill(c.key); got != c.want {
			t.Errorf("%s %s is %q, want %q", c.lang, c.key, got, c.want)
		}
	}
	if !all["fr"].comma() || all["en"].comma() || all["fr"].name() != "Français" {
		t.Error("decimal sign or name of a language is wrong")
	}
	for body, want := range map[string]string{
		`{"quue":"x"}`:       `text "quue" of "fr" is shown nowhere`,
		`{"left":"{x} fin"}`: `has {x}, which nothing fills in`,
		`{"code.nil":"x"}`:   `of no code that there is`,
		`{"why":["x"]}`:      `list "why" of "fr" is shown nowhere`,
		`{`:                  "is not JSON",
		`{"queue":1}`:        "neither a text nor a list",
		`{"queue":"` + strings.Repeat("x", maxCatalogue) + `"}`: "at most 256 KiB",
	} {
		put("fr.json", body)
		if _, err := catalogues(dir); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40s: %v; want %q", body, err, want)
		}
	}
	if _, err := catalogues(filepath.Join(dir, "away")); err == nil {
		t.Error("a folder that is not there is no mistake")
	}
}

// In English the page's sentences about a measurement are those of the record.
func TestTheSentencesAboutAMeasurement(t *testing.T) {
	f := English()
	for _, m := range []*core.Measured{
		{Raw: 27_991_000, Worth: &core.Worth{U: 1_200, Decision: gauge.Conforming, Thread: true}},
		{Raw: 27_991_000, Worth: &core.Worth{Decision: gauge.InDoubt, Open: "u-ring", Correction: -1_500, Thermal: 300}},
		{Raw: 27_991_000, Worth: &core.Worth{Decision: gauge.InDoubt, Open: "u-ring", Uncorrected: "temp-part"}},
		{Raw: 27_991_000, Whole: &core.Whole{Decision: gauge.NotConforming, Steers: 27_990_000, Sizes: gauge.Sizes{Readings: 4, Smallest: 27_988_000, Largest: 27_994_000, Taper: -5_000, Spread: 6_000}, Form: true}},
	} {
		if got, want := f.decided(m), m.Say(); got != want {
			t.Errorf("the page says %q, the record %q", got, want)
		}
		if got, want := f.cameAbout(m), m.How(); !slices.Equal(got, want) {
			t.Errorf("the page says %q, the record %q", got, want)
		}
		if got, want := f.springPass(m.Whole, true, 9_000), m.Whole.SpringPass(true, 9_000); got != want || m.Whole != nil && got == "" {
			t.Errorf("the page says %q, the record %q", got, want)
		}
	}
	for _, c := range []gauge.Contacts{gauge.TwoPoint, gauge.ThreePoint} {
		if f.Blind(int(c), "") != c.Blind() {
			t.Errorf("the page says %q, the record %q", f.Blind(int(c), ""), c.Blind())
		}
	}
}

// Everybody reads in the language and unit they have chosen at this device; the
// registers stay the control's.
func TestEverybodyReadsAsTheyChose(t *testing.T) {
	s := open(t, true)
	anna, bo := s.browser(t), s.browser(t)
	anna.signIn("p1", "274916")
	bo.signIn("p2", "805133")
	if status, code := bo.post("/v1/session/reads", `{"language":"xy"}`); status != http.StatusBadRequest || code != "reads" {
		t.Errorf("a language that is not there: %d %s", status, code)
	}
	if status, _, h := bo.fill("/do/v1/session/reads", "language", "de", "to", "/reads"); status != http.StatusSeeOther || h.Get("Location") != "/reads" {
		t.Fatalf("Bo chooses German: %d", status)
	}
	bo.post("/v1/session/reads", `{"unit":"in"}`)
	_, body, _ := bo.look("/machines")
	wants(t, "Bo's page", body, `<html lang="de">`, ">Maschinen<", "Deutsch, in")
	_, body, _ = anna.look("/machines")
	wants(t, "Anna's page", body, `<html lang="en">`, ">Machines<", "English, mm")
	var of Board
	bo.ask(http.MethodGet, "/v1/board", "", &of)
	c := of.Proposals[0]
	for what, got := range map[string][2]string{
		"say":      {c.Say, "bore D28, Werkzeug T12: um 0,00028 in größer machen? gemessen 1,10201 in, Ziel 1,10228 in"},
		"register": {c.Registers[0].Old + " " + c.Registers[0].New, "+0.012 mm +0.005 mm"},
		"low":      {c.Bar.LowText, "1,10157 in"},
	} {
		if got[0] != got[1] {
			t.Errorf("Bo's card, %s: %q, want %q", what, got[0], got[1])
		}
	}
	anna.ask(http.MethodGet, "/v1/board", "", &of)
	if c := of.Proposals[0]; !strings.Contains(c.Say, "make it larger by 0.0070 mm? measured 27.9910 mm") {
		t.Errorf("Anna's card: %q", c.Say)
	}
	if _, refused, _ := bo.fill("/do/v1/session/proof", "pin", "000000", "to", "/", "from", "/reads"); !strings.Contains(refused, "Nicht die PIN dieser Person") {
		t.Errorf("a refusal is not German: %s", refused)
	}
	if now := bo.catalogue("/de.json"); now["queue"] != "Anstehend" || now["code.few"] == nil {
		t.Error("the browser is not given the German texts")
	}
}

func (b *browser) catalogue(path string) map[string]any {
	b.t.Helper()
	_, body, _ := b.look(path)
	out := map[string]any{}
	if err := json.Unmarshal([]byte(body), &out); err != nil {
		b.t.Fatal(err)
	}
	return out
}

// Two people who read differently are both shown the board, live.
func TestTheBoardOfEachWayOfReading(t *testing.T) {
	s := open(t, true)
	page, ok := s.http.Handler.(*Page)
	if !ok {
		t.Fatalf("the page is a %T", s.http.Handler)
	}
	de := Format{Lang: "de", Unit: length.IN, Comma: true, words: page.texts["de"]}
	defer page.board.follow(English())()
	leave := page.board.follow(de)
	for _, f := range []Format{English(), de} {
		deadline := time.Now().Add(10 * time.Second)
		for body, _ := page.board.latest(f); body == nil || !strings.Contains(string(body), f.T("since_measured", "size", "")[:8]); body, _ = page.board.latest(f) {
			if time.Now().After(deadline) {
				t.Fatalf("no board in %s: %s", f.Lang, body)
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	leave()
	if body, _ := page.board.latest(de); body != nil {
		t.Error("a board that nobody watches is kept")
	}
}

func TestABrowserIsAnsweredInItsLanguage(t *testing.T) {
	s := open(t, true)
	page, ok := s.http.Handler.(*Page)
	if !ok {
		t.Fatalf("the page is a %T", s.http.Handler)
	}
	for asks, want := range map[string]string{
		"": "en", "de-AT,de;q=0.9,en;q=0.8": "de", "fr-FR, fr;q=0.9, de;q=0.7": "de", "fr": "en", "EN-gb": "en", ";;,,": "en",
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.Header.Set("Accept-Language", asks)
		if got := page.formatFor(r, nil).Lang; got != want {
			t.Errorf("%q is answered in %s, want %s", asks, got, want)
		}
	}
}

var (
	letters = regexp.MustCompile(`[A-Za-z]`)
	tags    = regexp.MustCompile(`(?s)<(head|style)>?.*?</(head|style)>|<[^>]*>`)
	said    = regexp.MustCompile(`(aria-label|title|placeholder|alt)="([^"]*)"`)
	word    = regexp.MustCompile(`[A-Za-z]{3,}`)
)

// nowhere is a language without a Latin letter: whatever Latin is left on a page
// was not taken from the catalogue.
func nowhere() words {
	w := words{lang: "xx", text: map[string]string{}, list: map[string][]string{}}
	strange := func(s string) string {
		var out strings.Builder
		last := 0
		for _, at := range filled.FindAllStringIndex(s, -1) {
			out.WriteString(letters.ReplaceAllString(s[last:at[0]], "ж") + s[at[0]:at[1]])
			last = at[1]
		}
		return out.String() + letters.ReplaceAllString(s[last:], "ж")
	}
	for k, v := range english().text {
		w.text[k] = strange(v)
	}
	for k, list := range english().list {
		for _, v := range list {
			w.list[k] = append(w.list[k], strange(v))
		}
	}
	for _, c := range core.Codes() {
		w.text["code."+string(c)] = strange(c.Words())
	}
	return w
}

// Nothing on the page is said past the catalogue.
func TestNothingIsSaidPastTheCatalogue(t *testing.T) {
	known := map[string]bool{}
	for _, x := range strings.Fields("offsetbridge mill bore thread pitch Anna Bob Bo ring quiet old plant wet chip looked Thread Bore Wet Ppk Deutsch English report capability characteristic NAME") { // names, what people typed, a command
		known[x] = true
	}
	look := func(what, body string) {
		t.Helper()
		text := tags.ReplaceAllString(body, " ")
		for _, m := range said.FindAllStringSubmatch(body, -1) {
			text += " " + m[2]
		}
		for _, x := range word.FindAllString(html.UnescapeString(text), -1) {
			if !known[x] {
				t.Errorf("%s: %q does not stand in the catalogue", what, x)
			}
		}
	}
	places := func(s *shown, all ...string) {
		t.Helper()
		page, ok := s.http.Handler.(*Page)
		if !ok {
			t.Fatalf("the page is a %T", s.http.Handler)
		}
		page.texts["xx"], page.reads.Language = nowhere(), "xx"
		b := s.browser(t)
		b.signIn("p2", "805133")
		for _, p := range all {
			status, body, _ := b.look(p)
			if status != http.StatusOK {
				t.Errorf("%s: %d", p, status)
			}
			look(p, body)
		}
		st, err := s.plant.Status(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		board := page.board.of(st, Format{Lang: "xx", Unit: length.MM, words: page.texts["xx"]})
		for _, c := range board.Proposals {
			look("card", fmt.Sprint(c.Say, " ", c.Because, " ", c.Waiting, " ", c.ByHand, " ", c.Decision, " ", c.How, " ", c.Type, " ", c.Less))
		}
	}
	s := open(t, true)
	setUpPlant(s)
	s.plant.inside.Close[0].Trouble = "w-never-set"
	s.plant.status.Machines[0].Loops = []core.LoopView{{Name: "bore", Mode: core.Auto, Waiting: "few"}, {Name: "thread", Mode: core.Confirm, Hold: &core.Held{Loop: "thread", Cause: "response", Clear: core.Setter}}}
	places(s, "/machines", "/machine?machine=mill", "/first", "/first?machine=mill&tool=T7", "/hold?machine=mill", "/hold?machine=mill&loop=thread&resume=response", "/sign", "/capability", "/reads")
	s = open(t, true)
	toldPlant(s)
	places(s, "/loop?machine=mill&loop=bore", "/machine?machine=mill", "/handover?hours=12", "/history?from=2023-01-01&show=all")
	s = open(t, true)
	decidedPlant(s)
	places(s, "/history?from=2023-01-01", "/handover?hours=12")
	s, bench := openBench(t)
	bench.gauges[1].Machines[0].Blind, bench.gauges[1].Machines[0].Contacts = gauge.ThreePoint.Blind(), int(gauge.ThreePoint)
	bench.gauges[2].Machines[0].Waiting, bench.tray[0].Code = "w-calibration", "no-task"
	places(s, "/gauges", "/gauge?gauge=bore-1", "/gauge?gauge=old-1", "/assign?id=plant%2F7", "/enter?machine=mill&characteristic=bore+D28")
}

func TestWhenTheNextPartIsToBeMeasuredIsShown(t *testing.T) {
	s := open(t, true)
	in := int64(3)
	loops := []core.LoopView{{Name: "bore", Mode: core.Auto, Readings: 1, LastPart: 7, Due: &in}}
	s.plant.status.Machines[0].Loops, s.plant.status.Machines[0].Proposals = loops, nil
	f := English()
	for n, want := range map[int64]string{
		3: "measure in 3 parts", 1: "measure the next part", 0: "measure now", -1: "measurement overdue by 1 part", -4: "measurement overdue by 4 parts",
	} {
		in = n
		if got := f.loopLine("mill", loops[0]).Due; got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
		l := f.line(s.plant.status.Machines[0])
		if over := l.State == "waits" && l.Say == "bore: "+want; over != (n < 0) {
			t.Errorf("%d: the machine's line is %q %q", n, l.State, l.Say)
		}
	}
	in = -4
	s.plant.inside.Close = []core.LoopInside{{LoopView: loops[0], Learned: []core.Learned{{}}}}
	b := s.browser(t)
	for _, p := range []string{"/machine?machine=mill", "/loop?machine=mill&loop=bore"} {
		if _, body, _ := b.look(p); !strings.Contains(strings.ToLower(body), f.Due(&in)) {
			t.Errorf("%s does not say %q", p, f.Due(&in))
		}
	}
}
