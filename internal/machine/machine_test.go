package machine

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	sim "offsetbridge/simulators/machine"
)

// The server behind the address is replaced by another machine's while we are
// connected: nothing is written to it, and it is a difference.
func TestServerReplaced(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	r.set("serial", "K-2") // even without a new session
	in := s.intent(12 * step)
	if o := s.write(in); o.Result != core.NotSent || o.Code != CodePreRead && o.Code != CodeDown && o.Code != CodeEpoch {
		t.Errorf("outcome %+v", o)
	}
	s.down(CodeSerial)
	if !s.link.Bad || !strings.Contains(s.link.Text, "K-2") {
		t.Errorf("link %+v", s.link)
	}
	s.holds(0.010, 0)
	r.set("serial", "K-1")
	s.live()
}

// A new namespace order after a restart is no difference: URIs are resolved
// anew. A new description is one, once.
func TestDescriptionChangesBetweenSessions(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	r.down()
	s.until("link down", func() bool { return !s.link.Up })
	r.f.mu.Lock()
	r.f.table = []string{r.f.table[0], r.f.table[1], "urn:new", fakeURI}
	for id, n := range r.f.nodes {
		delete(r.f.nodes, id)
		r.f.nodes[strings.Replace(id, "ns=2", "ns=3", 1)] = n
		for name, to := range n.props {
			n.props[name] = strings.Replace(to, "ns=2", "ns=3", 1)
		}
	}
	r.f.mu.Unlock()
	r.up()
	s.live()

	r.down()
	s.until("link down", func() bool { return !s.link.Up })
	r.f.mu.Lock()
	r.f.nodes["ns=3;s=R1.Range"].value = ua.NewExtensionObject(&ua.Range{Low: -0.6, High: 0.6})
	r.f.mu.Unlock()
	r.up()
	s.down(CodeMetadata)
	if !s.link.Bad {
		t.Errorf("link %+v", s.link)
	}
	s.live() // a person has to clear what that caused; the connection itself is good
}

// A server that gives no subscription is polled.
func TestPolledWithoutSubscription(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, func(o *Options) {
		o.Poll = 5 * time.Millisecond
		o.connect = func(ctx context.Context, o *Options) (session, *Peer, error) {
			x, p, err := r.f.connect(ctx, o)
			return unwatchedSession{x}, p, err
		}
	})
	s.live()
	r.f.mu.Lock()
	r.f.nodes["ns=2;s=counter"].value = uint64(8) // wakes nobody
	r.f.mu.Unlock()
	s.until("counter 8", func() bool { return s.sample.Counter == 8 })
	if s.sample.Epoch != 1 {
		t.Errorf("session %d", s.sample.Epoch)
	}
}

type unwatchedSession struct{ session }

func (unwatchedSession) watch(context.Context, []*ua.NodeID, time.Duration, func()) error {
	return errors.Join(errUnwatched, ua.StatusBadServiceUnsupported)
}

// A tool generation may be unreadable, everything else may not.
func TestUnreadable(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	r.f.change("generation", func(n *fakeNode) { n.status = ua.StatusBadNoCommunication })
	s.until("generation -1", func() bool { return s.sample.Tools[0] == -1 })
	for _, name := range []string{"R1", "counter", "program", "permitted", "part", "serial"} {
		r.f.change(name, func(n *fakeNode) { n.status = ua.StatusUncertainLastUsableValue })
		s.down(CodeRead)
		if s.link.Bad {
			t.Errorf("%s: link %+v", name, s.link)
		}
		r.f.change(name, func(n *fakeNode) { n.status = ua.StatusOK })
		s.live()
	}
	r.f.change("R1", func(n *fakeNode) { n.value = int32(1) })
	s.down(CodeType)
}

// What the machine does not tell: samples come, with the values promised.
func TestMachineThatLacks(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, func(o *Options) {
		o.Counter, o.Program, o.Permitted, o.PartSerial, o.Tools[0].Generation = Node{}, Node{}, Node{}, Node{}, Node{}
	})
	s.live()
	x := s.sample
	if x.Counter != 0 || x.Program != "" || !x.Permitted || x.Serial != "" || x.Tools[0] != -1 {
		t.Errorf("sample %+v", x)
	}
	in := s.intent(12 * step)
	in.Program = ""
	s.expect(s.write(in), core.Applied, "")
}

