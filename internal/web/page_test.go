package web

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// people of the tests: the PIN is the hash.
var people = []account.Person{
	{ID: "p1", Name: "Anna", Role: core.Operator, Hash: "274916"},
	{ID: "p2", Name: "Bo", Role: core.Setter, Hash: "805133"},
	{ID: "p3", Name: "Cy", Role: core.Viewer, Hash: "639152"},
}

// shown is a page in a test, with its clock.
type shown struct {
	*Listener
	plant *plant
	mu    sync.Mutex
	at    time.Time
}

func (s *shown) now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at
}

func (s *shown) pass(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.at = s.at.Add(d)
}

func open(t *testing.T, watch bool) *shown {
	t.Helper()
	s := &shown{plant: &plant{status: Status{Machines: []core.View{{Machine: "mill", Up: true, Registers: []core.RegisterView{{Name: "T12 D", Unit: "mm", Step: 1_000}}, Proposals: []core.ProposalView{card()}}}}}, at: time.Now()}
	var err error
	s.Listener, err = New(Options{Plant: s.plant, Log: zap.NewNop()}).ListenPage(PageOptions{
		Listen: "127.0.0.1:0", Watch: watch,
		House: account.New(account.Options{People: people, Now: s.now, Match: func(h, p string) bool { return h == p }}),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// browser is one device: it keeps cookies and says where a request comes from.
type browser struct {
	t      *testing.T
	base   string
	origin string
	http   *http.Client
}

func (s *shown) browser(t *testing.T) *browser {
	jar, _ := cookiejar.New(nil) //nolint:errcheck // without options it cannot fail
	base := strings.TrimSuffix(s.URL(), "/")
	return &browser{t: t, base: base, origin: base, http: &http.Client{Jar: jar, Timeout: 20 * time.Second}}
}

func (b *browser) ask(method, path, body string, out any) (int, string) {
	b.t.Helper()
	r, err := http.NewRequest(method, b.base+path, strings.NewReader(body))
	if err != nil {
		b.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/json")
	if b.origin != "" {
		r.Header.Set("Origin", b.origin)
	}
	resp, err := b.http.Do(r)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	all, _ := io.ReadAll(resp.Body) //nolint:errcheck // compared below
	var no Refusal
	json.Unmarshal(all, &no) //nolint:errcheck // empty when accepted
	if out != nil {
		if err := json.Unmarshal(all, out); err != nil {
			b.t.Fatalf("%s %s: %s: %v", method, path, all, err)
		}
	}
	return resp.StatusCode, no.Error.Code
}

func (b *browser) post(path, body string) (int, string) {
	b.t.Helper()
	return b.ask(http.MethodPost, path, body, nil)
}

func (b *browser) signIn(person, pin string) {
	b.t.Helper()
	if status, code := b.post("/v1/session", fmt.Sprintf(`{"person":%q,"pin":%q}`, person, pin)); status != http.StatusOK {
		b.t.Fatalf("%s cannot sign in: %d %s", person, status, code)
	}
}

const approve17 = "/v1/queue/mill/17/approve"

func (p *plant) made() []core.Fact {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]core.Fact(nil), p.calls...)
}

func TestADecisionNeedsAPersonAndNamesThem(t *testing.T) {
	s := open(t, true)
	b := s.browser(t)
	if status, code := b.post(approve17, `{"digest":"d1"}`); status != http.StatusUnauthorized || code != "sign-in" {
		t.Errorf("nobody approves: %d %s", status, code)
	}
	if status, code := b.post("/v1/session", `{"person":"p1","pin":"000000"}`); status != http.StatusForbidden || code != "pin" {
		t.Errorf("a wrong PIN: %d %s", status, code)
	}
	if n := len(s.plant.made()); n != 0 {
		t.Fatalf("%d things happened", n)
	}
	b.signIn("p1", "274916")
	var v SessionView
	if b.ask("GET", "/v1/session", "", &v); v.Person == nil || v.Person.Name != "Anna" || len(v.People) != 3 {
		t.Errorf("session: %+v", v)
	}
	if status, code := b.post(approve17, `{"digest":"d1"}`); status != http.StatusOK {
		t.Errorf("Anna approves: %d %s", status, code)
	}
	want := core.Approve{Proposal: 17, Digest: "d1", Who: core.Person{Principal: "p1", Role: core.Operator, Auth: "pin"}}
	if all := s.plant.made(); len(all) != 1 || all[0] != core.Fact(want) {
		t.Errorf("happened: %+v, want %+v", all, want)
	}
	if status, _ := b.ask("DELETE", "/v1/session", "", nil); status != http.StatusOK {
		t.Errorf("signing out: %d", status)
	}
	if status, code := b.post(approve17, `{"digest":"d1"}`); status != http.StatusUnauthorized || code != "sign-in" {
		t.Errorf("approves after signing out: %d %s", status, code)
	}
}

func TestWithoutWatchNothingIsSeenBySomebodyUnknown(t *testing.T) {
	paths := []string{"/v1/status", "/v1/queue", "/v1/board", "/v1/live", "/v1/machines", "/v1/machines/mill", "/v1/trend/mill?loop=x", "/v1/history", "/v1/events"}
	shut, watched := open(t, false).browser(t), open(t, true).browser(t)
	for _, p := range paths {
		if status, code := shut.ask("GET", p, "", nil); status != http.StatusUnauthorized || code != "sign-in" {
			t.Errorf("GET %s: %d %s", p, status, code)
		}
	}
	for _, p := range []string{"/v1/status", "/v1/queue", "/v1/history", "/v1/events", "/v1/queue/mill/17"} {
		if status, _ := watched.ask("GET", p, "", nil); status != http.StatusUnauthorized {
			t.Errorf("watched GET %s: %d", p, status)
		}
	}
	for _, p := range []string{"/v1/board", "/v1/machines", "/v1/machines/mill", "/v1/trend/mill?loop=x"} {
		if status, _ := watched.ask("GET", p, "", nil); status != http.StatusOK {
			t.Errorf("watched GET %s: %d", p, status)
		}
	}
	shut.signIn("p3", "639152")
	for _, p := range []string{approve17, "/v1/hold", "/v1/resume", "/v1/queue/mill/17/reject", "/v1/gauges/g/check", "/v1/tray/plant/1/assign", "/v1/machines/mill/plugs"} {
		if status, code := shut.post(p, `{}`); status != http.StatusForbidden || code != "role" {
			t.Errorf("a viewer posts to %s: %d %s", p, status, code)
		}
	}
	if status, _ := shut.ask("GET", "/v1/board", "", nil); status != http.StatusOK {
		t.Errorf("a viewer looks: %d", status)
	}
	if status, code := shut.post("/v1/queue/mill/17/measure", `{"on":true}`); status != http.StatusForbidden || code != "role" {
		t.Errorf("a viewer acts: %d %s", status, code)
	}
}

func TestTheLargerChangeNeedsThePINOnceMore(t *testing.T) {
	s := open(t, false)
	big := card()
	big.Beyond = true
	s.plant.status.Machines[0].Proposals = []core.ProposalView{big}
	b := s.browser(t)
	b.signIn("p2", "805133")
	s.pass(3 * time.Minute)
	if status, code := b.post(approve17, `{"digest":"d1"}`); status != http.StatusForbidden || code != "identify" {
		t.Errorf("without the PIN: %d %s", status, code)
	}
	if status, code := b.post("/v1/session/proof", `{"pin":"274916"}`); status != http.StatusForbidden || code != "pin" {
		t.Errorf("another's PIN: %d %s", status, code)
	}
	if n := len(s.plant.made()); n != 0 {
		t.Fatalf("%d things happened", n)
	}
	if status, code := b.post("/v1/session/proof", `{"pin":"805133"}`); status != http.StatusOK {
		t.Fatalf("the PIN: %d %s", status, code)
	}
	if status, code := b.post(approve17, `{"digest":"d1"}`); status != http.StatusOK {
		t.Errorf("with the PIN: %d %s", status, code)
	}
	s.pass(3 * time.Minute)
	s.plant.mu.Lock()
	s.plant.status.Machines[0].Proposals = []core.ProposalView{card()} // the operator's own
	s.plant.mu.Unlock()
	if status, code := b.post(approve17, `{"digest":"d1"}`); status != http.StatusOK {
		t.Errorf("the small change asks for the PIN: %d %s", status, code)
	}
}

// Who wants a part measured again is on record, and every tablet is told.
func TestAPartIsToBeMeasuredAgain(t *testing.T) {
	s := open(t, false)
	one, two := s.browser(t), s.browser(t)
	one.signIn("p1", "274916")
	two.signIn("p2", "805133")
	if status, code := one.post("/v1/queue/mill/17/measure", `{"on":true}`); status != http.StatusOK {
		t.Fatalf("measure again: %d %s", status, code)
	}
	who := core.Person{Principal: "p1", Role: core.Operator, Auth: "pin"}
	if all := s.plant.made(); len(all) != 1 || all[0] != core.Fact(core.MeasureAgain{Proposal: 17, On: true, Who: who}) {
		t.Fatalf("happened: %+v", all)
	}
	marked := card()
	marked.Open.Again, marked.Two, marked.Agreed, marked.From = &who, true, &who, 16
	s.plant.mu.Lock()
	s.plant.status.Machines[0].Proposals, s.plant.decline = []core.ProposalView{marked}, "again"
	s.plant.mu.Unlock()
	s.plant.tell(bridge.Released{Stream: "machine/mill", Events: []core.Event{core.Marked{Proposal: 17, On: true, Who: who}}})
	var board Board
	for i := 0; i < 100 && (len(board.Proposals) == 0 || board.Proposals[0].Again == ""); i++ {
		two.ask("GET", "/v1/board", "", &board)
		time.Sleep(10 * time.Millisecond)
	}
	if c := board.Proposals[0]; c.Again != "p1" || !c.Two || c.Agreed != "p1" || c.From != "mill/16" {
		t.Errorf("the other tablet is told %+v", c)
	}
	if status, code := two.post(approve17, `{"digest":"d1"}`); status != http.StatusConflict || code != "again" {
		t.Errorf("approved meanwhile: %d %s", status, code)
	}
}

// A smaller amount is asked for by the very value, and names the card that came of
// it.
func TestASmallerAmountIsAskedFor(t *testing.T) {
	s := open(t, false)
	b := s.browser(t)
	b.signIn("p1", "274916")
	s.plant.mu.Lock()
	s.plant.answer = []core.Event{core.Voided{Proposal: 17}, core.Proposed{Proposal: core.Proposal{ID: 18, Digest: "d2"}}}
	s.plant.mu.Unlock()
	var out LowerResult
	if status, _ := b.ask("POST", "/v1/queue/mill/17/lower", `{"digest":"d1","new_nm":9000}`, &out); status != http.StatusOK || out.ID != "mill/18" || out.Digest != "d2" {
		t.Errorf("%d %+v", status, out)
	}
	want := core.Lower{Proposal: 17, Digest: "d1", New: 9_000, Who: core.Person{Principal: "p1", Role: core.Operator, Auth: "pin"}}
	if all := s.plant.made(); len(all) != 1 || all[0] != core.Fact(want) {
		t.Errorf("happened: %+v", all)
	}
	s.plant.mu.Lock()
	s.plant.decline = "smaller"
	s.plant.mu.Unlock()
	if status, code := b.post("/v1/queue/mill/17/lower", `{"digest":"d1","new_nm":90000}`); status != http.StatusConflict || code != "smaller" {
		t.Errorf("more: %d %s", status, code)
	}
	if status, code := b.post("/v1/queue/mill/17/lower", `{"digest":"d1","new_nm":0.5}`); status != http.StatusBadRequest || code != "body" {
		t.Errorf("a part of a nanometre: %d %s", status, code)
	}
}

// stream reads a page's live events.
func (b *browser) stream() (next func(event string) string) {
	b.t.Helper()
	live := &http.Client{Jar: b.http.Jar}
	resp, err := live.Get(b.base + "/v1/live")
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { resp.Body.Close() })
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 1<<20)
	return func(event string) string {
		b.t.Helper()
		kind := ""
		for lines.Scan() {
			if k, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				kind = k
			} else if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok && kind == event {
				return data
			}
		}
		b.t.Fatalf("the stream ended before %q: %v", event, lines.Err())
		return ""
	}
}

