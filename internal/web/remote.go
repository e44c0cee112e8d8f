package web

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"
)

// Remote says how to reach a program from elsewhere.
type Remote struct {
	URL         string // of its page
	Token       string // see account.NewToken
	CAFile      string // who signs its certificate; "" is the system's authorities
	Fingerprint string // SHA-256 of its certificate in hexadecimal, as its log shows it; then nothing else is asked of the certificate
}

// NewRemote returns a client that uses a token. A token goes over an encrypted
// connection, or to this computer itself.
func NewRemote(o Remote) (*Client, error) {
	u, err := url.Parse(o.URL)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" {
		return nil, fmt.Errorf("address %q is none of a page, write it as in https://192.0.2.10:8443", o.URL)
	}
	if u.Scheme == "http" && !onThisComputer(u.Host) {
		return nil, fmt.Errorf("address %q would send the token readable, write https://", o.URL)
	}
	if o.Token == "" {
		return nil, errors.New("a token is needed with an address, name its file with --token-file or put it into OFFSETBRIDGE_TOKEN")
	}
	secure, err := o.tls()
	if err != nil {
		return nil, err
	}
	transport := &http.Transport{TLSClientConfig: secure, Proxy: http.ProxyFromEnvironment}
	return &Client{path: o.URL, base: strings.TrimSuffix(o.URL, "/"), token: o.Token, http: &http.Client{
		Transport: transport, Timeout: 15 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }, // the token goes nowhere else
	}}, nil
}

func (o *Remote) tls() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if o.CAFile != "" {
		pem, err := os.ReadFile(o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("authority %q cannot be read: %w", o.CAFile, err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("authority %q holds no certificate", o.CAFile)
		}
	}
	if o.Fingerprint == "" {
		return c, nil
	}
	want, err := hex.DecodeString(strings.ReplaceAll(o.Fingerprint, ":", ""))
	if err != nil || len(want) != sha256.Size {
		return nil, fmt.Errorf("fingerprint %q is not 64 hexadecimal digits, copy it from the program's log", o.Fingerprint)
	}
	c.InsecureSkipVerify = true // the very certificate is asked for instead
	c.VerifyConnection = func(s tls.ConnectionState) error {
		if got := sha256.Sum256(s.PeerCertificates[0].Raw); string(got[:]) != string(want) {
			return fmt.Errorf("the certificate's fingerprint is %s, not the one that was named: somebody else answers, or it was renewed", hex.EncodeToString(got[:]))
		}
		return nil
	}
	return c, nil
}

// sign puts the token to a request, where there is one.
func (c *Client) sign(r *http.Request) {
	r.Header.Set("Content-Type", "application/json")
	if c.token != "" {
		r.Header.Set("Authorization", "Bearer "+c.token)
	}
}
