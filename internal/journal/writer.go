package journal

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// ErrBusy is returned by Submit when the queue is full; nothing was queued.
var ErrBusy = errors.New("journal cannot keep up: the queue of commits is full")

// WriterOptions bound a Writer; zero values take the defaults named.
type WriterOptions struct {
	Queue      int // submissions waiting at most; 4,096
	QueueBytes int // bytes of bodies waiting at most; 32 MiB
	Batch      int // records in one commit at most, unless one submission alone has more; 1,024
}

// Writer commits what many goroutines submit in groups: one goroutine takes
// whatever waits and appends it in one transaction. There is no timer: while
// one commit waits for the disk, the next group gathers.
type Writer struct {
	store Store
	o     WriterOptions

	mu     sync.Mutex
	wake   *sync.Cond
	queue  []submission
	bytes  int
	closed bool
	failed error // ErrFailed wrapping the first cause
	ended  chan struct{}
}

type submission struct {
	records []Record
	bytes   int
	done    func(error)
}

// NewWriter starts a writer on store. Close stops it; the store stays open.
func NewWriter(store Store, o WriterOptions) *Writer {
	if o.Queue <= 0 {
		o.Queue = 4096
	}
	if o.QueueBytes <= 0 {
		o.QueueBytes = 32 << 20
	}
	if o.Batch <= 0 {
		o.Batch = 1024
	}
	w := &Writer{store: store, o: o, ended: make(chan struct{})}
	w.wake = sync.NewCond(&w.mu)
	go w.run()
	return w
}

// Submit queues records to be committed together and returns at once: it never
// blocks, because a caller that waits here while done waits for the caller
// would stand still for ever.
//
// If Submit returns nil, done is called exactly once from the writer's
// goroutine, in the order of submission: with nil once the records are durable,
// otherwise with the reason. done must return quickly; it may call Submit. If
// Submit returns an error nothing was queued and done is never called: ErrBusy
// when the queue is full, ErrFailed (wrapping the first cause) after any error
// of the store, ErrClosed after Close. The records belong to the writer from
// here on.
//
// ErrSequence and ErrRecord concern one submission alone and do not fail the
// writer.
func (w *Writer) Submit(records []Record, done func(error)) error {
	size := 0
	for i := range records {
		size += len(records[i].Body)
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.failed != nil:
		return w.failed
	case w.closed:
		return ErrClosed
	case len(w.queue) >= w.o.Queue, len(w.queue) > 0 && w.bytes+size > w.o.QueueBytes:
		return ErrBusy
	}
	w.queue = append(w.queue, submission{records, size, done})
	w.bytes += size
	w.wake.Signal()
	return nil
}

// Commit submits records and waits for them to be durable. An error of the
// context means only that nobody waited: the records may become durable yet.
func (w *Writer) Commit(ctx context.Context, records []Record) error {
	done := make(chan error, 1)
	if err := w.Submit(records, func(err error) { done <- err }); err != nil {
		return err
	}
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Failed returns nil while the writer may write, otherwise ErrFailed wrapping
// the first cause.
func (w *Writer) Failed() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.failed
}

// Close commits what is queued, waits for it and stops the writer. It must not
// be called from a done function.
func (w *Writer) Close() error {
	w.mu.Lock()
	w.closed = true
	w.wake.Signal()
	w.mu.Unlock()
	<-w.ended
	return nil
}

func (w *Writer) run() {
	defer close(w.ended)
	for {
		group, records := w.next()
		if group == nil {
			return
		}
		w.commit(group, records)
	}
}

// next waits for work and takes as much as fits one batch; nil at the end.
func (w *Writer) next() (group []submission, records []Record) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for len(w.queue) == 0 {
		if w.closed {
			return nil, nil
		}
		w.wake.Wait()
	}
	n, total := 1, len(w.queue[0].records)
	for n < len(w.queue) && total+len(w.queue[n].records) <= w.o.Batch {
		total += len(w.queue[n].records)
		n++
	}
	group = append(group, w.queue[:n]...)
	rest := copy(w.queue, w.queue[n:])
	clear(w.queue[rest:])
	w.queue = w.queue[:rest]
	if n == 1 {
		records = group[0].records
	} else {
		records = make([]Record, 0, total)
		for _, s := range group {
			records = append(records, s.records...)
		}
	}
	for _, s := range group {
		w.bytes -= s.bytes
	}
	return group, records
}

// commit appends a group. A refusal of the whole names one bad submission
// among good ones, so each is then tried alone.
func (w *Writer) commit(group []submission, records []Record) {
	if w.Failed() == nil && len(group) > 1 {
		err := w.store.Append(context.Background(), records)
		if err == nil {
			for _, s := range group {
				s.done(nil)
			}
			return
		}
		if !refusal(err) {
			w.fail(err)
		}
	}
	for _, s := range group {
		err := w.Failed()
		if err == nil {
			if err = w.store.Append(context.Background(), s.records); err != nil && !refusal(err) {
				err = w.fail(err)
			}
		}
		s.done(err)
	}
}

// refusal reports whether the store refused before writing anything.
func refusal(err error) bool {
	return errors.Is(err, ErrSequence) || errors.Is(err, ErrRecord)
}

// fail latches the first cause; it is the writer's answer from then on.
func (w *Writer) fail(err error) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.failed == nil {
		if errors.Is(err, ErrFailed) {
			w.failed = err
		} else {
			w.failed = fmt.Errorf("%w: %w", ErrFailed, err)
		}
	}
	return w.failed
}
