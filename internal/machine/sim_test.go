package machine

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"offsetbridge/internal/length"
	sim "offsetbridge/simulators/machine"
)

// simRig runs the suite on the bundled simulator, over real sockets.
type simRig struct {
	t *testing.T
	s *sim.Server
	o sim.Options
}

func simOptions() sim.Options {
	r := sim.Register{Tool: "T1", Unit: "mm", Kind: "radius", Resolution: 0.001, Min: -0.5, Max: 0.5}
	r1, r2 := r, r
	r1.Name, r1.Initial = "R1", 0.010
	r2.Name, r2.Initial = "R2", -0.020
	return sim.Options{
		Serial: "K-1", Name: "Fraese 3", Program: "P1",
		Tools: []sim.Tool{{Name: "T1", Generation: 3}}, Registers: []sim.Register{r1, r2},
	}
}

func startSim(t *testing.T, change func(*sim.Options)) *simRig {
	t.Helper()
	o := simOptions()
	if change != nil {
		change(&o)
	}
	s, err := sim.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	s.Update(func(st *sim.State) { st.Counter = 7 })
	t.Cleanup(func() {
		s.Close()
		for _, p := range s.Panics() {
			t.Errorf("the simulator panicked: %s", p)
		}
	})
	return &simRig{t, s, o}
}

func (r *simRig) options() Options {
	id := func(what string) Node { return Node{ID: r.s.NodeID(what)} }
	o := Options{
		Endpoint: r.s.Endpoint(), SerialNode: r.s.NodeID("serial"),
		Counter: id("counter"), Program: id("program"), Permitted: id("permitted"), PartSerial: id("part"),
		Tools:     []Tool{{"T1", id("tool/T1/generation")}},
		Registers: []Register{register("R1", id("register/R1")), register("R2", id("register/R2"))},
	}
	if r.o.Secure {
		o.Security = ownSecurity(r.t)
		o.Security.Policy, o.Security.Mode = "Basic256Sha256", "SignAndEncrypt"
		o.Security.Pinned = fingerprint(r.s.Certificate())
	}
	o.Security.User, o.Security.Password = r.o.User, r.o.Password
	if r.o.Handover {
		hand(&o, r.s.NodeID)
	}
	return o
}

// hand gives options the mailbox of the simulated machines.
func hand(o *Options, id func(string) string) {
	node := func(s string) Node { return Node{ID: id("handover/" + s)} }
	o.Handover = &Handover{
		Request: node("Request"), Register: node("Register"), Old: node("Old"), New: node("New"), Check: node("Check"),
		Acknowledged: node("Acknowledged"), Result: node("Result"),
	}
	o.Quarantine = 300 * time.Millisecond
	for i := range o.Registers {
		o.Registers[i].Number = int64(i + 1)
	}
}

func (r *simRig) base() (uint64, int64) { return 7, 3 }

func (r *simRig) set(what string, v any) {
	r.s.Update(func(st *sim.State) {
		switch what {
		case "counter":
			st.Counter = uint64(v.(int))
		case "generation":
			tool := st.Tools["T1"]
			tool.Generation = uint64(v.(int))
			st.Tools["T1"] = tool
		case "program":
			st.Program = v.(string)
		case "permitted":
			st.Cutting = !v.(bool)
		default:
			st.Registers[what] = v.(float64)
		}
	})
}

func (r *simRig) get(name string) float64 { return r.s.State().Registers[name] }
func (r *simRig) effects() int            { return len(r.s.Effects()) }
func (r *simRig) down()                   { r.s.Stop() }

func (r *simRig) up() {
	if err := r.s.Restart(); err != nil {
		r.t.Fatal(err)
	}
}

