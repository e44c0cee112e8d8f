package web

import (
	"context"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/testdata/peers/openapi"
)

// routed are the patterns that the package's source routes.
func routed(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) < 10 {
		t.Fatal(files, err)
	}
	var all []string
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if c, ok := n.(*ast.CallExpr); ok && len(c.Args) == 2 {
				if sel, ok := c.Fun.(*ast.SelectorExpr); ok && sel.Sel.Name == "HandleFunc" {
					pattern, err := strconv.Unquote(c.Args[0].(*ast.BasicLit).Value)
					if err != nil {
						t.Fatal(err)
					}
					if strings.Contains(pattern, " /v1/") {
						all = append(all, pattern)
					}
				}
			}
			return true
		})
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func described(t *testing.T) *openapi.Document {
	t.Helper()
	d, err := openapi.Parse(description())
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestEverythingThatIsRoutedIsDescribed(t *testing.T) {
	want, got := routed(t), described(t).Operations()
	if len(want) < 25 || !slices.Equal(want, got) {
		t.Errorf("routed %d, described %d\nrouted only:    %v\ndescribed only: %v", len(want), len(got), without(want, got), without(got, want))
	}
}

func without(a, b []string) []string {
	return slices.DeleteFunc(slices.Clone(a), func(s string) bool { return slices.Contains(b, s) })
}

// rich is a plant that has something of everything.
func rich() *plant {
	p := card()
	p.Approval = &core.Person{Principal: "p2", Role: core.Setter, Auth: "pin"}
	p.Sizes = []core.SizeChange{{Characteristic: "bore D28"}}
	who := core.Person{Principal: "p1", Role: core.Operator, Auth: "pin"}
	held := &core.Held{Loop: "bore", Cause: "by-hand", Clear: core.Operator, Who: &who}
	return &plant{status: Status{
		Version: "test", HoldAll: &core.Held{Cause: "by-hand", Text: "a look", Clear: core.Operator, Who: &who},
		Machines: []core.View{{
			Machine: "mill", Up: true, Hold: held, Registers: []core.RegisterView{{Name: "T12 D", Unit: "mm", Step: 1_000}},
			Loops:     []core.LoopView{{Name: "bore", Mode: core.Auto, Hold: held, Readings: 3, Sizes: []core.SizeView{{Characteristic: "bore D28"}}}},
			Proposals: []core.ProposalView{card(), p},
			Requests:  []core.RequestView{{Request: core.Request{ID: 1, Loop: "bore"}, Machine: "mill"}},
		}, {Machine: "lathe"}},
	}}
}

type knowing struct{}

func (knowing) Gauges(context.Context) ([]GaugeStatus, error) {
	return []GaugeStatus{{Gauge: "bore-1", Due: 1, Standards: []StandardStatus{{Name: "ring 28"}}, Last: &core.PlantGauge{}, Machines: []core.GaugeView{{Machine: "mill"}}}, {Gauge: "bore-2"}}, nil
}

func (knowing) Check(context.Context, core.Check, bool) (CheckResult, error) {
	return CheckResult{Machines: []CheckedOn{{Machine: "mill", Suspect: &core.Suspects{}, Withdrawn: []Withdrawn{{Proposal: 1, Loop: "bore"}}}}}, nil
}

func (knowing) Tray(context.Context) ([]TrayItem, error) {
	return []TrayItem{TrayItemOf("plant", core.Unplaced{ID: 3, Code: "nowhere"})}, nil
}

func (knowing) Assign(_ context.Context, id string, _ core.Assign) (bridge.Released, error) {
	if id != "plant/3" {
		return bridge.Released{}, ErrNoItem
	}
	return bridge.Released{Events: []core.Event{core.Waits{}}}, nil
}

func (knowing) Discard(context.Context, string, core.Discard) (bridge.Released, error) {
	return bridge.Released{}, nil
}

func (knowing) Plug(context.Context, string, core.Plug) (bridge.Released, error) {
	size, aim := core.Plugged{}.Size, core.Plugged{}.Aim
	return bridge.Released{Events: []core.Event{core.Plugged{Size: size, Aim: aim}}}, nil
}

// TestRealAnswersAreAsDescribed asks for everything and holds each answer, good
// or not, against the description.
func TestRealAnswersAreAsDescribed(t *testing.T) {
	secret, hash := account.NewToken()
	p := rich()
	l, err := New(Options{Plant: p, Trust: knowing{}, Log: zap.NewNop()}).ListenPage(PageOptions{
		Listen: "127.0.0.1:0",
		House: account.New(account.Options{
			People: people, Tokens: []account.Token{{Name: "line-host", Role: core.Engineer, Hash: hash}}, Match: func(h, p string) bool { return h == p },
		}),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	s := &shown{Listener: l}
	b := s.browser(t)
	doc := described(t)
	asked := map[string]bool{}
	ask := func(bearer, method, path, body string, want int) {
		t.Helper()
		r, _ := http.NewRequest(method, b.base+path, strings.NewReader(body)) //nolint:errcheck // the test's own
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", b.base)
		if bearer != "" {
			r.Header.Set("Authorization", "Bearer "+bearer)
		}
		resp, err := b.http.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		all, _ := io.ReadAll(resp.Body) //nolint:errcheck // looked at below
		if resp.StatusCode != want {
			t.Errorf("%s %s: %d %s, want %d", method, path, resp.StatusCode, all, want)
		}
		if err := doc.Answer(method, path, resp.StatusCode, all); err != nil {
			t.Error(err)
		}
		asked[method+" "+strings.Split(path, "?")[0]] = true
	}
	for _, path := range []string{
		"/v1/openapi.json", "/v1/status", "/v1/queue", "/v1/queue/mill/17", "/v1/requests", "/v1/history", "/v1/history?limit=1&ring=ring+28&from=2026-03-02", "/v1/handover", "/v1/board", "/v1/machines", "/v1/machines/mill", "/v1/machines/mill/inside",
		"/v1/trend/mill?loop=bore", "/v1/gauges", "/v1/tray",
	} {
		ask(secret, "GET", path, "", 200)
	}
	for _, x := range []struct {
		path, body string
		want       int
	}{
		{"/v1/queue/mill/17/measure", `{"on":true}`, 200},
		{"/v1/queue/mill/17/lower", `{"digest":"d1","new_nm":9000}`, 200},
		{approve17, `{"digest":"d1"}`, 200},
		{"/v1/queue/lathe/1/approve", `{"digest":"d1"}`, 404},
		{approve17, `{"wrong":1}`, 400},
		{"/v1/queue/mill/17/reject", `{"reason":"chip"}`, 200},
		{"/v1/hold", `{}`, 200},
		{"/v1/hold", `{"loop":"bore"}`, 400},
		{"/v1/resume", `{"note":"seen"}`, 200},
		{"/v1/gauges/bore-1/check", `{"standard":"ring 28","as_found":"0.001 mm","adjusted":true}`, 200},
		{"/v1/gauges/bore-1/check", `{"standard":"ring 28","as_found":"1","adjusted":true}`, 400},
		{"/v1/tray/plant/3/assign", `{"part":"7","reason":"saw it"}`, 200},
		{"/v1/tray/plant/4/assign", `{"part":"7","reason":"saw it"}`, 404},
		{"/v1/tray/plant/3/discard", `{"reason":"a ring"}`, 200},
		{"/v1/machines/mill/readings", `{"characteristic":"bore","part":"7","value":"28.01 mm","reason":"gateway is down"}`, 200},
		{"/v1/machines/mill/readings", `{"characteristic":"bore","value":"28.01 mm","reason":"x"}`, 400},
		{"/v1/machines/mill/plugs", `{"characteristic":"bore","part":"7","plug":"GO","enters":false}`, 200},
		{"/v1/gauges/bore-1/check", `{"standard":"ring 28","read":"0.001 mm","adjusted":false}`, 200},
		{"/v1/gauges/bore-1/check", `{"standard":"another","read":"0.001 mm","adjusted":false}`, 400},
		{"/v1/machines/mill/tools/T12/new", `{}`, 200},
		{"/v1/queue/mill/17/typed", `{"digest":"d"}`, 200},
		{"/v1/machines/mill/register", `{"register":"T12 D","value":"0.012 mm"}`, 200},
		{"/v1/machines/mill/register", `{"register":"another","value":"0.012 mm"}`, 404},
		{"/v1/machines/mill/first", `{"part":"58"}`, 200},
		{"/v1/machines/mill/loops/bore/back", `{}`, 200},
		{"/v1/machines/mill/loops/bore/step", `{"size":"-0.008 mm"}`, 200},
		{"/v1/machines/mill/loops/bore/step", `{"size":"eight"}`, 400},
		{"/v1/machines/mill/loops/bore/first", `{"part":"57"}`, 200},
		{"/v1/machines/mill/tasks", `{"gauge":"bore-1","part":"58"}`, 200},
		{"/v1/machines/mill/tasks", `{"gauge":"bore-1","part":"58","ring":"ring 28"}`, 400},
		{"/v1/machines/mill/tasks", `{"part":"58"}`, 400},
		{"/v1/session", `{"person":"p1","pin":"274916"}`, 403},
	} {
		ask(secret, "POST", x.path, x.body, x.want)
	}
	ask("", "GET", "/v1/status", "", 401)
	ask("wrong", "GET", "/v1/status", "", 401)
	ask(secret, "GET", "/v1/history?limit=x", "", 400)
	ask("", "GET", "/v1/session", "", 200)
	ask("", "POST", "/v1/session", `{"person":"p1","pin":"000000"}`, 403)
	ask("", "POST", "/v1/session", `{"person":"p1","pin":"274916"}`, 200)
	ask("", "POST", "/v1/session/first", `{"code":"x","name":"Eve","pin":"274916"}`, 403)
	ask("", "GET", "/v1/session", "", 200)
	ask("", "POST", "/v1/session/touch", `{}`, 200)
	ask("", "POST", "/v1/session/reads", `{"language":"en"}`, 200)
	ask("", "POST", "/v1/session/proof", `{"pin":"274916"}`, 200)
	ask("", "DELETE", "/v1/session", "", 200)
	missing := []string{}
	for _, o := range operations() {
		method, path, _ := strings.Cut(o.pattern, " ")
		path = strings.NewReplacer("{machine}/{id}", "mill/17", "{machine}", "mill", "{gauge}", "bore-1", "{tray}/{id}", "plant/3", "{tool}", "T12", "{loop}", "bore").Replace(path)
		if !o.stream && !asked[method+" "+path] {
			missing = append(missing, o.pattern)
		}
	}
	if len(missing) > 0 {
		t.Errorf("never asked: %v", missing)
	}
	if n := len(p.calls); n != 15 {
		t.Errorf("%d inputs reached the plant, want measure, lower, approve, reject, hold, resume, a reading, an insert, what was typed twice, a first part, a put-back, a test step, a signature and a task", n)
	}
}

// A wrong description must be told from a right one, or the test above says
// nothing.
func TestADescriptionThatLacksAKeyIsFoundOut(t *testing.T) {
	doc := described(t)
	body, err := json.Marshal(CardOf(card()))
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Answer("GET", "/v1/queue/mill/17", 200, body); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ from, to string }{{`"digest"`, `"digests"`}, {`"in_transit":2`, `"in_transit":"2"`}, {`"old_nm":12000`, `"old_nm":1.5`}} {
		bad := strings.Replace(string(body), x.from, x.to, 1)
		if bad == string(body) {
			t.Fatalf("%s is not in %s", x.from, body)
		}
		if doc.Answer("GET", "/v1/queue/mill/17", 200, []byte(bad)) == nil {
			t.Errorf("an answer with %s passes", x.to)
		}
	}
}

// The same approval by the same person again answers the same and does nothing;
// by another it is told who was first.
func TestAnApprovalIsTakenOnce(t *testing.T) {
	s := open(t, false)
	one, two := s.browser(t), s.browser(t)
	one.signIn("p1", "274916")
	two.signIn("p2", "805133")
	for range 1000 {
		if status, code := one.post(approve17, `{"digest":"d1"}`); status != http.StatusOK {
			t.Fatalf("%d %s", status, code)
		}
	}
	if n := len(s.plant.made()); n != 1 {
		t.Fatalf("1000 equal approvals: %d inputs", n)
	}
	s.plant.mu.Lock()
	s.plant.decline = "gone"
	s.plant.mu.Unlock()
	r, _ := http.NewRequest("POST", two.base+approve17, strings.NewReader(`{"digest":"d1"}`)) //nolint:errcheck // the test's own
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Origin", two.base)
	resp, err := two.http.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var no Refusal
	if err := json.NewDecoder(resp.Body).Decode(&no); err != nil || resp.StatusCode != 409 || no.Error.By != "p1" {
		t.Errorf("the second: %d %+v %v", resp.StatusCode, no, err)
	}
	if status, code := one.post(approve17, `{"digest":"d2"}`); status != 409 || code != "gone" {
		t.Errorf("another digest is another approval: %d %s", status, code)
	}
}

// With its token a program may do what its role may, and no more; a browser
// cannot be made to bring one, so that no origin is asked for.
func TestATokenHasItsRole(t *testing.T) {
	tokens := map[core.Role]string{}
	var all []account.Token
	for _, role := range []core.Role{core.Viewer, core.Operator} {
		secret, hash := account.NewToken()
		tokens[role] = secret
		all = append(all, account.Token{Name: "t-" + string(role), Role: role, Hash: hash})
	}
	p := &plant{status: Status{Machines: []core.View{{Machine: "mill", Up: true, Proposals: []core.ProposalView{card()}}}}}
	l, err := New(Options{Plant: p, Log: zap.NewNop()}).ListenPage(PageOptions{Listen: "127.0.0.1:0", House: account.New(account.Options{Tokens: all})})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	ask := func(head, method, path string) (int, string) {
		r, _ := http.NewRequest(method, strings.TrimSuffix(l.URL(), "/")+path, strings.NewReader(`{"digest":"d1"}`)) //nolint:errcheck // the test's own
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Authorization", head)
		resp, err := (&http.Client{Timeout: 10 * time.Second}).Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		var no Refusal
		json.NewDecoder(resp.Body).Decode(&no) //nolint:errcheck // empty when accepted
		return resp.StatusCode, no.Error.Code
	}
	for _, x := range []struct {
		head, method, path, want string
	}{
		{"Bearer " + tokens[core.Viewer], "GET", "/v1/queue", "200 "},
		{"Bearer " + tokens[core.Viewer], "POST", approve17, "403 role"},
		{"Bearer x", "POST", approve17, "401 token"},
		{"Basic " + tokens[core.Operator], "POST", approve17, "401 token"},
		{tokens[core.Operator], "GET", "/v1/queue", "401 token"},
		{"Bearer " + tokens[core.Operator], "DELETE", "/v1/session", "403 token"},
		{"Bearer " + tokens[core.Operator], "POST", approve17, "200 "},
	} {
		if status, code := ask(x.head, x.method, x.path); fmt.Sprint(status, " ", code) != x.want {
			t.Errorf("%.12s… %s %s: %d %s, want %s", x.head, x.method, x.path, status, code, x.want)
		}
	}
	want := core.Approve{Proposal: 17, Digest: "d1", Who: core.Person{Principal: "t-operator", Role: core.Operator, Auth: "token"}}
	if all := p.made(); len(all) != 1 || all[0] != core.Fact(want) {
		t.Errorf("happened: %+v", all)
	}
}
