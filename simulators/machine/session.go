package machine

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/subtle"
	"encoding/binary"
	"net/url"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uapolicy"
)

// Bounds of sessions.
const (
	maxSessions    = 128
	minSessionLife = time.Second
	maxSessionLife = time.Hour
)

// Policy identifiers of the user tokens.
const (
	policyAnonymous = "anonymous"
	policyUser      = "user"
)

// session is one client's session; Server.mu guards it.
type session struct {
	id, token   *ua.NodeID
	name        string
	life        time.Duration
	used        time.Time // real time, also in tests that give Options.Now
	conn        *conn     // nil while no connection carries it
	certificate []byte
	nonce       []byte
	active      bool
	waiting     []publishRequest
}

func nowUTC() time.Time { return time.Now().UTC() }

func (s *Server) application(base string) *ua.ApplicationDescription {
	return &ua.ApplicationDescription{
		ApplicationURI:  s.applicationURI(),
		ProductURI:      "urn:offsetbridge:simulated-machine",
		ApplicationName: ua.NewLocalizedText("simulated machine " + s.o.Name),
		ApplicationType: ua.ApplicationTypeServer,
		DiscoveryURLs:   []string{s.urlFor(base)},
	}
}

// urlFor mirrors the host name a client used to reach us, as far as it is one.
func (s *Server) urlFor(asked string) string {
	if u, err := url.Parse(asked); err == nil && u.Scheme == "opc.tcp" && u.Host != "" && len(asked) < 256 {
		return "opc.tcp://" + u.Host
	}
	return s.Endpoint()
}

func (s *Server) endpoints(asked string) []*ua.EndpointDescription {
	token := &ua.UserTokenPolicy{PolicyID: policyAnonymous, TokenType: ua.UserTokenTypeAnonymous}
	if s.o.User != "" {
		token = &ua.UserTokenPolicy{PolicyID: policyUser, TokenType: ua.UserTokenTypeUserName}
	}
	if s.keys == nil {
		token.SecurityPolicyURI = ua.SecurityPolicyURINone
		return []*ua.EndpointDescription{s.endpoint(asked, ua.SecurityPolicyURINone, ua.MessageSecurityModeNone, token)}
	}
	token.SecurityPolicyURI = ua.SecurityPolicyURIBasic256Sha256
	return []*ua.EndpointDescription{
		s.endpoint(asked, ua.SecurityPolicyURIBasic256Sha256, ua.MessageSecurityModeSignAndEncrypt, token),
		s.endpoint(asked, ua.SecurityPolicyURIBasic256Sha256, ua.MessageSecurityModeSign, token),
	}
}

func (s *Server) endpoint(asked, policy string, mode ua.MessageSecurityMode, token *ua.UserTokenPolicy) *ua.EndpointDescription {
	return &ua.EndpointDescription{
		EndpointURL:         s.urlFor(asked),
		Server:              s.application(asked),
		ServerCertificate:   s.Certificate(),
		SecurityMode:        mode,
		SecurityPolicyURI:   policy,
		UserIdentityTokens:  []*ua.UserTokenPolicy{token},
		TransportProfileURI: "http://opcfoundation.org/UA-Profile/Transport/uatcp-uasc-uabinary",
		SecurityLevel:       uapolicy.SecurityLevel(policy, mode),
	}
}

func (s *Server) createSession(c *conn, r *ua.CreateSessionRequest) (ua.Response, ua.StatusCode) {
	if !c.secured() {
		return nil, ua.StatusBadSecurityModeInsufficient
	}
	if s.keys != nil && len(r.ClientNonce) < 32 {
		return nil, ua.StatusBadNonceInvalid
	}
	sig, alg, err := c.sc.NewSessionSignature(r.ClientCertificate, r.ClientNonce)
	if err != nil {
		return nil, ua.StatusBadSecurityChecksFailed
	}
	life := min(max(time.Duration(min(r.RequestedSessionTimeout, 1e9))*time.Millisecond, minSessionLife), maxSessionLife)
	name := r.SessionName
	if len(name) > 100 {
		name = name[:100]
	}
	ses := &session{
		id:          ua.NewByteStringNodeID(nsApplication, random(16)),
		token:       ua.NewByteStringNodeID(nsStandard, random(32)),
		name:        name,
		life:        life,
		used:        time.Now(),
		conn:        c,
		certificate: r.ClientCertificate,
		nonce:       random(32),
	}
	s.mu.Lock()
	s.prune()
	full := len(s.sessions) >= maxSessions
	if !full {
		s.sessions[ses.token.String()] = ses
	}
	s.mu.Unlock()
	if full {
		return nil, ua.StatusBadTooManySessions
	}
	return &ua.CreateSessionResponse{
		ResponseHeader:        good(r),
		SessionID:             ses.id,
		AuthenticationToken:   ses.token,
		RevisedSessionTimeout: float64(life / time.Millisecond),
		ServerNonce:           ses.nonce,
		ServerCertificate:     s.Certificate(),
		ServerEndpoints:       s.endpoints(r.EndpointURL),
		ServerSignature:       &ua.SignatureData{Signature: sig, Algorithm: alg},
	}, ua.StatusOK
}

// prune forgets sessions that timed out, and without need of the clock the
// oldest that lost their connection when there is no room; the caller holds mu.
func (s *Server) prune() {
	now := time.Now()
	var oldest *session
	for key, ses := range s.sessions {
		if now.Sub(ses.used) > ses.life {
			s.forget(key, ses)
			continue
		}
		if ses.conn == nil && (oldest == nil || ses.used.Before(oldest.used)) {
			oldest = ses
		}
	}
	if len(s.sessions) >= maxSessions && oldest != nil {
		s.forget(oldest.token.String(), oldest)
	}
}

