package machine

import (
	"bytes"
	"crypto/x509"
	"errors"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"
	"github.com/gopcua/opcua/uapolicy"
	"github.com/gopcua/opcua/uasc"
)

// secured returns the options of a client that trusts exactly the machine's
// certificate, the way the endpoints describe it.
func secured(t *testing.T, s *Server, mode ua.MessageSecurityMode, auth ...opcua.Option) []opcua.Option {
	t.Helper()
	own, err := newIdentity("urn:offsetbridge:test-client")
	if err != nil {
		t.Fatal(err)
	}
	all, err := opcua.GetEndpoints(within(t), s.Endpoint())
	if err != nil {
		t.Fatal(err)
	}
	for _, ep := range all {
		if ep.SecurityMode != mode {
			continue
		}
		if !bytes.Equal(ep.ServerCertificate, s.Certificate()) {
			t.Error("the endpoint shows another certificate")
		}
		kind := ep.UserIdentityTokens[0].TokenType
		return append(auth, opcua.PrivateKey(own.key), opcua.Certificate(own.certificate), opcua.SecurityFromEndpoint(ep, kind))
	}
	t.Fatalf("no endpoint with mode %v", mode)
	return nil
}

func TestSecuredSessions(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure = true })
	for _, mode := range []ua.MessageSecurityMode{ua.MessageSecurityModeSign, ua.MessageSecurityModeSignAndEncrypt} {
		c := connect(t, s, secured(t, s, mode)...)
		if code, err := c.write(wear, 0.02); err != nil || code != ua.StatusOK {
			t.Errorf("%v: %v %v", mode, code, err)
		}
		if got := c.value(wear); got != 0.02 {
			t.Errorf("%v: read back %v", mode, got)
		}
	}
	if err := s.Restart(); err != nil { // the certificate outlives an outage
		t.Fatal(err)
	}
	if c := connect(t, s, secured(t, s, ua.MessageSecurityModeSignAndEncrypt)...); c.value(wear) != 0.02 {
		t.Error("after a restart")
	}
}

func TestASecuredMachineRefusesWeakerSessions(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure = true })
	if _, err := tryConnect(t, s); err == nil {
		t.Error("a session without security")
	}
	r := openChannel(t, s) // a channel without security may ask for the endpoints and nothing else
	if _, err := r.call(&ua.CreateSessionRequest{ClientDescription: &ua.ApplicationDescription{ApplicationName: ua.NewLocalizedText("t")}, ClientNonce: make([]byte, 32)}, nil); !errors.Is(err, ua.StatusBadSecurityModeInsufficient) {
		t.Errorf("create session: %v", err)
	}
	if _, err := r.call(&ua.GetEndpointsRequest{EndpointURL: s.Endpoint()}, nil); err != nil {
		t.Errorf("get endpoints: %v", err)
	}
	open := start(t)
	if open.Certificate() != nil {
		t.Error("a machine without security has a certificate")
	}
	if _, err := tryConnect(t, open, func() []opcua.Option {
		o := secured(t, s, ua.MessageSecurityModeSign)
		return o
	}()...); err == nil {
		t.Error("a machine without keys opened a signed channel")
	}
}

func TestSecuredPasswords(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure, o.User, o.Password = true, "setter", "secret" })
	for password, want := range map[string]error{"secret": nil, "wrong": ua.StatusBadUserAccessDenied, "": ua.StatusBadUserAccessDenied} {
		_, err := tryConnect(t, s, secured(t, s, ua.MessageSecurityModeSignAndEncrypt, opcua.AuthUsername("setter", password))...)
		if !errors.Is(err, want) {
			t.Errorf("%q: %v, want %v", password, err, want)
		}
	}
}

