package intake

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// TestSequence drives deliveries, acknowledgements and connections at random:
// within a connection acknowledgements leave in the order of receipt, none
// leaves before its Ack, and nothing that is still open is handed out again.
func TestSequence(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &model{q: newSequence(8, 1000), unacked: map[int]*delivery{}, atBroker: map[uint16]int{}, handed: map[int]bool{}}
		s.epoch = s.q.begin()
		t.Repeat(map[string]func(*rapid.T){
			"receive":   s.receive,
			"ack":       s.ack,
			"release":   s.release,
			"reconnect": s.reconnect,
			"":          s.check,
		})
	})
}

// model is what a broker and a receiver know.
type model struct {
	q        *sequence
	epoch    uint64
	number   int
	id       uint16
	order    []int             // received on this connection, not yet acknowledged to the broker
	unacked  map[int]*delivery // handed out, without Ack
	atBroker map[uint16]int    // what the broker will send again
	full     bool
	lost     bool         // acknowledgements of this connection do not arrive any more
	handed   map[int]bool // handed out, ever
}

func (s *model) give(t *rapid.T, id uint16, number int, duplicate bool) {
	var handed *delivery
	v := s.q.take(arrival{
		epoch: s.epoch, id: id, duplicate: duplicate, topic: "t", payload: fmt.Append(nil, number),
		ack: func() {
			if s.order[0] != number {
				t.Fatalf("%d is acknowledged before %d", number, s.order[0])
			}
			if _, open := s.unacked[number]; open {
				t.Fatalf("%d is acknowledged before Ack", number)
			}
			s.order = s.order[1:]
			if !s.lost {
				delete(s.atBroker, id)
			}
		},
	}, func(d *delivery) { handed = d })
	_, open := s.unacked[number]
	switch v {
	case fresh:
		if open || s.handed[number] {
			t.Fatalf("%d is handed out again", number)
		}
		s.handed[number] = true
		s.unacked[number] = handed
	case again:
		if handed != nil {
			t.Fatal("handed out although known")
		}
	case overflow:
		s.full = true
		return
	case dropped:
		if !s.full {
			t.Fatalf("%d dropped", number)
		}
		return
	}
	s.order = append(s.order, number)
}

func (s *model) receive(t *rapid.T) {
	s.number++
	s.id++
	s.atBroker[s.id] = s.number
	s.give(t, s.id, s.number, rapid.Bool().Draw(t, "dup"))
}

func (s *model) ack(t *rapid.T) {
	var open []int
	for n := range s.unacked {
		open = append(open, n)
	}
	if len(open) == 0 {
		t.Skip("nothing open")
	}
	slices.Sort(open)
	n := rapid.SampledFrom(open).Draw(t, "which")
	s.q.finish(s.unacked[n])
	s.q.finish(s.unacked[n])
	delete(s.unacked, n)
}

func (s *model) release(t *rapid.T) {
	s.lost = s.lost || rapid.IntRange(0, 3).Draw(t, "lost") == 0
	for _, ack := range s.q.ready(s.epoch) {
		ack()
	}
}

// reconnect ends the connection; the broker sends again what it has no
// acknowledgement for, in order.
func (s *model) reconnect(t *rapid.T) {
	old := s.epoch
	s.q.end()
	s.epoch, s.order, s.full, s.lost = s.q.begin(), nil, false, false
	if len(s.q.ready(old)) != 0 {
		t.Fatal("acknowledgements for a connection that is gone")
	}
	var ids []uint16
	for id := range s.atBroker {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		s.give(t, id, s.atBroker[id], true)
	}
}

func (s *model) check(t *rapid.T) {
	if s.q.held != len(s.unacked) || s.q.held > s.q.most {
		t.Fatalf("%d held, %d are open", s.q.held, len(s.unacked))
	}
}

// TestReusedIdentifier: the same identifier with other bytes is another
// message, and so is a message that is not marked as sent before.
func TestReusedIdentifier(t *testing.T) {
	q := newSequence(8, 1000)
	give := func(epoch uint64, payload string, duplicate bool) verdict {
		return q.take(arrival{epoch: epoch, id: 1, duplicate: duplicate, payload: []byte(payload), ack: func() {}}, func(*delivery) {})
	}
	e := q.begin()
	if v := give(e, "a", false); v != fresh {
		t.Fatal(v)
	}
	if v := give(q.begin(), "b", true); v != fresh {
		t.Errorf("other bytes: %v", v)
	}
	if v := give(q.begin(), "b", false); v != fresh {
		t.Errorf("not marked: %v", v)
	}
	if v := give(q.begin(), "b", true); v != again {
		t.Errorf("the same again: %v", v)
	}
	e = q.begin()
	q.forget()
	if v := give(e, "b", true); v != fresh {
		t.Errorf("after the session was lost: %v", v)
	}
	if v := give(e-1, "c", false); v != dropped {
		t.Errorf("from an old connection: %v", v)
	}
}

// TestNothingPassesAnOverflow: after a message had no room, a later one must not
// overtake it on the same connection.
func TestNothingPassesAnOverflow(t *testing.T) {
	q := newSequence(1, 1000)
	e := q.begin()
	var first *delivery
	give := func(id uint16) verdict {
		return q.take(arrival{epoch: e, id: id, ack: func() {}}, func(d *delivery) { first = d })
	}
	if give(1) != fresh || give(2) != overflow {
		t.Fatal("a queue of one takes one")
	}
	q.finish(first)
	if v := give(3); v != dropped {
		t.Errorf("message 3 overtakes message 2: %v", v)
	}
}

// TestALostAcknowledgement: what was acknowledged and comes again is only
// acknowledged again, unless its identifier was in use for another message since.
func TestALostAcknowledgement(t *testing.T) {
	for _, reused := range []bool{false, true} {
		q := newSequence(1, 1000)
		e := q.begin()
		give := func(id uint16, duplicate bool) verdict {
			var handed *delivery
			v := q.take(arrival{epoch: e, id: id, duplicate: duplicate, payload: []byte("28.012"), ack: func() {}},
				func(d *delivery) { handed = d })
			if handed != nil {
				q.finish(handed)
			}
			return v
		}
		if give(1, false) != fresh || len(q.ready(e)) != 1 {
			t.Fatal("not acknowledged")
		}
		if q.end(); reused && give(1, false) != dropped {
			t.Fatal("taken after the end")
		}
		e = q.begin()
		want := again
		if reused {
			want = fresh
		}
		if v := give(1, true); v != want {
			t.Errorf("identifier in use again %v: %v, want %v", reused, v, want)
		}
		if n := len(q.ready(e)); n != 1 {
			t.Errorf("%d acknowledgements, want 1", n)
		}
	}
}
