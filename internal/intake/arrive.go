package intake

import (
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// handle takes a message from the library. It never blocks: the library's
// keep-alive would die with it.
func (s *session) handle(_ mqtt.Client, m mqtt.Message) {
	i := s.i
	msg := Message{
		Topic: m.Topic(), Payload: m.Payload(), QoS: m.Qos(), Retained: m.Retained(), Duplicate: m.Duplicate(),
		Count: 1, sequence: i.sequence,
	}
	a := arrival{epoch: s.epoch, id: m.MessageID(), duplicate: msg.Duplicate, topic: msg.Topic, payload: msg.Payload, ack: m.Ack}
	if msg.QoS == 0 {
		a.id = 0
	}
	if h := i.route(msg.Topic); h == nil {
		msg.Rejected, msg.Why = NoGauge, sentence(NoGauge, quote(msg.Topic))
		msg.Topic = msg.Topic[:min(len(msg.Topic), 512)]
	} else {
		now := time.Now()
		h.last.Store(now.UnixNano())
		msg.Gauge = h.m.gauge.Name
		if a.refuse = h.flooded(msg, now); !a.refuse {
			r := h.m.Parse(msg.Topic, msg.Payload, msg.Retained)
			msg.Machine, msg.Fact, msg.Rejected, msg.Why = r.Machine, r.Fact, r.Rejected, r.Why
		}
	}
	if len(msg.Payload) > MaxPayload {
		msg.Payload = append([]byte(nil), msg.Payload[:keepOversize]...)
	}
	verdict := i.sequence.take(a, func(d *delivery) {
		msg.delivery = d
		i.out <- msg // has room: the sequence counts what was handed out
	})
	if verdict == overflow {
		select {
		case s.full <- struct{}{}:
		default:
		}
	}
}

// flooded counts a message that its gauge sends too fast.
func (h *heard) flooded(m Message, now time.Time) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.limit.allow(now) {
		return false
	}
	h.limit.excess++
	m.Payload = append([]byte(nil), m.Payload[:min(len(m.Payload), keepOversize)]...)
	h.limit.sample = m
	return true
}

// floods hands out one refused message for all that a gauge sent too fast since
// the last time.
func (i *Intake) floods() {
	for _, h := range i.gauges {
		h.mu.Lock()
		m, n := h.limit.sample, h.limit.excess
		h.limit.sample, h.limit.excess = Message{}, 0
		h.mu.Unlock()
		if n == 0 {
			continue
		}
		m.Count, m.Rejected, m.Why = n, Flood, sentence(Flood, "")
		if !i.sequence.slip(func(d *delivery) { m.delivery = d; i.out <- m }) {
			h.mu.Lock()
			h.limit.sample, h.limit.excess = m, h.limit.excess+n
			h.mu.Unlock()
			continue
		}
		i.say(Status{Up: true, Gauge: h.m.gauge.Name, Code: Flooding}, "")
	}
}
