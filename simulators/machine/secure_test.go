package machine

import (
	"bytes"
	"crypto/x509"
	"errors"
	"testing"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
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
