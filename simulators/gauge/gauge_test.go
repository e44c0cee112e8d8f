package gauge

import (
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/simulators/broker"
)

func TestNumberRoundsLikeADisplay(t *testing.T) {
	for _, c := range []struct {
		unit     string
		decimals int
		nm       int64
		want     string
	}{
		{"mm", 3, 28_012_400, "28.012"},
		{"mm", 3, 28_012_500, "28.013"},
		{"mm", 3, -28_012_500, "-28.013"},
		{"mm", 3, 27_999_900, "28.000"},
		{"mm", 3, -400, "0.000"},
		{"mm", 0, 1_500_000, "2"},
		{"µm", 1, 28_012_450, "28012.5"},
		{"in", 5, 25_400_000, "1.00000"},
		{"in", 4, 28_012_000, "1.1028"},
	} {
		if got := (Options{Unit: c.unit, Decimals: c.decimals}).number(c.nm); got != c.want {
			t.Errorf("%d nm in %s with %d decimals: got %s, want %s", c.nm, c.unit, c.decimals, got, c.want)
		}
	}
}

var sample = Reading{
	Sequence: 7, Time: time.Date(2026, 3, 1, 8, 30, 0, 0, time.UTC),
	Characteristic: "bore", Nanometres: 28_012_000, Part: "117", Cut: 1,
}

func TestPayload(t *testing.T) {
	g := &Gauge{o: Options{Station: "bench-1", Unit: "mm", Decimals: 3}}
	for _, c := range []struct {
		faults []Fault
		want   string
	}{
		{nil, `{"v":1,"station":"bench-1","sequence":7,"time":"2026-03-01T08:30:00.000Z","characteristic":"bore","value":28.012,"unit":"mm","part":"117","cut":1,"state":"production"}`},
		{[]Fault{Bare}, `28.012`},
		{[]Fault{WrongUnit}, `{"v":1,"station":"bench-1","sequence":7,"time":"2026-03-01T08:30:00.000Z","characteristic":"bore","value":28.012,"unit":"in","part":"117","cut":1,"state":"production"}`},
		{[]Fault{NoUnit, Exponent}, `{"v":1,"station":"bench-1","sequence":7,"time":"2026-03-01T08:30:00.000Z","characteristic":"bore","value":28.012e0,"part":"117","cut":1,"state":"production"}`},
	} {
		if got := string(g.Payload(sample, c.faults...)); got != c.want {
			t.Errorf("%v\n got %s\nwant %s", c.faults, got, c.want)
		}
	}
	if p := g.Payload(sample, CutOff); json.Valid(p) {
		t.Errorf("half a message is still a message: %s", p)
	}
	if p := string(g.Payload(sample, SecondKey)); strings.Count(p, `"value"`) != 2 {
		t.Errorf("value stands once in %s", p)
	}
	quoted := &Gauge{o: Options{Station: "b", Unit: "mm", Decimals: 2, Text: true}}
	if p := string(quoted.Payload(Reading{Part: "a\"b"})); p != `{"v":1,"station":"b","characteristic":"","value":"0.00","unit":"mm","part":"a\"b","state":"production"}` {
		t.Error(p)
	}
}

// TestSend looks at what arrives at the broker, in order.
func TestSend(t *testing.T) {
	b, err := broker.Start(broker.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Stop)
	got := make(chan mqtt.Message, 100)
	reader := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID("reader"))
	wait(t, reader.Connect())
	t.Cleanup(func() { reader.Disconnect(0) })
	wait(t, reader.Subscribe("bench/#", 1, func(_ mqtt.Client, m mqtt.Message) { got <- m }))

	ctx := context.Background()
	g, err := Dial(ctx, Options{Broker: b.URL(), Station: "bench-1", Topic: "bench/1", Decimals: 3})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Close)
	send := func(n uint64, faults ...Fault) {
		r := sample
		r.Sequence = n
		if err := g.Send(ctx, r, faults...); err != nil {
			t.Fatal(err)
		}
	}
	send(1)
	send(2, Twice)
	send(3, Late)
	send(4)
	if err := g.Stream(ctx, 500, func(int) []byte { return []byte("{}") }); err != nil {
		t.Fatal(err)
	}
	for i, want := range []uint64{1, 2, 2, 4, 3} {
		var m struct{ Sequence uint64 }
		if err := json.Unmarshal((<-got).Payload(), &m); err != nil || m.Sequence != want {
			t.Errorf("message %d: got sequence %d (%v), want %d", i, m.Sequence, err, want)
		}
	}
	for range 500 {
		if m := <-got; string(m.Payload()) != "{}" {
			t.Fatalf("streamed message is %s", m.Payload())
		}
	}
	send(5, Retained)
	if m := <-got; m.Retained() {
		t.Error("a live message must not look kept")
	}
	wait(t, reader.Subscribe("bench/1", 1, func(_ mqtt.Client, m mqtt.Message) { got <- m }))
	if m := <-got; !m.Retained() {
		t.Error("the broker did not keep the message")
	}
}

func wait(t *testing.T, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(5*time.Second) || token.Error() != nil {
		t.Fatalf("broker: %v", token.Error())
	}
}
