package machine

import (
	"bytes"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/gopcua/opcua/ua"
	"go.uber.org/zap"
)

// warnBefore is how long ahead an expiring certificate is announced.
const warnBefore = 30 * 24 * time.Hour

// policies are those still considered safe, by name.
var policies = map[string]string{
	"None":                  ua.SecurityPolicyURINone,
	"Basic256Sha256":        ua.SecurityPolicyURIBasic256Sha256,
	"Aes128_Sha256_RsaOaep": ua.SecurityPolicyURIAes128Sha256RsaOaep,
	"Aes256_Sha256_RsaPss":  ua.SecurityPolicyURIAes256Sha256RsaPss,
}

func policyURI(name string) string { return policies[name] }

func messageMode(name string) ua.MessageSecurityMode {
	switch name {
	case "None":
		return ua.MessageSecurityModeNone
	case "Sign":
		return ua.MessageSecurityModeSign
	case "SignAndEncrypt":
		return ua.MessageSecurityModeSignAndEncrypt
	}
	return ua.MessageSecurityModeInvalid
}

// choose returns the endpoint with exactly the configured policy and mode.
func choose(endpoints []*ua.EndpointDescription, s Security) (*ua.EndpointDescription, error) {
	var offered []string
	for _, e := range endpoints {
		if e == nil {
			continue
		}
		if e.SecurityPolicyURI == policyURI(s.Policy) && e.SecurityMode == messageMode(s.Mode) {
			return e, nil
		}
		offered = append(offered, policyName(e.SecurityPolicyURI)+"/"+modeName(e.SecurityMode))
	}
	return nil, differs(CodeSecurity, "configured %s/%s, offered %s", s.Policy, s.Mode, strings.Join(offered, ", "))
}

func policyName(uri string) string {
	if _, name, ok := strings.Cut(uri, "#"); ok {
		return clip(name)
	}
	return clip(uri)
}

func modeName(m ua.MessageSecurityMode) string {
	return strings.TrimPrefix(m.String(), "MessageSecurityMode")
}

// judge compares the server's certificate with what was pinned, with the
// calendar and with the application the endpoint claims to be.
func judge(e *ua.EndpointDescription, o *Options) error {
	pin := o.Security.pin()
	if len(e.ServerCertificate) == 0 {
		if pin != nil || o.Security.Mode != "None" {
			return differs(CodeCertificate, "the server shows none")
		}
		return nil
	}
	if sum := sha256.Sum256(leaf(e.ServerCertificate)); pin != nil && !bytes.Equal(sum[:], pin) {
		return differs(CodeCertificate, "the server shows %s", hex.EncodeToString(sum[:]))
	}
	if o.Security.Mode == "None" && pin == nil {
		return nil // shown, but proves nothing and protects nothing
	}
	cert, err := x509.ParseCertificate(leaf(e.ServerCertificate))
	if err != nil {
		return differs(CodeCertificate, "it cannot be read: %v", err)
	}
	if err := judgeDates(cert, o); err != nil {
		return err
	}
	if e.Server == nil || !hasURI(cert, e.Server.ApplicationURI) {
		return differs(CodeCertificate, "it was issued for another application than the server says it is")
	}
	if _, ok := cert.PublicKey.(*rsa.PublicKey); !ok {
		return differs(CodeCertificate, "its key is not RSA, which the configured policies need")
	}
	return nil
}

func judgeDates(cert *x509.Certificate, o *Options) error {
	now := o.Wall()
	switch {
	case now.Before(cert.NotBefore):
		return differs(CodeExpired, "valid from %s only", cert.NotBefore.UTC().Format(time.DateOnly))
	case now.After(cert.NotAfter):
		return differs(CodeExpired, "valid until %s", cert.NotAfter.UTC().Format(time.DateOnly))
	case cert.NotAfter.Sub(now) < warnBefore:
		o.Log.Warn("the server's certificate expires soon, renew it and the pinned fingerprint",
			zap.Time("not_after", cert.NotAfter))
	}
	return nil
}

func hasURI(cert *x509.Certificate, uri string) bool {
	for _, u := range cert.URIs {
		if u.String() == uri {
			return true
		}
	}
	return false
}

// leaf returns the first certificate of a chain in DER, or what was given when
// it is not a certificate.
func leaf(chain []byte) []byte {
	if certs, err := x509.ParseCertificates(chain); err == nil && len(certs) > 0 {
		return certs[0].Raw
	}
	return chain
}

func fingerprint(chain []byte) string {
	sum := sha256.Sum256(leaf(chain))
	return hex.EncodeToString(sum[:])
}

