package machine

import (
	"bytes"
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/x509"
	"encoding/binary"
	"io"
	"math/big"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	sim "offsetbridge/simulators/machine"
)

// hostile is a peer that answers hello and the opening of a channel as it likes.
type hostile struct {
	t     *testing.T
	l     net.Listener
	hello func([]byte) []byte // answer to HEL
	open  func([]byte) []byte // answer to OPN
	after chan []byte         // whatever the client sends then
}

func startHostile(t *testing.T) *hostile {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h := &hostile{t: t, l: l, after: make(chan []byte, 64), hello: func([]byte) []byte { return ack(bufferSize) }}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go h.serve(c)
		}
	}()
	return h
}

func (h *hostile) serve(c net.Conn) {
	defer c.Close()
	for n := 0; ; n++ {
		head := make([]byte, 8)
		if _, err := io.ReadFull(c, head); err != nil {
			return
		}
		size := binary.LittleEndian.Uint32(head[4:])
		if size < 8 || size > 1<<20 {
			return
		}
		chunk := append(head, make([]byte, size-8)...)
		if _, err := io.ReadFull(c, chunk[8:]); err != nil {
			return
		}
		var reply []byte
		switch string(chunk[:3]) {
		case "HEL":
			reply = h.hello(chunk)
		case "OPN":
			if h.open != nil {
				reply = h.open(chunk)
			}
		case "CLO":
		default:
			h.after <- chunk
		}
		if reply == nil && string(chunk[:3]) == "HEL" {
			return
		}
		if _, err := c.Write(reply); err != nil {
			return
		}
	}
}

func ack(buffer uint32) []byte {
	b := []byte("ACKF\x1c\x00\x00\x00")
	for _, v := range []uint32{0, buffer, buffer, 0, 0} {
		b = binary.LittleEndian.AppendUint32(b, v)
	}
	return b
}

// opened is the body of a reply to OPN: sequence header and service.
func opened(t *testing.T, request uint32) []byte {
	res := &ua.OpenSecureChannelResponse{
		ResponseHeader: &ua.ResponseHeader{
			Timestamp: time.Now(), RequestHandle: 1, ServiceDiagnostics: &ua.DiagnosticInfo{},
			AdditionalHeader: ua.NewExtensionObject(nil),
		},
		SecurityToken: &ua.ChannelSecurityToken{ChannelID: 7, TokenID: 1, CreatedAt: time.Now(), RevisedLifetime: 3_600_000},
		ServerNonce:   bytes.Repeat([]byte{1}, 32),
	}
	body, err := ua.Encode(res)
	if err != nil {
		t.Fatal(err)
	}
	b := binary.LittleEndian.AppendUint32(nil, 1)
	b = binary.LittleEndian.AppendUint32(b, request)
	id, err := ua.NewFourByteNodeID(0, 449).Encode()
	if err != nil {
		t.Fatal(err)
	}
	return append(append(b, id...), body...)
}

func uaBytes(b []byte) []byte {
	return append(binary.LittleEndian.AppendUint32(nil, uint32(len(b))), b...)
}

func uaNull() []byte { return []byte{0xff, 0xff, 0xff, 0xff} }

func chunked(header, rest []byte, size int) []byte {
	b := []byte("OPNF")
	b = binary.LittleEndian.AppendUint32(b, uint32(size))
	b = binary.LittleEndian.AppendUint32(b, 7) // channel
	return append(append(b, header...), rest...)
}

// unprotected answers the opening of a channel with no protection at all.
func unprotected(t *testing.T) func([]byte) []byte {
	return func([]byte) []byte {
		header := append(uaBytes([]byte(ua.SecurityPolicyURINone)), append(uaNull(), uaNull()...)...)
		rest := opened(t, 1)
		return chunked(header, rest, 12+len(header)+len(rest))
	}
}

// forged answers it correctly signed and encrypted, with a key of its own: the
// client's certificate is in its request, and the request's number is a guess.
func forged(t *testing.T, client *x509.Certificate, cert []byte, key *rsa.PrivateKey) func([]byte) []byte {
	return func([]byte) []byte {
		const block, signature = 256, 256
		plain := block - 2*sha1.Size - 2
		thumb := sha1.Sum(client.Raw)
		header := append(uaBytes([]byte(ua.SecurityPolicyURIBasic256Sha256)), append(uaBytes(cert), uaBytes(thumb[:])...)...)
		body := opened(t, 1)
		pad := (plain - (len(body)+1+signature)%plain) % plain
		body = append(body, bytes.Repeat([]byte{byte(pad)}, pad+1)...)
		size := 12 + len(header) + (len(body)+signature)/plain*block
		sum := sha256.Sum256(chunked(header, body, size))
		sig, err := rsa.SignPKCS1v15(rand.Reader, key, crypto.SHA256, sum[:])
		if err != nil {
			t.Error(err)
		}
		var secret []byte
		for rest := append(body, sig...); len(rest) > 0; rest = rest[plain:] {
			c, err := rsa.EncryptOAEP(sha1.New(), rand.Reader, client.PublicKey.(*rsa.PublicKey), rest[:plain], nil)
			if err != nil {
				t.Error(err)
			}
			secret = append(secret, c...)
		}
		return chunked(header, secret, size)
	}
}

