package intake

import (
	"errors"
	"fmt"
	"strings"
	"sync"
)

// Errors of Publish.
var (
	ErrFull   = errors.New("outbox is full")
	ErrClosed = errors.New("intake is closed")
)

const maxOutbox = 1024

// parcel is a message on its way to the broker.
type parcel struct {
	topic    string
	payload  []byte
	retained bool
}

// outbox keeps what is to be published until the broker has it. Of a retained
// topic only the latest is kept.
type outbox struct {
	mu     sync.Mutex
	queue  []parcel
	closed bool
	wake   chan struct{}
}

func newOutbox() *outbox { return &outbox{wake: make(chan struct{}, 1)} }

func (o *outbox) put(p parcel) error {
	if p.topic == "" || len(p.topic) > 512 || strings.ContainsAny(p.topic, "+#\x00") {
		return fmt.Errorf("topic %s cannot be published to, it is empty, too long or has a wildcard", quote(p.topic))
	}
	if len(p.payload) > MaxPayload {
		return fmt.Errorf("message of %d bytes for %s is longer than %d", len(p.payload), quote(p.topic), MaxPayload)
	}
	p.payload = append([]byte(nil), p.payload...)
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.closed {
		return ErrClosed
	}
	if p.retained && o.replace(p) {
		return nil
	}
	if len(o.queue) >= maxOutbox {
		return fmt.Errorf("message for %s not taken: %w, the broker takes none", quote(p.topic), ErrFull)
	}
	o.queue = append(o.queue, p)
	select {
	case o.wake <- struct{}{}:
	default:
	}
	return nil
}

// replace puts p in the place of an older retained message to its topic. The
// first in the queue may be under way and stays.
func (o *outbox) replace(p parcel) bool {
	for i := 1; i < len(o.queue); i++ {
		if o.queue[i].retained && o.queue[i].topic == p.topic {
			o.queue[i] = p
			return true
		}
	}
	return false
}

func (o *outbox) first() (parcel, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.queue) == 0 {
		return parcel{}, false
	}
	return o.queue[0], true
}

// sent removes the first.
func (o *outbox) sent() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.queue[0] = parcel{}
	if o.queue = o.queue[1:]; len(o.queue) == 0 {
		o.queue = nil
	}
}

func (o *outbox) close() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.closed = true
}
