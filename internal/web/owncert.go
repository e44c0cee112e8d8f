package web

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"sync"
	"time"

	"go.uber.org/zap"
)

// How long a self-made certificate is good, and how long before its end another
// takes its place: some browsers take none that is good for longer than 825 days.
const (
	ownFor   = 800 * 24 * time.Hour
	ownSpare = 30 * 24 * time.Hour
	ownSkew  = time.Hour // a client's clock may be behind
	maxOwn   = 64 << 10  // bytes of its file
)

// ownCert is the certificate that the page makes for itself where none is
// configured. Nobody vouches for it: whoever opens the page compares its
// fingerprint with the one that the program shows.
type ownCert struct {
	path string // certificate and key, for the daemon's user alone
	host string // the address that is listened to, "" for all
	now  func() time.Time
	log  *zap.Logger

	mu   sync.Mutex
	pair *tls.Certificate
}

// Fingerprint returns the SHA-256 of a certificate, in hexadecimal.
func Fingerprint(c *x509.Certificate) string {
	sum := sha256.Sum256(c.Raw)
	return hex.EncodeToString(sum[:])
}

// ReadCertificate returns the certificate a page shows, out of its PEM file.
func ReadCertificate(path string) (*x509.Certificate, error) {
	body, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("certificate %q cannot be read: %w", path, err)
	}
	for block, rest := pem.Decode(body); block != nil; block, rest = pem.Decode(rest) {
		if block.Type == "CERTIFICATE" {
			return x509.ParseCertificate(block.Bytes)
		}
	}
	return nil, fmt.Errorf("file %q holds no certificate in PEM", path)
}

// forHello hands the certificate to a connection, a new one when it is near its
// end.
func (o *ownCert) forHello(*tls.ClientHelloInfo) (*tls.Certificate, error) { return o.current() }

func (o *ownCert) current() (*tls.Certificate, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.pair != nil && o.good(o.pair.Leaf) {
		return o.pair, nil
	}
	if o.pair == nil {
		pair, err := o.read()
		if err != nil {
			return nil, err
		}
		if pair != nil && o.good(pair.Leaf) {
			o.pair = pair
			return pair, nil
		}
	}
	pair, err := o.renew()
	if err != nil {
		if o.pair != nil && o.now().Before(o.pair.Leaf.NotAfter) { // it is still good for a while
			o.log.Warn("the page's certificate cannot be renewed", zap.Error(err))
			return o.pair, nil
		}
		return nil, err
	}
	o.pair = pair
	o.log.Info("the page made a certificate of its own, compare its fingerprint in the browser",
		zap.String("sha256", Fingerprint(pair.Leaf)), zap.Time("good_until", pair.Leaf.NotAfter), zap.String("file", o.path))
	return pair, nil
}

// good reports whether a certificate lasts for a while and is for the address
// that is listened to.
func (o *ownCert) good(c *x509.Certificate) bool {
	now := o.now()
	return !now.Before(c.NotBefore) && now.Add(ownSpare).Before(c.NotAfter) && (o.host == "" || c.VerifyHostname(o.host) == nil)
}

// read returns what was made before, nil without. One that others can read is
// nobody's secret any more.
func (o *ownCert) read() (*tls.Certificate, error) {
	info, err := os.Stat(o.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("the page's own certificate cannot be read: %w", err)
	case !info.Mode().IsRegular() || info.Size() > maxOwn:
		return nil, fmt.Errorf("the page's own certificate %q is no file of at most 64 KiB, remove it: another is made", o.path)
	case info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("the page's own certificate %q with its key can be read by others (mode %#o), remove it: another is made", o.path, info.Mode().Perm())
	}
	body, err := os.ReadFile(o.path)
	if err != nil {
		return nil, fmt.Errorf("the page's own certificate cannot be read: %w", err)
	}
	pair, err := tls.X509KeyPair(body, body)
	if err != nil {
		return nil, fmt.Errorf("the page's own certificate %q is damaged, remove it: another is made: %w", o.path, err)
	}
	return &pair, nil
}

// renew makes a certificate and keeps it.
func (o *ownCert) renew() (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, err
	}
	now := o.now()
	c := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "offsetbridge"}, NotBefore: now.Add(-ownSkew), NotAfter: now.Add(ownFor),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	c.DNSNames, c.IPAddresses = ownNames(o.host)
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	var body bytes.Buffer
	for _, b := range []*pem.Block{{Type: "CERTIFICATE", Bytes: der}, {Type: "PRIVATE KEY", Bytes: raw}} {
		if err := pem.Encode(&body, b); err != nil {
			return nil, err
		}
	}
	if err := keepSecret(o.path, body.Bytes()); err != nil {
		return nil, fmt.Errorf("the page's own certificate cannot be kept, write cert_file and key_file: %w", err)
	}
	pair, err := tls.X509KeyPair(body.Bytes(), body.Bytes())
	return &pair, err
}

// ownNames are what the page can be opened by: the address that is listened to,
// or every address of this computer.
func ownNames(host string) (names []string, addresses []net.IP) {
	names, addresses = []string{"localhost"}, []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback}
	if name, err := os.Hostname(); err == nil && name != "localhost" {
		names = append(names, name)
	}
	if a, err := netip.ParseAddr(host); err == nil {
		return names, append(addresses, net.IP(a.WithZone("").AsSlice()))
	}
	all, _ := net.InterfaceAddrs() //nolint:errcheck // it is opened by its name then
	for _, a := range all {
		if n, ok := a.(*net.IPNet); ok && !n.IP.IsLoopback() && !n.IP.IsLinkLocalUnicast() && len(addresses) < 32 {
			addresses = append(addresses, n.IP)
		}
	}
	return names, addresses
}

// keepSecret puts a file in place whole, for this user alone.
func keepSecret(path string, body []byte) error {
	next := path + ".new"
	if err := os.Remove(next); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(next, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(next, path)
}