// Somebody on the wire lets discovery through, which shows the right
// certificate, and answers the opening of the channel himself. The library
// believes him; we do not, and nothing more is said to him.
func TestImpostorOnTheWire(t *testing.T) {
	t.Parallel()
	_, key := newPair("urn:impostor", time.Now().Add(-time.Hour), time.Now().Add(time.Hour))
	cert, err := x509.CreateCertificate(rand.Reader, &x509.Certificate{SerialNumber: big.NewInt(2)}, &x509.Certificate{}, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	ours, _ := ownPair()
	client, err := x509.ParseCertificate(ours)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		open func([]byte) []byte
		code core.Code
	}{
		"without protection":     {unprotected(t), ""}, // the library itself takes it for noise
		"with a key of his own":  {forged(t, client, cert, key), CodeCertificate},
		"with bytes of no sense": {func([]byte) []byte { return bytes.Repeat([]byte("OPNF\x20\x00\x00\x00"), 8) }, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := startSim(t, func(o *sim.Options) { o.Secure, o.User, o.Password = true, "bridge", "open sesame" })
			h := startHostile(t)
			h.open = c.open
			p := startProxy(t, r.s.Endpoint())
			p.mu.Lock()
			p.route = func(n int) string {
				if n%2 == 0 {
					return p.target
				}
				return h.l.Addr().String()
			}
			p.mu.Unlock()
			s := play(t, r, func(o *Options) {
				o.Endpoint, o.Request = p.endpoint(), 500*time.Millisecond
			})
			s.until("link down", func() bool { return len(s.links) > 0 })
			if s.link.Up || c.code != "" && (s.link.Cause != c.code || !s.link.Bad) {
				t.Errorf("link %+v", s.link)
			}
			s.m.Close()
			select {
			case b := <-h.after:
				t.Errorf("the impostor was told %q", b)
			default:
			}
		})
	}
}

// A peer that asks for more memory than was offered, or speaks another
// language, or says nothing.
func TestPeerThatIsNoServer(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		hello func([]byte) []byte
		code  core.Code
	}{
		"huge buffers":   {func([]byte) []byte { return ack(1 << 30) }, CodeProtocol},
		"another tongue": {func([]byte) []byte { return []byte("HTTP/1.1 400 Bad Request\r\n\r\n") }, CodeProtocol},
		"an error":       {func([]byte) []byte { return []byte("ERRF\x10\x00\x00\x00\x00\x00\x7d\x80\xff\xff\xff\xff") }, CodeProtocol},
		"end":            {func([]byte) []byte { return nil }, CodeLost},
		"silence":        {func([]byte) []byte { return []byte{} }, CodeFrozen},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := startHostile(t)
			h.hello = c.hello
			s := play(t, startSim(t, nil), func(o *Options) {
				o.Endpoint, o.Request = "opc.tcp://"+h.l.Addr().String(), 300*time.Millisecond
			})
			s.until("link down", func() bool { return len(s.links) > 0 })
			if s.link.Cause != c.code || s.link.Bad {
				t.Errorf("link %+v, want %s", s.link, c.code)
			}
		})
	}
}

// Closing does not wait for a peer that is silent, at hello or later.
func TestCloseWhileConnecting(t *testing.T) {
	t.Parallel()
	for name, hello := range map[string]func([]byte) []byte{
		"hello":   func([]byte) []byte { return []byte{} },
		"channel": func([]byte) []byte { return ack(bufferSize) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := startHostile(t)
			reached := make(chan struct{}, 16)
			h.hello = func(b []byte) []byte {
				if name == "hello" {
					reached <- struct{}{}
				}
				return hello(b)
			}
			h.open = func([]byte) []byte {
				reached <- struct{}{}
				return nil
			}
			s := play(t, startSim(t, nil), func(o *Options) {
				o.Endpoint, o.Request = "opc.tcp://"+h.l.Addr().String(), time.Hour
			})
			<-reached
			if err := s.m.Close(); err != nil {
				t.Error(err)
			}
		})
	}
}

