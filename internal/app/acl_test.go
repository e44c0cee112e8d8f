package app

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/config"
	"offsetbridge/testdata/peers/mosquitto"
)

// ear is a client that keeps what it hears.
type ear struct {
	mqtt.Client
	mu    sync.Mutex
	heard []string // "topic payload"
}

func (e *ear) all() []string {
	e.mu.Lock()
	defer e.mu.Unlock()
	return slices.Clone(e.heard)
}

func logIn(t *testing.T, b *mosquitto.Broker, name string, filters ...string) *ear {
	t.Helper()
	l := &ear{}
	o := mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr()).SetClientID(name).SetUsername(name).SetPassword("secret-" + name)
	l.Client = mqtt.NewClient(o)
	done := func(what string, token mqtt.Token) {
		t.Helper()
		if !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatalf("%s %s: %v", name, what, token.Error())
		}
	}
	done("logs in", l.Connect())
	t.Cleanup(func() { l.Disconnect(100) })
	for _, f := range filters {
		done("listens", l.Subscribe(f, 1, func(_ mqtt.Client, m mqtt.Message) {
			l.mu.Lock()
			defer l.mu.Unlock()
			l.heard = append(l.heard, m.Topic()+" "+string(m.Payload()))
		}))
	}
	return l
}

// The shipped access list lets each client of the commented configuration say what
// it has to, and nobody anything else, as the real broker has it.
func TestTheShippedAccessListLetsEachSpeakForItself(t *testing.T) {
	t.Parallel()
	acl, err := os.ReadFile("../../config/deploy/mosquitto.acl")
	if err != nil {
		t.Fatal(err)
	}
	c, err := config.Parse("cell.toml", config.Cell)
	if err != nil {
		t.Fatal(err)
	}
	// Every topic of the configuration, and who alone may publish there.
	speaks := map[string]string{
		"cell/mill-1/gauge/bore-1/reading": "bore-1", "hall/gateway-3/input-7": "gateway-3", "hall/gateway-3/input-8": "gateway-3",
		"cell/mill-1/next-part": "loader", "hall/scanner-7": "scanner-7", "hall/ring-station": "ring-station",
		"hall/mill-1/measure-again": "offsetbridge", "hall/mill-1/spool bore/state": "offsetbridge",
		"hall/mill-1/spool bore/events": "offsetbridge", "hall/mill-1/record": "offsetbridge",
	}
	var filters []string
	for _, g := range c.Gauges {
		filters = append(filters, g.Filter())
	}
	for _, a := range c.Announcements {
		filters = append(filters, a.Filter())
	}
	for _, topic := range append(slices.Clone(filters), c.MQTT.Requests, c.MQTT.State, c.MQTT.Events, c.MQTT.Head) {
		topic = strings.NewReplacer("+", "mill-1", "{machine}", "mill-1", "{loop}", "spool bore").Replace(topic)
		if speaks[topic] == "" {
			t.Errorf("nobody is named here who speaks on %s", topic)
		}
	}

	names := []string{"bore-1", "bore-2", "gateway-3", "scanner-7", "ring-station", "loader", "offsetbridge", "display", "archive"}
	users := map[string]string{}
	for _, n := range names {
		users[n] = "secret-" + n
	}
	b := mosquitto.Start(t, mosquitto.Options{Users: users, ACL: string(acl)})
	hears := map[string]*ear{}
	for _, n := range names {
		if n == "offsetbridge" {
			hears[n] = logIn(t, b, n, filters...)
		} else {
			hears[n] = logIn(t, b, n, "#") // granted, and then starved of what may not be heard
		}
	}
	want := map[string][]string{}
	for topic, who := range speaks {
		for _, n := range names {
			if token := hears[n].Publish(topic, 1, false, "by "+n); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
				t.Fatalf("%s publishes: %v", n, token.Error())
			}
		}
		line := topic + " by " + who
		switch {
		case who != "offsetbridge":
			want["offsetbridge"] = append(want["offsetbridge"], line)
		case strings.HasSuffix(topic, "/state"), strings.HasSuffix(topic, "/measure-again"):
			want["display"] = append(want["display"], line)
		default:
			want["archive"] = append(want["archive"], line)
		}
	}
	// The last that each may hear was taken by the broker after all the others.
	last := map[string][2]string{"offsetbridge": {"bore-1", "cell/end/gauge/bore-1/reading"}, "display": {"offsetbridge", "hall/end/measure-again"}, "archive": {"offsetbridge", "hall/end/record"}}
	for n, end := range last {
		if token := hears[end[0]].Publish(end[1], 1, false, "end"); !token.WaitTimeout(10*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
		want[n] = append(want[n], end[1]+" end")
		deadline := time.Now().Add(20 * time.Second)
		for !slices.Contains(hears[n].all(), end[1]+" end") && time.Now().Before(deadline) {
			time.Sleep(10 * time.Millisecond)
		}
	}
	for _, n := range names {
		got := hears[n].all()
		slices.Sort(got)
		slices.Sort(want[n])
		if fmt.Sprint(got) != fmt.Sprint(want[n]) {
			t.Errorf("%s heard\n%s\nwant\n%s", n, strings.Join(got, "\n"), strings.Join(want[n], "\n"))
		}
	}
}