// ownKeys reads our certificate and key anew at each connect, so that renewing
// them needs no restart.
func ownKeys(o *Options) (cert []byte, key *rsa.PrivateKey, uri string, err error) {
	s := o.Security
	if s.CertificateFile == "" {
		return nil, nil, "", nil
	}
	if cert, err = readBlock(s.CertificateFile, "CERTIFICATE"); err != nil {
		return nil, nil, "", err
	}
	parsed, err := x509.ParseCertificate(cert)
	if err != nil {
		return nil, nil, "", fmt.Errorf("our certificate %q cannot be read: %w", s.CertificateFile, err)
	}
	raw, err := readBlock(s.KeyFile, "PRIVATE KEY")
	if err != nil {
		return nil, nil, "", err
	}
	if key, err = rsaKey(raw); err != nil {
		return nil, nil, "", fmt.Errorf("our key %q cannot be read: %w", s.KeyFile, err)
	}
	if pub, ok := parsed.PublicKey.(*rsa.PublicKey); !ok || !pub.Equal(&key.PublicKey) {
		return nil, nil, "", fmt.Errorf("our key %q does not belong to the certificate %q", s.KeyFile, s.CertificateFile)
	}
	if len(parsed.URIs) > 0 {
		uri = parsed.URIs[0].String()
	}
	return cert, key, uri, nil
}

func readBlock(file, kind string) ([]byte, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(b)
	if block == nil {
		return b, nil // DER
	}
	if !strings.HasSuffix(block.Type, kind) {
		return nil, fmt.Errorf("%q holds a %s, not a %s", file, clip(block.Type), strings.ToLower(kind))
	}
	return block.Bytes, nil
}

func rsaKey(der []byte) (*rsa.PrivateKey, error) {
	if k, err := x509.ParsePKCS1PrivateKey(der); err == nil {
		return k, nil
	}
	k, err := x509.ParsePKCS8PrivateKey(der)
	if err != nil {
		return nil, err
	}
	key, ok := k.(*rsa.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("it is a %T, not RSA", k)
	}
	return key, nil
}

// login returns how to log in at the endpoint: the token, and the policy that
// protects its password.
func login(e *ua.EndpointDescription, o *Options) (token any, policy string, err error) {
	kind := ua.UserTokenTypeAnonymous
	if o.Security.User != "" {
		kind = ua.UserTokenTypeUserName
	}
	for _, t := range e.UserIdentityTokens {
		if t == nil || t.TokenType != kind {
			continue
		}
		if kind == ua.UserTokenTypeAnonymous {
			return &ua.AnonymousIdentityToken{PolicyID: t.PolicyID}, "", nil
		}
		policy := t.SecurityPolicyURI
		if policy == "" {
			policy = e.SecurityPolicyURI
		}
		if policy == ua.SecurityPolicyURINone && o.Security.Mode != "SignAndEncrypt" && !o.Security.Plain && !loopback(o.Endpoint) {
			err = differs(CodeSecurity, "the password would travel unprotected, secure the channel or allow it in the configuration")
			continue // another token policy may protect it
		}
		return &ua.UserNameIdentityToken{PolicyID: t.PolicyID, UserName: o.Security.User}, policy, nil
	}
	if err == nil {
		err = differs(CodeSecurity, "the server offers no login of the configured kind at this endpoint")
	}
	return nil, "", err
}

func loopback(endpoint string) bool {
	u, err := url.Parse(endpoint)
	if err != nil {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
}

func describe(endpoints []*ua.EndpointDescription, p *Peer) {
	for _, e := range endpoints {
		if e == nil || len(p.Offers) == 64 {
			continue
		}
		f := Offer{URL: clip(e.EndpointURL), Policy: policyName(e.SecurityPolicyURI), Mode: modeName(e.SecurityMode)}
		for _, t := range e.UserIdentityTokens {
			if t != nil && len(f.Logins) < 16 {
				f.Logins = append(f.Logins, strings.TrimPrefix(t.TokenType.String(), "UserTokenType"))
			}
		}
		p.Offers = append(p.Offers, f)
		if e.Server != nil && p.URI == "" {
			p.URI = clip(e.Server.ApplicationURI)
			if n := e.Server.ApplicationName; n != nil {
				p.Application = clip(n.Text)
			}
		}
		if len(e.ServerCertificate) > 0 && p.Fingerprint == "" {
			p.Fingerprint = fingerprint(e.ServerCertificate)
			if c, err := x509.ParseCertificate(leaf(e.ServerCertificate)); err == nil {
				p.Subject = clip(c.Subject.String())
				p.NotBefore = c.NotBefore.UTC().Format(time.RFC3339)
				p.NotAfter = c.NotAfter.UTC().Format(time.RFC3339)
			}
		}
	}
}
