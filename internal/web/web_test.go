package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// plant is a running program as far as the interface can tell.
type plant struct {
	mu      sync.Mutex
	status  Status
	err     error
	calls   []core.Fact
	decline core.Code
	answer  []core.Event
	watch   map[int]func(bridge.Released)
	asked   HistoryQuery
	inside  core.Inside
	entries []Entry
}

func (p *plant) Status(context.Context) (Status, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.status, p.err
}

func (p *plant) Call(_ context.Context, machine string, f core.Fact) (bridge.Released, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if machine != "mill" {
		return bridge.Released{}, fmt.Errorf("%q: %w", machine, ErrNoMachine)
	}
	p.calls = append(p.calls, f)
	if p.decline != "" {
		return bridge.Released{Events: []core.Event{core.Declined{What: "x", Cause: p.decline}}}, nil
	}
	return bridge.Released{Events: p.answer}, p.err
}

func (p *plant) Inside(_ context.Context, machine string) (core.Inside, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range p.status.Machines {
		if v := p.status.Machines[i]; v.Machine == machine {
			in := p.inside
			in.View = v
			return in, p.err
		}
	}
	return core.Inside{}, ErrNoMachine
}

func (p *plant) HoldAll(_ context.Context, h core.Hold) error {
	p.calls = append(p.calls, h)
	return p.err
}
func (p *plant) ResumeAll(_ context.Context, r core.Resume) (core.Code, error) {
	p.calls = append(p.calls, r)
	return p.decline, p.err
}

func (p *plant) Watch(f func(bridge.Released)) func() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.watch == nil {
		p.watch = map[int]func(bridge.Released){}
	}
	id := len(p.watch)
	p.watch[id] = f
	return func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		delete(p.watch, id)
	}
}

func (p *plant) watchers() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.watch)
}

func (p *plant) tell(rel bridge.Released) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, f := range p.watch {
		f(rel)
	}
}

func (p *plant) History(_ context.Context, q HistoryQuery) ([]Entry, error) {
	p.asked = q
	if p.entries != nil {
		var out []Entry
		for _, e := range p.entries { // as the journal finds them
			x, err := core.Decode(e.Kind, e.Event)
			if err != nil {
				continue
			}
			k := x.Keys()
			wrong := func(want, got string) bool { return want != "" && want != got }
			if len(q.Kinds) > 0 && !slices.Contains(q.Kinds, e.Kind) || q.Before != 0 && e.Seq >= q.Before || wrong(q.Loop, k.Loop) ||
				wrong(q.Part, k.Part) || wrong(q.Gauge, k.Gauge) || wrong(q.Person, k.Person) || q.From != 0 && e.At.UnixMilli() < q.From || q.To != 0 && e.At.UnixMilli() >= q.To {
				continue
			}
			if out = append(out, e); len(out) == q.Limit {
				break
			}
		}
		return out, p.err
	}
	return []Entry{{Stream: "machine/mill", Seq: 4, Kind: "hold", Event: json.RawMessage(`{"c":"by-hand"}`)}}, p.err
}

var anna = core.Person{Principal: "anna", Role: core.Setter, Auth: "test"}

func card() core.ProposalView {
	return core.ProposalView{
		Open: core.Open{Status: core.Pending, Proposal: core.Proposal{
			ID: 17, Loop: "bore", Tool: "T12", Part: "57", Digest: "d1", Need: core.Operator, Reason: "step-auto",
			Measured: 27_991_000, Aim: 27_998_000, Predicted: 27_997_500, Sigma: 1_200,
			Size: 7_000, Moves: []core.Move{{Register: "T12 D", Old: 12_000, New: 5_000, Size: 7_000}},
		}},
		Machine: "mill", Characteristic: "bore D28", Limits: length.Range{Low: 27_980_000, High: 28_010_000}, Internal: true,
		Control: []core.Shown{{Unit: length.MM, Step: 1_000}}, Left: 61_500, InTransit: 2,
	}
}

