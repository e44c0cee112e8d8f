package intake

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
)

// session is one connection with a client of its own: nothing of the library's
// state outlives it, and whether the broker still knew us is seen every time.
type session struct {
	i       *Intake
	epoch   uint64
	client  mqtt.Client
	lost    chan error    // the connection ended
	full    chan struct{} // no room for a message
	stop    chan struct{} // ends the helpers
	up      bool
	crowded bool // ended because the queue was full
	guard   *guard
	uncut   func() bool // the intake's end no longer concerns the connection
	helper  sync.WaitGroup
}

const (
	subscribeAtOnce = 50
	answerTimeout   = 5 * time.Second
	flushTimeout    = time.Second
	tickEvery       = time.Second
)

// run connects, subscribes and stays until the connection or ctx ends. It
// reports whether the next attempt should wait long.
func (s *session) run(ctx context.Context) (slow bool) {
	s.epoch = s.i.sequence.begin()
	s.client = mqtt.NewClient(s.options(ctx))
	token := s.client.Connect().(*mqtt.ConnectToken)
	<-token.Done() // bounded by the deadlines of dial and handshake
	if s.uncut != nil {
		defer s.uncut()
	}
	if err := token.Error(); err != nil {
		if ctx.Err() != nil {
			return false
		}
		return s.refused(err)
	}
	if !token.SessionPresent() {
		s.i.sequence.forget()
		if s.i.had {
			s.i.say(Status{Code: NewSession}, "")
		}
	}
	s.helper.Go(s.acknowledge)
	defer s.close()
	for _, h := range s.i.gauges {
		h.refusals = 0
	}
	if err := s.subscribe(ctx, s.i.gauges); err != nil {
		s.ended(err)
		return false
	}
	s.i.had, s.up = true, true
	s.helper.Go(s.publish)
	s.i.say(Status{Up: true, Code: Connected}, s.i.o.Broker)
	return s.stay(ctx)
}

// options prepares the client library. Messages go to the default handler, in
// order, from the first moment of the connection.
func (s *session) options(ctx context.Context) *mqtt.ClientOptions {
	o := s.i.o
	return mqtt.NewClientOptions().
		AddBroker("tcp://" + o.address).
		SetClientID(o.ClientID).
		SetUsername(o.User).
		SetPassword(o.Password).
		SetProtocolVersion(4).
		SetCleanSession(false).
		SetOrderMatters(true).
		SetAutoAckDisabled(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetKeepAlive(o.KeepAlive).
		SetPingTimeout(o.PingTimeout).
		SetConnectTimeout(answerTimeout).
		SetWriteTimeout(o.WriteTimeout).
		SetDefaultPublishHandler(s.handle).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) {
			select {
			case s.lost <- err:
			default:
			}
		}).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return s.dial(ctx) })
}

func (s *session) dial(ctx context.Context) (net.Conn, error) {
	o := s.i.o
	limited, cancel := context.WithTimeout(ctx, answerTimeout)
	defer cancel()
	conn, err := o.Dial(limited, "tcp", o.address)
	if err != nil {
		return nil, err
	}
	if o.secure {
		secured := tls.Client(conn, o.TLS)
		if err := secured.HandshakeContext(limited); err != nil {
			conn.Close()
			return nil, fmt.Errorf("%w: %w", errHandshake, err)
		}
		conn = secured
	}
	s.guard = newGuard(conn, o.WriteTimeout)
	s.uncut = context.AfterFunc(ctx, func() { s.cut(conn) })
	return s.guard, nil
}

// cut ends a connection whose handshake hangs while the intake closes. An
// established one gets the time to say goodbye.
func (s *session) cut(conn net.Conn) {
	time.AfterFunc(2*flushTimeout, func() { conn.Close() })
	if s.client == nil || !s.client.IsConnectionOpen() {
		conn.Close()
	}
}

// refused says why no connection came about.
func (s *session) refused(err error) (slow bool) {
	code := Unreachable
	var verify *tls.CertificateVerificationError
	var alert tls.AlertError
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		code, slow = Password, true
	case errors.Is(err, packets.ErrorRefusedIDRejected), errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		code, slow = Refused, true
	case errors.As(err, &verify), errors.As(err, &alert):
		code, slow = Untrusted, true
	case errors.Is(err, errHandshake):
		code = Untrusted
	case s.anonymous() && errors.Is(err, packets.ErrorNetworkError) && !errors.Is(err, os.ErrDeadlineExceeded):
		code, err = Untrusted, errors.New("closed right after the TLS handshake, does it want a certificate of ours")
	case errors.Is(err, ErrProtocol):
		code = Protocol
	}
	s.i.say(Status{Code: code}, s.i.o.Broker+": "+cause(err))
	return slow
}

// errHandshake marks what went wrong before TLS stood.
var errHandshake = errors.New("handshake")

// anonymous reports a TLS connection that stood without a certificate of ours. A
// broker that wants one says so only after the handshake, and not always.
func (s *session) anonymous() bool {
	t := s.i.o.TLS
	return s.i.o.secure && s.guard != nil && len(t.Certificates) == 0 && t.GetClientCertificate == nil
}

// ended says why an established connection ended. The library may report only
// that something was under way when it did.
func (s *session) ended(err error) {
	code := Lost
	if v := s.guard.violation(); v != nil {
		err = v
	}
	switch {
	case errors.Is(err, ErrProtocol):
		code = Protocol
	case errors.Is(err, os.ErrDeadlineExceeded), strings.Contains(err.Error(), "pingresp"):
		code = Frozen
	}
	s.i.say(Status{Code: code}, s.i.o.Broker+": "+cause(err))
}

