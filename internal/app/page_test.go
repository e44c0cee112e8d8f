package app

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/cookiejar"
	"strconv"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers/openapi"
	"offsetbridge/testdata/peers/shop"
)

// tablet is a browser in somebody's hands.
type tablet struct {
	t      *testing.T
	base   string
	http   *http.Client
	bearer string            // a token, where it has one
	doc    *openapi.Document // that every answer is held against, where there is one
}

func (b tablet) ask(method, path, body string, out any) int {
	b.t.Helper()
	r, err := http.NewRequestWithContext(b.t.Context(), method, b.base+path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Origin", b.base)
	if b.bearer != "" {
		r.Header.Set("Authorization", "Bearer "+b.bearer)
	}
	resp, err := b.http.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	all, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	if b.doc != nil {
		if err := b.doc.Answer(method, path, resp.StatusCode, all); err != nil {
			b.t.Error(err)
		}
	}
	if out != nil && resp.StatusCode == http.StatusOK {
		if err := json.Unmarshal(all, out); err != nil {
			b.t.Fatalf("%s: %v", all, err)
		}
	}
	return resp.StatusCode
}

// TestAPersonApprovesOnThePage: the page of the configuration is open; somebody
// signs in with the PIN whose hash stands there and approves a card; the register
// is written, and the record names them by the word that stands for their name.
func TestAPersonApprovesOnThePage(t *testing.T) {
	t.Parallel()
	hash, err := account.HashPIN("274916")
	if err != nil {
		t.Fatal(err)
	}
	s := shop.Open(t, shop.Options{Without: true})
	sim, err := machine.Start(machine.Options{
		Serial: "SHOP 1", Name: shop.Mill, Program: shop.Program, Tools: []machine.Tool{{Name: shop.Tool}},
		Registers: []machine.Register{{Name: shop.Register, Tool: shop.Tool, Unit: "mm", Kind: "diameter", Resolution: 0.001, Min: -1, Max: 1}},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { sim.Close() })
	d := start(t, s.Config(t, "ENDPOINT", sim.Endpoint(), `mode      = "auto"`, `mode      = "confirm"`, "[mqtt]\n",
		"[page]\nlisten = \"127.0.0.1:"+freePort(t)+"\"\n\n[[person]]\nid = \"p07\"\nname = \"Anna\"\nrole = \"setter\"\npin = "+strconv.Quote(hash)+"\n\n[mqtt]\n"))
	d.live(t)
	jar, _ := cookiejar.New(nil) //nolint:errcheck // without options it cannot fail
	b := tablet{t: t, base: strings.TrimSuffix(d.PageURL(), "/"), http: &http.Client{Jar: jar, Timeout: 20 * time.Second}}
	b.describe()
	if status := b.ask("GET", "/v1/board", "", nil); status != http.StatusUnauthorized {
		t.Fatalf("somebody unknown sees the board: %d", status)
	}
	if status := b.ask("POST", "/v1/session", `{"person":"p07","pin":"274916"}`, nil); status != http.StatusOK {
		t.Fatalf("Anna cannot sign in: %d", status)
	}
	measureSim(t, sim, s, d)
	var board web.Board
	shop.Wait(t, "a card on the page", func() bool {
		return b.ask("GET", "/v1/board", "", &board) == http.StatusOK && len(board.Proposals) == 1
	})
	c := board.Proposals[0]
	if status := b.ask("POST", "/v1/queue/"+c.ID+"/approve", `{"digest":"0000"}`, nil); status != http.StatusConflict {
		t.Errorf("another card's digest: %d", status)
	}
	if status := b.ask("POST", "/v1/queue/"+c.ID+"/approve", `{"digest":"`+c.Digest+`"}`, nil); status != http.StatusOK {
		t.Fatalf("approve: %d", status)
	}
	if status := b.ask("POST", "/v1/queue/"+c.ID+"/approve", `{"digest":"`+c.Digest+`"}`, nil); status != http.StatusOK {
		t.Errorf("once more the same: %d", status)
	}
	awaits(t, d, "the register is proven", func(o core.Concluded) bool { return o.Result == core.Applied && o.Read == c.Registers[0].NewNM })
	by := find(d, func(core.Approved) bool { return true })
	if want := (core.Person{Principal: "p07", Role: core.Setter, Auth: "pin"}); len(by) != 1 || by[0].Who != want {
		t.Errorf("approved by %+v, want %+v", by, want)
	}
	if n := len(sim.Effects()); n != 1 {
		t.Errorf("%d writes", n)
	}
	for _, path := range []string{
		"/v1/status", "/v1/queue", "/v1/requests", "/v1/history", "/v1/machines", "/v1/machines/" + shop.Mill, "/v1/trend/" + shop.Mill + "?loop=" + c.Loop, "/v1/gauges", "/v1/tray",
	} {
		if status := b.ask("GET", path, "", nil); status != http.StatusOK {
			t.Errorf("GET %s: %d", path, status)
		}
	}
}

// describe takes the description that the page serves: from now on every answer
// is held against it.
func (b *tablet) describe() {
	b.t.Helper()
	resp, err := b.http.Get(b.base + "/v1/openapi.json")
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	if b.doc, err = openapi.Parse(body); err != nil {
		b.t.Fatal(err)
	}
}
