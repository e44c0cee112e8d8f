package app

import (
	"bufio"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/testdata/peers"
	"offsetbridge/testdata/peers/mosquitto"
	"offsetbridge/testdata/peers/shop"
)

// confirm changes the loop's mode, for tests in which nothing may be written.
var confirm = []string{`mode      = "auto"`, `mode      = "confirm"`}

// TestNothingAnswersAtFirst starts with broker and machine down, lets them come,
// go and come again. Nobody restarts the program, and every reading is used.
func TestNothingAnswersAtFirst(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -2_000}})
	path := s.Config(t, confirm...)
	s.Broker.Stop()
	s.Machine.Kill()
	d := start(t, path)
	d.hears(t, "the broker cannot be reached, trying again")
	d.hears(t, "the machine's server cannot be reached, check its power, the network and the endpoint")
	awaits(t, d, "the broker's absence is recorded", func(b core.Broker) bool { return !b.Up && b.Code == "b-down" })
	awaits(t, d, "the machine's absence is recorded", func(l core.Linked) bool { return !l.Up && l.Cause == "m-dial" })

	s.Broker.Restart()
	s.Machine.Restart(t)
	d.live(t)
	used(t, part(t, s, d))

	s.Broker.Kill()
	d.hears(t, "the connection to the broker is lost, connecting again")
	s.Machine.Kill()
	d.hears(t, "the connection to the machine's server ended, it is being rebuilt")
	st := d.status(t)
	if st.Machines[0].Up || st.Broker.Up {
		t.Errorf("shown as connected: broker %v, machine %v", st.Broker.Up, st.Machines[0].Up)
	}
	s.Machine.Restart(t)
	s.Broker.Restart()
	d.live(t)
	used(t, part(t, s, d))
	if h := find(d, func(core.Held) bool { return true }); len(h) > 0 {
		t.Errorf("an outage clears itself, it is no reason to hold: %+v", h)
	}
	untouched(t, s)
}

func used(t *testing.T, j core.Judged) {
	t.Helper()
	if c := firstOf(j.Admit, j.Attribute); c != "" {
		t.Errorf("reading %d is not used: %s", j.Reading.Sequence, c.Words())
	}
}

// TestWrongPasswordAtTheBroker is told as what it is, and is over as soon as the
// broker knows the password.
func TestWrongPasswordAtTheBroker(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "passwords")
	set := func(user, password string) {
		if out, err := exec.Command("mosquitto_passwd", "-b", file, user, password).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	set("gauge", "g")
	set("bridge", "the old one")
	s := shop.Open(t, shop.Options{
		User: "gauge", Password: "g", Metal: shop.Metal{Setup: -2_000},
		Broker: mosquitto.Options{Whole: func(port, dir string) string {
			return "listener " + port + " 127.0.0.1\nuser root\nallow_anonymous false\npassword_file " + file + "\n"
		}},
	})
	secret := filepath.Join(s.Dir, "secret")
	if err := os.WriteFile(secret, []byte("the new one\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, s.Config(t, `silence   = "2 min"`, "user = \"bridge\"\npassword_file = \""+secret+"\""))
	d.hears(t, "the broker refuses the user name or password, correct them")
	awaits(t, d, "it is recorded", func(b core.Broker) bool { return b.Code == "b-password" })
	if strings.Contains(d.story(), "the new one") {
		t.Error("the password stands in the log or the journal")
	}
	set("bridge", "the new one")
	s.Broker.Restart()
	d.live(t)
	used(t, part(t, s, d))
}

// TestWrongPasswordAtTheMachine is told as what it is, and is over as soon as the
// server knows the password.
func TestWrongPasswordAtTheMachine(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{
		Metal:   shop.Metal{Setup: -2_000},
		Machine: func(o *peers.Options) { o.User, o.Password, o.Secure = "bridge", "the old one", true },
	})
	secret := filepath.Join(s.Dir, "secret")
	if err := os.WriteFile(secret, []byte("the new one\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cert, key := identity(t, s.Dir)
	d := start(t, s.Config(t, confirm[0], confirm[1], `security_policy = "None"`, `security_policy = "Basic256Sha256"`,
		`security_mode   = "None"`, `security_mode = "SignAndEncrypt"`, `counts_at       = "end"`, `counts_at = "end"
user = "bridge"
password_file = "`+secret+`"
cert_file = "`+cert+`"
key_file = "`+key+`"`))
	d.hears(t, "the machine's server refused the user or the password")
	awaits(t, d, "it is recorded", func(l core.Linked) bool { return l.Cause == "m-login" })
	if strings.Contains(d.story(), "the new one") {
		t.Error("the password stands in the log or the journal")
	}
	s.Machine.Change(func(o *peers.Options) { o.Password = "the new one" })
	s.Machine.Restart(t)
	d.live(t)
	used(t, part(t, s, d))
	untouched(t, s)
}

// identity makes a certificate and key of our own for secured sessions.
func identity(t *testing.T, dir string) (certFile, keyFile string) {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	cert := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "offsetbridge test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment |
			x509.KeyUsageContentCommitment | x509.KeyUsageCertSign,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		URIs:        []*url.URL{{Scheme: "urn", Opaque: "offsetbridge:test"}},
	}
	der, err := x509.CreateCertificate(rand.Reader, cert, cert, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	save := func(name, kind string, bytes []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: bytes}), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	return save("own.pem", "CERTIFICATE", der), save("own-key.pem", "RSA PRIVATE KEY", x509.MarshalPKCS1PrivateKey(key))
}

// TestAHugeHeader: a broker that announces a message of 256 MB gets its
// connection closed, no memory, and another try.
func TestAHugeHeader(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -2_000}})
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	var honest atomic.Bool
	var bad atomic.Int32
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			if honest.Load() {
				go relay(c, s.Broker.Addr())
				continue
			}
			bad.Add(1)
			go huge(c)
		}
	}()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	d := start(t, s.Config(t, s.Broker.Addr(), l.Addr().String()))
	d.hears(t, "the broker broke the protocol, connection closed")
	awaits(t, d, "it is recorded", func(b core.Broker) bool { return b.Code == "b-protocol" })
	shop.Wait(t, "another try", func() bool { return bad.Load() >= 2 })
	runtime.ReadMemStats(&after)
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 128<<20 {
		t.Errorf("%d MB were allocated for messages that never came", grown>>20)
	}
	honest.Store(true)
	d.live(t)
	used(t, part(t, s, d))
}

// huge accepts a client and announces the longest message there is (MQTT 3.1.1,
// 2.2.3).
func huge(c net.Conn) {
	defer c.Close()
	r := bufio.NewReader(c)
	if _, err := r.ReadByte(); err != nil {
		return
	}
	n, err := r.ReadByte() // a CONNECT this short has one length byte
	if err != nil {
		return
	}
	if _, err := io.CopyN(io.Discard, r, int64(n)); err != nil {
		return
	}
	c.Write([]byte{0x20, 2, 0, 0})                              //nolint:errcheck // CONNACK
	c.Write([]byte{0x32, 0xFF, 0xFF, 0xFF, 0x7F, 0, 1, 'x', 0}) //nolint:errcheck // PUBLISH of 268,435,455 bytes
	io.Copy(io.Discard, r)                                      //nolint:errcheck // until it is closed
}

func relay(c net.Conn, to string) {
	defer c.Close()
	b, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer b.Close()
	go func() {
		io.Copy(b, c) //nolint:errcheck // ends with either
		b.Close()
	}()
	io.Copy(c, b) //nolint:errcheck // ends with either
}
