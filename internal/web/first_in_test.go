package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
)

// nobody opens a page without people, and returns its one-time code.
func nobody(t *testing.T) (*shown, string) {
	t.Helper()
	s := &shown{plant: &plant{}, at: time.Now()}
	house := account.New(account.Options{Now: s.now})
	var err error
	s.Listener, err = New(Options{Plant: s.plant, Log: zap.NewNop()}).ListenPage(PageOptions{Listen: "127.0.0.1:0", House: house})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s, house.Begin()
}

// The code lets one person in, once; wrong, late and replayed codes, and those
// from another site, let nobody in.
func TestTheFirstPersonOnThePage(t *testing.T) {
	s, code := nobody(t)
	b := s.browser(t)
	var who SessionView
	if b.ask("GET", "/v1/session", "", &who); !who.First {
		t.Error("the page does not say that it waits for the first person")
	}
	body := func(code, pin, again string) string {
		return fmt.Sprintf(`{"code":%q,"name":"Ada","pin":%q,"again":%q}`, code, pin, again)
	}
	b.origin = "http://elsewhere.example"
	if status, no := b.post("/v1/session/first", body(code, "274916", "")); status != http.StatusForbidden || no != "origin" {
		t.Errorf("from another site: %d %s", status, no)
	}
	b.origin = b.base
	for _, x := range []struct{ name, body, want string }{
		{"wrong", body("AAAA-AAAA-AAAA-AAAA", "274916", "274916"), "code"},
		{"empty", body("", "274916", "274916"), "code"},
		{"easy PIN", body(code, "111111", "111111"), "new-pin"},
		{"mistyped PIN", body(code, "274916", "274961"), "new-pin"},
		{"no name", strings.Replace(body(code, "274916", ""), "Ada", " ", 1), "name"},
	} {
		if status, no := b.post("/v1/session/first", x.body); status != http.StatusForbidden || no != x.want {
			t.Errorf("%s: %d %s, want %s", x.name, status, no, x.want)
		}
	}
	_, place, _ := b.look("/sign")
	if !strings.Contains(place, `name="code"`) || strings.Contains(place, code) {
		t.Errorf("the place asks for no code, or shows it:\n%s", place)
	}
	b.send("POST", "/do/v1/session/first", url.Values{"code": {code}, "name": {"Ada <b>"}, "pin": {"274916"}, "again": {"274916"}, "to": {"/sign"}, "from": {"/sign"}, "said": {"first_in"}})
	if _, place, _ = b.look("/sign"); !strings.Contains(place, "Ada &lt;b&gt;") || strings.Contains(place, `name="code"`) {
		t.Errorf("she is not among the people:\n%s", place)
	}
	if status, no := b.post("/v1/session/first", body(code, "805133", "")); status != http.StatusForbidden || no != "code" {
		t.Errorf("replayed: %d %s", status, no)
	}
	b.ask("GET", "/v1/session", "", &who)
	if len(who.People) != 1 || who.First {
		t.Fatalf("known: %+v", who)
	}
	b.signIn(who.People[0].ID, "274916")

	s, code = nobody(t)
	b = s.browser(t)
	s.pass(30 * time.Minute)
	if status, no := b.post("/v1/session/first", body(code, "274916", "")); status != http.StatusForbidden || no != "code" {
		t.Errorf("too late: %d %s", status, no)
	}
	if _, place, _ = b.look("/sign"); strings.Contains(place, `name="code"`) {
		t.Error("it still asks for the code")
	}
}
