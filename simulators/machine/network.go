package machine

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"runtime/debug"
	"sync"
	"time"

	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uacp"
	"github.com/gopcua/opcua/uasc"
)

// Bounds of the transport.
const (
	maxConnections = 256
	openTimeout    = 10 * time.Second
	sendTimeout    = 5 * time.Second
	bufferBytes    = 65535
	maxChunks      = 64
	maxMessage     = 1 << 20
)

// network is one life of the listener and its connections.
type network struct {
	s    *Server
	l    *net.TCPListener
	wg   sync.WaitGroup
	quit chan struct{}

	mu     sync.Mutex
	conns  map[*conn]struct{}
	closed bool
}

// conn is one client connection with its secure channel.
type conn struct {
	n    *network
	tcp  *net.TCPConn
	cfg  *uasc.Config
	sc   *uasc.SecureChannel
	quit chan struct{} // closed when the connection ends

	// sending keeps answers apart from the renewal of the channel's keys, which
	// the library does without a lock.
	sending sync.Mutex
}

func listen(s *Server, addr string) (*network, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("simulated machine cannot listen on %s: %w", addr, err)
	}
	return &network{s: s, l: l.(*net.TCPListener), conns: map[*conn]struct{}{}, quit: make(chan struct{})}, nil
}

func (n *network) start() { n.wg.Go(n.accept) }

func (n *network) accept() {
	for {
		tcp, err := n.l.AcceptTCP()
		if err != nil {
			if errors.Is(err, net.ErrClosed) {
				return
			}
			time.Sleep(10 * time.Millisecond) // out of descriptors, for instance
			continue
		}
		c := &conn{n: n, tcp: tcp, quit: make(chan struct{})}
		n.mu.Lock()
		refuse := n.closed || len(n.conns) >= maxConnections
		if !refuse {
			n.conns[c] = struct{}{}
			n.wg.Go(c.run)
		}
		n.mu.Unlock()
		if refuse {
			tcp.Close()
		}
	}
}

// close ends the listener and every connection and waits for them.
func (n *network) close() {
	n.mu.Lock()
	if n.closed {
		n.mu.Unlock()
		return
	}
	n.closed = true
	n.l.Close()
	close(n.quit)
	for c := range n.conns {
		c.tcp.Close()
	}
	n.mu.Unlock()
	n.wg.Wait()
}