// secureChannel opens a signed and encrypted channel and an unactivated session.
func secureChannel(t *testing.T, s *Server) (rawChannel, *ua.CreateSessionResponse) {
	t.Helper()
	own, err := newIdentity("urn:offsetbridge:test-client")
	if err != nil {
		t.Fatal(err)
	}
	u, err := uacp.Dial(within(t), s.Endpoint())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { u.Close() })
	sc, err := uasc.NewSecureChannel(s.Endpoint(), u, &uasc.Config{
		SecurityPolicyURI: ua.SecurityPolicyURIBasic256Sha256, SecurityMode: ua.MessageSecurityModeSignAndEncrypt,
		Lifetime: 3600_000, RequestTimeout: deadline, Certificate: own.certificate, LocalKey: own.key,
		RemoteCertificate: s.Certificate(), Thumbprint: uapolicy.Thumbprint(s.Certificate()),
	}, make(chan error, 8))
	if err != nil {
		t.Fatal(err)
	}
	if err := sc.Open(within(t)); err != nil {
		t.Fatal(err)
	}
	r := rawChannel{t, sc}
	resp, err := r.call(&ua.CreateSessionRequest{
		ClientDescription: &ua.ApplicationDescription{ApplicationName: ua.NewLocalizedText("t")},
		ClientCertificate: own.certificate, ClientNonce: make([]byte, 32), RequestedSessionTimeout: 60_000,
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r, resp.(*ua.CreateSessionResponse)
}

// login activates a session after spoil had its way with signature and nonce.
func (r rawChannel) login(made *ua.CreateSessionResponse, spoil func(sig, nonce []byte)) error {
	r.t.Helper()
	sig, algorithm, err := r.sc.NewSessionSignature(made.ServerCertificate, made.ServerNonce)
	if err != nil {
		r.t.Fatal(err)
	}
	nonce := bytes.Clone(made.ServerNonce)
	spoil(sig, nonce)
	secret, encryption, err := r.sc.EncryptUserPassword(ua.SecurityPolicyURIBasic256Sha256, "secret", made.ServerCertificate, nonce)
	if err != nil {
		r.t.Fatal(err)
	}
	_, err = r.call(&ua.ActivateSessionRequest{
		ClientSignature:    &ua.SignatureData{Signature: sig, Algorithm: algorithm},
		UserIdentityToken:  ua.NewExtensionObject(&ua.UserNameIdentityToken{PolicyID: policyUser, UserName: "setter", Password: secret, EncryptionAlgorithm: encryption}),
		UserTokenSignature: &ua.SignatureData{},
	}, made.AuthenticationToken)
	return err
}

// A client that holds the right certificate, but not its key, or an old
// message, must not get in.
func TestSignaturesAndNoncesAreChecked(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure, o.User, o.Password = true, "setter", "secret" })
	for name, tc := range map[string]struct {
		spoil func(sig, nonce []byte)
		want  error
	}{
		"everything right":              {func(_, _ []byte) {}, nil},
		"a spoiled signature":           {func(sig, _ []byte) { sig[7] ^= 1 }, ua.StatusBadApplicationSignatureInvalid},
		"a password of another session": {func(_, nonce []byte) { nonce[7] ^= 1 }, ua.StatusBadIdentityTokenInvalid},
	} {
		r, made := secureChannel(t, s)
		if err := r.login(made, tc.spoil); !errors.Is(err, tc.want) {
			t.Errorf("%s: %v, want %v", name, err, tc.want)
		}
	}
}

// A long-lived client renews the keys of its channel; the session goes on, and
// an answer that leaves meanwhile is not mixed up with the new keys.
func TestAChannelIsRenewed(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure, o.User, o.Password = true, "setter", "secret" })
	r, made := secureChannel(t, s)
	if err := r.login(made, func(_, _ []byte) {}); err != nil {
		t.Fatal(err)
	}
	slow := &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: ua.NewStringNodeID(nsBuilder, "Production/PartsCompleted"), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}}}
	for i := range 10 {
		s.Fault(SlowRead(time.Duration(i)*time.Millisecond), 1) // answered before, amid or after the renewal
		answered := make(chan error, 1)
		go func() { _, err := r.call(slow, made.AuthenticationToken); answered <- err }()
		for end := time.Now().Add(deadline); s.Armed() > 0 && time.Now().Before(end); {
			time.Sleep(100 * time.Microsecond)
		}
		if err := r.sc.Renew(within(t)); err != nil {
			t.Fatal(err)
		}
		if err := <-answered; err != nil {
			t.Fatalf("an answer during renewal %d: %v", i+1, err)
		}
		if _, err := r.call(registerWrite(float64(i)/100), made.AuthenticationToken); err != nil {
			t.Fatalf("after renewal %d: %v", i+1, err)
		}
	}
	if n := len(s.Effects()); n != 10 {
		t.Errorf("%d effects", n)
	}
}

func TestTheCertificateNamesTheMachine(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure = true })
	c, err := x509.ParseCertificate(s.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	if len(c.URIs) != 1 || c.URIs[0].String() != "urn:offsetbridge:simulated-machine:SIM-7" {
		t.Errorf("application URI %v", c.URIs)
	}
	eps, err := opcua.GetEndpoints(within(t), s.Endpoint())
	if err != nil || len(eps) != 2 || eps[0].Server.ApplicationURI != c.URIs[0].String() {
		t.Errorf("endpoints %v, %v", eps, err)
	}
}
