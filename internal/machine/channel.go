package machine

import (
	"bytes"
	"context"
	"crypto/rsa"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"runtime/debug"
	"sync"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"
	"github.com/gopcua/opcua/uapolicy"
	"github.com/gopcua/opcua/uasc"
	"go.uber.org/zap"
)

// Limits of what we accept from a peer before anything is allocated.
const (
	bufferSize  = 0xffff
	maxMessage  = 4 << 20
	maxChunks   = 2 * maxMessage / bufferSize
	defaultPort = "4840"
)

// channel is one secure channel over one connection.
type channel struct {
	conn *uacp.Conn
	sc   *uasc.SecureChannel
	errs chan error
	log  *zap.Logger
	once sync.Once
}

// secured says how a channel is protected, and against which certificate.
type secured struct {
	policy string // URI
	mode   ua.MessageSecurityMode
	own    []byte
	key    *rsa.PrivateKey
	remote []byte
}

var plain = secured{policy: ua.SecurityPolicyURINone, mode: ua.MessageSecurityModeNone}

// openChannel dials and opens a fresh channel, and returns it only when it is
// protected exactly as asked and by the very certificate that was judged.
func openChannel(ctx context.Context, o *Options, s secured) (*channel, error) {
	u, err := url.Parse(o.Endpoint)
	if err != nil {
		return nil, differs(CodeConfig, "endpoint %q", o.Endpoint)
	}
	host := u.Host
	if u.Port() == "" {
		host = net.JoinHostPort(u.Hostname(), defaultPort)
	}
	ctx, cancel := context.WithTimeout(ctx, o.Request)
	defer cancel()
	tcp, err := o.Dial(ctx, host)
	if err != nil {
		return nil, wait(CodeDial, "%v", err)
	}
	stop := context.AfterFunc(ctx, func() { _ = tcp.SetDeadline(time.Unix(1, 0)) })
	conn, err := handshake(ctx, tcp, o.Endpoint)
	stop()
	if err != nil {
		tcp.Close()
		return nil, err
	}
	return secure(ctx, conn, o, s)
}

func handshake(ctx context.Context, tcp *net.TCPConn, endpoint string) (conn *uacp.Conn, err error) {
	err = guard(func() error {
		// A copy each time: the library changes what it is given.
		conn, err = uacp.NewConn(tcp, &uacp.Acknowledge{
			ReceiveBufSize: bufferSize, SendBufSize: bufferSize,
			MaxMessageSize: maxMessage, MaxChunkCount: maxChunks,
		})
		if err != nil {
			return err
		}
		return conn.Handshake(ctx, endpoint)
	})
	switch {
	case err != nil && isTimeout(err):
		return nil, wait(CodeFrozen, "no answer to hello")
	case err != nil && isNetwork(err):
		return nil, wait(CodeLost, "the peer closed the connection at hello: %v", err)
	case err != nil:
		return nil, wait(CodeProtocol, "%v", err)
	case conn.ReceiveBufSize() > bufferSize || conn.SendBufSize() > bufferSize:
		// OPC 10000-6: the answer never exceeds what hello asked for. The
		// library would reserve that much for every message.
		return nil, wait(CodeProtocol, "buffers of %d bytes, more than asked for", max(conn.ReceiveBufSize(), conn.SendBufSize()))
	}
	return conn, nil
}

func secure(ctx context.Context, conn *uacp.Conn, o *Options, s secured) (*channel, error) {
	config := &uasc.Config{
		SecurityPolicyURI: s.policy,
		SecurityMode:      s.mode,
		Certificate:       s.own,
		LocalKey:          s.key,
		RemoteCertificate: s.remote,
		// Twice what we use: the library renews at three quarters of it.
		Lifetime: uint32(2 * o.Renew / time.Millisecond),
		// Never reached: every call has a time of its own.
		RequestTimeout: 4 * o.Request,
	}
	if len(s.remote) > 0 {
		config.Thumbprint = uapolicy.Thumbprint(s.remote)
	}
	c := &channel{conn: conn, errs: make(chan error, 1), log: o.Log}
	var err error
	if c.sc, err = uasc.NewSecureChannel(o.Endpoint, conn, config, c.errs); err != nil {
		conn.Close()
		return nil, differs(CodeConfig, "%v", err)
	}
	if err := c.open(ctx); err != nil {
		c.drop()
		return nil, err
	}
	// The reply to opening is not authenticated by anything but its own
	// header, and the library has taken over what that said.
	if config.SecurityPolicyURI != s.policy || config.SecurityMode != s.mode {
		c.drop()
		return nil, differs(CodeSecurity, "the channel was answered with policy %q", clip(config.SecurityPolicyURI))
	}
	if s.mode != ua.MessageSecurityModeNone && !bytes.Equal(leaf(config.RemoteCertificate), leaf(s.remote)) {
		c.drop()
		return nil, differs(CodeCertificate, "the channel was answered with certificate %s", fingerprint(config.RemoteCertificate))
	}
	return c, nil
}

// open opens the channel. Time is up by ending what can still be received: an
// Open that returned while its answer was being read would pull the ground from
// under the library's own goroutine.
func (c *channel) open(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { _ = c.conn.CloseRead() })
	err := guard(func() error { return c.sc.Open(context.WithoutCancel(ctx)) })
	switch inTime := stop(); {
	case !inTime && ctx.Err() == context.DeadlineExceeded:
		return wait(CodeFrozen, "no answer to opening a channel")
	case !inTime:
		return wait(CodeClosed, "")
	case err != nil:
		return faultOf(err)
	}
	return nil
}

// drop ends the connection at once. Pending calls return.
func (c *channel) drop() {
	c.once.Do(func() {
		c.conn.Close()
		// Ends the library's goroutines; the connection is gone already.
		_ = guard(func() error { return c.sc.Close() })
	})
}

// end tells the server and closes.
func (c *channel) end() {
	c.once.Do(func() {
		_ = guard(func() error { return c.sc.Close() })
		c.conn.Close()
	})
}

// call sends one request and returns its response. The context ends it only
// before sending: a request the library gives up half-way breaks its channel.
func call[R ua.Response](ctx context.Context, c *channel, req ua.Request, token *ua.NodeID, timeout time.Duration) (res R, err error) {
	if err := ctx.Err(); err != nil {
		return res, err
	}
	own, cancel := context.WithTimeout(context.WithoutCancel(ctx), timeout)
	defer cancel()
	err = guard(func() error {
		return c.sc.SendRequestWithTimeout(own, req, token, timeout, func(v ua.Response) error {
			r, ok := v.(R)
			if !ok {
				return fmt.Errorf("the server answered %T with %T", req, v)
			}
			res = r
			return nil
		})
	})
	if errors.Is(err, context.DeadlineExceeded) {
		err = ua.StatusBadTimeout
	}
	if err == nil && any(res) == any(*new(R)) {
		err = fmt.Errorf("the server answered %T with nothing", req)
	}
	return res, err
}

// guard turns a panic of the library into an error.
func guard(f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = &panicked{fmt.Sprint(r), debug.Stack()}
		}
	}()
	return f()
}

// panicked is a panic that was caught at the boundary to the library.
type panicked struct {
	what  string
	stack []byte
}

func (p *panicked) Error() string { return "the OPC UA library panicked: " + clip(p.what) }

func isNetwork(err error) bool {
	var n *net.OpError
	return errors.As(err, &n) || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}

func isTimeout(err error) bool {
	var n net.Error
	return errors.Is(err, context.DeadlineExceeded) || errors.As(err, &n) && n.Timeout() ||
		errors.Is(err, ua.StatusBadTimeout)
}
