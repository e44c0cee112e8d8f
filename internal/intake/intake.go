package intake

import (
	"context"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
)

// Message is one MQTT message, understood or refused. It must be acknowledged
// once what it says, or that it was refused, is durable.
type Message struct {
	Topic     string
	Payload   []byte // at most MaxPayload; of a longer one the first 4 KiB
	Gauge     string // whose topic it came by; empty when nobody's
	Machine   string
	QoS       byte
	Retained  bool // kept by the broker from an earlier time
	Duplicate bool // the broker may have sent it before; a hint, not a proof
	Count     int  // how many messages this one stands for; above 1 only for Flood

	Fact     core.Fact // core.Reading, core.Pair or core.Task; nil when refused
	Rejected core.Code
	Why      string

	delivery *delivery
	sequence *sequence
}

// Ack says that the message is recorded. It never blocks, may be called from
// any goroutine and in any order; only the first call counts.
func (m Message) Ack() {
	if m.delivery != nil {
		m.sequence.finish(m.delivery)
	}
}

// Status is a change in what the intake can receive, in one sentence.
type Status struct {
	Up    bool   // messages can arrive
	Gauge string // whose; empty for all
	Code  core.Code
	Text  string
}

const (
	keepOversize = 4 << 10
	maxStatus    = 256
	maxRoutes    = 16 << 10
)

// Intake receives messages. Its methods may be called from any goroutine.
type Intake struct {
	o        *prepared
	out      chan Message
	status   chan Status
	sequence *sequence
	outbox   *outbox
	gauges   []*heard
	stop     context.CancelFunc
	done     chan struct{}

	mu     sync.Mutex
	routes map[string]*heard // by topic, a cache
	last   Status            // of the session as a whole
	had    bool              // the broker had a session for us
}

// heard is a mapping with what was heard by it.
type heard struct {
	m    *Mapping
	last atomic.Int64 // Unix nanoseconds

	silent   bool // said so; this and the next two are the session's alone
	refusals int  // of its subscription, in a row on this connection
	denied   bool // said so

	mu    sync.Mutex
	limit limiter
}

// Open checks the options and starts to connect; it does not wait for the
// broker, whose state is told by Status. The intake ends when ctx does or with
// Close. The error holds all problems of the options.
func Open(ctx context.Context, o Options) (*Intake, error) {
	p, err := o.prepare()
	if err != nil {
		return nil, err
	}
	i := &Intake{
		o:        p,
		out:      make(chan Message, p.Queue+1),
		status:   make(chan Status, maxStatus),
		sequence: newSequence(p.Queue, p.Bytes),
		outbox:   newOutbox(),
		routes:   map[string]*heard{},
		done:     make(chan struct{}),
		had:      p.Known,
	}
	for _, m := range p.maps {
		i.gauges = append(i.gauges, &heard{m: m, limit: newLimiter(m.gauge)})
	}
	ctx, i.stop = context.WithCancel(ctx)
	go i.run(ctx)
	return i, nil
}

// Messages gives every message, refused ones included. It is closed after the
// intake has ended.
func (i *Intake) Messages() <-chan Message { return i.out }

// Status gives every change. When nobody reads, the oldest are dropped.
func (i *Intake) Status() <-chan Status { return i.status }

// Now returns the state of the session as a whole.
func (i *Intake) Now() Status {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.last
}

// Publish hands a message to the broker at quality of service 1, now or after
// the next connection. It never blocks; payload is copied. The error wraps
// ErrFull when too many are waiting, or ErrClosed.
func (i *Intake) Publish(topic string, payload []byte, retained bool) error {
	return i.outbox.put(parcel{topic, payload, retained})
}

// Close acknowledges what is due, disconnects, and waits for the end. The
// broker keeps the session with everything not acknowledged.
func (i *Intake) Close() {
	i.stop()
	<-i.done
}

// run keeps one session after the other until ctx ends.
func (i *Intake) run(ctx context.Context) {
	defer close(i.done)
	pause := i.o.RetryFirst
	for ctx.Err() == nil {
		s := &session{i: i, lost: make(chan error, 1), full: make(chan struct{}, 1), stop: make(chan struct{})}
		began := time.Now()
		slow := s.run(ctx)
		i.sequence.end()
		switch {
		case slow:
			pause = i.o.RetryCap
		case s.up && time.Since(began) > i.o.RetryCap:
			pause = i.o.RetryFirst
		}
		jitter := time.Duration(rand.Int64N(int64(pause)/4 + 1))
		if !i.rest(ctx, pause-jitter, s.crowded) {
			break
		}
		pause = min(2*pause, i.o.RetryCap)
	}
	i.outbox.close()
	i.sequence.end()
	i.sequence.mu.Lock() // no handler is inside
	close(i.out)
	i.sequence.mu.Unlock()
	i.say(Status{Code: Closed}, "")
}

// rest waits for the pause and, after the queue was full, for room in it; false
// when ctx ends.
func (i *Intake) rest(ctx context.Context, pause time.Duration, crowded bool) bool {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
		return false
	}
	for crowded && !i.sequence.drained() {
		select {
		case <-i.sequence.drain:
		case <-ctx.Done():
			return false
		}
	}
	return true
}

// say reports a change; a repetition of the same is left out.
func (i *Intake) say(s Status, detail string) {
	s.Text = sentence(s.Code, detail)
	if s.Gauge != "" {
		s.Text = "gauge " + s.Gauge + ": " + s.Text
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if s.Gauge == "" {
		if s == i.last {
			return
		}
		i.last = s
	}
	level := zap.InfoLevel
	if !s.Up || s.Code == Silent || s.Code == Flooding {
		level = zap.WarnLevel
	}
	i.o.Log.Log(level, s.Text, zap.String("code", string(s.Code)), zap.Bool("up", s.Up))
	for {
		select {
		case i.status <- s:
			return
		default:
		}
		select {
		case <-i.status:
		default:
		}
	}
}

// route finds the gauge of a topic.
func (i *Intake) route(topic string) *heard {
	i.mu.Lock()
	defer i.mu.Unlock()
	if h, ok := i.routes[topic]; ok {
		return h
	}
	for _, h := range i.gauges {
		if h.m.Matches(topic) {
			if len(i.routes) >= maxRoutes {
				clear(i.routes)
			}
			i.routes[topic] = h
			return h
		}
	}
	return nil
}
