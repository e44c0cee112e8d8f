package machine

import (
	"errors"
	"io"
	"net"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"
	"github.com/gopcua/opcua/uasc"
)

// rawChannel opens a secure channel without a session, which no proper client
// library offers.
type rawChannel struct {
	t  *testing.T
	sc *uasc.SecureChannel
}

func openChannel(t *testing.T, s *Server) rawChannel {
	t.Helper()
	u, err := uacp.Dial(within(t), s.Endpoint())
	if err != nil {
		t.Fatal(err)
	}
	cfg := &uasc.Config{SecurityPolicyURI: ua.SecurityPolicyURINone, SecurityMode: ua.MessageSecurityModeNone, Lifetime: 60_000, RequestTimeout: deadline}
	sc, err := uasc.NewSecureChannel(s.Endpoint(), u, cfg, make(chan error, 8))
	if err != nil {
		t.Fatal(err)
	}
	if err := sc.Open(within(t)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { u.Close() })
	return rawChannel{t, sc}
}

func (r rawChannel) call(req ua.Request, token *ua.NodeID) (ua.Response, error) {
	r.t.Helper()
	var out ua.Response
	err := r.sc.SendRequest(within(r.t), req, token, func(v ua.Response) error { out = v; return nil })
	return out, err
}

func (r rawChannel) createSession() *ua.NodeID {
	r.t.Helper()
	resp, err := r.call(&ua.CreateSessionRequest{
		ClientDescription: &ua.ApplicationDescription{ApplicationName: ua.NewLocalizedText("t")},
		SessionName:       "raw", ClientNonce: make([]byte, 32), RequestedSessionTimeout: 60_000,
	}, nil)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp.(*ua.CreateSessionResponse).AuthenticationToken
}

func (r rawChannel) activate(token *ua.NodeID) error {
	r.t.Helper()
	_, err := r.call(&ua.ActivateSessionRequest{
		ClientSignature:    &ua.SignatureData{},
		UserIdentityToken:  ua.NewExtensionObject(&ua.AnonymousIdentityToken{PolicyID: policyAnonymous}),
		UserTokenSignature: &ua.SignatureData{},
	}, token)
	return err
}

func registerWrite(v float64) *ua.WriteRequest {
	return &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{
		NodeID: ua.NewStringNodeID(nsBuilder, "Offsets/T12 wear radius"), AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)},
	}}}
}

func TestNothingIsWrittenWithoutAnActivatedSession(t *testing.T) {
	s := start(t)
	r := openChannel(t, s)

	if _, err := r.call(registerWrite(0.02), nil); !errors.Is(err, ua.StatusBadSessionIDInvalid) {
		t.Errorf("without a session: %v", err)
	}
	if _, err := r.call(registerWrite(0.02), ua.NewNumericNodeID(0, 4711)); !errors.Is(err, ua.StatusBadSessionIDInvalid) {
		t.Errorf("with an invented token: %v", err)
	}
	token := r.createSession()
	if _, err := r.call(registerWrite(0.02), token); !errors.Is(err, ua.StatusBadSessionNotActivated) {
		t.Errorf("before activation: %v", err)
	}
	if err := r.activate(token); !errors.Is(err, ua.StatusBadSessionIDInvalid) {
		t.Errorf("a session used too early is over, yet: %v", err)
	}

	token = r.createSession()
	if err := r.activate(token); err != nil {
		t.Fatal(err)
	}
	thief := openChannel(t, s)
	if _, err := thief.call(registerWrite(0.02), token); !errors.Is(err, ua.StatusBadSecureChannelIDInvalid) {
		t.Errorf("over another channel: %v", err)
	}
	if len(s.Effects()) != 0 || s.State().Registers["T12 wear radius"] != 0.01 {
		t.Fatalf("something was written: %+v", s.Effects())
	}
	if _, err := r.call(registerWrite(0.02), token); err != nil || len(s.Effects()) != 1 {
		t.Errorf("the rightful write: %v, effects %+v", err, s.Effects())
	}
}

func TestASessionEndsByItsTimeout(t *testing.T) {
	s := start(t)
	r := openChannel(t, s)
	token := r.createSession()
	if err := r.activate(token); err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	for _, ses := range s.sessions {
		ses.used = ses.used.Add(-ses.life - time.Second)
	}
	s.mu.Unlock()
	if _, err := r.call(registerWrite(0.02), token); !errors.Is(err, ua.StatusBadSessionIDInvalid) {
		t.Errorf("after its timeout: %v", err)
	}
	if n := s.Sessions(); n != 0 {
		t.Errorf("%d sessions left", n)
	}
}

