package intake

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"offsetbridge/testdata/peers/mosquitto"
)

// authority is a certificate authority for one test.
type authority struct {
	tb   testing.TB
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(tb testing.TB, name string) *authority {
	a := &authority{tb: tb}
	_, a.key, a.cert = a.issue(name, true)
	return a
}

// issue returns a certificate, signed by a or, at first, by itself.
func (a *authority) issue(name string, ca bool) (tls.Certificate, *ecdsa.PrivateKey, *x509.Certificate) {
	a.tb.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.tb.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: ca, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	parent, signer := a.cert, a.key
	if parent == nil {
		parent, signer = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, signer)
	if err != nil {
		a.tb.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		a.tb.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, key, cert
}

func (a *authority) pool() *x509.CertPool {
	p := x509.NewCertPool()
	p.AddCert(a.cert)
	return p
}

// write puts a certificate and its key into files as a broker reads them.
func (a *authority) write(dir, name string, c tls.Certificate) {
	a.tb.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	if err != nil {
		a.tb.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{
		name + ".crt": {Type: "CERTIFICATE", Bytes: c.Certificate[0]},
		name + ".key": {Type: "PRIVATE KEY", Bytes: der},
		"ca.crt":      {Type: "CERTIFICATE", Bytes: a.cert.Raw},
	} {
		if err := os.WriteFile(filepath.Join(dir, file), pem.EncodeToMemory(block), 0o600); err != nil {
			a.tb.Fatal(err)
		}
	}
}

// TestShippedBrokerConfiguration runs the broker with the configuration that
// users get, but for its paths and port, and connects the way they do.
func TestShippedBrokerConfiguration(t *testing.T) {
	shipped, err := os.ReadFile("../../config/deploy/mosquitto.conf")
	if err != nil {
		t.Fatal(err)
	}
	site := newAuthority(t, "site authority")
	b := mosquitto.Start(t, mosquitto.Options{Whole: func(port, dir string) string {
		broker, _, _ := site.issue("broker", false)
		site.write(dir, "broker", broker)
		acl := "pattern write cell/mill/gauge/%u/reading\nuser offsetbridge\ntopic read cell/+/gauge/+/reading\ntopic write cell/#\n"
		if err := os.WriteFile(filepath.Join(dir, "acl"), []byte(acl), 0o600); err != nil {
			t.Fatal(err)
		}
		return strings.NewReplacer(
			"/etc/mosquitto/certs", dir, "/etc/mosquitto", dir, "/var/lib/mosquitto", dir,
			"listener 8883", "listener "+port+" 127.0.0.1", "log_dest syslog", "log_dest file "+filepath.Join(dir, "mosquitto.log"),
		).Replace(string(shipped)) + mosquitto.AsRoot()
	}})
	url := "ssl://" + b.Addr()
	client, _, _ := site.issue("offsetbridge", false)

	i := open(t, url, func(o *Options) {
		o.TLS = &tls.Config{RootCAs: site.pool(), Certificates: []tls.Certificate{client}}
	})
	await(t, i, Connected)
	if err := i.Publish(bench1Topic, []byte(`{"value":28.0,"unit":"mm","characteristic":"bore","part":"1","state":"production"}`), false); err != nil {
		t.Fatal(err)
	}
	if m := next(t, i); m.Rejected != "" {
		t.Error(m.Why)
	}

	for name, config := range map[string]*tls.Config{
		"an authority we do not know": {RootCAs: newAuthority(t, "other").pool(), Certificates: []tls.Certificate{client}},
		"another host":                {RootCAs: site.pool(), Certificates: []tls.Certificate{client}, ServerName: "elsewhere"},
		"no certificate of ours":      {RootCAs: site.pool()},
	} {
		t.Run(name, func(t *testing.T) {
			s := await(t, open(t, url, func(o *Options) { o.TLS, o.ClientID = config, "stranger" }), Untrusted)
			if s.Up || !strings.HasPrefix(s.Text, "no trusted TLS connection to the broker") {
				t.Errorf("status %+v", s)
			}
		})
	}
	t.Run("no TLS at the other end", func(t *testing.T) {
		plain := mosquitto.Start(t, mosquitto.Options{})
		s := await(t, open(t, "ssl://"+plain.Addr(), nil), Untrusted)
		t.Log(s.Text)
	})
}
