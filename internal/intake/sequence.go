package intake

import (
	"hash/maphash"
	"maps"
	"sync"
)

// delivery is a message between its receipt and its acknowledgement.
type delivery struct {
	id   uint16
	sum  uint64
	size int
	done bool   // the receiver called Ack
	ack  func() // acknowledges on the connection it came by; nil once handed over
}

// sequence keeps deliveries in the order of receipt and releases their
// acknowledgements in that order. Deliveries that were still open when a
// connection ended, or whose acknowledgement may not have reached the broker, are
// carried over: the broker sends them again, and then they are not handed out a
// second time.
type sequence struct {
	seed  maphash.Seed
	most  int // deliveries
	bytes int // of their payloads

	mu    sync.Mutex
	open  []*delivery          // of this connection, oldest first
	given map[uint16]*delivery // of this connection, acknowledged: nothing says that it arrived
	carry map[uint16]*delivery
	held  int // deliveries without Ack
	load  int // their bytes
	epoch uint64
	shut  bool          // nothing more is taken from this connection
	wake  chan struct{} // the oldest delivery may be ready
	drain chan struct{} // held went down
}

func newSequence(most, bytes int) *sequence {
	return &sequence{
		seed: maphash.MakeSeed(), most: most, bytes: bytes,
		given: map[uint16]*delivery{}, carry: map[uint16]*delivery{}, shut: true,
		wake: make(chan struct{}, 1), drain: make(chan struct{}, 1),
	}
}

// begin starts a connection and carries over what the last one left open.
func (q *sequence) begin() (epoch uint64) {
	q.mu.Lock()
	defer q.mu.Unlock()
	maps.Copy(q.carry, q.given)
	clear(q.given)
	for _, d := range q.open {
		if d.id != 0 {
			q.carry[d.id] = d
		}
	}
	q.open, q.shut = nil, false
	q.epoch++
	return q.epoch
}

// forget drops what was carried over: without its session the broker uses
// identifiers anew.
func (q *sequence) forget() {
	q.mu.Lock()
	defer q.mu.Unlock()
	clear(q.carry)
}

// end stops taking messages from the connection.
func (q *sequence) end() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.shut = true
}

// verdict is what becomes of an arriving message.
type verdict int

const (
	dropped  verdict = iota // the connection is over; the broker keeps it
	fresh                   // hand it out
	again                   // handed out before, only the acknowledgement is new
	overflow                // no room: the connection must end
)

// arrival describes a message as the connection gave it.
type arrival struct {
	epoch     uint64
	id        uint16 // 0 at quality of service 0
	duplicate bool
	topic     string
	payload   []byte
	refuse    bool // acknowledge without handing out
	ack       func()
}

// take decides about a message. When it is fresh, hand is called before any
// later message is taken; it must not block.
func (q *sequence) take(a arrival, hand func(*delivery)) verdict {
	sum := q.sum(a.topic, a.payload)
	q.mu.Lock()
	defer q.mu.Unlock()
	if a.epoch != q.epoch {
		return dropped
	}
	if !a.duplicate { // a new use of the identifier: the acknowledgement before it did arrive
		delete(q.given, a.id)
	}
	if q.shut {
		return dropped
	}
	if d := q.carried(a, sum); d != nil {
		d.ack = a.ack
		q.open = append(q.open, d)
		q.kick()
		return again
	}
	if q.held >= q.most || q.load+len(a.payload) > q.bytes || len(q.open) >= 2*q.most {
		q.shut = true
		return overflow
	}
	d := &delivery{id: a.id, sum: sum, size: len(a.payload), ack: a.ack, done: a.refuse}
	q.open = append(q.open, d)
	if a.refuse {
		q.kick()
		return fresh
	}
	q.held++
	q.load += d.size
	hand(d)
	return fresh
}

// carried finds the delivery that the broker sends again: same identifier, same
// bytes, marked as a repetition. An identifier with other bytes is a new use.
func (q *sequence) carried(a arrival, sum uint64) *delivery {
	d, ok := q.carry[a.id]
	if !ok || a.id == 0 {
		return nil
	}
	delete(q.carry, a.id)
	if !a.duplicate || d.sum != sum {
		return nil
	}
	return d
}

func (q *sequence) sum(topic string, payload []byte) uint64 {
	var h maphash.Hash
	h.SetSeed(q.seed)
	h.WriteString(topic)
	h.WriteByte(0)
	h.Write(payload)
	return h.Sum64()
}

// finish records the receiver's Ack.
func (q *sequence) finish(d *delivery) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if d.done {
		return
	}
	d.done = true
	q.held--
	q.load -= d.size
	q.kick()
	select {
	case q.drain <- struct{}{}:
	default:
	}
}

// kick wakes the acknowledger when the oldest delivery is ready.
func (q *sequence) kick() {
	if len(q.open) > 0 && q.open[0].done {
		select {
		case q.wake <- struct{}{}:
		default:
		}
	}
}

// ready removes and returns the acknowledgements that are due in epoch.
func (q *sequence) ready(epoch uint64) []func() {
	q.mu.Lock()
	defer q.mu.Unlock()
	if epoch != q.epoch {
		return nil
	}
	n := 0
	for n < len(q.open) && q.open[n].done {
		n++
	}
	acks := make([]func(), 0, n)
	for _, d := range q.open[:n] {
		acks = append(acks, d.ack)
		d.ack = nil
		if d.id != 0 {
			q.given[d.id] = d
		}
	}
	if q.open = q.open[n:]; len(q.open) == 0 {
		q.open = nil
	}
	return acks
}

// drained reports whether at most half of the room is taken.
func (q *sequence) drained() bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.held <= q.most/2 && q.load <= q.bytes/2
}

func (q *sequence) waiting() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.held
}

// slip hands out something that no broker waits for, if there is room.
func (q *sequence) slip(hand func(*delivery)) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.shut || q.held >= q.most {
		return false
	}
	q.held++
	hand(&delivery{})
	return true
}