// cause bounds what a library says and drops what changes with every attempt.
func cause(err error) string {
	var op *net.OpError
	if errors.As(err, &op) && op.Err != nil {
		err = op.Err
	}
	text := strings.TrimPrefix(err.Error(), packets.ErrorNetworkError.Error()+" : ")
	return text[:min(len(text), 200)]
}

// subscribe asks for the gauges' topics and looks at every answer: a denied
// subscription is no error of the library.
func (s *session) subscribe(ctx context.Context, gauges []*heard) error {
	for len(gauges) > 0 {
		batch := gauges[:min(len(gauges), subscribeAtOnce)]
		gauges = gauges[len(batch):]
		filters := map[string]byte{}
		for _, h := range batch {
			filters[h.m.Filter()] = 1
		}
		s.guard.expects.Store(int32(len(filters)))
		token := s.client.SubscribeMultiple(filters, nil).(*mqtt.SubscribeToken)
		select {
		case <-token.Done():
		case <-time.After(answerTimeout):
			return fmt.Errorf("no answer to a subscription: %w", os.ErrDeadlineExceeded)
		case err := <-s.lost:
			return err
		case <-ctx.Done():
			return nil
		}
		s.guard.expects.Store(0)
		if err := token.Error(); err != nil {
			return err
		}
		s.granted(batch, token.Result())
	}
	return nil
}

// granted notes the answers. A refusal is told when it is repeated: a broker may
// refuse once because the request's identifier is in use in its own direction.
func (s *session) granted(batch []*heard, result map[string]byte) {
	for _, h := range batch {
		filter := h.m.Filter()
		answer, given := result[filter]
		switch {
		case !given || answer > 2:
			if h.refusals++; h.refusals >= 2 && !h.denied {
				h.denied = true
				s.i.say(Status{Gauge: h.m.gauge.Name, Code: Denied}, filter)
			}
			continue
		case h.denied:
			s.i.say(Status{Up: true, Gauge: h.m.gauge.Name, Code: Connected}, filter)
		}
		h.refusals, h.denied = 0, false
	}
}

// stay watches an established connection.
func (s *session) stay(ctx context.Context) (slow bool) {
	began := time.Now()
	asked, wait := began, tickEvery
	tick := time.NewTicker(s.i.beat())
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case err := <-s.lost:
			s.ended(err)
			return false
		case <-s.full:
			s.crowded = true
			s.i.say(Status{Code: Full}, fmt.Sprintf("%d without a record", s.i.sequence.waiting()))
			return false
		case now := <-tick.C:
			s.listen(began, now)
			s.i.floods()
			if now.Sub(asked) >= wait {
				asked, wait = now, min(2*wait, max(tickEvery, s.i.o.RetryCap))
				if err := s.subscribe(ctx, s.denied()); err != nil {
					s.ended(err)
					return false
				}
			}
		}
	}
}

// beat is how often silence and floods are looked at.
func (i *Intake) beat() time.Duration {
	if quarter := i.o.Silence / 4; quarter > 0 {
		return min(tickEvery, quarter)
	}
	return tickEvery
}

func (s *session) denied() []*heard {
	var list []*heard
	for _, h := range s.i.gauges {
		if h.refusals > 0 {
			list = append(list, h)
		}
	}
	return list
}

// listen says which gauges have fallen silent and which are heard again. Some
// brokers grant a subscription they do not serve: silence is how that shows.
func (s *session) listen(began, now time.Time) {
	if s.i.o.Silence <= 0 {
		return
	}
	for _, h := range s.i.gauges {
		last := time.Unix(0, h.last.Load())
		if last.Before(began) {
			last = began
		}
		switch quiet := now.Sub(last) > s.i.o.Silence; {
		case quiet && !h.silent:
			h.silent = true
			s.i.say(Status{Up: true, Gauge: h.m.gauge.Name, Code: Silent}, "for "+s.i.o.Silence.String())
		case h.silent && !quiet && h.last.Load() > began.UnixNano():
			h.silent = false
			s.i.say(Status{Up: true, Gauge: h.m.gauge.Name, Code: Heard}, "")
		}
	}
}

// acknowledge passes due acknowledgements to the broker, oldest first.
func (s *session) acknowledge() {
	for {
		for acks := s.i.sequence.ready(s.epoch); len(acks) > 0; acks = s.i.sequence.ready(s.epoch) {
			for _, ack := range acks {
				ack()
			}
		}
		select {
		case <-s.i.sequence.wake:
		case <-s.stop:
			for _, ack := range s.i.sequence.ready(s.epoch) {
				ack()
			}
			return
		}
	}
}

// publish sends what waits in the outbox, one after the other.
func (s *session) publish() {
	for {
		p, ok := s.i.outbox.first()
		if !ok {
			select {
			case <-s.i.outbox.wake:
				continue
			case <-s.stop:
				return
			}
		}
		token := s.client.Publish(p.topic, 1, p.retained, p.payload)
		select {
		case <-token.Done():
		case <-time.After(answerTimeout):
			return // the connection is about to be found dead
		case <-s.stop:
			select {
			case <-token.Done():
			case <-time.After(flushTimeout / 2):
				return
			}
		}
		if token.Error() != nil {
			return
		}
		s.i.outbox.sent()
	}
}

// close sends what is due and disconnects in good order.
func (s *session) close() {
	s.i.sequence.end()
	close(s.stop)
	idle := make(chan struct{})
	go func() { s.helper.Wait(); close(idle) }()
	select {
	case <-idle:
	case <-time.After(flushTimeout):
	}
	s.client.Disconnect(uint(flushTimeout.Milliseconds() / 4))
	<-idle // every wait of the helpers ends with the connection
}