func TestPasswords(t *testing.T) {
	s := start(t, func(o *Options) { o.User, o.Password = "setter", "secret" })
	user := func(name, password string) []opcua.Option {
		return []opcua.Option{opcua.AuthUsername(name, password), opcua.AuthPolicyID(policyUser)}
	}
	for name, tc := range map[string]struct {
		opts []opcua.Option
		want error
	}{
		"right":          {user("setter", "secret"), nil},
		"wrong password": {user("setter", "Secret"), ua.StatusBadUserAccessDenied},
		"no password":    {user("setter", ""), ua.StatusBadUserAccessDenied},
		"longer":         {user("setter", "secretsecret"), ua.StatusBadUserAccessDenied},
		"wrong user":     {user("other", "secret"), ua.StatusBadUserAccessDenied},
		"anonymous":      {[]opcua.Option{opcua.AuthAnonymous()}, ua.StatusBadIdentityTokenRejected},
	} {
		t.Run(name, func(t *testing.T) {
			c, err := tryConnect(t, s, tc.opts...)
			if !errors.Is(err, tc.want) {
				t.Fatalf("%v, want %v", err, tc.want)
			}
			if tc.want == nil && c.value(wear) != 0.01 {
				t.Error("logged in, but cannot read")
			}
		})
	}
	if open := start(t); true {
		if _, err := tryConnect(t, open, user("setter", "secret")...); !errors.Is(err, ua.StatusBadIdentityTokenInvalid) {
			t.Errorf("a password where none is asked for: %v", err)
		}
	}
}

func TestASilentConnectionBlocksNobody(t *testing.T) {
	s := start(t)
	for range 3 {
		tcp, err := net.Dial("tcp", s.addr)
		if err != nil {
			t.Fatal(err)
		}
		defer tcp.Close()
	}
	half, err := net.Dial("tcp", s.addr) // half a hello
	if err != nil {
		t.Fatal(err)
	}
	defer half.Close()
	half.Write([]byte("HELF"))
	if got := connect(t, s).value(wear); got != 0.01 {
		t.Errorf("read %v", got)
	}
}

func TestAConnectionThatNeverOpensIsEndedAndAnIdleSessionIsNot(t *testing.T) {
	s := start(t, func(o *Options) { o.openTimeout = 500 * time.Millisecond })
	c := connect(t, s)
	tcp, err := net.Dial("tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer tcp.Close()
	tcp.SetReadDeadline(time.Now().Add(deadline))
	if _, err := tcp.Read(make([]byte, 1)); !errors.Is(err, io.EOF) { // the session has been idle for as long
		t.Errorf("the silent connection: %v", err)
	}
	if got := c.value(wear); got != 0.01 {
		t.Errorf("read %v", got)
	}
}

func TestConnectionsAreBounded(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	for range maxConnections + 20 {
		tcp, err := net.Dial("tcp", s.addr)
		if err != nil {
			t.Fatal(err)
		}
		defer tcp.Close()
	}
	for end := time.Now().Add(deadline); s.Connections() < maxConnections && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	if n := s.Connections(); n != maxConnections {
		t.Errorf("%d connections", n)
	}
	last, err := net.Dial("tcp", s.addr)
	if err != nil {
		t.Fatal(err)
	}
	defer last.Close()
	last.SetReadDeadline(time.Now().Add(deadline / 2))
	if _, err := last.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("one too many: %v", err)
	}
	if got := c.value(wear); got != 0.01 {
		t.Errorf("read %v", got)
	}
}

func TestGarbageEndsOnlyItsOwnConnection(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	for _, b := range []string{
		"GET / HTTP/1.1\r\n\r\n", "HELF\xff\xff\xff\xff", "HELF\x08\x00\x00\x00", "HELF\x20\x00\x00\x00" + string(make([]byte, 24)),
		"OPNF\x10\x00\x00\x00" + string(make([]byte, 8)), "MSGF\x08\x00\x00\x00",
	} {
		tcp, err := net.Dial("tcp", s.addr)
		if err != nil {
			t.Fatal(err)
		}
		tcp.SetDeadline(time.Now().Add(deadline))
		tcp.Write([]byte(b))
		tcp.(*net.TCPConn).CloseWrite()
		for err == nil {
			_, err = tcp.Read(make([]byte, 1024))
		}
		if errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("%q: the connection was not ended", b)
		}
		tcp.Close()
	}
	if got := c.value(wear); got != 0.01 {
		t.Errorf("the other client reads %v", got)
	}
}