func serve(t *testing.T, p *plant, who core.Person) *httptest.Server {
	t.Helper()
	h := Handler(Options{Plant: p, Log: zap.NewNop()})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(WithPerson(r.Context(), who)))
	}))
	t.Cleanup(s.Close)
	return s
}

func post(t *testing.T, url, body string) (int, Refusal) {
	t.Helper()
	resp, err := http.Post(url, "application/json", strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var r Refusal
	json.NewDecoder(resp.Body).Decode(&r) //nolint:errcheck // empty when accepted
	return resp.StatusCode, r
}

func TestACardSaysWhatIsSent(t *testing.T) {
	c := CardOf(card())
	for _, x := range [][2]string{
		{c.ID, "mill/17"},
		{c.Say, "bore D28, tool T12: make it larger by 0.0070 mm? measured 27.9910 mm, aim 27.9980 mm"},
		{c.FromAim, "\u22120.0070 mm"},
		{c.Change, "+0.0070 mm"},
		{c.Cuts, "more"},
		{c.Registers[0].Old, "+0.012 mm"},
		{c.Registers[0].New, "+0.005 mm"},
		{c.Predicted, "27.9975 mm"},
		{c.Spread, "±0.0024 mm"},
	} {
		if x[0] != x[1] {
			t.Errorf("card says %q, want %q", x[0], x[1])
		}
	}
	if c.Registers[0].NewNM != 5_000 || c.Expires != 61 || c.InTransit != 2 {
		t.Errorf("card %+v", c)
	}
	out := card()
	out.Internal = false
	if c := CardOf(out); c.Cuts != "less" {
		t.Error("a larger shaft is said to be cut more")
	}
	inch := card()
	inch.Control = []core.Shown{{Unit: length.IN, Step: 2_540}}
	if got := CardOf(inch).Registers[0].New; got != "+0.0002 in" {
		t.Errorf("an inch register of 0.0001 in steps shows %q", got)
	}
}

func TestDecisionsCarryWhoAndWhat(t *testing.T) {
	p := &plant{}
	s := serve(t, p, anna)
	for _, x := range []struct{ path, body string }{
		{"/v1/queue/mill/17/approve", `{"digest":"d1"}`},
		{"/v1/queue/mill/17/reject", `{"reason":"dirty"}`},
		{"/v1/hold", `{"machine":"mill","loop":"bore","note":"n"}`},
		{"/v1/resume", `{"machine":"mill","loop":"bore","cause":"by-hand","note":"n"}`},
		{"/v1/hold", `{"note":"all"}`},
		{"/v1/resume", `{"note":"all"}`},
	} {
		if status, r := post(t, s.URL+x.path, x.body); status != http.StatusOK {
			t.Errorf("%s: %d %s", x.path, status, r.Error.Message)
		}
	}
	want := []core.Fact{
		core.Approve{Proposal: 17, Digest: "d1", Who: anna},
		core.Reject{Proposal: 17, Reason: "dirty", Who: anna},
		core.Hold{Loop: "bore", Note: "n", Who: anna},
		core.Resume{Loop: "bore", Cause: "by-hand", Note: "n", Who: anna},
		core.Hold{Note: "all", Plant: true, Who: anna},
		core.Resume{Note: "all", Who: anna},
	}
	if fmt.Sprint(p.calls) != fmt.Sprint(want) {
		t.Errorf("the plant was told\n%v\nwant\n%v", p.calls, want)
	}
}

func TestRefusalsAreOneSentenceWithACode(t *testing.T) {
	s := serve(t, &plant{decline: "digest"}, anna)
	none := serve(t, &plant{decline: "role"}, anna)
	for _, x := range []struct {
		url, body string
		status    int
		code      string
	}{
		{s.URL + "/v1/queue/mill/17/approve", `{"digest":"old"}`, http.StatusConflict, "digest"},
		{none.URL + "/v1/queue/mill/17/approve", `{"digest":"d1"}`, http.StatusForbidden, "role"},
		{s.URL + "/v1/queue/lathe/17/approve", `{"digest":"d1"}`, http.StatusNotFound, "machine"},
		{s.URL + "/v1/queue/mill/x/approve", `{"digest":"d1"}`, http.StatusNotFound, "gone"},
		{s.URL + "/v1/queue/mill/17/approve", `{"digest":"d1","all":true}`, http.StatusBadRequest, "body"},
		{s.URL + "/v1/queue/mill/17/approve", `not json`, http.StatusBadRequest, "body"},
		{s.URL + "/v1/queue/mill/17/approve", `{"digest":"` + strings.Repeat("x", maxBody) + `"}`, http.StatusRequestEntityTooLarge, "size"},
		{s.URL + "/v1/hold", `{"loop":"bore"}`, http.StatusBadRequest, "scope"},
		{s.URL + "/v1/resume", `{"note":"n"}`, http.StatusConflict, "digest"},
	} {
		status, r := post(t, x.url, x.body)
		if status != x.status || r.Error.Code != x.code || r.Error.Message == "" {
			t.Errorf("%s %.40s: %d %q %q, want %d %q", x.url[len(s.URL):], x.body, status, r.Error.Code, r.Error.Message, x.status, x.code)
		}
	}
	if resp, err := http.Get(s.URL + "/v1/queue/mill/17/approve"); err != nil || resp.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("a safe method may change something: %v %v", resp.StatusCode, err)
	}
}

