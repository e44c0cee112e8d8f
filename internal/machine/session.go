package machine

import (
	"bytes"
	"context"
	"crypto/rand"
	"fmt"
	"time"

	"github.com/gopcua/opcua/ua"
	"go.uber.org/zap"
)

// Names we give the server.
const (
	applicationURI = "urn:offsetbridge:client"
	productURI     = "urn:offsetbridge"
	closeTimeout   = 500 * time.Millisecond
)

// forgotten is after how long without a word the server may forget a session.
// Short, because a session whose connection broke occupies one of the few that
// a control has.
func (o *Options) forgotten() time.Duration {
	return max(10*time.Second, 5*(o.Health+o.Request))
}

// uaSession is a session of the real protocol.
type uaSession struct {
	o     *Options
	c     *channel
	token *ua.NodeID
}

// connect discovers, judges, opens a channel and activates a session.
func connect(ctx context.Context, o *Options) (session, *Peer, error) {
	peer := &Peer{}
	endpoints, err := discover(ctx, o)
	if err != nil {
		return nil, peer, err
	}
	describe(endpoints, peer)
	e, err := choose(endpoints, o.Security)
	if err != nil {
		return nil, peer, err
	}
	if err := judge(e, o); err != nil {
		return nil, peer, err
	}
	protect := secured{policy: e.SecurityPolicyURI, mode: e.SecurityMode}
	if err := ensureIdentity(o); err != nil {
		return nil, peer, differs(CodeConfig, "%v", err)
	}
	own, key, uri, err := ownKeys(o)
	if err != nil {
		return nil, peer, differs(CodeConfig, "%v", err)
	}
	if e.SecurityMode != ua.MessageSecurityModeNone {
		protect.own, protect.key, protect.remote = own, key, e.ServerCertificate
	}
	c, err := openChannel(ctx, o, protect)
	if err != nil {
		return nil, peer, err
	}
	s := &uaSession{o: o, c: c}
	if err := s.activate(ctx, e, uri); err != nil {
		s.abort()
		return nil, peer, err
	}
	if e.SecurityMode != ua.MessageSecurityModeNone {
		ownDates(own, o)
	}
	return s, peer, nil
}

// discover asks for the endpoints over a channel of its own. Nothing in the
// answer is believed before judge and openChannel have compared it.
func discover(ctx context.Context, o *Options) ([]*ua.EndpointDescription, error) {
	c, err := openChannel(ctx, o, plain)
	if err != nil {
		return nil, err
	}
	defer c.end()
	res, err := call[*ua.GetEndpointsResponse](ctx, c, &ua.GetEndpointsRequest{EndpointURL: o.Endpoint}, nil, o.Request)
	if err != nil {
		return nil, faultOf(err)
	}
	if len(res.Endpoints) == 0 {
		return nil, wait(CodeProtocol, "the server offers no endpoint")
	}
	return res.Endpoints, nil
}

// activate creates and activates the session. The password is encrypted for the
// certificate that was judged, whatever the server's answer carries.
func (s *uaSession) activate(ctx context.Context, e *ua.EndpointDescription, uri string) error {
	identity, tokenPolicy, err := login(e, s.o)
	if err != nil {
		return err
	}
	if uri == "" {
		uri = applicationURI
	}
	created, nonce, err := s.create(ctx, e, uri)
	if err != nil {
		return err
	}
	secure := e.SecurityMode != ua.MessageSecurityModeNone
	if secure {
		if err := s.verify(created, nonce, e); err != nil {
			return err
		}
	}
	req := &ua.ActivateSessionRequest{
		ClientSignature:    &ua.SignatureData{},
		LocaleIDs:          []string{"en"},
		UserTokenSignature: &ua.SignatureData{},
	}
	err = guard(func() error {
		if secure {
			sig, alg, err := s.c.sc.NewSessionSignature(bytes.Clone(created.ServerCertificate), created.ServerNonce)
			if err != nil {
				return err
			}
			req.ClientSignature = &ua.SignatureData{Algorithm: alg, Signature: sig}
		}
		if user, ok := identity.(*ua.UserNameIdentityToken); ok {
			pass, alg, err := s.c.sc.EncryptUserPassword(tokenPolicy, s.o.Security.Password, e.ServerCertificate, created.ServerNonce)
			if err != nil {
				return err
			}
			user.Password, user.EncryptionAlgorithm = pass, alg
		}
		req.UserIdentityToken = ua.NewExtensionObject(identity)
		return nil
	})
	if err != nil {
		return wait(CodeLogin, "the login could not be prepared: %v", err)
	}
	if _, err := call[*ua.ActivateSessionResponse](ctx, s.c, req, s.token, s.o.Request); err != nil {
		return faultOf(err)
	}
	return nil
}

