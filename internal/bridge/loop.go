package bridge

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// drainMost bounds how many inputs one turn takes from the channel.
const drainMost = 512

func (r *Runner) loop() {
	defer close(r.ended)
	outcomes := make(chan core.Outcome, cap(r.writes)+1)
	writer := r.startWriter(outcomes)
	defer writer()
	var ticks <-chan time.Time
	if r.o.Tick > 0 {
		t := time.NewTicker(r.o.Tick)
		defer t.Stop()
		ticks = t.C
	}
	if !r.begin() {
		return
	}
	var feed <-chan core.Fact
	if r.o.Machine != nil {
		feed = r.o.Machine.Events()
	}
	for {
		var inputs []core.Input
		var done *error
		in, events := r.in, feed
		busy := r.b.Full() || r.calming()
		if busy {
			in, events = nil, nil
		}
		select {
		case <-r.stop:
			r.finish(outcomes)
			return
		case j := <-r.urgent:
			inputs = r.accept(inputs, j)
		case j := <-in:
			inputs = r.drain(j)
		case f, ok := <-events:
			if !ok {
				feed = nil
				continue
			}
			inputs = r.input(inputs, f, nil)
		case o := <-outcomes:
			inputs = r.input(inputs, o, nil)
		case err := <-r.landed:
			done = &err
		case <-r.again:
			r.submit(r.unsent)
		case <-ticks:
			if !busy {
				inputs = r.input(inputs, core.Tick{}, nil)
			}
		}
		r.step(inputs, done)
		if err := r.b.Err(); err != nil {
			r.fail(err)
			return
		}
	}
}

// begin decides what comes first: a session that is up before the start is
// decided would be forgotten by it.
func (r *Runner) begin() bool {
	var inputs []core.Input
	for _, f := range r.o.First {
		inputs = r.input(inputs, f, nil)
	}
	if len(inputs) > 0 {
		r.step(inputs, nil)
	}
	if err := r.b.Err(); err != nil {
		r.fail(err)
		return false
	}
	return true
}

// calming reports that somebody waits for the state to be settled, or that a
// snapshot is long due: under an endless stream of inputs a commit would always
// be under way. What is waiting is committed, then they have their turn.
func (r *Runner) calming() bool {
	return !r.b.Settled() && (len(r.looks) > 0 || r.b.durable-r.tried >= 2*r.o.Every)
}

// drain takes what waits in the channel, for one batch.
func (r *Runner) drain(first job) []core.Input {
	inputs := r.accept(nil, first)
	for len(inputs) < drainMost {
		select {
		case j := <-r.in:
			inputs = r.accept(inputs, j)
		default:
			return inputs
		}
	}
	return inputs
}

func (r *Runner) accept(inputs []core.Input, j job) []core.Input {
	if j.look != nil {
		r.looks = append(r.looks, j.look)
		return inputs
	}
	return r.input(inputs, j.fact, j.done)
}

func (r *Runner) input(inputs []core.Input, f core.Fact, done func(Released, error)) []core.Input {
	r.refs++
	if done != nil {
		r.calls[r.refs] = done
	}
	return append(inputs, core.Input{At: r.o.Now(), Ref: r.refs, Fact: f})
}

func (r *Runner) step(inputs []core.Input, done *error) {
	commit, released := r.b.Step(inputs, done)
	r.gate.Remember(r.b)
	if commit != nil {
		r.submit(commit)
	}
	for _, rel := range released {
		r.release(rel)
	}
	if r.b.Settled() {
		for _, look := range r.looks {
			look(r.b.State())
		}
		r.looks = nil
		r.snapshot(false)
	}
}

// busyPause is how long to wait before a commit is offered again to a journal that
// cannot keep up.
const busyPause = 5 * time.Millisecond

func (r *Runner) submit(c *Commit) {
	r.unsent, r.again = nil, nil
	err := r.o.Journal.Submit(c.Records, func(err error) { r.landed <- err })
	switch {
	case errors.Is(err, journal.ErrBusy): // nothing was queued, and nothing is broken
		r.unsent, r.again = c, time.After(busyPause)
	case err != nil:
		r.b.Step(nil, &err)
	}
}