// Connections returns the number of open client connections.
func (s *Server) Connections() int {
	s.mu.Lock()
	n := s.network
	s.mu.Unlock()
	if n == nil {
		return 0
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return len(n.conns)
}

// run serves one connection; whatever a message does to the decoder ends this
// connection and nothing else.
func (c *conn) run() {
	defer func() {
		if p := recover(); p != nil {
			c.n.s.panicked(p)
		}
		c.tcp.Close()
		close(c.quit)
		c.n.mu.Lock()
		delete(c.n.conns, c)
		c.n.mu.Unlock()
		c.n.s.disconnected(c)
	}()
	if err := c.handshake(); err != nil {
		return
	}
	open := false
	for {
		m := c.receive()
		if m.Err != nil {
			if !errors.Is(m.Err, io.EOF) {
				c.sendError(ua.StatusBadTCPInternalError)
			}
			return
		}
		if !open { // the first good message opened the channel
			open = true
			c.tcp.SetReadDeadline(time.Time{})
		}
		req := m.Request()
		if req == nil {
			if code := c.securityOK(); code != ua.StatusOK {
				c.sendError(code)
				return
			}
			continue
		}
		c.n.s.dispatch(c, m.RequestID, req)
	}
}

func (c *conn) receive() *uasc.MessageBody {
	if peek(c.tcp) == "OPN" {
		c.sending.Lock()
		defer c.sending.Unlock()
	}
	return c.sc.Receive(context.Background())
}

// handshake answers the client's hello and makes the channel.
func (c *conn) handshake() error {
	c.tcp.SetReadDeadline(time.Now().Add(c.n.s.o.openTimeout))
	ack := &uacp.Acknowledge{ReceiveBufSize: bufferBytes, SendBufSize: bufferBytes, MaxChunkCount: maxChunks, MaxMessageSize: maxMessage}
	u, err := uacp.NewConn(c.tcp, ack)
	if err != nil {
		return err
	}
	b, err := u.Receive()
	if err != nil {
		return err
	}
	var hello uacp.Hello
	if string(b[:4]) != "HELF" {
		u.SendError(ua.StatusBadTCPMessageTypeInvalid)
		return errors.New("no hello")
	}
	if _, err := hello.Decode(b[8:]); err != nil {
		u.SendError(ua.StatusBadTCPInternalError)
		return err
	}
	if hello.ReceiveBufSize < 8192 {
		u.SendError(ua.StatusBadTCPInternalError)
		return errors.New("buffer too small")
	}
	ack.SendBufSize = min(ack.SendBufSize, hello.ReceiveBufSize)
	if err := u.Send("ACKF", ack); err != nil {
		return err
	}
	c.cfg = &uasc.Config{SecurityPolicyURI: ua.SecurityPolicyURINone, SecurityMode: ua.MessageSecurityModeNone, Lifetime: 3600_000}
	if k := c.n.s.keys; k != nil {
		c.cfg.Certificate, c.cfg.LocalKey = k.certificate, k.key
	}
	// The identifiers are guesses a restarted server is unlikely to repeat.
	c.sc, err = uasc.NewServerSecureChannel("", u, c.cfg, make(chan error, 1),
		1+rand.Uint32N(1<<31), 1+rand.Uint32N(1023), 1+rand.Uint32N(1<<31))
	return err
}

// securityOK judges the policy the client opened the channel with.
func (c *conn) securityOK() ua.StatusCode {
	switch {
	case c.cfg.SecurityPolicyURI == ua.SecurityPolicyURINone && c.cfg.SecurityMode == ua.MessageSecurityModeNone:
		return ua.StatusOK // at least the endpoints may be asked for
	case c.n.s.keys == nil || c.cfg.SecurityPolicyURI != ua.SecurityPolicyURIBasic256Sha256:
		return ua.StatusBadSecurityPolicyRejected
	case c.cfg.SecurityMode == ua.MessageSecurityModeSign, c.cfg.SecurityMode == ua.MessageSecurityModeSignAndEncrypt:
		return ua.StatusOK
	}
	return ua.StatusBadSecurityModeRejected
}

// secured reports whether sessions may live on this connection.
func (c *conn) secured() bool {
	return c.n.s.keys == nil || c.cfg.SecurityMode != ua.MessageSecurityModeNone
}

// send answers a request; a client that does not take its answers is dropped.
func (c *conn) send(id uint32, resp ua.Response) {
	if resp == nil {
		return
	}
	c.sending.Lock()
	defer c.sending.Unlock()
	c.tcp.SetWriteDeadline(time.Now().Add(sendTimeout))
	if err := c.sc.SendResponseWithContext(context.Background(), id, resp); err != nil {
		c.tcp.Close()
	}
}

func (c *conn) sendError(code ua.StatusCode) {
	u, err := uacp.NewConn(c.tcp, nil)
	if err == nil {
		c.tcp.SetWriteDeadline(time.Now().Add(sendTimeout))
		u.SendError(code)
	}
}

// after runs f after d unless the connection ends first.
func (c *conn) after(d time.Duration, f func()) {
	c.n.wg.Go(func() {
		t := time.NewTimer(d)
		defer t.Stop()
		select {
		case <-t.C:
			f()
		case <-c.quit:
		}
	})
}

func (s *Server) panicked(p any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.panics = append(s.panics[:min(len(s.panics), 15)], fmt.Sprintf("%v\n%s", p, debug.Stack()))
}

// Panics returns what was recovered while handling messages, bounded; a test
// that fuzzes the server looks here.
func (s *Server) Panics() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.panics...)
}
