package faultsim

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/length"
)

// broker carries the gauges' messages, and does whatever a broker may do to them.
type broker struct {
	w      *world
	maps   map[string]*intake.Mapping // by gauge
	seq    map[string]uint64          // by gauge
	frozen map[string]string          // by gauge: the number it is stuck at
	away   []*message                 // sent, not acknowledged, oldest first
	old    []*message                 // that were acknowledged
	taken  []receipt
}

type message struct {
	gauge, machine, topic string
	payload               []byte
	retained              bool
	acked                 bool
	given                 int
}

// receipt is an acknowledgement and the record that it rests on.
type receipt struct {
	stream string
	seq    uint64
}

func newBroker(w *world) *broker {
	return &broker{w: w, maps: map[string]*intake.Mapping{}, seq: map[string]uint64{}, frozen: map[string]string{}}
}

// mapping is how the gauge's messages are read.
func (b *broker) mapping(gauge, identity string) *intake.Mapping {
	if m := b.maps[gauge]; m != nil {
		return m
	}
	m, err := intake.Gauge{
		Name: gauge, Topic: "cell/{machine}/" + gauge, Kind: intake.KindReading, Identity: identity,
		Range:      length.Range{Low: 0, High: 100 * length.Millimetre},
		Resolution: um / 10, MaxDecimals: 6, TextNumbers: false,
		Fields: intake.Fields{
			Value: intake.Source{Pointer: "/v"}, Unit: intake.Source{Pointer: "/u"}, Sequence: intake.Source{Pointer: "/n", Optional: true},
			Characteristic: intake.Source{Pointer: "/c"}, Machine: intake.Source{Level: "machine"}, Part: intake.Source{Pointer: "/p"},
			State: intake.Source{Pointer: "/s"},
		},
		Production: []string{"production"}, TaskFor: time.Minute,
	}.Compile()
	if err != nil {
		panic(err)
	}
	b.maps[gauge] = m
	return m
}

// measure puts a part on the gauge of one of its features and sends the result.
func (b *broker) measure(m *iron, p *part, c *core.Characteristic) {
	w := b.w
	use := c.Gauges[0]
	b.mapping(use.Gauge, use.Identity)
	b.seq[use.Gauge]++
	size := p.true_[c.Name] + length.Length(w.r.NormFloat64()*0.5*float64(um))
	value := strconv.FormatFloat(math.Round(float64(size)/100)/10_000, 'f', 4, 64)
	if f := b.frozen[use.Gauge]; f != "" {
		value = f
	}
	unit, state := "mm", "production"
	characteristic, of, part := c.Name, m.name, strconv.FormatUint(p.count, 10)
	if !w.calm {
		switch w.r.IntN(160) {
		case 0:
			w.n.add("fault/outlier")
			value = strconv.FormatFloat(float64(size)/1e6+pick(w.r, 0.2, 0.7), 'f', 4, 64)
		case 1:
			w.n.add("fault/wrong unit")
			unit = pick(w.r, "µm", "in")
		case 2:
			w.n.add("fault/test piece")
			state = pick(w.r, "rework", "test")
		case 3:
			w.n.add("fault/wrong characteristic")
			characteristic = pick(w.r, "bore", "boss", "keyway")
		case 4:
			w.n.add("fault/wrong machine")
			of = pick(w.r, "mill-1", "mill-2", "mill-9")
		case 5:
			w.n.add("fault/wrong part number")
			part = strconv.FormatUint(p.count+uint64(w.r.IntN(500)), 10)
		case 6:
			b.ring(use.Gauge)
			value = strconv.FormatFloat(float64(c.Aim-60*um)/1e6, 'f', 4, 64)
		}
	}
	payload := fmt.Sprintf(`{"v":%s,"u":%q,"n":%d,"c":%q,"p":%q,"s":%q}`, value, unit, b.seq[use.Gauge], characteristic, part, state)
	msg := &message{gauge: use.Gauge, machine: of, topic: "cell/" + of + "/" + use.Gauge, payload: []byte(payload)}
	if part == strconv.FormatUint(p.count, 10) && of == m.name {
		w.o.measured(use.Gauge, b.seq[use.Gauge], m, p)
	}
	b.away = append(b.away, msg)
}

func (b *broker) ring(string) { b.w.n.add("fault/setting ring measured as a part") }