func TestEveryPageIsToldWhatBecameOfACard(t *testing.T) {
	s := open(t, true)
	next := s.browser(t).stream()
	board := func() (out Board) {
		if err := json.Unmarshal([]byte(next("board")), &out); err != nil {
			t.Fatal(err)
		}
		return out
	}
	if b := board(); len(b.Proposals) != 1 || b.Proposals[0].ID != "mill/17" || b.Proposals[0].Bar.Predicted != 27_997_500 {
		t.Fatalf("the first board: %+v", b)
	}
	who := core.Person{Principal: "p2", Role: core.Setter}
	s.plant.mu.Lock()
	s.plant.status.Machines[0].Proposals = nil
	s.plant.mu.Unlock()
	s.plant.tell(bridge.Released{Stream: "machine/mill", Events: []core.Event{
		core.Approved{Proposal: 17, Loop: "bore", Who: who},
		core.Intended{Intent: core.Intent{ID: 5, Proposal: 17, Loop: "bore"}},
		core.Concluded{Outcome: core.Outcome{Intent: 5, Result: core.Applied, Read: 5_000}, Loop: "bore", Register: "T12 D"},
	}})
	b := board()
	if len(b.Proposals) != 0 || len(b.Closed) != 1 {
		t.Fatalf("the second board: %+v", b)
	}
	if c := b.Closed[0]; c.ID != "mill/17" || c.How != "proven" || c.Who != "p2" || c.Say != "T12 D reads back +0.005 mm" {
		t.Errorf("closed: %+v", c)
	}
	s.plant.tell(bridge.Released{Stream: "machine/mill", Events: []core.Event{core.Voided{Proposal: 18, Loop: "bore", Cause: "no", Reason: "chip under the anvil", Who: &who}}})
	if b := board(); len(b.Closed) != 2 || b.Closed[1].How != "rejected" || b.Closed[1].Say != "chip under the anvil" || b.Closed[1].Who != "p2" {
		t.Errorf("the third board: %+v", b)
	}
	if alive := next("alive"); alive != `{"signed_in":false}` {
		t.Errorf("alive: %s", alive)
	}
}