func (s *Server) forget(key string, ses *session) {
	delete(s.sessions, key)
	for id, sub := range s.subs {
		if sub.ses == ses {
			s.endSubscription(id)
		}
	}
}

func (s *Server) activateSession(c *conn, r *ua.ActivateSessionRequest) (ua.Response, ua.StatusCode) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.prune()
	ses := s.sessions[r.RequestHeader.AuthenticationToken.String()]
	if ses == nil || !c.secured() {
		return nil, ua.StatusBadSessionIDInvalid
	}
	if ses.conn != c && (!ses.active || string(c.cfg.RemoteCertificate) != string(ses.certificate)) && s.keys != nil {
		return nil, ua.StatusBadSecureChannelIDInvalid
	}
	if s.keys != nil {
		if r.ClientSignature == nil || c.sc.VerifySessionSignature(ses.certificate, ses.nonce, r.ClientSignature.Signature) != nil {
			return nil, ua.StatusBadApplicationSignatureInvalid
		}
	}
	if code := s.identify(c, ses, r.UserIdentityToken); code != ua.StatusOK {
		return nil, code
	}
	ses.active, ses.conn, ses.used = true, c, time.Now()
	ses.nonce = random(32)
	return &ua.ActivateSessionResponse{
		ResponseHeader:  good(r),
		ServerNonce:     ses.nonce,
		Results:         []ua.StatusCode{},
		DiagnosticInfos: []*ua.DiagnosticInfo{},
	}, ua.StatusOK
}

// identify checks who the user claims to be.
func (s *Server) identify(c *conn, ses *session, x *ua.ExtensionObject) ua.StatusCode {
	var given any
	if x != nil {
		given = x.Value
	}
	switch t := given.(type) {
	case nil, *ua.AnonymousIdentityToken: // no token means anonymous
		if s.o.User != "" {
			return ua.StatusBadIdentityTokenRejected
		}
		return ua.StatusOK
	case *ua.UserNameIdentityToken:
		if s.o.User == "" || t.PolicyID != policyUser {
			return ua.StatusBadIdentityTokenInvalid
		}
		secret, ok := s.password(c, ses, t)
		if !ok {
			return ua.StatusBadIdentityTokenInvalid
		}
		user := subtle.ConstantTimeCompare([]byte(t.UserName), []byte(s.o.User))
		if user&subtle.ConstantTimeCompare(secret, []byte(s.o.Password)) != 1 {
			return ua.StatusBadUserAccessDenied
		}
		return ua.StatusOK
	}
	return ua.StatusBadIdentityTokenInvalid
}

// password recovers the password from a token. Where security is off it comes
// as plain text; otherwise it is encrypted together with our last nonce
// (OPC UA Part 4, UserIdentityToken parameters).
func (s *Server) password(c *conn, ses *session, t *ua.UserNameIdentityToken) ([]byte, bool) {
	if s.keys == nil {
		return t.Password, t.EncryptionAlgorithm == ""
	}
	peer, err := uapolicy.ParseCertificate(ses.certificate)
	if err != nil {
		return nil, false
	}
	public, ok := peer.PublicKey.(*rsa.PublicKey)
	if !ok {
		return nil, false
	}
	algo, err := uapolicy.Asymmetric(ua.SecurityPolicyURIBasic256Sha256, s.keys.key, public)
	if err != nil || t.EncryptionAlgorithm != algo.EncryptionURI() {
		return nil, false
	}
	b, err := algo.Decrypt(t.Password)
	if err != nil || len(b) < 4 {
		return nil, false
	}
	n := int64(binary.LittleEndian.Uint32(b))
	if n < int64(len(ses.nonce)) || n > int64(len(b)-4) {
		return nil, false
	}
	secret := b[4 : 4+n]
	split := len(secret) - len(ses.nonce)
	return secret[:split], subtle.ConstantTimeCompare(secret[split:], ses.nonce) == 1
}

func (s *Server) closeSession(c *conn, r *ua.CloseSessionRequest) (ua.Response, ua.StatusCode) {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := r.RequestHeader.AuthenticationToken.String()
	ses := s.sessions[key]
	if ses == nil || ses.conn != c {
		return nil, ua.StatusBadSessionIDInvalid
	}
	s.forget(key, ses)
	return &ua.CloseSessionResponse{ResponseHeader: good(r)}, ua.StatusOK
}

// session returns the activated session a request belongs to.
func (s *Server) session(c *conn, head *ua.RequestHeader) (*session, ua.StatusCode) {
	s.mu.Lock()
	defer s.mu.Unlock()
	key := head.AuthenticationToken.String()
	ses := s.sessions[key]
	switch {
	case ses == nil:
		return nil, ua.StatusBadSessionIDInvalid
	case time.Since(ses.used) > ses.life:
		s.forget(key, ses)
		return nil, ua.StatusBadSessionIDInvalid
	case ses.conn != c:
		return nil, ua.StatusBadSecureChannelIDInvalid
	case !ses.active:
		s.forget(key, ses) // Part 4: a service before activation closes the session
		return nil, ua.StatusBadSessionNotActivated
	}
	ses.used = time.Now()
	return ses, ua.StatusOK
}

// disconnected detaches the sessions a connection carried; they live on until
// their timeout and may be activated again on another connection.
func (s *Server) disconnected(c *conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for key, ses := range s.sessions {
		if ses.conn != c {
			continue
		}
		if !ses.active {
			s.forget(key, ses)
			continue
		}
		ses.conn, ses.waiting = nil, nil
	}
	s.prune()
}

// Sessions returns the number of sessions that have not ended.
func (s *Server) Sessions() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.prune()
	return len(s.sessions)
}

func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b) // never fails
	return b
}
