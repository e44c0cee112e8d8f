package app

import (
	"fmt"
	"net/http"
	"net/http/cookiejar"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

func (d *daemon) tablet(t *testing.T) tablet {
	t.Helper()
	jar, _ := cookiejar.New(nil) //nolint:errcheck // without options it cannot fail
	b := tablet{t: t, base: strings.TrimSuffix(d.PageURL(), "/"), http: &http.Client{Jar: jar, Timeout: 20 * time.Second}}
	b.describe()
	return b
}

// A shop without people: the first start gives out a code, which stands in no
// log; who types it is known from then on, also after a restart, which gives out
// none.
func TestTheFirstPersonOfAShop(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	path := s.Config(t, "[mqtt]\n", "[page]\nlisten = \"127.0.0.1:"+freePort(t)+"\"\n\n[mqtt]\n")
	d := start(t, path)
	code := d.FirstCode()
	if code == "" {
		t.Fatal("nobody is known, and there is no code")
	}
	for _, l := range d.logs.All() {
		if strings.Contains(fmt.Sprint(l.Message, l.ContextMap()), code) {
			t.Errorf("the log gives the code away: %s", l.Message)
		}
	}
	b := d.tablet(t)
	var ada web.PersonView
	if status := b.ask("POST", "/v1/session/first", fmt.Sprintf(`{"code":%q,"name":"Ada","pin":"274916"}`, code), &ada); status != http.StatusOK {
		t.Fatalf("the code is not taken: %d", status)
	}
	d.end()
	d = start(t, path)
	if code := d.FirstCode(); code != "" {
		t.Error("a second code")
	}
	b = d.tablet(t)
	if status := b.ask("POST", "/v1/session", fmt.Sprintf(`{"person":%q,"pin":"274916"}`, ada.ID), nil); status != http.StatusOK {
		t.Fatalf("after a restart she is unknown: %d", status)
	}
	if status := b.ask("POST", "/v1/hold", `{"note":"tried"}`, nil); status != http.StatusOK {
		t.Errorf("she may not stop: %d", status)
	}
}