// A state that permits is one of those listed; a boolean may be inverted.
func TestPermitted(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	r.f.add("state", "Reset", 12, 1)
	s := play(t, r, func(o *Options) {
		o.Permitted = Node{ID: strings.Replace(o.Permitted.ID, "permitted", "state", 1), Equals: []string{"Reset", "Interrupted"}}
	})
	s.live()
	for _, state := range []any{"Active", "Interrupted", "", "Reset"} {
		r.f.change("state", func(n *fakeNode) { n.value = state })
		want := state == "Reset" || state == "Interrupted"
		s.until("the state", func() bool { return s.sample.Permitted == want })
	}
	inverted := play(t, newFakeRig(), func(o *Options) { o.Permitted.Invert = true })
	inverted.live()
	if inverted.sample.Permitted {
		t.Error("an inverted true permits")
	}
}

// The server runs, but says that it is not in order.
func TestServerNotRunning(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, nil)
	s.live()
	r.f.mu.Lock()
	r.f.state = int32(ua.ServerStateSuspended)
	r.f.mu.Unlock()
	s.down(CodeState)
	if s.link.Bad || !strings.Contains(s.link.Text, "Suspended") {
		t.Errorf("link %+v", s.link)
	}
	r.f.mu.Lock()
	r.f.state = 0
	r.f.mu.Unlock()
	s.live()
}

// A planned new session waits for a write that runs, and nothing is lost.
func TestRenew(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, func(o *Options) { o.Renew = 50 * time.Millisecond })
	s.live()
	s.epoch().via = writerFunc(func(ctx context.Context, x session, id *ua.NodeID, v *ua.Variant, w time.Duration) (ua.StatusCode, error) {
		time.Sleep(150 * time.Millisecond)
		return direct{}.put(ctx, x, parcel{node: id, value: v}, w)
	})
	in := s.intent(12 * step)
	if o := s.write(in); o.Result != core.Applied && o.Code != CodeEpoch && o.Code != CodeDown {
		t.Errorf("outcome %+v", o)
	}
	s.down(CodeRenew)
	if s.link.Bad {
		t.Errorf("link %+v", s.link)
	}
	s.live()
}

// Fifty sessions, with writes and outages, leave no goroutine behind.
func TestNothingLeaks(t *testing.T) {
	before := runtime.NumGoroutine()
	r := startSim(t, nil)
	s := play(t, r, nil)
	for i := range 50 {
		s.live()
		s.epoch().end(wait([]core.Code{CodeLost, CodeDropped}[i%2], "on purpose"))
		s.until("link down", func() bool { return !s.link.Up })
	}
	s.live()
	if s.link.Epoch != 51 {
		t.Errorf("session %d", s.link.Epoch)
	}
	if err := s.m.Close(); err != nil {
		t.Fatal(err)
	}
	r.s.Close()
	deadline := time.Now().Add(patience)
	for runtime.NumGoroutine() > before {
		if time.Now().After(deadline) {
			all := make([]byte, 1<<20)
			t.Fatalf("%d goroutines, %d before\n%s", runtime.NumGoroutine(), before, all[:runtime.Stack(all, true)])
		}
		time.Sleep(time.Millisecond)
	}
	if n := r.s.Connections(); n > 0 {
		t.Errorf("%d connections left", n)
	}
}

// Close ends everything, twice as well, and in whatever state the session is.
func TestClose(t *testing.T) {
	t.Parallel()
	for name, prepare := range map[string]func(*scene){
		"up":   func(s *scene) { s.live() },
		"down": func(s *scene) { s.r.down(); s.until("down", func() bool { return len(s.links) > 0 && !s.link.Up }) },
		"new":  func(*scene) {},
		"silent": func(s *scene) {
			s.live()
			s.r.arm(frozen, 0)
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := play(t, startSim(t, nil), nil)
			prepare(s)
			if err := errors.Join(s.m.Close(), s.m.Close()); err != nil {
				t.Error(err)
			}
			for range s.m.Events() { // ends
			}
			s.expect(s.write(s.intentOr()), core.NotSent, CodeDown)
		})
	}
}

