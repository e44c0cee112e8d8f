package intake

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/simulators/broker"
	"offsetbridge/simulators/gauge"
)

func embedded(t *testing.T, o broker.Options) *broker.Broker {
	t.Helper()
	b, err := broker.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	return b
}

// TestBrokerComesLater: no broker at the start is no error.
func TestBrokerComesLater(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	i := open(t, "tcp://"+address, nil)
	s := await(t, i, Unreachable)
	if s.Up || !strings.Contains(s.Text, "connection refused") {
		t.Errorf("status %+v", s)
	}
	b := embedded(t, broker.Options{Address: address})
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 2)
	for _, m := range expect(t, i, 1, 2) {
		m.Ack()
	}
}

// TestForgottenSession: a broker that lost our session is said to have, and we
// are subscribed again.
func TestForgottenSession(t *testing.T) {
	b := embedded(t, broker.Options{})
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	if err := b.Restart(); err != nil {
		t.Fatal(err)
	}
	if s := await(t, i, NewSession); s.Up || !strings.Contains(s.Text, "may be lost") {
		t.Errorf("status %+v", s)
	}
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 1)
	expect(t, i, 1)
}

// TestDeniedSubscription: one gauge is forbidden, the other works; when the
// broker allows it, it works without a restart.
func TestDeniedSubscription(t *testing.T) {
	user := broker.User{Password: "secret", Read: []string{"cell/+/gauge/bench-1/reading"}, Write: []string{"#"}}
	b := embedded(t, broker.Options{Users: map[string]broker.User{"bridge": user}})
	i := open(t, b.URL(), func(o *Options) {
		o.User, o.Password = "bridge", "secret"
		hidden := bench1(t)
		hidden.Name, hidden.Topic, hidden.Fields.Machine = "hidden", "hidden/topic", Source{Constant: "mill"}
		o.Gauges = append(o.Gauges, hidden)
	})
	s := await(t, i, Denied)
	if s.Up || s.Gauge != "hidden" || !strings.HasPrefix(s.Text, "gauge hidden: the broker denies a subscription") {
		t.Errorf("status %+v", s)
	}
	g := dial(t, b.URL(), func(o *gauge.Options) { o.User, o.Password = "bridge", "secret" })
	send(t, g, 1, 1)
	expect(t, i, 1)
}

// TestDeniedIsAskedAgain: the answer can change while the connection stays.
func TestDeniedIsAskedAgain(t *testing.T) {
	url := fake(t, func(c net.Conn) {
		if accept(c, 0) != nil {
			return
		}
		for refusals := 2; ; {
			first, body, err := frame(c)
			if err != nil {
				return
			}
			if first>>4 == 8 {
				answer := byte(1)
				if refusals > 0 {
					refusals, answer = refusals-1, 0x80
				}
				_, _ = c.Write([]byte{0x90, 3, body[0], body[1], answer})
			}
		}
	})
	i := open(t, url, nil)
	await(t, i, Denied)
	for {
		if s := await(t, i, Connected); s.Gauge == "bench-1" && s.Up {
			break
		}
	}
}

func TestWrongPasswordEmbedded(t *testing.T) {
	b := embedded(t, broker.Options{Users: map[string]broker.User{"bridge": {Password: "right"}}})
	i := open(t, b.URL(), func(o *Options) { o.User, o.Password = "bridge", "wrong" })
	if s := await(t, i, Password); s.Up {
		t.Errorf("status %+v", s)
	}
}

// TestFullQueueDrains: nobody records anything for a while; the intake
// disconnects, and afterwards everything arrives, and once. (This broker does not
// keep the order of what waits; the order is proved on the other one.)
func TestFullQueueDrains(t *testing.T) {
	b := embedded(t, broker.Options{})
	i := open(t, b.URL(), func(o *Options) { o.Queue = 10 })
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	for n := range uint64(100) { // through to the intake's session: a client's is answered before it is
		if err := b.Publish(bench1Topic, g.Payload(reading(n+1)), false); err != nil {
			t.Fatal(err)
		}
	}
	if s := await(t, i, Full); s.Up || !strings.HasSuffix(s.Text, ": 10 without a record") {
		t.Errorf("status %+v", s)
	}
	seen := map[uint64]bool{}
	for len(seen) < 100 {
		m := next(t, i)
		n := sequenceOf(t, m)
		if seen[n] {
			t.Fatalf("reading %d twice", n)
		}
		seen[n] = true
		m.Ack()
	}
	for len(i.Status()) > 0 {
		if s := <-i.Status(); s.Code == Denied {
			t.Errorf("a subscription that works: %+v", s)
		}
	}
}

// TestManyGauges: more topics than fit one subscription.
func TestManyGauges(t *testing.T) {
	const n = 120
	b := embedded(t, broker.Options{})
	i := open(t, b.URL(), func(o *Options) {
		o.Gauges = nil
		for k := range n {
			g := bench1(t)
			g.Name, g.Topic, g.Fields.Gauge = fmt.Sprintf("g%d", k), fmt.Sprintf("cell/{machine}/g%d", k), Source{}
			o.Gauges = append(o.Gauges, g)
		}
	})
	await(t, i, Connected)
	for k := range n {
		if err := b.Publish(fmt.Sprintf("cell/m%d/g%d", k, k), []byte(`{"value":28.0,"unit":"mm","characteristic":"bore","part":"1","state":"production"}`), false); err != nil {
			t.Fatal(err)
		}
		if m := next(t, i); m.Gauge != fmt.Sprintf("g%d", k) || m.Machine != fmt.Sprintf("m%d", k) {
			t.Fatalf("message %d is gauge %s, machine %s: %s", k, m.Gauge, m.Machine, m.Why)
		}
	}
}