func TestQueueAndHistory(t *testing.T) {
	p := &plant{status: Status{Machines: []core.View{{Machine: "mill", Proposals: []core.ProposalView{card()}}}}}
	s := serve(t, p, anna)
	get := func(path string, out any) int {
		resp, err := http.Get(s.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if err := json.NewDecoder(resp.Body).Decode(out); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		return resp.StatusCode
	}
	var q struct{ Proposals []Card }
	if get("/v1/queue", &q); len(q.Proposals) != 1 || q.Proposals[0].ID != "mill/17" {
		t.Errorf("queue %+v", q)
	}
	var c Card
	if status := get("/v1/queue/mill/17", &c); status != http.StatusOK || c.Digest != "d1" {
		t.Errorf("card %d %+v", status, c)
	}
	var r Refusal
	if status := get("/v1/queue/mill/18", &r); status != http.StatusNotFound || r.Error.Code != "gone" {
		t.Errorf("a card that is not there: %d %+v", status, r)
	}
	var h struct{ Events []Entry }
	if get("/v1/history?machine=mill&gauge=g1&limit=7", &h); len(h.Events) != 1 || p.asked.Gauge != "g1" || p.asked.Limit != 7 {
		t.Errorf("history %+v asked %+v", h, p.asked)
	}
	if status := get("/v1/history?limit=100000", &r); status != http.StatusBadRequest {
		t.Errorf("an unbounded history is answered with %d", status)
	}
	p.err = errors.New("the loop has stopped")
	if status := get("/v1/status", &r); status != http.StatusServiceUnavailable || r.Error.Message != "the loop has stopped" {
		t.Errorf("a stopped program: %d %+v", status, r)
	}
}

// socket serves p on a local socket in a folder of the test.
func socket(t *testing.T, p *plant) (*Client, string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "s")
	s, err := ListenSocket(path, Handler(Options{Plant: p, Log: zap.NewNop()}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return NewClient(path), path
}

func TestTheSocketIsForTheSameUserOnly(t *testing.T) {
	p := &plant{}
	c, path := socket(t, p)
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("socket mode %v, %v: others could open it", info.Mode().Perm(), err)
	}
	if err := c.Post(t.Context(), "/v1/hold", Scope{Machine: "mill", Note: "n"}, nil); err != nil {
		t.Fatal(err)
	}
	h, ok := p.calls[0].(core.Hold)
	if !ok || h.Who.Auth != "local socket" || h.Who.Role != core.Engineer || h.Who.Principal == "" {
		t.Errorf("held by %+v", p.calls[0])
	}
	other := local(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("let in") }))
	for _, uid := range []any{os.Getuid() + 1, -1, nil} {
		w := httptest.NewRecorder()
		r := httptest.NewRequest(http.MethodGet, "/v1/status", nil)
		if uid != nil {
			r = r.WithContext(context.WithValue(r.Context(), credKey{}, uid))
		}
		if other.ServeHTTP(w, r); w.Code != http.StatusForbidden {
			t.Errorf("user %v: %d", uid, w.Code)
		}
	}
	if _, err := ListenSocket(path, http.NotFoundHandler()); err == nil {
		t.Error("a socket in use was taken over")
	}
}

func TestAStaleSocketIsReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := ListenSocket(path, http.NotFoundHandler())
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	if err := NewClient(path).Get(t.Context(), "/v1/status", nil, nil); !errors.Is(err, ErrNotRunning) {
		t.Errorf("after the end: %v", err)
	}
}

func TestTheClientTellsARefusalFromAFailure(t *testing.T) {
	c, _ := socket(t, &plant{decline: "gone"})
	err := c.Post(t.Context(), "/v1/queue/mill/1/approve", map[string]string{"digest": "d"}, nil)
	var r *RefusedError
	if !errors.As(err, &r) || r.Code != "gone" || r.Status != http.StatusConflict {
		t.Errorf("%v", err)
	}
}

func TestLiveEventsReachEveryListener(t *testing.T) {
	p := &plant{}
	c, _ := socket(t, p)
	got := make(chan Entry, 4)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	if err := c.Events(ctx, func(e Entry) { got <- e }); err != nil {
		t.Fatal(err)
	}
	p.tell(bridge.Released{Stream: "machine/mill", First: 9, Events: []core.Event{
		core.Held{Loop: "bore", Cause: "by-hand"}, core.Resumed{Loop: "bore"},
	}})
	for i, kind := range []string{"hold", "resume"} {
		select {
		case e := <-got:
			if e.Kind != kind || e.Seq != uint64(9+i) || e.Stream != "machine/mill" {
				t.Errorf("event %d: %+v", i, e)
			}
		case <-time.After(10 * time.Second):
			t.Fatal("no live event within 10 s")
		}
	}
	cancel()
	for deadline := time.Now().Add(10 * time.Second); p.watchers() > 0; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("a listener that went is still told")
		}
	}
}

// A listener that does not read is cut off: nothing waits for it, and what is
// kept for it is bounded.
func TestASlowListenerIsCutOff(t *testing.T) {
	p := &plant{}
	h := Handler(Options{Plant: p, Log: zap.NewNop()})
	stuck := &stuckWriter{header: http.Header{}, release: make(chan struct{})}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		h.ServeHTTP(stuck, httptest.NewRequest(http.MethodGet, "/v1/events", nil).WithContext(t.Context()))
	}()
	for deadline := time.Now().Add(10 * time.Second); p.watchers() == 0; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("nobody listens")
		}
	}
	for n := range 3 * liveQueue {
		p.tell(bridge.Released{First: uint64(n), Events: []core.Event{core.Resumed{}}})
	}
	close(stuck.release)
	select {
	case <-ended:
	case <-time.After(10 * time.Second):
		t.Fatal("the slow listener is still served")
	}
}

// stuckWriter takes the greeting and then nothing until it is released.
type stuckWriter struct {
	header  http.Header
	writes  int
	release chan struct{}
}

func (w *stuckWriter) Header() http.Header { return w.header }
func (w *stuckWriter) WriteHeader(int)     {}
func (w *stuckWriter) Flush()              {}
func (w *stuckWriter) Write(p []byte) (int, error) {
	if w.writes++; w.writes > 1 {
		<-w.release
	}
	return len(p), nil
}
