package machine

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"

	"go.uber.org/zap"
)

// ownYears is how long a certificate that we make for ourselves is valid: it is
// trusted by a person at the server, one by one, and revoked by deleting it
// there, so that a short life would protect nothing and stop a plant.
const ownYears = 10

// making lets machines that share one certificate make it once.
var making sync.Mutex

// ensureIdentity makes our certificate and key where neither file exists. Files
// that are there, readable or not, are never touched: only one of the two is an
// error. The key is readable by its owner only.
func ensureIdentity(o *Options) error {
	s := o.Security
	if s.CertificateFile == "" || s.Mode == "None" {
		return nil
	}
	making.Lock()
	defer making.Unlock()
	cert, key := absent(s.CertificateFile), absent(s.KeyFile)
	switch {
	case s.CertificateFile == s.KeyFile && cert:
		return fmt.Errorf("our certificate and our key are both to be in %q, give each its own file", s.CertificateFile)
	case !cert && !key:
		return nil
	case cert && !key:
		return fmt.Errorf("our certificate %q is missing but its key %q is there, put it back or remove the key as well", s.CertificateFile, s.KeyFile)
	case key && !cert:
		return fmt.Errorf("our key %q is missing but its certificate %q is there, put it back or remove the certificate as well", s.KeyFile, s.CertificateFile)
	}
	der, private, err := newIdentity(o.Wall())
	if err != nil {
		return fmt.Errorf("no certificate of our own can be made: %w", err)
	}
	if err := create(s.KeyFile, &pem.Block{Type: "PRIVATE KEY", Bytes: private}); err != nil {
		return fmt.Errorf("our key cannot be saved, let the daemon's user write there or put certificate and key there: %w", err)
	}
	if err := create(s.CertificateFile, &pem.Block{Type: "CERTIFICATE", Bytes: der}); err != nil {
		return errors.Join(fmt.Errorf("our certificate cannot be saved, let the daemon's user write there or put certificate and key there: %w", err),
			os.Remove(s.KeyFile)) // ours of a moment ago: nobody has used it
	}
	sum := sha256.Sum256(der)
	o.Log.Warn("a certificate of our own was made, let the machine's server trust it",
		zap.String("certificate", s.CertificateFile), zap.String("key", s.KeyFile), zap.String("sha256", hex.EncodeToString(sum[:])))
	return nil
}

func absent(path string) bool {
	_, err := os.Lstat(path)
	return errors.Is(err, fs.ErrNotExist)
}

// newIdentity returns a self-signed application certificate (OPC 10000-6,
// application instance certificates) and its key, in DER.
func newIdentity(now time.Time) (cert, key []byte, err error) {
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		return nil, nil, err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return nil, nil, err
	}
	host, err := os.Hostname()
	if err != nil || host == "" {
		host = "localhost"
	}
	template := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: clipTo(64, "offsetbridge on "+host)},
		NotBefore:    now.Add(-time.Hour), // a control's clock may be behind
		NotAfter:     now.AddDate(ownYears, 0, 0),
		URIs:         []*url.URL{{Scheme: "urn", Opaque: url.PathEscape(host) + ":offsetbridge:client"}},
		DNSNames:     []string{host},
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageContentCommitment | x509.KeyUsageKeyEncipherment |
			x509.KeyUsageDataEncipherment | x509.KeyUsageCertSign,
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
		BasicConstraintsValid: true,
	}
	if cert, err = x509.CreateCertificate(rand.Reader, template, template, &k.PublicKey, k); err != nil {
		return nil, nil, err
	}
	key, err = x509.MarshalPKCS8PrivateKey(k)
	return cert, key, err
}

// create writes a file that did not exist, whole or not at all.
func create(path string, b *pem.Block) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".offsetbridge-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) //nolint:errcheck // the link stays
	_, err = f.Write(pem.EncodeToMemory(b))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Link(f.Name(), path) // fails where somebody was faster
}

// ownDates warns of our own certificate's end; what follows from it is the
// server's to say.
func ownDates(der []byte, o *Options) {
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return // it was read a moment ago
	}
	switch now := o.Wall(); {
	case now.After(cert.NotAfter):
		o.Log.Warn("our own certificate has expired, the server may refuse us: replace it and let the server trust the new one",
			zap.String("certificate", o.Security.CertificateFile), zap.Time("not_after", cert.NotAfter))
	case cert.NotAfter.Sub(now) < warnBefore:
		o.Log.Warn("our own certificate expires soon, replace it and let the server trust the new one",
			zap.String("certificate", o.Security.CertificateFile), zap.Time("not_after", cert.NotAfter))
	}
}
