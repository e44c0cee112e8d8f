package intake

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"time"

	"go.uber.org/zap"
)

// Options says which broker to use and what to take from it. Zero durations and
// sizes mean the defaults named here.
type Options struct {
	Broker   string // "tcp://host:1883" or "ssl://host:8883"
	ClientID string // stable: the broker keeps our session under it
	User     string
	Password string
	TLS      *tls.Config // for ssl://; nil trusts the system's authorities
	Gauges   []Gauge

	Known   bool          // the broker should know our session from an earlier run
	Queue   int           // most messages handed out or waiting without Ack; 4096
	Bytes   int           // most bytes of their payloads; 32 MiB
	Silence time.Duration // say so when a gauge is not heard for so long; 0 = never

	KeepAlive    time.Duration // whole seconds; 4 s
	PingTimeout  time.Duration // how long the broker may take to answer; 2 s
	RetryFirst   time.Duration // first pause before connecting again, doubling; 250 ms
	RetryCap     time.Duration // longest pause, and the pause after a refusal; 8 s
	WriteTimeout time.Duration // how long one write may take; 5 s

	Log  *zap.Logger
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
}

// prepared is what Open makes of Options.
type prepared struct {
	Options
	address string
	secure  bool
	maps    []*Mapping
}

func (o Options) prepare() (*prepared, error) {
	o.Queue = cmp.Or(o.Queue, 4096)
	o.Bytes = cmp.Or(o.Bytes, 32<<20)
	o.KeepAlive = cmp.Or(o.KeepAlive, 4*time.Second)
	o.PingTimeout = cmp.Or(o.PingTimeout, 2*time.Second)
	o.RetryFirst = cmp.Or(o.RetryFirst, 250*time.Millisecond)
	o.RetryCap = cmp.Or(o.RetryCap, 8*time.Second)
	o.WriteTimeout = cmp.Or(o.WriteTimeout, 5*time.Second)
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	if o.Dial == nil {
		o.Dial = (&net.Dialer{}).DialContext
	}
	p := &prepared{Options: o}
	errs := []error{p.locate()}
	if o.ClientID == "" {
		errs = append(errs, errors.New("client id is empty, give a stable one so that the broker keeps our session"))
	}
	if o.Queue < 1 || o.Bytes < MaxPayload {
		errs = append(errs, fmt.Errorf("queue of %d messages and %d bytes is too small, give at least 1 and %d", o.Queue, o.Bytes, MaxPayload))
	}
	if o.KeepAlive < time.Second {
		errs = append(errs, fmt.Errorf("keep-alive of %v is too short, give at least 1s", o.KeepAlive))
	}
	return p, errors.Join(append(errs, p.compile())...)
}

// locate reads the broker's address.
func (p *prepared) locate() error {
	u, err := url.Parse(p.Broker)
	if err != nil || u.Hostname() == "" {
		return fmt.Errorf("broker %s is no address, write tcp://host:1883 or ssl://host:8883", quote(p.Broker))
	}
	if u.User != nil {
		return errors.New("broker address holds a user name, give user and password on their own")
	}
	port := "1883"
	switch u.Scheme {
	case "tcp", "mqtt":
	case "ssl", "tls", "mqtts":
		p.secure, port = true, "8883"
	default:
		return fmt.Errorf("broker %s has scheme %s, write tcp:// or ssl://", quote(p.Broker), quote(u.Scheme))
	}
	p.address = net.JoinHostPort(u.Hostname(), cmp.Or(u.Port(), port))
	if p.secure {
		if p.TLS == nil {
			p.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
		}
		if p.TLS.ServerName == "" {
			p.TLS = p.TLS.Clone()
			p.TLS.ServerName = u.Hostname()
		}
	}
	return nil
}

// compile readies the gauges and refuses names and topics that collide.
func (p *prepared) compile() error {
	var errs []error
	names := map[string]bool{}
	for _, g := range p.Gauges {
		m, err := g.Compile()
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if names[g.Name+"\x00"+string(g.Kind)] {
			errs = append(errs, fmt.Errorf("gauge %s is mapped twice", quote(g.Name)))
		}
		names[g.Name+"\x00"+string(g.Kind)] = true
		for _, o := range p.maps {
			if m.template.overlaps(o.template) {
				errs = append(errs, fmt.Errorf("gauge %s on %s and gauge %s on %s share topics, make them distinct",
					quote(g.Name), g.Topic, quote(o.gauge.Name), o.gauge.Topic))
			}
		}
		p.maps = append(p.maps, m)
	}
	return errors.Join(errs...)
}
