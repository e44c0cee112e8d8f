package app

import (
	"fmt"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers/shop"
)

// siege is a page with people, a machine behind it, and cards of every kind that
// nobody may approve.
type siege struct {
	t     *testing.T
	s     *shop.Shop
	sim   *machine.Server
	d     *daemon
	base  string
	token string // a viewer's
}

func besiege(t *testing.T) *siege {
	t.Helper()
	hash, err := account.HashPIN("274916")
	if err != nil {
		t.Fatal(err)
	}
	secret, tokenHash := account.NewToken()
	s := shop.Open(t, shop.Options{Without: true})
	sim, err := machine.Start(machine.Options{
		Serial: "SHOP 1", Name: shop.Mill, Program: shop.Program, Tools: []machine.Tool{{Name: shop.Tool}},
		Registers: []machine.Register{{Name: shop.Register, Tool: shop.Tool, Unit: "mm", Kind: "diameter", Resolution: 0.001, Min: -1, Max: 1}},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { sim.Close() })
	page := "[page]\nlisten = \"127.0.0.1:" + freePort(t) + "\"\n\n"
	for id, role := range map[string]string{"p1": "viewer", "p2": "operator", "p3": "setter"} {
		page += fmt.Sprintf("[[person]]\nid = %q\nname = %q\nrole = %q\npin = %q\n\n", id, "name "+id, role, hash)
	}
	page += fmt.Sprintf("[[token]]\nname = \"wall\"\nrole = \"viewer\"\nhash = %q\n\n[mqtt]\n", tokenHash)
	d := start(t, s.Config(t, "ENDPOINT", sim.Endpoint(), `mode      = "auto"`, `mode      = "confirm"`, "[mqtt]\n", page,
		"[[loop.characteristic]]", "[loop.bounds]\nexpires_parts = 4\n\n[[loop.characteristic]]"))
	d.live(t)
	return &siege{t: t, s: s, sim: sim, d: d, base: strings.TrimSuffix(d.PageURL(), "/"), token: secret}
}

// cut makes a part that comes out so far from its aim with the register at zero,
// and measures it.
func (x *siege) cut(off length.Length, measure bool) {
	x.t.Helper()
	x.sim.BeginCycle()
	st := x.sim.State()
	x.sim.EndCycle()
	awaits(x.t, x.d, "the part is recorded", func(c core.Recorded) bool { return c.Count == st.Counter+1 })
	if !measure {
		return
	}
	n, err := x.s.Measure(x.t.Context(), shop.Part{Count: st.Counter + 1, Size: int64(shop.Aim) + int64(off) - int64(mm(st.Registers[shop.Register]))})
	if err != nil {
		x.t.Fatal(err)
	}
	x.d.judged(x.t, n)
}

func (x *siege) card() web.Card {
	x.t.Helper()
	var q web.QueueView
	shop.Wait(x.t, "a card", func() bool {
		return x.d.client.Get(x.t.Context(), "/v1/queue", nil, &q) == nil && len(q.Proposals) == 1 && q.Proposals[0].Status == "pending"
	})
	return q.Proposals[0]
}

// superseded returns a card whose place a newer one has taken.
func (x *siege) superseded() web.Card {
	x.t.Helper()
	var stale web.Card
	for k := range length.Length(6) {
		x.cut(-15_000-3_000*k, true)
		c := x.card()
		if k > 0 && c.ID != stale.ID {
			return stale
		}
		stale = c
	}
	x.t.Fatal("six parts, each further off than the one before, and the first card still stands")
	return stale
}

func (x *siege) signed(person string) tablet {
	x.t.Helper()
	jar, _ := cookiejar.New(nil) //nolint:errcheck // without options it cannot fail
	b := tablet{t: x.t, base: x.base, http: &http.Client{Jar: jar, Timeout: 20 * time.Second}}
	if person != "" {
		if status := b.ask("POST", "/v1/session", `{"person":"`+person+`","pin":"274916"}`, nil); status != http.StatusOK {
			x.t.Fatalf("%s cannot sign in: %d", person, status)
		}
	}
	return b
}

func approval(c web.Card, digest string) (path, body string) {
	return "/v1/queue/" + c.ID + "/approve", `{"digest":"` + digest + `"}`
}

// TestAThousandWrongApprovals: replayed, doubled, stale, expired, forged, of the
// wrong role, from elsewhere: none has an effect, whatever it is answered.
func TestAThousandWrongApprovals(t *testing.T) {
	t.Parallel()
	x := besiege(t)
	setter, operator, viewer, nobody := x.signed("p3"), x.signed("p2"), x.signed("p1"), x.signed("")
	x.cut(-9_000, true)
	done := x.card()
	path, body := approval(done, done.Digest)
	if status := setter.ask("POST", path, body, nil); status != http.StatusOK {
		t.Fatalf("the true one: %d", status)
	}
	awaits(t, x.d, "it is proven", func(o core.Concluded) bool { return o.Result == core.Applied })
	stale := x.superseded()
	expired := x.card()
	for range 6 {
		x.cut(0, false)
	}
	awaits(t, x.d, "a card expires", func(v core.Voided) bool {
		return v.Cause == "late" || strings.Contains(v.Cause.Words(), "nobody decided in time")
	})
	x.cut(-20_000, true)
	open := x.card()
	before, approvals := len(x.sim.Effects()), len(find(x.d, func(core.Approved) bool { return true }))
	answers := map[int]int{}
	for i := range 1000 {
		c, digest, by := open, open.Digest, setter
		switch i % 10 {
		case 0: // replayed by the very person: answered as before
			c, digest = done, done.Digest
		case 1: // doubled by another
			c, digest, by = done, done.Digest, operator
		case 2:
			c, digest = stale, stale.Digest
		case 3:
			c, digest = expired, expired.Digest
		case 4: // the open card under another's digest
			digest = stale.Digest
		case 5:
			digest = strconv.Itoa(i)
		case 6:
			by = viewer
		case 7:
			by = nobody
		case 8:
			by = tablet{t: t, base: x.base, http: nobody.http, bearer: x.token}
		case 9:
			c.ID = "mill-2/" + strings.Split(open.ID, "/")[1]
		}
		path, body := approval(c, digest)
		status := by.ask("POST", path, body, nil)
		if answers[status]++; status == http.StatusOK && i%10 != 0 {
			t.Errorf("attempt %d (%d of 10) on %s is answered with yes", i, i%10, c.ID)
		}
	}
	if n := len(x.sim.Effects()) - before; n != 0 {
		t.Errorf("%d effects", n)
	}
	if n := len(find(x.d, func(core.Approved) bool { return true })) - approvals; n != 0 {
		t.Errorf("%d approvals on record", n)
	}
	if c := x.card(); c.ID != open.ID || c.Digest != open.Digest {
		t.Errorf("the open card is another one: %+v", c)
	}
	t.Logf("answers by status: %v", answers)
	path, body = approval(open, open.Digest)
	if status := setter.ask("POST", path, body, nil); status != http.StatusOK {
		t.Fatalf("the true one afterwards: %d", status)
	}
	shop.Wait(t, "it acts once", func() bool { return len(x.sim.Effects()) == before+1 })
	x.pagesOn()
}

// pagesOn looks back through the record page by page, and by time: each record is
// found once, in its order.
func (x *siege) pagesOn() {
	x.t.Helper()
	ask := func(q url.Values) (v web.HistoryView) {
		x.t.Helper()
		if err := x.d.client.Get(x.t.Context(), "/v1/history", q, &v); err != nil {
			x.t.Fatal(err)
		}
		return v
	}
	first := ask(url.Values{"limit": {"1"}})
	at := func(before string) url.Values { return url.Values{"limit": {"1000"}, "before": {before}} }
	whole := ask(at(first.Next)).Events
	if len(whole) < 50 {
		x.t.Fatalf("only %d records", len(whole))
	}
	var paged []web.Entry
	for before := first.Next; before != "" && len(paged) <= len(whole); {
		q := at(before)
		q.Set("limit", "17")
		v := ask(q)
		paged = append(paged, v.Events...)
		before = v.Next
	}
	if len(paged) != len(whole) {
		x.t.Fatalf("%d records page by page, %d at once", len(paged), len(whole))
	}
	for i := range paged {
		if paged[i].Stream != whole[i].Stream || paged[i].Seq != whole[i].Seq {
			x.t.Fatalf("record %d is %s %d, want %s %d", i, paged[i].Stream, paged[i].Seq, whole[i].Stream, whole[i].Seq)
		}
	}
	middle := whole[len(whole)/2].At
	q := at(first.Next)
	q.Set("from", middle.Format(time.RFC3339Nano))
	for _, e := range ask(q).Events {
		if e.At.Before(middle) {
			x.t.Fatalf("from %v: a record of %v", middle, e.At)
		}
	}
	q.Del("from")
	q.Set("to", middle.Format(time.RFC3339Nano))
	if v := ask(q).Events; len(v) == 0 || !v[0].At.Before(middle) {
		x.t.Fatalf("to %v: %d records", middle, len(v))
	}
}
