package peers

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"math/big"
	"net"
	"net/url"
	"testing"
	"time"
)

// Identity is a certificate with its key, as PEM texts, and the application it
// was issued for.
type Identity struct {
	Certificate string `json:"certificate,omitempty"`
	Key         string `json:"key,omitempty"`
	URI         string `json:"uri,omitempty"`
}

// NewIdentity makes a self-signed application certificate.
func NewIdentity(t testing.TB, uri string, from, to time.Time) Identity {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	application, err := url.Parse(uri)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "independent machine"}, NotBefore: from, NotAfter: to,
		URIs: []*url.URL{application}, DNSNames: []string{"localhost"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment | x509.KeyUsageKeyEncipherment |
			x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	text := func(kind string, b []byte) string {
		return string(pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: b}))
	}
	return Identity{Certificate: text("CERTIFICATE", der), Key: text("PRIVATE KEY", private), URI: uri}
}

// Fingerprint is the SHA-256 of the certificate, as configurations pin it.
func (i Identity) Fingerprint() string {
	b, _ := pem.Decode([]byte(i.Certificate))
	if b == nil {
		return ""
	}
	sum := sha256.Sum256(b.Bytes)
	return hex.EncodeToString(sum[:])
}
