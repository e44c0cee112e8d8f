package app

import (
	"encoding/hex"
	"encoding/json"
	"maps"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/testdata/peers/shop"
)

const publishing = `client_id = "offsetbridge-test"
state  = "hall/{machine}/{loop}/state"
events = "hall/{machine}/{loop}/events"
head   = "hall/{machine}/record"`

// hall is somebody in the hall who listens to what the program tells.
type hall struct {
	t      *testing.T
	c      mqtt.Client
	mu     sync.Mutex
	states []loopState
	kept   int // of them retained at the broker
	events []eventMessage
	heads  map[string]headMessage
}

// listen hears everything that is published from now on, and what the broker
// kept.
func listen(t *testing.T, s *shop.Shop, name string) *hall {
	t.Helper()
	h := &hall{t: t, heads: map[string]headMessage{}}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.Broker.Addr()).SetClientID(name))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	h.c = c
	tok := c.Subscribe("hall/#", 1, h.hear)
	if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	return h
}

func (h *hall) retained() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.kept
}

func (h *hall) hear(_ mqtt.Client, m mqtt.Message) {
	h.mu.Lock()
	defer h.mu.Unlock()
	var err error
	switch {
	case len(m.Payload()) == 0: // the broker is made to forget
	case strings.Contains(strings.ToLower(string(m.Payload())), "correction"):
		h.t.Errorf("%s calls something a correction: %s", m.Topic(), m.Payload())
	case m.Topic() == "hall/mill-1/bore/state":
		var s loopState
		err = json.Unmarshal(m.Payload(), &s)
		h.states = append(h.states, s)
		if m.Retained() {
			h.kept++
		}
	case strings.HasSuffix(m.Topic(), "/events"):
		var e eventMessage
		err = json.Unmarshal(m.Payload(), &e)
		h.events = append(h.events, e)
		if m.Retained() {
			h.t.Errorf("an event is kept by the broker: %s", m.Payload())
		}
	case strings.HasSuffix(m.Topic(), "/record"):
		var v headMessage
		err = json.Unmarshal(m.Payload(), &v)
		h.heads[m.Topic()] = v
	}
	if err != nil {
		h.t.Errorf("%s: %s: %v", m.Topic(), m.Payload(), err)
	}
}

// state waits for a state that is as wanted.
func (h *hall) state(what string, ok func(loopState) bool) (got loopState) {
	h.t.Helper()
	shop.Wait(h.t, what, func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		if n := len(h.states); n > 0 && ok(h.states[n-1]) {
			got = h.states[n-1]
			return true
		}
		return false
	})
	return got
}

func (h *hall) event(what string, ok func(eventMessage) bool) (got eventMessage) {
	h.t.Helper()
	shop.Wait(h.t, what, func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		for _, e := range h.events {
			if ok(e) {
				got = e
				return true
			}
		}
		return false
	})
	return got
}