// TestOneGaugeFloods: its excess is refused and counted, another gauge's
// reading passes.
func TestOneGaugeFloods(t *testing.T) {
	b := embedded(t, broker.Options{})
	i := open(t, b.URL(), func(o *Options) {
		loud := bench1(t)
		loud.Rate, loud.Burst = 0.001, 10
		quiet := bench1(t)
		quiet.Name, quiet.Topic = "quiet", "cell/{machine}/quiet"
		quiet.Fields.Gauge = Source{}
		o.Gauges = []Gauge{loud, quiet}
		o.Silence = 400 * time.Millisecond // looks four times as often
	})
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 50)
	q := dial(t, b.URL(), func(o *gauge.Options) { o.Station, o.Topic = "quiet", "cell/mill/quiet" })
	send(t, q, 1, 1)
	passed, refused, other := 0, 0, false
	for passed+refused < 50 || !other {
		switch m := next(t, i); {
		case m.Gauge == "quiet":
			other = true
			m.Ack()
		case m.Rejected == Flood:
			refused += m.Count
			m.Ack()
		default:
			passed++
			m.Ack()
		}
	}
	if passed != 10 || refused != 40 {
		t.Errorf("%d passed and %d were refused, want 10 and 40", passed, refused)
	}
	if s := await(t, i, Flooding); s.Gauge != "bench-1" {
		t.Errorf("status %+v", s)
	}
}

func TestPublish(t *testing.T) {
	b := embedded(t, broker.Options{})
	got := make(chan mqtt.Message, 100)
	reader := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID("reader").
		SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { got <- m }))
	for _, act := range []func() mqtt.Token{reader.Connect, func() mqtt.Token { return reader.Subscribe("state/#", 1, nil) }} {
		if token := act(); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	t.Cleanup(func() { reader.Disconnect(0) })
	i := open(t, b.URL(), nil)
	payload := []byte("one")
	if err := i.Publish("state/a", payload, true); err != nil {
		t.Fatal(err)
	}
	payload[0] = 'X' // the caller's again
	if m := <-got; string(m.Payload()) != "one" || m.Topic() != "state/a" {
		t.Errorf("got %s on %s", m.Payload(), m.Topic())
	}
	for _, topic := range []string{"", "state/+", "state/#"} {
		if i.Publish(topic, nil, false) == nil {
			t.Errorf("topic %q is accepted", topic)
		}
	}
	if err := i.Publish("state/last", []byte("goodbye"), false); err != nil {
		t.Fatal(err)
	}
	i.Close()
	for m := range got {
		if string(m.Payload()) == "goodbye" {
			break
		} else if string(m.Payload()) != "one" { // which may come once more, as a kept message
			t.Errorf("got %s", m.Payload())
		}
	}
	if err := i.Publish("state/a", nil, true); !errors.Is(err, ErrClosed) {
		t.Errorf("after Close: %v", err)
	}
}

// TestPublishWithoutBroker is bounded, and of a state only the latest is kept.
func TestPublishWithoutBroker(t *testing.T) {
	i, err := Open(context.Background(), Options{Broker: "tcp://127.0.0.1:1", ClientID: "x"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(i.Close)
	for n := range 10 * maxOutbox {
		if err := i.Publish("state", fmt.Appendf(nil, "%d", n), true); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(i.outbox.queue); n != 2 {
		t.Errorf("%d states wait, want the first and the latest", n)
	}
	for err == nil {
		err = i.Publish("event", nil, false)
	}
	if !errors.Is(err, ErrFull) || len(i.outbox.queue) != maxOutbox {
		t.Errorf("%v with %d waiting", err, len(i.outbox.queue))
	}
}

// TestUnknownTopic: a topic left in the broker's session by an older
// configuration is recorded, not forgotten.
func TestUnknownTopic(t *testing.T) {
	b := embedded(t, broker.Options{})
	old := open(t, b.URL(), func(o *Options) {
		g := bench1(t)
		g.Topic, g.Fields.Machine = "old/topic", Source{Constant: "mill"}
		o.Gauges = []Gauge{g}
	})
	await(t, old, Connected)
	old.Close()
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	if err := b.Publish("old/topic", []byte("{}"), false); err != nil {
		t.Fatal(err)
	}
	if m := next(t, i); m.Rejected != NoGauge || m.Gauge != "" || m.Topic != "old/topic" {
		t.Errorf("got %+v", m)
	}
}

func TestCloseEndsEverything(t *testing.T) {
	b := embedded(t, broker.Options{})
	ctx, cancel := context.WithCancel(context.Background())
	i, err := Open(ctx, Options{Broker: b.URL(), ClientID: "x", Gauges: []Gauge{bench1(t)}})
	if err != nil {
		t.Fatal(err)
	}
	await(t, i, Connected)
	cancel()
	if _, more := <-i.Messages(); more {
		t.Error("a message from nowhere")
	}
	await(t, i, Closed)
	i.Close()
	Message{}.Ack() // of a message made elsewhere
}