func (s *uaSession) create(ctx context.Context, e *ua.EndpointDescription, uri string) (*ua.CreateSessionResponse, []byte, error) {
	nonce := make([]byte, 32)
	if _, err := rand.Read(nonce); err != nil {
		return nil, nil, err
	}
	own, _, _, err := ownKeys(s.o)
	if err != nil {
		return nil, nil, differs(CodeConfig, "%v", err)
	}
	if e.SecurityMode == ua.MessageSecurityModeNone {
		own = nil
	}
	req := &ua.CreateSessionRequest{
		ClientDescription: &ua.ApplicationDescription{
			ApplicationURI:  uri,
			ProductURI:      productURI,
			ApplicationName: ua.NewLocalizedText("offsetbridge"),
			ApplicationType: ua.ApplicationTypeClient,
		},
		EndpointURL:             s.o.Endpoint,
		SessionName:             clip("offsetbridge " + s.o.Name),
		ClientNonce:             nonce,
		ClientCertificate:       own,
		RequestedSessionTimeout: float64(s.o.forgotten() / time.Millisecond),
	}
	res, err := call[*ua.CreateSessionResponse](ctx, s.c, req, nil, s.o.Request)
	if err != nil {
		return nil, nil, faultOf(err)
	}
	if res.AuthenticationToken == nil {
		return nil, nil, wait(CodeProtocol, "the server created a session without a token")
	}
	s.token = res.AuthenticationToken
	return res, nonce, nil
}

func (s *uaSession) verify(created *ua.CreateSessionResponse, nonce []byte, e *ua.EndpointDescription) error {
	if !bytes.Equal(leaf(created.ServerCertificate), leaf(e.ServerCertificate)) {
		return differs(CodeCertificate, "the session was answered with %s", fingerprint(created.ServerCertificate))
	}
	if created.ServerSignature == nil {
		return differs(CodeCertificate, "the session was answered without a signature")
	}
	err := guard(func() error {
		return s.c.sc.VerifySessionSignature(bytes.Clone(e.ServerCertificate), nonce, created.ServerSignature.Signature)
	})
	if err != nil {
		return differs(CodeCertificate, "the session's signature is not of the server's key: %v", err)
	}
	return nil
}

func (s *uaSession) read(ctx context.Context, nodes []*ua.ReadValueID) (answer, error) {
	req := &ua.ReadRequest{MaxAge: 0, TimestampsToReturn: ua.TimestampsToReturnBoth, NodesToRead: nodes}
	res, err := call[*ua.ReadResponse](ctx, s.c, req, s.token, s.o.Request)
	if err != nil {
		return answer{}, err
	}
	if len(res.Results) != len(nodes) {
		return answer{}, wait(CodeProtocol, "%d values for %d nodes", len(res.Results), len(nodes))
	}
	a := answer{values: res.Results}
	if res.ResponseHeader != nil {
		a.at = res.ResponseHeader.Timestamp
	}
	return a, nil
}

func (s *uaSession) write(ctx context.Context, v *ua.WriteValue, timeout time.Duration) (ua.StatusCode, error) {
	req := &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{v}}
	res, err := call[*ua.WriteResponse](ctx, s.c, req, s.token, timeout)
	if err != nil {
		return ua.StatusBadUnexpectedError, err
	}
	if len(res.Results) != 1 {
		return ua.StatusBadUnexpectedError, wait(CodeProtocol, "%d results for one write", len(res.Results))
	}
	return res.Results[0], nil
}

func (s *uaSession) browse(ctx context.Context, id *ua.NodeID) ([]*ua.ReferenceDescription, error) {
	const hasProperty = 46
	req := &ua.BrowseRequest{
		View: &ua.ViewDescription{ViewID: ua.NewTwoByteNodeID(0)},
		NodesToBrowse: []*ua.BrowseDescription{{
			NodeID:          id,
			BrowseDirection: ua.BrowseDirectionForward,
			ReferenceTypeID: ua.NewNumericNodeID(0, hasProperty),
			IncludeSubtypes: true,
			ResultMask:      uint32(ua.BrowseResultMaskAll),
		}},
	}
	res, err := call[*ua.BrowseResponse](ctx, s.c, req, s.token, s.o.Request)
	if err != nil {
		return nil, err
	}
	if len(res.Results) != 1 || res.Results[0] == nil {
		return nil, wait(CodeProtocol, "%d results for one browse", len(res.Results))
	}
	if st := res.Results[0].StatusCode; isBad(st) {
		return nil, st
	}
	return res.Results[0].References, nil
}

func (s *uaSession) lost() <-chan error { return s.c.errs }

func (s *uaSession) abort() { s.c.drop() }

func (s *uaSession) close() {
	if s.token != nil {
		req := &ua.CloseSessionRequest{DeleteSubscriptions: true}
		_, err := call[*ua.CloseSessionResponse](context.Background(), s.c, req, s.token, closeTimeout)
		if err != nil {
			s.o.Log.Debug("the session was not closed in good order", zap.Error(err))
			s.c.drop()
			return
		}
	}
	s.c.end()
}

func (s *uaSession) String() string { return fmt.Sprintf("session with %s", s.o.Endpoint) }
