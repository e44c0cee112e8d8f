package app

import (
	"encoding/json"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/testdata/peers/shop"
)

const requestsTopic = "hall/mill-1/requests"

// listener is a gauge station that hears what it is asked.
func listener(t *testing.T, s *shop.Shop) <-chan requestMessage {
	t.Helper()
	heard := make(chan requestMessage, 64)
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.Broker.Addr()).SetClientID("station"))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	tok := c.Subscribe("hall/#", 1, func(_ mqtt.Client, m mqtt.Message) {
		var r requestMessage
		if err := json.Unmarshal(m.Payload(), &r); err != nil || m.Topic() != requestsTopic || m.Retained() || m.Qos() != 1 {
			t.Errorf("%s (retained %v, QoS %d): %s: %v", m.Topic(), m.Retained(), m.Qos(), m.Payload(), err)
		}
		heard <- r
	})
	if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	return heard
}

func hear(t *testing.T, from <-chan requestMessage) requestMessage {
	t.Helper()
	select {
	case r := <-from:
		return r
	case <-time.After(time.Minute):
		t.Fatal("nothing was published")
		return requestMessage{}
	}
}

// The first reading of a part is far off; the station is asked for a second one,
// which clears it up. What is asked is on record before it leaves.
func TestASecondReadingOverMQTT(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Seed: 3, Metal: shop.Metal{Scatter: 800}})
	d := start(t, s.Config(t, `client_id = "offsetbridge-test"`, "client_id = \"offsetbridge-test\"\nrequests  = \"hall/{machine}/requests\""))
	asked := listener(t, s)
	d.live(t)
	for range 25 {
		part(t, s, d)
	}
	made, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	awaits(t, d, "the part is recorded", func(c core.Recorded) bool { return c.Count == made.Count })
	chip := s.Reading(made)
	chip.Nanometres -= 25_000
	if err := s.Gauge.Send(t.Context(), chip); err != nil {
		t.Fatal(err)
	}
	r := hear(t, asked)
	event := awaits(t, d, "the request is on record", func(core.Asked) bool { return true })
	if r.State != "open" || r.Version != 1 || r.Machine != "mill-1" || r.Part != chip.Part || r.Gauge != shop.Station ||
		r.Characteristic != shop.Feature || r.Reason != "suspect" || r.ExpiresParts < 1 || event.Count != made.Count {
		t.Fatalf("asked %+v for %+v", r, event)
	}
	if at, err := time.Parse(time.RFC3339, r.Expires); err != nil || time.Until(at) < time.Minute {
		t.Fatalf("expires %q, %v", r.Expires, err)
	}
	open := d.status(t).Machines[0].Requests
	if len(open) != 1 || open[0].Say != r.Say || open[0].Left <= 0 {
		t.Fatalf("the status says %+v", open)
	}
	var q struct {
		Requests []core.RequestView `json:"requests"`
	}
	if err := d.client.Get(t.Context(), "/v1/requests", nil, &q); err != nil || len(q.Requests) != 1 {
		t.Fatalf("%+v, %v", q, err)
	}

	again := s.Reading(made) // of the very same part
	if err := s.Gauge.Send(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	if j := d.judged(t, again.Sequence); !j.Regauge || j.Estimate != "" {
		t.Fatalf("the second reading: %s", core.Encode(j))
	}
	if e := hear(t, asked); e.State != "answered" || e.Request != r.Request {
		t.Fatalf("%+v", e)
	}
	if open := d.status(t).Machines[0].Requests; len(open) != 0 {
		t.Fatalf("still open: %+v", open)
	}

	// Nobody answers the next one: it is said to be over, and production went on.
	if made, err = s.Cut(); err != nil {
		t.Fatal(err)
	}
	awaits(t, d, "the part is recorded", func(c core.Recorded) bool { return c.Count == made.Count })
	chip = s.Reading(made)
	chip.Nanometres += 25_000
	if err := s.Gauge.Send(t.Context(), chip); err != nil {
		t.Fatal(err)
	}
	next := hear(t, asked)
	part(t, s, d)
	if e := hear(t, asked); next.State != "open" || e.State != "settled" || e.Request != next.Request || next.Request == r.Request {
		t.Fatalf("%+v, then %+v", next, e)
	}
}

// While the broker is away requests wait in a bounded outbox, and end by themselves.
func TestRequestsWithoutABroker(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Seed: 4, Metal: shop.Metal{Scatter: 800}})
	d := start(t, s.Config(t, `client_id = "offsetbridge-test"`, "client_id = \"offsetbridge-test\"\nrequests  = \"hall/{machine}/requests\""))
	d.live(t)
	s.Broker.Stop()
	for range 3000 { // more than the outbox holds
		d.publishRequests(released(core.Asked{Request: core.Request{ID: 1, Part: "1"}}))
	}
	d.hears(t, "a request to measure again is not published")
}

func released(e core.Event) bridge.Released {
	return bridge.Released{Stream: "machine/mill-1", Events: []core.Event{e}}
}
