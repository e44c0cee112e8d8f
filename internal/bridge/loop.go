package bridge

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
)

// drainMost bounds how many inputs one turn takes from the channel.
const drainMost = 512

func (r *Runner) loop() {
	defer close(r.ended)
	outcomes := make(chan core.Outcome, cap(r.writes))
	writer := r.startWriter(outcomes)
	defer writer()
	var ticks <-chan time.Time
	if r.o.Tick > 0 {
		t := time.NewTicker(r.o.Tick)
		defer t.Stop()
		ticks = t.C
	}
	var events <-chan core.Fact
	if r.o.Machine != nil {
		events = r.o.Machine.Events()
	}
	for {
		var inputs []core.Input
		var done *error
		in := r.in
		if r.b.Full() {
			in = nil
		}
		select {
		case <-r.stop:
			r.finish(outcomes)
			return
		case j := <-in:
			inputs = r.drain(j)
		case f, ok := <-events:
			if !ok {
				events = nil
				continue
			}
			inputs = r.input(inputs, f, nil)
		case o := <-outcomes:
			inputs = r.input(inputs, o, nil)
		case err := <-r.landed:
			done = &err
		case <-ticks:
			inputs = r.input(inputs, core.Tick{}, nil)
		}
		r.step(inputs, done)
		if err := r.b.Err(); err != nil {
			r.fail(err)
			return
		}
	}
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
	r.remember()
	if commit != nil {
		if err := r.o.Journal.Submit(commit.Records, func(err error) { r.landed <- err }); err != nil {
			r.b.Step(nil, &err)
			return
		}
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
// returned function waits for it to end.
func (r *Runner) startWriter(outcomes chan<- core.Outcome) func() {
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for in := range r.writes {
			outcomes <- r.o.Machine.Write(context.Background(), in, func() bool { return r.gate(in.Loop) })
		}
	}()
	return func() {
		close(r.writes)
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
		case <-deadline:
			r.abandon(ErrStopped)
			return
		}
		r.step(inputs, done)
		if r.b.Err() != nil {
			break
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
	r.once.Do(func() { close(r.stop) })
	r.o.Log.Error("no more writes: the journal failed", zap.String("stream", r.o.Stream), zap.Error(err))
	r.abandon(err)
}

// abandon tells everybody who waits that nothing will come.
func (r *Runner) abandon(err error) {
	for ref, done := range r.calls {
		delete(r.calls, ref)
		done(Released{}, err)
	}
	for {
		select {
		case j := <-r.in:
			if j.done != nil {
				j.done(Released{}, err)
			}
		default:
			return
		}
	}
}

func (r *Runner) snapshot(last bool) {
	if r.b.durable == r.saved || !last && r.b.durable-r.saved < r.o.Every {
		return
	}
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
