package web

import (
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// look opens a place without following where it leads.
func (b *browser) look(path string) (int, string, http.Header) {
	b.t.Helper()
	return b.send(http.MethodGet, path, nil)
}

// refresh asks for a place as its own script does, to keep it fresh.
func (b *browser) refresh(path string) {
	b.t.Helper()
	r, err := http.NewRequest(http.MethodGet, b.base+path, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("X-Refresh", "1")
	resp, err := b.http.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	resp.Body.Close() //nolint:errcheck // only read
}

// fill sends a form as a browser does.
func (b *browser) fill(path string, fields ...string) (int, string, http.Header) {
	b.t.Helper()
	form := url.Values{}
	for i := 0; i+1 < len(fields); i += 2 {
		form.Set(fields[i], fields[i+1])
	}
	return b.send(http.MethodPost, path, form)
}

func (b *browser) send(method, path string, form url.Values) (int, string, http.Header) {
	b.t.Helper()
	r, err := http.NewRequest(method, b.base+path, strings.NewReader(form.Encode()))
	if err != nil {
		b.t.Fatal(err)
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		if b.origin != "" {
			r.Header.Set("Origin", b.origin)
		}
	}
	c := *b.http
	c.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	resp, err := c.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	all, _ := io.ReadAll(resp.Body) //nolint:errcheck // compared by the test
	return resp.StatusCode, string(all), resp.Header
}

func wants(t *testing.T, what, body string, texts ...string) {
	t.Helper()
	for _, x := range texts {
		if !strings.Contains(body, x) {
			t.Errorf("%s does not say %q:\n%s", what, x, body)
		}
	}
}

func TestAPlaceAsksWhoSomebodyIs(t *testing.T) {
	s := open(t, false)
	b := s.browser(t)
	status, _, h := b.look("/machines?q=mill")
	if status != http.StatusSeeOther || h.Get("Location") != "/sign?to=%2Fmachines%3Fq%3Dmill" {
		t.Fatalf("nobody is shown machines: %d %s", status, h.Get("Location"))
	}
	_, body, _ := b.look(h.Get("Location"))
	wants(t, "the place to sign in", body, "Anna", `/sign?person=p1&to=%2fmachines%3fq%3dmill`)
	if status, body, _ = b.fill("/do/v1/session", "person", "p1", "pin", "111111", "to", "/machines", "from", "/sign?person=p1"); status != http.StatusForbidden {
		t.Errorf("a wrong PIN: %d", status)
	}
	wants(t, "a wrong PIN", body, "This is not the PIN", "PIN of Anna")
	if strings.Contains(body, "111111") {
		t.Error("the PIN that was typed comes back")
	}
	status, _, h = b.fill("/do/v1/session", "person", "p1", "pin", "274916", "to", "/machines?q=mill", "from", "/sign?person=p1")
	if status != http.StatusSeeOther || h.Get("Location") != "/machines?q=mill" {
		t.Fatalf("Anna signs in: %d %s", status, h.Get("Location"))
	}
	status, body, h = b.look("/machines")
	if status != http.StatusOK || h.Get("Content-Security-Policy") != policy {
		t.Errorf("machines: %d %v", status, h)
	}
	wants(t, "machines", body, "Anna · operator", "mill", `aria-current="page"`)
	b.fill("/do/v1/session", "method", "DELETE", "to", "/")
	if status, _, _ = b.look("/machines"); status != http.StatusSeeOther {
		t.Errorf("after signing out: %d", status)
	}
}

func TestAFormDoesWhatTheInterfaceDoes(t *testing.T) {
	s := open(t, true)
	b := s.browser(t)
	status, _, h := b.fill("/do/v1/hold", "machine", "mill", "loop", "bore", "note", "a look", "to", "/machines")
	if status != http.StatusSeeOther || h.Get("Location") != "/sign?to=%2Fmachines" {
		t.Errorf("nobody holds: %d %s", status, h.Get("Location"))
	}
	b.signIn("p3", "639152")
	if status, _, _ = b.fill("/do/v1/hold", "machine", "mill", "to", "/machines"); status != http.StatusForbidden {
		t.Errorf("a viewer holds: %d", status)
	}
	b.signIn("p1", "274916")
	for _, origin := range []string{"", "null", "http://evil.example"} {
		b.origin = origin
		if status, _, _ = b.fill("/do/v1/hold", "machine", "mill", "to", "/machines"); status != http.StatusForbidden {
			t.Errorf("a form from %q: %d", origin, status)
		}
	}
	b.origin = b.base
	if status, _, _ = b.fill("/do/v1/hold", "machine", "mill", "note", strings.Repeat("x", 1<<20)); status != http.StatusRequestEntityTooLarge {
		t.Errorf("a form of 1 MiB: %d", status)
	}
	if status, _, _ = b.look("/do/v1/hold"); status != http.StatusMethodNotAllowed {
		t.Errorf("a form is opened: %d", status)
	}
	if status, _, _ = b.fill("/do/page.css", "to", "/"); status != http.StatusNotFound {
		t.Errorf("a form to a file: %d", status)
	}
	if n := len(s.plant.made()); n != 0 {
		t.Fatalf("%d things happened", n)
	}
	status, _, h = b.fill("/do/v1/hold", "machine", "mill", "loop", "bore", "note", "a <b>look</b>", "to", "/machines", "said", "held")
	if status != http.StatusSeeOther || h.Get("Location") != "/machines" {
		t.Errorf("Anna holds: %d %s", status, h.Get("Location"))
	}
	want := core.Hold{Loop: "bore", Note: "a <b>look</b>", Who: core.Person{Principal: "p1", Role: core.Operator, Auth: "pin"}}
	if all := s.plant.made(); len(all) != 1 || all[0] != core.Fact(want) {
		t.Errorf("happened: %+v", all)
	}
	b.refresh("/machines")
	_, body, _ := b.look("/machines")
	wants(t, "the place afterwards", body, "On hold: nothing is written.")
	if _, body, _ = b.look("/machines"); strings.Contains(body, "On hold: nothing is written.") {
		t.Error("it is said again and again")
	}
	s.plant.decline = "held-already"
	status, body, _ = b.fill("/do/v1/hold", "machine", "mill", "note", "a <b>look</b>", "to", "/machines", "from", "/hold?machine=mill", "form", "hold")
	if status != http.StatusConflict {
		t.Errorf("declined: %d", status)
	}
	wants(t, "what was declined", body, "Already on hold, the first cause stands.", "a &lt;b&gt;look&lt;/b&gt;")
}

func TestAFormLeadsNowhereElse(t *testing.T) {
	for _, to := range []string{"https://evil.example/", "//evil.example", `/\evil.example`, `\\evil.example`, "evil", "javascript:x", "/\r\nSet-Cookie: a=b", ""} {
		if u := ours(to); u.String() != "/" {
			t.Errorf("%q leads to %q", to, u)
		}
	}
	if u := ours("/loop?machine=m&loop=a%2Fb#x"); u.String() != "/loop?machine=m&loop=a%2Fb" {
		t.Errorf("one of ours: %q", u)
	}
}

func TestTheLargerChangeOfAFormNeedsThePINOnceMore(t *testing.T) {
	s := open(t, false)
	big := card()
	big.Beyond = true
	s.plant.status.Machines[0].Proposals = []core.ProposalView{big}
	b := s.browser(t)
	b.signIn("p2", "805133")
	s.pass(3 * time.Minute)
	status, _, h := b.fill("/do"+approve17, "digest", "d1", "to", "/machine?machine=mill")
	if status != http.StatusSeeOther || !strings.HasPrefix(h.Get("Location"), "/sign?again=1&to=") {
		t.Fatalf("without the PIN: %d %s", status, h.Get("Location"))
	}
	_, body, _ := b.look(h.Get("Location"))
	wants(t, "the PIN once more", body, "Bo, your PIN once more", "/do/v1/session/proof")
	if status, _, _ = b.fill("/do/v1/session/proof", "pin", "805133", "to", "/machine?machine=mill"); status != http.StatusSeeOther {
		t.Errorf("the PIN: %d", status)
	}
	if status, _, _ = b.fill("/do"+approve17, "digest", "d1", "to", "/machine?machine=mill"); status != http.StatusSeeOther || len(s.plant.made()) != 1 {
		t.Errorf("with the PIN: %d, %d things happened", status, len(s.plant.made()))
	}
}

// 500 machines with 10,000 loops: what is seen first stays small.
func TestTheListOfMachinesStaysSmall(t *testing.T) {
	s := open(t, true)
	for range 500 {
		v := core.View{Machine: "machine-" + strings.Repeat("x", 12), Up: true, Program: "O1234 VALVE BODY", Loops: make([]core.LoopView, 20)}
		for k := range v.Loops {
			v.Loops[k] = core.LoopView{Name: "loop", Mode: core.Auto, Hold: &core.Held{Cause: "odd-row", Loop: "loop", Clear: core.Operator}}
		}
		s.plant.status.Machines = append(s.plant.status.Machines, v)
	}
	_, body, _ := s.browser(t).look("/machines")
	size := len(body)
	for _, f := range []string{"static/page.css", "static/place.css", "static/place.js"} {
		b, err := static.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		size += len(b)
	}
	if size > 150_000 {
		t.Errorf("machines and what they need have %d bytes, want at most 150,000", size)
	}
	wants(t, "machines", body, "and 9975 more on hold", `from=60`)
	_, body, _ = s.browser(t).look("/machines?q=MILL")
	if n := strings.Count(body, `href="/machine?machine=mill"`); n != 1 {
		t.Errorf("the search finds mill %d times", n)
	}
	if status, _, _ := s.browser(t).look("/machine?machine=nobody"); status != http.StatusNotFound {
		t.Errorf("a machine that is not there: %d", status)
	}
}

func TestAPersonsUnitAndDecimalSign(t *testing.T) {
	f := Format{Unit: length.MM, Comma: true}
	if got := f.Length(27_991_000); got != "27,9910\u00a0mm" {
		t.Errorf("a size: %q", got)
	}
	for text, want := range map[string]length.Length{"27,991": 27_991_000, "27.991 mm": 27_991_000, "1.1024 in": 28_000_960, " 5 µm ": 5_000} {
		if got, err := f.Parse(text); err != nil || got != want {
			t.Errorf("%q is %v, %v", text, got, err)
		}
	}
	if got, err := f.Parse("27,9,1"); err == nil {
		t.Errorf("27,9,1 is %v", got)
	}
	inch := Format{Unit: length.IN}
	if got := inch.Signed(-25_400); got != "−0.00100\u00a0in" {
		t.Errorf("an inch: %q", got)
	}
	if got, err := inch.Parse("1.5"); err != nil || got != 38_100_000 {
		t.Errorf("1.5 of an inch: %v %v", got, err)
	}
}

func TestEveryTextOfAPlaceStandsInTheCatalogue(t *testing.T) {
	files, err := places.ReadDir("places")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, file := range files {
		body, err := places.ReadFile("places/" + file.Name())
		if err != nil {
			t.Fatal(err)
		}
		look := func(lead, prefix string) {
			for _, part := range strings.Split(string(body), lead)[1:] {
				key, _, _ := strings.Cut(part, `"`)
				if _, ok := english().text[prefix+key]; !ok && !strings.Contains(key, "{") {
					t.Errorf("%s: there is no text %q", file.Name(), prefix+key)
				}
				n++
			}
		}
		look(`.T "`, "")
		look(`name="said" value="`, "said_")
	}
	if n < 20 {
		t.Errorf("only %d texts were looked for", n)
	}
}
