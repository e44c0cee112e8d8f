package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	stdlog "log"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
)

// Bounds of the page's connections. A client has to send its request and take
// its answer in this time.
const (
	headFor  = 5 * time.Second
	bodyFor  = 8 * time.Second
	maxConns = 2048
)

// PageOptions of the page.
type PageOptions struct {
	Listen            string           // "host:port"
	CertFile, KeyFile string           // TLS
	OwnFile           string           // without those, and where others can reach the address: where a self-made certificate is kept
	Now               func() time.Time // [time.Now]
	Watch             bool             // looking needs no person
	House             *account.House
	Reads             ReadsOptions
}

// Listener is an open page.
type Listener struct {
	listen net.Listener
	http   *http.Server
	cancel context.CancelFunc
	secure bool
	done   sync.WaitGroup
}

// ErrOpen says that an address can be reached from elsewhere and has no TLS.
var ErrOpen = errors.New("can be reached from other computers, where PINs would travel readable: give a certificate and its key, or listen on 127.0.0.1")

// ListenPage opens the page.
func (s *Server) ListenPage(o PageOptions) (*Listener, error) {
	pair, err := o.configured()
	if err != nil {
		return nil, err
	}
	raw, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("the page cannot be opened at %q, choose another page.listen or stop who uses it: %w", o.Listen, err)
	}
	if a, ok := raw.Addr().(*net.TCPAddr); pair == nil && (!ok || !a.IP.IsLoopback()) {
		if pair, err = s.own(o); err != nil {
			raw.Close() //nolint:errcheck // nothing was accepted
			return nil, err
		}
	}
	secure := pair != nil
	b := newBoard(s.o.Plant, s.o.Log)
	page, err := newPage(&s.server, b, o, secure)
	if err != nil {
		raw.Close() //nolint:errcheck // nothing was accepted
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	l := &Listener{listen: &bounded{Listener: raw, free: make(chan struct{}, maxConns)}, cancel: cancel, secure: secure}
	l.http = &http.Server{
		Handler: page, ReadHeaderTimeout: headFor, ReadTimeout: bodyFor, WriteTimeout: writeFor + bodyFor, IdleTimeout: 60 * time.Second,
		MaxHeaderBytes: 16 << 10, ErrorLog: stdlog.New(io.Discard, "", 0), // what strangers send fills no log
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	if secure {
		l.listen = tls.NewListener(l.listen, &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: pair, NextProtos: []string{"http/1.1"}})
	}
	l.done.Go(func() { b.run(ctx) })
	go l.http.Serve(l.listen) //nolint:errcheck // ends with Close
	return l, nil
}

// getCertificate is how TLS asks for a certificate.
type getCertificate func(*tls.ClientHelloInfo) (*tls.Certificate, error)

// configured returns the certificate that the options name, nil without.
func (o *PageOptions) configured() (getCertificate, error) {
	if o.CertFile == "" && o.KeyFile == "" {
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(o.CertFile, o.KeyFile)
	if err != nil {
		return nil, fmt.Errorf("certificate %q and key %q of the page do not go together: %w", o.CertFile, o.KeyFile, err)
	}
	return func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return &pair, nil }, nil
}

// own returns a certificate that the page makes for itself.
func (s *Server) own(o PageOptions) (getCertificate, error) {
	if o.OwnFile == "" {
		return nil, fmt.Errorf("page address %q %w", o.Listen, ErrOpen)
	}
	c := &ownCert{path: o.OwnFile, now: o.Now, log: s.o.Log}
	if c.now == nil {
		c.now = time.Now
	}
	if host, _, err := net.SplitHostPort(o.Listen); err == nil {
		if a, err := netip.ParseAddr(host); err == nil && !a.IsUnspecified() {
			c.host = a.WithZone("").String()
		}
	}
	pair, err := c.current()
	if err != nil {
		return nil, err
	}
	s.o.Log.Info("the page shows its own certificate", zap.String("sha256", Fingerprint(pair.Leaf)), zap.Time("good_until", pair.Leaf.NotAfter))
	return c.forHello, nil
}

// URL is where the page can be opened on this computer.
func (l *Listener) URL() string {
	scheme := "http://"
	if l.secure {
		scheme = "https://"
	}
	return scheme + l.listen.Addr().String() + "/"
}

// Close stops listening and ends what is open.
func (l *Listener) Close() {
	l.cancel()
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if l.http.Shutdown(ctx) != nil {
		l.http.Close() //nolint:errcheck // nothing left to do
	}
	l.done.Wait()
}

// bounded turns connections away while too many are open.
type bounded struct {
	net.Listener
	free chan struct{}
}

func (b *bounded) Accept() (net.Conn, error) {
	for {
		c, err := b.Listener.Accept()
		if err != nil {
			return nil, err
		}
		select {
		case b.free <- struct{}{}:
			return &counted{Conn: c, leave: sync.OnceFunc(func() { <-b.free })}, nil
		default:
			c.Close() //nolint:errcheck // turned away
		}
	}
}

type counted struct {
	net.Conn
	leave func()
}

func (c *counted) Close() error {
	c.leave()
	return c.Conn.Close()
}
