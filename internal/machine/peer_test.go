package machine

import (
	"bufio"
	"encoding/base64"
	"encoding/json"
	"io"
	"os/exec"
	"strings"
	"testing"
	"time"

	"offsetbridge/testdata/peers"
)

// peer is a running server that shares no code with the client: node-opcua, in
// a process of its own, driven by JSON lines.
type peer struct {
	t           *testing.T
	in          io.WriteCloser
	lines       chan string
	endpoint    string
	certificate []byte
}

func startPeer(t *testing.T, options map[string]any) *peer {
	t.Helper()
	folder := peers.Ready(t)
	arg, err := json.Marshal(options)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "machine.mjs", string(arg))
	cmd.Dir = folder
	var noise strings.Builder
	cmd.Stderr = &noise
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p := &peer{t: t, in: in, lines: make(chan string, 16)}
	go func() {
		defer close(p.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			p.lines <- s.Text()
		}
	}()
	t.Cleanup(func() {
		in.Close() // the peer ends with its standard input
		kill := time.AfterFunc(10*time.Second, func() { _ = cmd.Process.Kill() })
		defer kill.Stop()
		for range p.lines {
		}
		_ = cmd.Wait()
		if said := noise.String(); t.Failed() {
			t.Logf("the peer said at last: %s", said[max(0, len(said)-2000):])
		}
	})
	var ready struct{ Endpoint, Certificate, Error string }
	p.line(&ready, 2*time.Minute)
	if ready.Endpoint == "" {
		t.Fatalf("the peer did not start: %s", ready.Error)
	}
	p.endpoint = ready.Endpoint
	p.certificate, _ = base64.StdEncoding.DecodeString(ready.Certificate)
	return p
}

func (p *peer) line(into any, wait time.Duration) {
	p.t.Helper()
	select {
	case l, ok := <-p.lines:
		if !ok {
			p.t.Fatal("the peer ended")
		}
		if err := json.Unmarshal([]byte(l), into); err != nil {
			p.t.Fatalf("the peer said %q: %v", l, err)
		}
	case <-time.After(wait):
		p.t.Fatal("the peer says nothing")
	}
}

type peerState struct {
	Counter   uint64
	Cutting   bool
	Tools     map[string]struct{ Generation int64 }
	Registers map[string]float64
	Log       []struct {
		Register string
		Old, New float64
	}
}

func (p *peer) do(command map[string]any) peerState {
	p.t.Helper()
	b, err := json.Marshal(command)
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := p.in.Write(append(b, '\n')); err != nil {
		p.t.Fatal(err)
	}
	var answer struct {
		OK    bool
		Error string
		State peerState
	}
	p.line(&answer, patience)
	if !answer.OK {
		p.t.Fatalf("the peer refused %s: %s", b, answer.Error)
	}
	return answer.State
}

func (p *peer) state() peerState { return p.do(map[string]any{"do": "state"}) }

func peerOptions() map[string]any {
	r := func(name string, initial float64) map[string]any {
		return map[string]any{
			"name": name, "tool": "T1", "unit": "mm", "kind": "radius",
			"resolution": 0.001, "min": -0.5, "max": 0.5, "initial": initial,
		}
	}
	return map[string]any{
		"serial": "K-1", "name": "peer", "program": "P1", "tools": []any{map[string]any{"name": "T1"}},
		"registers": []any{r("R1", 0.010), r("R2", -0.020)},
	}
}

// peerRig is one test on a peer that several tests share one after another: it
// starts from where the last one left counter, tool and log.
type peerRig struct {
	p     *peer
	proxy *proxy
	start peerState
}

func newPeerRig(t *testing.T, p *peer) *peerRig {
	p.t = t
	if p.state().Cutting {
		p.do(map[string]any{"do": "end"})
	}
	p.do(map[string]any{"do": "set", "register": "R1", "value": 0.010})
	p.do(map[string]any{"do": "set", "register": "R2", "value": -0.020})
	p.do(map[string]any{"do": "program", "value": "P1"})
	return &peerRig{p, startProxy(t, p.endpoint), p.state()}
}

func (r *peerRig) options() Options {
	id := func(s string) Node { return Node{ID: "nsu=urn:offsetbridge:simulated-machine:builder;s=" + s} }
	o := Options{
		Endpoint: r.proxy.endpoint(), SerialNode: id("Identification/SerialNumber").ID,
		Counter: id("Production/PartsCompleted"), Program: id("Production/ActiveProgram/Name"),
		Permitted: id("Offsets/WritePermitted"), PartSerial: id("Production/PartSerial"),
		Tools:     []Tool{{"T1", id("Equipment/Tools/T1/Generation")}},
		Registers: []Register{register("R1", id("Offsets/R1")), register("R2", id("Offsets/R2"))},
	}
	if len(r.p.certificate) > 0 {
		o.Security = ownSecurity(r.p.t)
		o.Security.Policy, o.Security.Mode = "Basic256Sha256", "SignAndEncrypt"
		o.Security.Pinned = fingerprint(r.p.certificate)
		o.Security.User, o.Security.Password = "bridge", "open sesame"
	}
	return o
}

func (r *peerRig) base() (uint64, int64) { return r.start.Counter, r.start.Tools["T1"].Generation }

func (r *peerRig) set(what string, v any) {
	switch what {
	case "counter":
		for r.p.state().Counter < uint64(v.(int)) {
			r.p.do(map[string]any{"do": "end"})
		}
	case "generation":
		for r.p.state().Tools["T1"].Generation < int64(v.(int)) {
			r.p.do(map[string]any{"do": "tool", "tool": "T1"})
		}
	case "program":
		r.p.do(map[string]any{"do": "program", "value": v})
	case "permitted":
		if !v.(bool) {
			r.p.do(map[string]any{"do": "begin"})
		}
	default:
		r.p.do(map[string]any{"do": "set", "register": what, "value": v})
	}
}

func (r *peerRig) get(name string) float64               { return r.p.state().Registers[name] }
func (r *peerRig) effects() int                          { return len(r.p.state().Log) - len(r.start.Log) }
func (r *peerRig) down()                                 { r.proxy.outage(true) }
func (r *peerRig) up()                                   { r.proxy.outage(false) }
func (r *peerRig) arm(m mishap, late time.Duration) bool { return r.proxy.arm(m, late) }
func (r *peerRig) clear()                                { r.proxy.clear() }

func TestConformancePeer(t *testing.T) {
	t.Parallel()
	p := startPeer(t, peerOptions())
	conformance(t, func(t *testing.T) rig { return newPeerRig(t, p) }, func(*testing.T) {})
}

// The secured peer, briefly: what an encrypted channel cannot be made to lose
// has been lost on the plain one.
func TestSecuredPeer(t *testing.T) {
	t.Parallel()
	o := peerOptions()
	o["secure"], o["user"], o["password"] = true, "bridge", "open sesame"
	p := startPeer(t, o)
	r := newPeerRig(t, p)
	s := play(t, r, nil)
	s.live()
	s.expect(s.write(s.intent(12*step)), "applied", "")
	s.holds(0.012, 1)
	r.down()
	s.until("link down", func() bool { return !s.link.Up })
	r.up()
	s.live()

	wrong := hurried(r.options())
	wrong.Security.Password, wrong.Request = "open sesamy", patience
	report := Inspect(t.Context(), wrong)
	if len(report.Problems) != 1 || report.Problems[0].Code != string(CodeLogin) || report.Problems[0].Bad {
		t.Errorf("wrong password: %+v", report.Problems)
	}
}