// TestTheHallIsTold: the state of a loop stands at the broker for whoever comes,
// what happens is told once, and the heads of the record are kept off this
// computer in the form that the verification reads.
func TestTheHallIsTold(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Seed: 6, Metal: shop.Metal{Setup: -12_000}})
	d := start(t, s.Config(t, `client_id = "offsetbridge-test"`, publishing, `mode      = "auto"`, `mode      = "confirm"`))
	d.live(t)
	h := listen(t, s, "hall")
	part(t, s, d)
	asks := h.state("a decision is told", func(x loopState) bool { return x.State == "decide" })
	p := asks.Proposal
	if p == nil || p.Status != "pending" || len(p.Registers) != 1 || p.Registers[0].Register != shop.Register || asks.Registers[0].ValueNM != 0 ||
		asks.Version != 1 || asks.Say != p.Say || asks.FromAimNM == nil || *asks.FromAimNM > -9_000 || asks.Registers[0].Value != "+0.000 mm" {
		t.Fatalf("state %+v, proposal %+v", asks, p)
	}
	proposed := h.event("the proposal is told", func(e eventMessage) bool { return e.Event == "proposed" && e.Proposal == p.ID })
	if *proposed.NewNM != int64(p.Registers[0].NewNM) || proposed.Machine != "mill-1" || proposed.Loop != shop.Loop || proposed.ID == "" {
		t.Errorf("event %+v", proposed)
	}
	if err := d.client.Post(t.Context(), "/v1/queue/"+p.ID+"/approve", map[string]string{"digest": p.Digest}, nil); err != nil {
		t.Fatal(err)
	}
	applied := h.event("the change is told", func(e eventMessage) bool { return e.Event == "applied" })
	if *applied.NewNM != *proposed.NewNM || applied.Register != shop.Register {
		t.Errorf("event %+v", applied)
	}
	if e := h.event("the approval is told", func(e eventMessage) bool { return e.Event == "approved" }); e.By == "" || e.Proposal != p.ID {
		t.Errorf("event %+v", e)
	}
	done := h.state("the register's new value is told", func(x loopState) bool { return x.Applied != nil && x.Proposal == nil })
	if done.Applied.ValueNM != *proposed.NewNM || done.Registers[0].ValueNM != *proposed.NewNM || done.Applied.Value != p.Registers[0].New {
		t.Errorf("state %+v, applied %+v", done, done.Applied)
	}
	if err := d.client.Post(t.Context(), "/v1/hold", map[string]string{"machine": "mill-1", "note": "a look"}, nil); err != nil {
		t.Fatal(err)
	}
	if held := h.state("the hold is told", func(x loopState) bool { return x.State == "held" }); held.Hold.Note != "a look" || held.Hold.Clear != core.Operator {
		t.Errorf("hold %+v", held.Hold)
	}
	h.event("the hold is told once", func(e eventMessage) bool { return e.Event == "held" && e.Loop == "" })

	// Whoever comes later finds it at the broker, also after that lost everything.
	if late := listen(t, s, "late"); late.state("the state is kept", func(x loopState) bool { return x.State == "held" }).Applied == nil || late.retained() != 1 {
		t.Errorf("%d states are kept", late.retained())
	}
	if tok := h.c.Publish("hall/mill-1/bore/state", 1, true, ""); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatal(tok.Error())
	}
	s.Broker.Stop()
	s.Broker.Restart()
	after := listen(t, s, "after")
	after.state("the state is told anew", func(x loopState) bool { return x.State == "held" })
	shop.Wait(t, "the heads are told", func() bool {
		after.mu.Lock()
		defer after.mu.Unlock()
		return len(after.heads) == 2
	})
	after.mu.Lock()
	heads := maps.Clone(after.heads)
	after.mu.Unlock()
	for topic, m := range heads {
		head := journal.Head{Stream: m.Heads[0].Stream, Seq: m.Heads[0].Seq}
		b, err := hex.DecodeString(m.Heads[0].Hash)
		if copy(head.Hash[:], b); err != nil || len(m.Heads) != 1 {
			t.Fatal(topic, m, err)
		}
		if err := d.journal.Contains(head); err != nil {
			t.Errorf("%s: %v", topic, err)
		}
		head.Hash[0] ^= 1
		if d.journal.Contains(head) == nil {
			t.Errorf("%s: another hash passes", topic)
		}
	}
}

// What happens while the broker is away is kept as far as the outbox has room;
// the rest is dropped and counted, and state takes none of the room.
func TestTheOutboxIsBoundedForEvents(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Seed: 7})
	d := start(t, s.Config(t, `client_id = "offsetbridge-test"`, publishing))
	d.live(t)
	s.Broker.Stop()
	shop.Wait(t, "the broker is missed", func() bool { return !d.intake.Now().Up })
	for range 3000 {
		d.watchers.tell(released(core.Resumed{Loop: shop.Loop, Note: "again"}))
	}
	s.Broker.Restart()
	h := listen(t, s, "hall")
	d.hears(t, "events were not published, the broker takes none")
	h.state("state is told all the same", func(x loopState) bool { return x.Loop == shop.Loop })
	shop.Wait(t, "what was kept is told", func() bool {
		h.mu.Lock()
		defer h.mu.Unlock()
		return len(h.events) > 500
	})
}
