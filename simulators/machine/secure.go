package machine

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"math/big"
	"net"
	"net/url"
	"time"
)

// identity is the server's key with its self-made certificate.
type identity struct {
	certificate []byte // DER
	key         *rsa.PrivateKey
}

// Certificate returns the server's certificate, DER, for a client to pin; nil
// when Options.Secure is off.
func (s *Server) Certificate() []byte {
	if s.keys == nil {
		return nil
	}
	return append([]byte(nil), s.keys.certificate...)
}

// newIdentity makes an application instance certificate (OPC UA Part 6, 6.2.2).
func newIdentity(uri string) (*identity, error) {
	u, err := url.Parse(uri)
	if err != nil {
		return nil, err
	}
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	template := &x509.Certificate{
		SerialNumber: new(big.Int).SetBytes(random(16)),
		Subject:      pkix.Name{CommonName: "simulated machine"},
		NotBefore:    now.Add(-time.Hour),
		NotAfter:     now.AddDate(1, 0, 0),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment |
			x509.KeyUsageKeyEncipherment | x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		BasicConstraintsValid: true,
		URIs:                  []*url.URL{u},
		DNSNames:              []string{"localhost"},
		IPAddresses:           []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	return &identity{certificate: der, key: key}, nil
}