func (s *scene) intentOr() core.Intent {
	if s.sample.Registers == nil {
		return core.Intent{ID: 42, Register: "R1"}
	}
	return s.intent(12 * step)
}

// Options that can never work are reported as a difference, at once.
func TestOpenWithBadOptions(t *testing.T) {
	t.Parallel()
	s := play(t, newFakeRig(), func(o *Options) { o.Registers[0].Node.ID = "ns=2;s=R1" })
	s.down(CodeConfig)
	if !s.link.Bad || !strings.Contains(s.link.Text, "namespace index") {
		t.Errorf("link %+v", s.link)
	}
}

// While nobody takes events, changes wait in order and samples that say the
// same do not; far too many end the session, and the consumer learns it.
func TestSlowConsumer(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	s := play(t, r, func(o *Options) { o.Poll, o.Health, o.Retry = time.Millisecond, time.Hour, time.Hour })
	s.live()
	for i := range maxQueued / 2 {
		r.set("counter", 100+i)
		want := s.m.order.Load() + 2 // a whole sample after the change
		for deadline := time.Now().Add(patience); s.m.order.Load() < want; time.Sleep(100 * time.Microsecond) {
			if time.Now().After(deadline) {
				t.Fatal("no samples")
			}
		}
	}
	for i := range maxQueued / 2 {
		s.until("every count", func() bool { return s.sample.Counter >= uint64(100+i) })
		if s.sample.Counter != uint64(100+i) {
			t.Fatalf("count %d where %d was to come", s.sample.Counter, 100+i)
		}
	}
	for i := 0; s.epoch() != nil; i++ {
		r.set("counter", 1000+i)
		time.Sleep(time.Millisecond)
		if i > 100*maxQueued {
			t.Fatal("the queue has no end")
		}
	}
	s.until("the gap", func() bool { return !s.link.Up })
	if s.link.Cause != CodeSlow {
		t.Errorf("link %+v", s.link)
	}
}

// A wrong password is said, is no difference, and is not hammered.
func TestWrongPassword(t *testing.T) {
	t.Parallel()
	r := startSim(t, func(o *sim.Options) { o.Secure, o.User, o.Password = true, "bridge", "open sesame" })
	s := play(t, r, func(o *Options) { o.Security.Password = "open sesamy" })
	s.down(CodeLogin)
	if s.link.Bad || strings.Contains(s.link.Text, "sesam") {
		t.Errorf("link %+v", s.link)
	}
	anonymous := play(t, r, func(o *Options) { o.Security.User, o.Security.Password = "", "" })
	anonymous.down(CodeSecurity)
}

// Inspect reports every problem of the options, and of the machine, at once.
func TestInspectTellsAll(t *testing.T) {
	t.Parallel()
	r := newFakeRig()
	o := hurried(r.options())
	o.Endpoint, o.Registers[0].Unit = "nowhere", ""
	if n := len(Inspect(t.Context(), o).Problems); n != 2 {
		t.Errorf("%d problems of the options", n)
	}
	o = hurried(r.options())
	o.Serial, o.Demo, o.Counter.ID, o.Registers[1].Band.High = "K-9", false, o.Counter.ID+"x", 600*step
	report := Inspect(t.Context(), o)
	codes := map[string]bool{}
	for _, p := range report.Problems {
		codes[p.Code] = true
		if !p.Bad || p.Text == "" {
			t.Errorf("problem %+v", p)
		}
	}
	for _, c := range []core.Code{CodeSerial, CodeDemo, CodeNode, CodeRange} {
		if !codes[string(c)] {
			t.Errorf("%s is missing in %+v", c, report.Problems)
		}
	}
	if report.Up || !report.Demo || len(report.Nodes) != 8 || report.Metadata == "" {
		t.Errorf("report %+v", report)
	}
	for _, n := range report.Nodes {
		if n.Name == "R1" && (!n.Found || n.Type != "Double" || n.Unit != "mm" || n.Range != "-0.5..0.5" || !n.Writable || n.Value != "0.01") {
			t.Errorf("R1: %+v", n)
		}
	}
	o = hurried(r.options())
	if report = Inspect(t.Context(), o); !report.Up || len(report.Problems) != 0 {
		t.Errorf("report %+v", report)
	}
	if r.effects() != 0 {
		t.Error("an inspection wrote")
	}
}
