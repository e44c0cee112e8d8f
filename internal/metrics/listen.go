package metrics

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Listener serves /metrics.
type Listener struct {
	address string
	server  *http.Server
	done    chan struct{}
}

// Handler answers GET /metrics, a few at a time.
func (m *Metrics) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4, Timeout: 2 * patience}))
	return mux
}

// Listen opens an address, as "127.0.0.1:9469"; port 0 is a free one.
func (m *Metrics) Listen(address string) (*Listener, error) {
	l, err := (&net.ListenConfig{}).Listen(context.Background(), "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("metrics cannot be offered on %s, name a free port of this computer: %w", address, err)
	}
	out := &Listener{address: l.Addr().String(), done: make(chan struct{}), server: &http.Server{
		Handler: m.Handler(), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}}
	go func() {
		defer close(out.done)
		out.server.Serve(l) //nolint:errcheck // whoever asks hears that nobody answers
	}()
	return out, nil
}

// Address is where it listens.
func (l *Listener) Address() string { return l.address }

// Close ends it.
func (l *Listener) Close() {
	l.server.Close() //nolint:errcheck // nothing is left to be served
	<-l.done
}