// deliver brings messages to the process: mostly all in order, sometimes not.
func (b *broker) deliver() {
	w := b.w
	if w.p == nil || w.p.dead {
		return
	}
	now := slices.DeleteFunc(slices.Clone(b.away), func(m *message) bool { return m.given > 0 })
	if !w.calm && len(now) > 0 {
		switch w.r.IntN(30) {
		case 0:
			w.n.add("fault/reading delayed")
			now = now[:len(now)-1]
		case 1:
			if len(now) > 1 {
				w.n.add("fault/readings out of order")
				w.r.Shuffle(len(now), func(i, j int) { now[i], now[j] = now[j], now[i] })
			}
		case 2:
			w.n.add("fault/reading lost")
			b.away = slices.DeleteFunc(b.away, func(m *message) bool { return m == now[0] })
			now = now[1:]
		case 3:
			w.n.add("fault/reading doubled")
			now = append(now, now[len(now)-1])
		case 4:
			if len(b.old) > 0 {
				w.n.add("fault/old reading again")
				now = append(now, b.old[w.r.IntN(len(b.old))])
			}
		case 5:
			w.n.add("fault/retained message")
			again := *now[0]
			again.retained = true
			now = append([]*message{&again}, now...)
		case 6:
			w.n.add("fault/broken message")
			now = append(now, b.broken(now[0]))
		}
	}
	for _, m := range now {
		b.give(m)
	}
}

// broken is a message with anything in it.
func (b *broker) broken(like *message) *message {
	r := b.w.r
	p := slices.Clone(like.payload)
	switch r.IntN(6) {
	case 0:
		p = p[:r.IntN(len(p))]
	case 1:
		p[r.IntN(len(p))] = byte(r.IntN(256))
	case 2:
		p = []byte(`{"v":1e3,"u":"mm","c":"bore","p":"1"}`)
	case 3:
		p = []byte(`{"v":"25,1","u":"mm","c":"bore","p":"1"}`)
	case 4:
		p = slices.Repeat([]byte(`{"v":`), 1+r.IntN(2000))
	case 5:
		p = []byte(`{"v":25.001,"v":25.002,"u":"mm","c":"bore","p":"101"}`)
	}
	return &message{gauge: like.gauge, machine: like.machine, topic: like.topic, payload: p}
}

// give hands one message to the daemon's intake and routes it as the program does.
func (b *broker) give(m *message) {
	w := b.w
	p := w.p
	res := b.maps[m.gauge].Parse(m.topic, m.payload, m.retained)
	to, fact := p.plant, core.Fact(core.Rejected{Gauge: m.gauge, Topic: m.topic, Code: res.Rejected, Why: res.Why, Size: len(m.payload)})
	if r, ok := res.Fact.(core.Reading); ok {
		l := p.lineOf(res.Machine)
		known := false
		if l != nil {
			_, i := w.setup[res.Machine].Find(r.Characteristic)
			known = i >= 0
		}
		if known {
			r.Machine = res.Machine
			to, fact = l, r
		} else {
			to, fact = p.plant, core.Unplaced{Reading: r, Machine: res.Machine, Code: "nowhere"}
		}
	}
	if res.Rejected != "" {
		w.n.add("refusal/intake " + string(res.Rejected))
	}
	m.given++
	ok := to.offer(fact, func(r bridge.Released) {
		m.acked = true
		if n := len(r.Events); n > 0 {
			b.taken = append(b.taken, receipt{to.stream, r.First + uint64(n) - 1})
		}
		b.away = slices.DeleteFunc(b.away, func(x *message) bool { return x == m })
		if b.old = append(b.old, m); len(b.old) > 40 {
			b.old = b.old[1:]
		}
	})
	if !ok {
		w.n.add("guard/queue full")
		m.given--
	}
}

// reconnect brings everything that was not acknowledged once more.
func (b *broker) reconnect() {
	for _, m := range b.away {
		if m.given > 0 {
			b.w.n.add("fault/redelivered after a restart")
			m.given = 0
		}
	}
	b.deliver()
}

// forget drops the messages about parts of a run of the counter that is over.
func (b *broker) forget(machine string) {
	of := func(m *message) bool { return m.machine == machine }
	b.away, b.old = slices.DeleteFunc(b.away, of), slices.DeleteFunc(b.old, of)
}