// What a certificate must be before anything is sent.
func TestCertificate(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		code   core.Code
		change func(*Options)
	}{
		"pinned":      {"", func(o *Options) { o.Security.Pinned = colons(strings.ToUpper(o.Security.Pinned)) }},
		"not pinned":  {"", func(o *Options) { o.Security.Pinned = "" }},
		"another pin": {CodeCertificate, func(o *Options) { o.Security.Pinned = strings.Repeat("ab", 32) }},
		"expired":     {CodeExpired, func(o *Options) { o.Wall = func() time.Time { return time.Now().AddDate(200, 0, 0) } }},
		"not yet":     {CodeExpired, func(o *Options) { o.Wall = func() time.Time { return time.Unix(0, 0) } }},
		"no key":      {CodeConfig, func(o *Options) { o.Security.KeyFile += ".gone" }},
		"wrong key":   {CodeConfig, func(o *Options) { o.Security.KeyFile = o.Security.CertificateFile }},
		"signed only": {"", func(o *Options) { o.Security.Mode = "Sign" }},
		"no security": {CodeSecurity, func(o *Options) { o.Security = Security{} }},
		"other policy": {CodeSecurity, func(o *Options) {
			o.Security.Policy = "Aes256_Sha256_RsaPss"
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := startSim(t, func(o *sim.Options) { o.Secure = true })
			s := play(t, r, c.change)
			if c.code == "" {
				s.live()
				return
			}
			s.down(c.code)
			if !s.link.Bad {
				t.Errorf("link %+v", s.link)
			}
			if r := Inspect(t.Context(), s.o); c.code == CodeCertificate && r.Peer.Fingerprint == "" {
				t.Error("the report does not show the certificate that was seen")
			}
		})
	}
}

func colons(s string) string {
	var b strings.Builder
	for i := 0; i < len(s); i += 2 {
		if i > 0 {
			b.WriteByte(':')
		}
		b.WriteString(s[i : i+2])
	}
	return b.String()
}

// A restarted server with a new certificate is another server.
func TestCertificateChangesBetweenSessions(t *testing.T) {
	t.Parallel()
	r := startSim(t, func(o *sim.Options) { o.Secure = true })
	p := startProxy(t, r.s.Endpoint())
	s := play(t, r, func(o *Options) { o.Endpoint = p.endpoint() })
	s.live()
	other := startSim(t, func(o *sim.Options) { o.Secure = true })
	p.mu.Lock()
	p.target = strings.TrimPrefix(other.s.Endpoint(), "opc.tcp://")
	p.mu.Unlock()
	p.cut()
	s.down(CodeCertificate)
	if !s.link.Bad {
		t.Errorf("link %+v", s.link)
	}
	if len(other.s.Effects()) != 0 {
		t.Error("written to another server")
	}
}

// A password goes unprotected over loopback only, or where that is allowed.
func TestPlainPassword(t *testing.T) {
	e := &ua.EndpointDescription{
		SecurityPolicyURI: ua.SecurityPolicyURINone, SecurityMode: ua.MessageSecurityModeNone,
		UserIdentityTokens: []*ua.UserTokenPolicy{nil, {PolicyID: "a"}, {PolicyID: "p", TokenType: ua.UserTokenTypeUserName}},
	}
	o := &Options{Endpoint: "opc.tcp://192.0.2.1:4840", Security: Security{Policy: "None", Mode: "None", User: "u", Password: "p"}}
	if _, _, err := login(e, o); err == nil || faultOf(err).code != CodeSecurity {
		t.Errorf("a password in the clear: %v", err)
	}
	o.Security.Plain = true
	if _, _, err := login(e, o); err != nil {
		t.Errorf("allowed: %v", err)
	}
	o.Security.Plain = false
	for _, local := range []string{"opc.tcp://127.0.0.1:4840", "opc.tcp://localhost:4840", "opc.tcp://[::1]:4840"} {
		o.Endpoint = local
		if _, _, err := login(e, o); err != nil {
			t.Errorf("%s: %v", local, err)
		}
	}
	o.Endpoint = "opc.tcp://192.0.2.1:4840"
	e.UserIdentityTokens = append(e.UserIdentityTokens, &ua.UserTokenPolicy{
		PolicyID: "q", TokenType: ua.UserTokenTypeUserName, SecurityPolicyURI: ua.SecurityPolicyURIBasic256Sha256,
	})
	if token, policy, err := login(e, o); err != nil || token.(*ua.UserNameIdentityToken).PolicyID != "q" || policy != ua.SecurityPolicyURIBasic256Sha256 {
		t.Errorf("a protecting token policy: %v %v", token, err)
	}
}
