// Package bridge runs the core: it takes inputs, lets the core decide, makes the
// events durable and only then releases what they ask for.
//
// Bridge is steppable and deterministic: it has no goroutine, no clock and no
// I/O, so that a fault simulation runs the same code as production. Runner is
// the thin goroutine around it, one per machine and one for the plant. The
// package owns the ports, the small interfaces to journal and machine.
package bridge

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// Decider is a state machine with a stream of its own: core.State or core.Plant.
type Decider interface {
	Step(core.Input) []core.Event
	Apply(core.Event)
}

// Released is what one input caused, durable by now. Everything that leaves the
// process does so because of a Released: acknowledgements, writes, answers,
// what a screen shows.
type Released struct {
	Ref    uint64 // of the input
	At     core.Instant
	Stream string
	First  uint64 // sequence of the first event
	Events []core.Event
}

// Declined returns why a person's input was not accepted, "" when it was.
func (r Released) Declined() core.Code {
	for _, e := range r.Events {
		if d, ok := e.(core.Declined); ok {
			return d.Cause
		}
	}
	return ""
}

// ErrCommit is wrapped by the error for a failed commit: the provisional state is
// gone and the bridge must be opened again from the journal.
var ErrCommit = errors.New("the journal did not take the events")

// Bridge holds one state machine between its inputs and its journal.
type Bridge struct {
	stream  string
	version string
	state   Decider
	seq     uint64 // of the last event decided
	durable uint64 // of the last event known to be durable
	waiting []core.Input
	flight  []Released // decided, its commit is under way
	dead    error
}

// SnapshotVersion names the form of the folded state. It changes whenever a state
// written by an earlier build could not be folded on; the next start then folds
// the journal from its beginning.
const SnapshotVersion = "3"

// Queue bounds the inputs that wait for a commit under way.
const Queue = 4096

// batchMost bounds the inputs decided in one commit.
const batchMost = 512

// Open folds a stream of the journal into fresh, from the newest snapshot of the
// same version where there is one, and returns the bridge at its head.
func Open(j journal.Store, stream, version string, fresh func() Decider) (*Bridge, error) {
	b := &Bridge{stream: stream, version: version, state: fresh()}
	snap, ok, err := j.Snapshot(stream)
	if err != nil {
		return nil, fmt.Errorf("snapshot of %s: %w", stream, err)
	}
	if ok && snap.Version == version {
		if err := json.Unmarshal(snap.Body, b.state); err != nil {
			return nil, fmt.Errorf("snapshot of %s at record %d does not decode: %w", stream, snap.Seq, err)
		}
		b.seq = snap.Seq
	}
	err = j.Read(stream, b.seq+1, func(r journal.Record) error {
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return fmt.Errorf("record %d of %s: %w", r.Seq, stream, err)
		}
		b.state.Apply(e)
		b.seq = r.Seq
		return nil
	})
	if err != nil {
		return nil, err
	}
	b.durable = b.seq
	return b, nil
}

// State is the state machine. It may be looked at between steps, never changed.
func (b *Bridge) State() Decider { return b.state }

// Settled reports that nothing waits and nothing is on its way to the journal,
// so that the state is exactly the fold of the durable events.
func (b *Bridge) Settled() bool { return len(b.waiting) == 0 && len(b.flight) == 0 && b.dead == nil }

// Full reports that no more inputs may be offered until a commit is done.
func (b *Bridge) Full() bool { return len(b.waiting) >= Queue }

// Commit is what has to be made durable before the bridge goes on.
type Commit struct{ Records []journal.Record }

// Step offers new inputs and, when the last commit has come back, its result.
// It returns the next commit, nil when there is none, and what may leave the
// process now. While a commit is under way inputs gather and form the next one.
func (b *Bridge) Step(inputs []core.Input, done *error) (*Commit, []Released) {
	if b.dead != nil {
		return nil, nil
	}
	b.waiting = append(b.waiting, inputs...)
	var out []Released
	if done != nil {
		out = b.landed(*done)
	}
	if b.dead != nil || len(b.flight) > 0 {
		return nil, out
	}
	for len(b.waiting) > 0 && len(b.flight) == 0 {
		out = append(out, b.decide()...)
	}
	if len(b.flight) == 0 {
		return nil, out
	}
	return b.commit(), out
}

// landed releases the batch whose commit came back, or gives everything up.
func (b *Bridge) landed(err error) []Released {
	if err != nil {
		b.dead = fmt.Errorf("%w: %w", ErrCommit, err)
		b.flight, b.waiting = nil, nil
		return nil
	}
	out := b.flight
	b.flight, b.durable = nil, b.seq
	return out
}

// Err is why the bridge stopped; it stays stopped.
func (b *Bridge) Err() error { return b.dead }

// decide takes one batch. Inputs that caused no event are released at once, but
// never ahead of earlier inputs that did.
func (b *Bridge) decide() []Released {
	n := min(len(b.waiting), batchMost)
	var batch []Released
	events := 0
	for _, in := range b.waiting[:n] {
		r := Released{Ref: in.Ref, At: in.At, Stream: b.stream, First: b.seq + 1, Events: b.state.Step(in)}
		b.seq += uint64(len(r.Events))
		events += len(r.Events)
		batch = append(batch, r)
	}
	b.waiting = append(b.waiting[:0], b.waiting[n:]...)
	if events == 0 {
		return batch
	}
	b.flight = batch
	return nil
}

func (b *Bridge) commit() *Commit {
	c := &Commit{}
	for _, r := range b.flight {
		for i, e := range r.Events {
			c.Records = append(c.Records, record(b.stream, r.First+uint64(i), r.At.Wall, e))
		}
	}
	return c
}

func record(stream string, seq uint64, wall int64, e core.Event) journal.Record {
	k := e.Keys()
	return journal.Record{
		Stream: stream, Seq: seq, At: wall, Kind: e.Kind(),
		Loop: key(k.Loop), Part: key(k.Part), Gauge: key(k.Gauge), Person: key(k.Person),
		Body: core.Encode(e),
	}
}

// key makes text from outside fit for an index: bounded, valid UTF-8, no NUL.
func key(s string) string {
	if len(s) > journal.MaxKey {
		s = s[:journal.MaxKey]
	}
	return strings.ReplaceAll(strings.ToValidUTF8(s, ""), "\x00", "")
}

// Snapshot returns the state as of the last durable event. Call it only when
// the bridge is settled.
func (b *Bridge) Snapshot(head journal.Head) (journal.Snapshot, error) {
	if !b.Settled() || head.Seq != b.durable {
		return journal.Snapshot{}, fmt.Errorf("stream %s is not settled at record %d, take the snapshot later", b.stream, head.Seq)
	}
	body, err := json.Marshal(b.state)
	if err != nil {
		return journal.Snapshot{}, fmt.Errorf("state of %s does not encode: %w", b.stream, err)
	}
	return journal.Snapshot{Stream: b.stream, Seq: head.Seq, Hash: head.Hash, Version: b.version, Body: body}, nil
}
