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
	"sync"
	"time"

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
	Listen            string // "host:port"
	CertFile, KeyFile string // TLS; without it only this computer may be listened to
	Watch             bool   // looking needs no person
	House             *account.House
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
	var pair tls.Certificate
	secure := o.CertFile != "" || o.KeyFile != ""
	if secure {
		var err error
		if pair, err = tls.LoadX509KeyPair(o.CertFile, o.KeyFile); err != nil {
			return nil, fmt.Errorf("certificate %q and key %q of the page do not go together: %w", o.CertFile, o.KeyFile, err)
		}
	}
	raw, err := net.Listen("tcp", o.Listen)
	if err != nil {
		return nil, fmt.Errorf("the page cannot be opened at %q, choose another page.listen or stop who uses it: %w", o.Listen, err)
	}
	if a, ok := raw.Addr().(*net.TCPAddr); !secure && (!ok || !a.IP.IsLoopback()) {
		raw.Close() //nolint:errcheck // nothing was accepted
		return nil, fmt.Errorf("page address %q %w", o.Listen, ErrOpen)
	}
	b := newBoard(s.o.Plant, s.o.Log)
	page, err := newPage(&s.server, b, o.House, o.Watch, secure)
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
		l.listen = tls.NewListener(l.listen, &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}, NextProtos: []string{"http/1.1"}})
	}
	l.done.Go(func() { b.run(ctx) })
	go l.http.Serve(l.listen) //nolint:errcheck // ends with Close
	return l, nil
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