func (r *simRig) arm(m mishap, late time.Duration) bool {
	f, ok := map[mishap]sim.Fault{
		requestLost: sim.LoseRequest, answerLost: sim.LoseAnswer, lateEffect: sim.LateEffect(late),
		notApplied: sim.GoodNotApplied, clipped: sim.ClipValue, uncertain: sim.UncertainAnswer,
		refused: sim.RefuseWrite, droppedBefore: sim.DropOnWrite, droppedAfter: sim.DropAfterWrite,
	}[m]
	n := 1
	if m == frozen {
		f, n, ok = sim.SlowRead(time.Hour), 1000, true
	}
	if ok {
		r.s.Fault(f, n)
	}
	return ok
}

func (r *simRig) clear() { r.s.ClearFaults() }

// ownSecurity makes our certificate and key once, as files.
func ownSecurity(t testing.TB) Security {
	t.Helper()
	dir := t.TempDir()
	cert, key := ownPair()
	s := Security{CertificateFile: filepath.Join(dir, "own.pem"), KeyFile: filepath.Join(dir, "own.key")}
	for file, b := range map[string]*pem.Block{
		s.CertificateFile: {Type: "CERTIFICATE", Bytes: cert},
		s.KeyFile:         {Type: "PRIVATE KEY", Bytes: key},
	} {
		if err := os.WriteFile(file, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

var ownPair = sync.OnceValues(func() (cert, key []byte) {
	cert, k := newPair("urn:offsetbridge:test", time.Now().Add(-time.Hour), time.Now().Add(24*365*time.Hour))
	key, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		panic(err)
	}
	return cert, key
})

func newPair(uri string, from, to time.Time) ([]byte, *rsa.PrivateKey) {
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		panic(err)
	}
	u, err := url.Parse(uri)
	if err != nil {
		panic(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, NotBefore: from, NotAfter: to,
		URIs: []*url.URL{u}, BasicConstraintsValid: true,
		KeyUsage:    x509.KeyUsageDigitalSignature | x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment | x509.KeyUsageContentCommitment,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, &k.PublicKey, k)
	if err != nil {
		panic(err)
	}
	return cert, k
}

func TestConformanceSimulator(t *testing.T) {
	conformance(t, func(t *testing.T) rig { return startSim(t, nil) }, (*testing.T).Parallel)
}

func TestConformanceSimulatorHandover(t *testing.T) {
	conformance(t, func(t *testing.T) rig {
		return startSim(t, func(o *sim.Options) { o.Handover = true })
	}, (*testing.T).Parallel)
}

func TestConformanceSimulatorSecured(t *testing.T) {
	conformance(t, func(t *testing.T) rig {
		return startSim(t, func(o *sim.Options) { o.Secure, o.User, o.Password = true, "bridge", "open sesame" })
	}, (*testing.T).Parallel)
}

// A register that holds decimal text is read and written exactly.
func TestTextRegister(t *testing.T) {
	t.Parallel()
	r := startSim(t, func(o *sim.Options) { o.Registers[0].AsText = true })
	s := play(t, r, func(o *Options) { o.Registers[0].Text = true })
	s.live()
	s.expect(s.write(s.intent(-37*step)), "applied", "")
	s.holds(-0.037, 1)
}

// The same text register without permission for text is another type.
func TestTextRegisterUnannounced(t *testing.T) {
	t.Parallel()
	r := startSim(t, func(o *sim.Options) { o.Registers[0].AsText = true })
	s := play(t, r, nil)
	s.down(CodeType)
}

// A control in inches: the step of 0.0001 in survives the way there and back.
func TestInchRegister(t *testing.T) {
	t.Parallel()
	r := startSim(t, func(o *sim.Options) {
		o.Registers[0].Unit, o.Registers[0].Resolution, o.Registers[0].Initial = "in", 0.0001, 0.0003
	})
	s := play(t, r, func(o *Options) {
		o.Registers[0].Unit, o.Registers[0].Step = length.IN, 2540
	})
	s.live()
	if s.sample.Registers[0] != 3*2540 {
		t.Errorf("sample %s", s.sample.Registers[0])
	}
	s.expect(s.write(s.intent(-17*2540)), "applied", "")
	s.holds(-0.0017, 1)
}