func TestALiveStreamEndsWithItsSession(t *testing.T) {
	s := open(t, false)
	b := s.browser(t)
	b.signIn("p1", "274916")
	resp, err := (&http.Client{Jar: b.http.Jar}).Get(b.base + "/v1/live")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	s.pass(time.Hour)
	ended := make(chan error, 1)
	go func() {
		_, err := io.Copy(io.Discard, resp.Body)
		ended <- err
	}()
	select {
	case <-ended:
	case <-time.After(10 * time.Second):
		t.Error("the stream goes on without anybody signed in")
	}
}

// What is offered instead lies between what the register holds and what was
// proposed, on its step, and the text is made from the same number.
func TestLessIsOfferedOnTheRegistersStep(t *testing.T) {
	for _, x := range []struct {
		old, new length.Length
		want     []string
	}{
		{12_000, 5_000, []string{"+0.007 mm 7000", "+0.009 mm 9000", "+0.010 mm 10000"}},
		{0, 3_000, []string{"+0.002 mm 2000", "+0.001 mm 1000"}},
		{0, -2_000, []string{"\u22120.001 mm -1000"}},
		{0, 1_000, nil},
	} {
		p := card()
		p.Moves[0].Old, p.Moves[0].New = x.old, x.new
		var got []string
		for _, l := range CardOf(p).Less {
			got = append(got, fmt.Sprintf("%s %d", l.Text, int64(l.NewNM)))
		}
		if fmt.Sprint(got) != fmt.Sprint(x.want) {
			t.Errorf("%d to %d: %q, want %q", x.old, x.new, got, x.want)
		}
	}
	p := card()
	p.Moves, p.Control = append(p.Moves, p.Moves[0]), append(p.Control, p.Control[0])
	if l := CardOf(p).Less; l != nil {
		t.Errorf("of several registers: %v", l)
	}
}