func TestAnOutageAndARestartOnTheSamePort(t *testing.T) {
	s := start(t)
	url := s.Endpoint()
	c := connect(t, s)
	if _, err := c.write(wear, 0.02); err != nil {
		t.Fatal(err)
	}
	s.Stop()
	s.Stop() // twice is once
	if _, err := c.Read(within(t), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: ua.NewNumericNodeID(0, 2258), AttributeID: ua.AttributeIDValue}}}); err == nil {
		t.Error("a read during the outage was answered")
	}
	if _, err := tryConnect(t, s); err == nil {
		t.Error("a connection during the outage")
	}
	s.BeginCycle() // the machine goes on
	s.EndCycle()
	for range 3 {
		if err := s.Restart(); err != nil {
			t.Fatal(err)
		}
	}
	if s.Endpoint() != url {
		t.Errorf("came back at %s, was at %s", s.Endpoint(), url)
	}
	d := connect(t, s)
	if v, n := d.value(wear), d.value("counter"); v != 0.02 || n != uint64(1) {
		t.Errorf("after the restart: register %v, counter %v", v, n)
	}
	s.Close()
	if err := s.Restart(); !errors.Is(err, ErrClosed) {
		t.Errorf("restart of a closed machine: %v", err)
	}
}

func TestFiftyReconnectsLeakNothing(t *testing.T) {
	s := start(t)
	connect(t, s).Close(within(t)) // warm up
	settle := func(want int) int {
		for end := time.Now().Add(deadline); ; {
			runtime.GC()
			n := runtime.NumGoroutine()
			if n <= want || time.Now().After(end) {
				return n
			}
			time.Sleep(5 * time.Millisecond)
		}
	}
	before := settle(0 + runtime.NumGoroutine())
	for i := range 50 {
		c := connect(t, s)
		sub, err := c.Subscribe(within(t), &opcua.SubscriptionParameters{Interval: 20 * time.Millisecond}, make(chan *opcua.PublishNotificationData, 10))
		if err != nil {
			t.Fatal(err)
		}
		if i%2 == 0 { // the others leave without a word
			sub.Cancel(within(t))
		}
		c.Close(within(t))
	}
	if after := settle(before + 2); after > before+2 {
		t.Errorf("%d goroutines before, %d after", before, after)
	}
	for end := time.Now().Add(deadline); s.Connections() > 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	s.mu.Lock()
	subs := len(s.subs)
	s.mu.Unlock()
	if s.Connections() != 0 || s.Sessions() != 0 || subs != 0 {
		t.Errorf("%d connections, %d sessions, %d subscriptions left", s.Connections(), s.Sessions(), subs)
	}
}

func TestSessionsOfLostConnectionsMakeRoom(t *testing.T) {
	s := start(t)
	for range maxSessions + 10 {
		r := openChannel(t, s)
		if err := r.activate(r.createSession()); err != nil {
			t.Fatal(err)
		}
		s.network.mu.Lock()
		for c := range s.network.conns {
			c.tcp.Close()
		}
		s.network.mu.Unlock()
		for end := time.Now().Add(deadline); s.Connections() > 0 && time.Now().Before(end); {
			time.Sleep(100 * time.Microsecond)
		}
	}
	if n := s.Sessions(); n > maxSessions {
		t.Errorf("%d sessions", n)
	}
}

func TestAPanicCostsOneAnswerAndIsRecorded(t *testing.T) {
	s, err := Start(options())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.OnEffect(func(Effect) { panic("the cell stumbled") })
	c := connect(t, s)
	if _, err := c.write(wear, 0.02); !errors.Is(err, ua.StatusBadInternalError) {
		t.Errorf("answer: %v", err)
	}
	if p := s.Panics(); len(p) != 1 || !strings.Contains(p[0], "the cell stumbled") {
		t.Errorf("recorded: %v", p)
	}
	s.OnEffect(nil)
	if code, err := c.write(wear, 0.03); err != nil || code != ua.StatusOK {
		t.Errorf("the next write: %v %v", code, err)
	}
}
