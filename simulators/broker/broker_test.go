package broker

import (
	"errors"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

func TestLoopbackOnly(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "192.0.2.1:0", "[::]:0", "somewhere:1883", "nonsense"} {
		if b, err := Start(Options{Address: address}); !errors.Is(err, ErrNotLoopback) {
			if b != nil {
				b.Stop()
			}
			t.Errorf("%s: got %v", address, err)
		}
	}
	b, err := Start(Options{Address: "0.0.0.0:0", Unsafe: true})
	if err != nil {
		t.Fatal(err)
	}
	b.Stop()
}

func TestCovers(t *testing.T) {
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"a/b", "a/b", true}, {"a/+", "a/b", true}, {"a/+", "a/+", true}, {"a/b", "a/+", false},
		{"#", "a/b", true}, {"a/#", "a/b/c", true}, {"a/+", "a/#", false}, {"a/+/c", "a/b/d", false},
		{"a", "a/b", false}, {"a/b", "a", false},
	} {
		if got := covers(c.filter, c.topic); got != c.want {
			t.Errorf("covers(%q, %q) = %v", c.filter, c.topic, got)
		}
	}
}

func client(t *testing.T, b *Broker, user, password string) (mqtt.Client, error) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID(t.Name()).SetProtocolVersion(4).
		SetUsername(user).SetPassword(password).SetAutoReconnect(false).SetConnectTimeout(5 * time.Second))
	token := c.Connect()
	if !token.WaitTimeout(10 * time.Second) {
		t.Fatal("the broker does not answer")
	}
	return c, token.Error()
}

func TestUsersAndTopics(t *testing.T) {
	b, err := Start(Options{Users: map[string]User{"ann": {Password: "secret", Read: []string{"cell/+/reading"}, Write: []string{"cell/a/reading"}}}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	for _, wrong := range [][2]string{{"ann", "guess"}, {"bob", "secret"}, {"", ""}} {
		if c, err := client(t, b, wrong[0], wrong[1]); err == nil {
			c.Disconnect(0)
			t.Errorf("%q may log in with %q", wrong[0], wrong[1])
		}
	}
	c, err := client(t, b, "ann", "secret")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(0) })
	got := make(chan string, 10)
	c.AddRoute("#", func(_ mqtt.Client, m mqtt.Message) { got <- m.Topic() })
	for filter, want := range map[string]byte{"cell/+/reading": 1, "cell/#": 0x80, "other": 0x80} {
		token := c.Subscribe(filter, 1, nil).(*mqtt.SubscribeToken)
		if !token.WaitTimeout(5 * time.Second) {
			t.Fatal("no answer to a subscription")
		}
		if answer := token.Result()[filter]; answer != want {
			t.Errorf("subscription to %s answered %#x, want %#x", filter, answer, want)
		}
	}
	c.Publish("cell/a/reading", 1, false, "allowed")
	select {
	case topic := <-got:
		if topic != "cell/a/reading" {
			t.Errorf("got a message on %s", topic)
		}
	case <-time.After(5 * time.Second):
		t.Fatal("the allowed message did not arrive")
	}
	c.Publish("cell/b/reading", 1, false, "forbidden: the broker closes the connection")
	for deadline := time.Now().Add(5 * time.Second); c.IsConnectionOpen(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("a client publishing what it may not stays connected")
		}
	}
	if len(got) != 0 {
		t.Errorf("the forbidden message went through to %s", <-got)
	}
}

func TestRestartKeepsTheAddress(t *testing.T) {
	b, err := Start(Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	before := b.Addr()
	b.Stop()
	if c, err := client(t, b, "", ""); err == nil {
		c.Disconnect(0)
		t.Error("a stopped broker still answers")
	}
	if err := b.Publish("a", nil, false); err == nil {
		t.Error("a stopped broker still publishes")
	}
	if err := b.Restart(); err != nil {
		t.Fatal(err)
	}
	if b.Addr() != before {
		t.Errorf("moved from %s to %s", before, b.Addr())
	}
	c, err := client(t, b, "", "")
	if err != nil {
		t.Fatal(err)
	}
	c.Disconnect(0)
}