// release lets out what is durable: first the writes, then the answers.
func (r *Runner) release(rel Released) {
	for _, e := range rel.Events {
		if in, ok := e.(core.Intended); ok && r.o.Machine != nil {
			select {
			case r.writes <- in.Intent:
			default: // cannot happen while one intent a register is open; its outcome becomes unknown, never lost
				r.o.Log.Error("too many writes wait for the machine", zap.String("stream", r.o.Stream))
			}
		}
	}
	if r.o.Released != nil {
		r.o.Released(rel)
	}
	if done := r.calls[rel.Ref]; done != nil {
		delete(r.calls, rel.Ref)
		done(rel, nil)
	}
}

// startWriter runs the writes of one machine, one at a time, beside the loop. The
// returned function lets nothing more be sent and waits for the write under way.
func (r *Runner) startWriter(outcomes chan<- core.Outcome) func() {
	ended := make(chan struct{})
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		defer close(ended)
		for in := range r.writes {
			o := r.o.Machine.Write(ctx, in, func() bool { return r.gate.Open(in.Loop) })
			select {
			case outcomes <- o:
			case <-ctx.Done(): // nobody listens: unknown, the next start reads
			}
		}
	}()
	return func() {
		r.gate.Asked()
		close(r.writes)
		cancel()
		<-ended
	}
}

// finish makes durable what is on its way, and takes a snapshot. Outcomes of
// writes under way are waited for briefly: what does not come is unknown, and
// the next start finds out by reading.
func (r *Runner) finish(outcomes <-chan core.Outcome) {
	deadline := time.After(5 * time.Second)
	for {
		if r.b.Settled() && !r.writing() {
			r.snapshot(true)
			break
		}
		var done *error
		var inputs []core.Input
		select {
		case err := <-r.landed:
			done = &err
		case o := <-outcomes:
			inputs = r.input(nil, o, nil)
		case <-r.again:
			r.submit(r.unsent)
		case <-deadline:
			r.abandon(ErrStopped)
			return
		}
		r.step(inputs, done)
		if err := r.b.Err(); err != nil {
			r.fail(err)
			return
		}
	}
	r.abandon(ErrStopped)
}

// writing reports whether an intent has no outcome yet.
func (r *Runner) writing() bool {
	s, ok := r.b.State().(*core.State)
	if !ok || r.o.Machine == nil {
		return false
	}
	for _, b := range s.Ledger.Registers {
		if b.Pending != nil && !b.Doubtful {
			return true
		}
	}
	return false
}

// fail ends the runner: nothing more is acknowledged, answered or written.
func (r *Runner) fail(err error) {
	err = fmt.Errorf("%s: %w", r.o.Stream, err)
	r.failed.Store(&err)
	r.gate.Fail()
	r.once.Do(func() { close(r.stop) })
	r.o.Log.Error("no more writes: the journal failed", zap.String("stream", r.o.Stream), zap.Error(err))
	r.abandon(err)
}

// abandon tells everybody who waits that nothing will come.
func (r *Runner) abandon(err error) {
	r.mu.Lock()
	r.gone = true // from here on nothing more comes into the channels
	r.mu.Unlock()
	for ref, done := range r.calls {
		delete(r.calls, ref)
		done(Released{}, err)
	}
	for {
		var j job
		select {
		case j = <-r.in:
		case j = <-r.urgent:
		default:
			return
		}
		if j.done != nil {
			j.done(Released{}, err)
		}
	}
}

func (r *Runner) snapshot(last bool) {
	if r.b.durable == r.saved || !last && r.b.durable-r.tried < r.o.Every {
		return
	}
	r.tried = r.b.durable
	snap, err := r.b.Snapshot(r.o.Journal.Head(r.o.Stream))
	if err == nil {
		err = r.o.Journal.SaveSnapshot(snap)
	}
	if err != nil {
		r.o.Log.Warn("snapshot not taken, the next start folds more events", zap.String("stream", r.o.Stream), zap.Error(err))
		return
	}
	r.saved = snap.Seq
}
