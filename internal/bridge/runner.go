package bridge

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// Machine is the port to one machine's registers.
type Machine interface {
	// Events gives sessions and samples; it is closed when the machine is.
	Events() <-chan core.Fact
	// Write carries out one intent: check, pre-read, write, read back. It asks
	// gate directly before sending and sends nothing when that says no.
	Write(ctx context.Context, in core.Intent, gate func() bool) core.Outcome
}

// Journal is the port to the durable log.
type Journal interface {
	Submit(records []journal.Record, done func(error)) error
	Head(stream string) journal.Head
	SaveSnapshot(journal.Snapshot) error
}

// Options of a Runner.
type Options struct {
	Stream   string
	Journal  Journal
	Machine  Machine     // nil for the plant
	First    []core.Fact // decided before anything that the machine or a caller says
	Now      func() core.Instant
	Tick     time.Duration  // 0 = no ticks: time passes only with inputs
	Every    uint64         // events between snapshots
	Open     func() bool    // the plant-wide gate; nil = open
	Released func(Released) // called in order, from the runner's goroutine; must not block
	Log      *zap.Logger
}

// ErrStopped is returned for inputs that came after the runner stopped.
var ErrStopped = errors.New("this machine's loop has stopped")

// ErrFull is returned when more inputs wait than the queue holds.
var ErrFull = errors.New("too many inputs wait for the journal, try again later")

// Runner is the goroutine around one Bridge.
type Runner struct {
	o      Options
	b      *Bridge
	in     chan job
	urgent chan job // holds: they do not wait behind anything
	landed chan error
	stop   chan struct{}
	ended  chan struct{}
	once   sync.Once
	failed atomic.Pointer[error]
	gate   *Gate

	mu   sync.RWMutex
	gone bool // nothing is taken from the channels any more

	refs   uint64
	calls  map[uint64]func(Released, error)
	looks  []func(Decider)
	saved  uint64  // record of the last snapshot
	tried  uint64  // and of the last attempt
	unsent *Commit // the journal was busy; offered again
	again  <-chan time.Time
	writes chan core.Intent
}

type job struct {
	fact core.Fact
	done func(Released, error)
	look func(Decider)
}

// Run starts a runner. Close stops it.
func Run(b *Bridge, o Options) *Runner {
	if o.Every == 0 {
		o.Every = 20_000
	}
	r := &Runner{
		o: o, b: b, in: make(chan job, Queue), urgent: make(chan job, urgentMost), landed: make(chan error, 1), stop: make(chan struct{}),
		ended: make(chan struct{}), calls: map[uint64]func(Released, error){}, writes: make(chan core.Intent, 64),
		saved: b.durable, tried: b.durable, gate: NewGate(o.Open),
	}
	r.gate.Remember(b)
	go r.loop()
	return r
}

// Submit offers an input. done, when given, is called once from the runner's
// goroutine after what the input caused is durable, or with the reason why that
// will not happen. Submit never blocks.
func (r *Runner) Submit(f core.Fact, done func(Released, error)) error {
	in := r.in
	if _, ok := f.(core.Hold); ok {
		in = r.urgent
		r.gate.Asked()
		inner := done
		done = func(rel Released, err error) {
			r.gate.Decided()
			if inner != nil {
				inner(rel, err)
			}
		}
	}
	err := r.offer(in, job{fact: f, done: done})
	if err != nil {
		if _, ok := f.(core.Hold); ok && !errors.Is(err, ErrStopped) {
			r.gate.Decided()
		}
	}
	return err
}

// urgentMost bounds the holds that wait to be decided.
const urgentMost = 64

func (r *Runner) offer(in chan<- job, j job) error {
	r.mu.RLock()
	defer r.mu.RUnlock()
	select {
	case <-r.stop:
		return ErrStopped
	default:
	}
	if r.gone {
		return ErrStopped
	}
	select {
	case in <- j:
		return nil
	default:
		return ErrFull
	}
}

// Call submits an input and waits for what it caused.
func (r *Runner) Call(ctx context.Context, f core.Fact) (Released, error) {
	type result struct {
		rel Released
		err error
	}
	got := make(chan result, 1)
	if err := r.Submit(f, func(rel Released, err error) { got <- result{rel, err} }); err != nil {
		return Released{}, err
	}
	select {
	case g := <-got:
		return g.rel, g.err
	case <-ctx.Done():
		return Released{}, ctx.Err()
	case <-r.ended:
		select {
		case g := <-got:
			return g.rel, g.err
		default:
			return Released{}, ErrStopped
		}
	}
}

// Look calls f with the state when nothing is on its way to the journal: what f
// sees is durable. f must copy what it wants and return quickly.
func (r *Runner) Look(ctx context.Context, f func(Decider)) error {
	done := make(chan struct{})
	select { // waits its turn: who only looks shall not be turned away by a flood
	case r.in <- job{look: func(d Decider) { f(d); close(done) }}:
	case <-r.stop:
		return ErrStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-r.ended:
		return ErrStopped
	}
}

// Err returns why the runner stopped by itself, nil while it runs.
func (r *Runner) Err() error {
	if p := r.failed.Load(); p != nil {
		return *p
	}
	return nil
}

// Done is closed when the runner has ended.
func (r *Runner) Done() <-chan struct{} { return r.ended }

// Close stops the runner, waits for a write under way to be journaled, and takes
// a last snapshot.
func (r *Runner) Close() {
	r.once.Do(func() { close(r.stop) })
	<-r.ended
}
