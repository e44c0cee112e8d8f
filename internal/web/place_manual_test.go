package web

import (
	"net/http"
	"strings"
	"testing"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/manual"
)

func TestTheManualIsOpenToEverybody(t *testing.T) {
	m, err := manual.New(manual.Sources{
		Cell:  []byte("[journal]\nkeep = \"730 d\" # older parts may be removed\n"),
		Words: map[string]string{"w-link": "waits for the connection to the machine"},
	})
	if err != nil {
		t.Fatal(err)
	}
	s := &shown{plant: &plant{}}
	s.Listener, err = New(Options{Plant: s.plant, Manual: m, Log: zap.NewNop()}).ListenPage(PageOptions{
		Listen: "127.0.0.1:0", House: account.New(account.Options{People: people, Now: s.now}),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b := s.browser(t)
	for path, want := range map[string][]string{
		"/manual":                       {`<a href="/manual?about=safety">`, `name="about"`},
		"/manual?about=safety":          {"Nothing here is a safety function", `aria-current="page"`, `id="how-to-stop-it"`},
		"/manual?about=w-link":          {"waits for the connection to the machine</h2>", `<a href="/manual?about=m-dial">`},
		"/manual?about=keep":            {"Older parts may be removed."},
		"/manual?about=presetter":       {"It occurs in:", `<a href="/manual?about=The%20first%20part%20after%20a%20change">`},
		"/manual?about=safty":           {"nothing about “safty”", `<a href="/manual?about=safety">safety</a>`},
		"/manual?about=%3Cscript%3E%22": {"nothing about “&lt;script&gt;&#34;”"},
	} {
		status, body, h := b.look(path)
		if status != http.StatusOK || h.Get("Content-Security-Policy") != policy {
			t.Errorf("%s: %d", path, status)
		}
		wants(t, path, body, want...)
		if strings.Contains(body, "<script>") || strings.Contains(body, "style=") {
			t.Errorf("%s holds script or style", path)
		}
	}
	if _, body, _ := b.look("/sign"); !strings.Contains(body, `<a href="/manual">Manual</a>`) {
		t.Error("nothing leads to the manual")
	}
}

// Whoever is about to clear a hold is one step from what to do about its cause.
func TestAHoldLeadsToWhatTheManualSaysOfIt(t *testing.T) {
	s := open(t, false)
	s.plant.status.Machines[0].Hold = &core.Held{Cause: "counter-back", Clear: core.Setter}
	b := s.browser(t)
	b.signIn("p1", "274916")
	_, body, _ := b.look("/hold?machine=mill&resume=counter-back&to=/")
	wants(t, "the place to resume", body, `<a href="/manual?about=counter-back">What to do about it</a>`)
	if _, body, _ = b.look("/hold?machine=mill&to=/"); strings.Contains(body, "/manual?about=") {
		t.Error("a hold that is not there leads to the manual")
	}
}
