package machine

import (
	"testing"
	"time"

	"offsetbridge/testdata/peers"
)

// peerRig is one test on an independent server that several tests share one
// after another: it starts from where the last one left counter, tool and log.
// A proxy in between makes it go wrong.
type peerRig struct {
	t     *testing.T
	m     *peers.Machine
	proxy *proxy
	start peers.State

	handover bool
}

func peerOptions() peers.Options {
	r := peers.Register{Tool: "T1", Unit: "mm", Kind: "radius", Resolution: 0.001, Min: -0.5, Max: 0.5}
	r1, r2 := r, r
	r1.Name, r1.Initial = "R1", 0.010
	r2.Name, r2.Initial = "R2", -0.020
	return peers.Options{
		Serial: "K-1", Name: "peer", Program: "P1",
		Tools: []peers.Tool{{Name: "T1"}}, Registers: []peers.Register{r1, r2},
	}
}

func securePeerOptions() peers.Options {
	o := peerOptions()
	o.Secure, o.User, o.Password = true, "bridge", "open sesame"
	return o
}

func newPeerRig(t *testing.T, m *peers.Machine) *peerRig {
	r := &peerRig{t: t, m: m, proxy: startProxy(t, m.Endpoint)}
	if r.state().Cutting {
		r.must(m.EndCycle())
	}
	r.must(m.SetRegister("R1", 0.010))
	r.must(m.SetRegister("R2", -0.020))
	r.must(m.SetProgram("P1"))
	r.start = r.state()
	return r
}

func (r *peerRig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *peerRig) state() peers.State {
	r.t.Helper()
	s, err := r.m.State()
	r.must(err)
	return s
}

func (r *peerRig) options() Options {
	id := func(what string) Node { return Node{ID: r.m.NodeID(what)} }
	o := Options{
		Endpoint: r.proxy.endpoint(), SerialNode: r.m.NodeID("serial"),
		Counter: id("counter"), Program: id("program"), Permitted: id("permitted"), PartSerial: id("part"),
		Tools:     []Tool{{"T1", id("tool/T1/generation")}},
		Registers: []Register{register("R1", id("register/R1")), register("R2", id("register/R2"))},
	}
	if len(r.m.Certificate) > 0 {
		o.Security = ownSecurity(r.t)
		o.Security.Policy, o.Security.Mode = "Basic256Sha256", "SignAndEncrypt"
		o.Security.Pinned = fingerprint(r.m.Certificate)
		o.Security.User, o.Security.Password = "bridge", "open sesame"
	}
	if r.handover {
		hand(&o, r.m.NodeID)
	}
	return o
}

func (r *peerRig) base() (uint64, int64) {
	return r.start.Counter, int64(r.start.Tools["T1"].Generation)
}

func (r *peerRig) set(what string, v any) {
	switch what {
	case "counter":
		for r.state().Counter < uint64(v.(int)) {
			r.must(r.m.EndCycle())
		}
	case "generation":
		for r.state().Tools["T1"].Generation < uint64(v.(int)) {
			r.must(r.m.ChangeTool("T1"))
		}
	case "program":
		r.must(r.m.SetProgram(v.(string)))
	case "permitted":
		if !v.(bool) {
			r.must(r.m.BeginCycle())
		}
	default:
		r.must(r.m.SetRegister(what, v.(float64)))
	}
}

func (r *peerRig) get(name string) float64               { return r.state().Registers[name] }
func (r *peerRig) effects() int                          { return len(r.state().Log) - len(r.start.Log) }
func (r *peerRig) down()                                 { r.proxy.outage(true) }
func (r *peerRig) up()                                   { r.proxy.outage(false) }
func (r *peerRig) arm(m mishap, late time.Duration) bool { return r.proxy.arm(m, late) }
func (r *peerRig) clear()                                { r.proxy.clear() }

func TestConformancePeer(t *testing.T) {
	t.Parallel()
	m := peers.StartMachine(t, peerOptions())
	conformance(t, func(t *testing.T) rig { return newPeerRig(t, m) }, func(*testing.T) {})
}

func TestConformancePeerHandover(t *testing.T) {
	t.Parallel()
	o := peerOptions()
	o.Handover = true
	m := peers.StartMachine(t, o)
	conformance(t, func(t *testing.T) rig {
		r := newPeerRig(t, m)
		r.handover, r.proxy.fields = true, 4 // what spoils a write spoils the request's number
		return r
	}, func(*testing.T) {})
}

// The secured peer, briefly: what an encrypted channel cannot be made to lose
// has been lost on the plain one. Its process is killed and comes back with the
// same identity in mid-session.
func TestSecuredPeer(t *testing.T) {
	t.Parallel()
	m := peers.StartMachine(t, securePeerOptions())
	r := newPeerRig(t, m)
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

	m.Kill()
	s.until("link down", func() bool { return !s.link.Up })
	m.Restart(t)
	if fingerprint(m.Certificate) == s.o.Security.Pinned {
		s.live()
		return
	}
	// It made itself a new certificate: another server, as far as we can know.
	s.down(CodeCertificate)
	if !s.link.Bad {
		t.Errorf("link %+v", s.link)
	}
}

// The plain peer is killed and comes back: the session follows by itself.
func TestPeerKilled(t *testing.T) {
	t.Parallel()
	m := peers.StartMachine(t, peerOptions())
	s := play(t, newPeerRig(t, m), nil)
	s.live()
	m.Kill()
	s.until("link down", func() bool { return !s.link.Up })
	if s.link.Bad {
		t.Errorf("link %+v", s.link)
	}
	m.Restart(t)
	s.live()
	s.expect(s.write(s.intent(12*step)), "applied", "")
}
