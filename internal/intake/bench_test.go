package intake

import (
	"context"
	"fmt"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/simulators/gauge"
	"offsetbridge/testdata/peers/mosquitto"
)

// backlog fills a broker's session for a client with n readings.
func backlog(b *testing.B, client string, n int) *mosquitto.Broker {
	b.Helper()
	m := mosquitto.Start(b, mosquitto.Options{Lazy: true, Config: []string{
		"max_inflight_messages 1000", "max_queued_messages 0", "log_type none",
	}})
	c := subscriber(b, m, client, func(mqtt.Client, mqtt.Message) {})
	if t := c.Subscribe(bench1Topic, 1, nil); !t.WaitTimeout(patience) || t.Error() != nil {
		b.Fatal(t.Error())
	}
	c.Disconnect(250)
	g, err := gauge.Dial(context.Background(), gauge.Options{Broker: m.URL(), Station: "bench-1", Topic: bench1Topic, Decimals: 3})
	if err != nil {
		b.Fatal(err)
	}
	defer g.Close()
	if err := g.Stream(context.Background(), n, func(k int) []byte {
		return fmt.Appendf(nil, `%-256s`, g.Payload(reading(uint64(k+1))))
	}); err != nil {
		b.Fatal(err)
	}
	return m
}

func subscriber(b *testing.B, m *mosquitto.Broker, client string, got mqtt.MessageHandler) mqtt.Client {
	b.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(m.URL()).SetClientID(client).SetCleanSession(false).SetDefaultPublishHandler(got))
	if t := c.Connect(); !t.WaitTimeout(patience) || t.Error() != nil {
		b.Fatal(t.Error())
	}
	return c
}

// BenchmarkIngest is one 256-byte reading from the broker to Ack, without a
// journal.
func BenchmarkIngest(b *testing.B) {
	m := backlog(b, "intake", b.N)
	b.ResetTimer()
	i, err := Open(context.Background(), Options{Broker: m.URL(), ClientID: "intake", Gauges: []Gauge{bench1(b)}})
	if err != nil {
		b.Fatal(err)
	}
	defer i.Close()
	for range b.N {
		select {
		case msg := <-i.Messages():
			if msg.Ack(); msg.Rejected != "" {
				b.Fatal(msg.Why)
			}
		case <-time.After(patience):
			b.Fatal("no message")
		}
	}
}

// BenchmarkBareSubscriber is the baseline: the client library alone, counting.
func BenchmarkBareSubscriber(b *testing.B) {
	m := backlog(b, "bare", b.N)
	done, n := make(chan struct{}), 0
	b.ResetTimer()
	c := subscriber(b, m, "bare", func(mqtt.Client, mqtt.Message) {
		if n++; n == b.N {
			close(done)
		}
	})
	defer c.Disconnect(0)
	select {
	case <-done:
	case <-time.After(patience):
		b.Fatal("messages are missing")
	}
}
