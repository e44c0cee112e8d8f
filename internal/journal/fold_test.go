package journal_test

import (
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

// state is a fold that depends on every byte and on the order.
type state struct {
	n   uint64
	sum [32]byte
}

func (s state) apply(r journal.Record) state {
	return state{r.Seq, sha256.Sum256(fmt.Appendf(s.sum[:], "%d %d %s %s %s %s %s %x", r.Seq, r.At, r.Kind, r.Loop, r.Part, r.Gauge, r.Person, r.Body))}
}

func (s state) encode() []byte { return append(fmt.Appendf(nil, "%020d", s.n), s.sum[:]...) }

func decodeState(b []byte) (s state) {
	fmt.Sscanf(string(b[:20]), "%d", &s.n)
	copy(s.sum[:], b[20:])
	return s
}

// folded returns the state of a stream from its snapshot and what follows.
func folded(t *rapid.T, s journal.Store, stream string) state {
	var now state
	snap, ok, err := s.Snapshot(stream)
	if err != nil {
		t.Fatal(err)
	}
	if ok {
		now = decodeState(snap.Body)
	}
	if err := s.Read(stream, now.n+1, func(r journal.Record) error { now = now.apply(r); return nil }); err != nil {
		t.Fatal(err)
	}
	return now
}

// lockstep drives both stores with the same operations beside the running
// state. Its exported methods are the operations rapid chooses from.
type lockstep struct {
	dir     string
	o       journal.Options
	disk    *journal.Journal
	memory  *journal.Memory
	running map[string]state
}

var streams = []string{"plant", "machine/one", "machine/two"}

func (l *lockstep) stores() []journal.Store { return []journal.Store{l.disk, l.memory} }

func (l *lockstep) open(t *rapid.T) {
	var err error
	if l.disk, err = journal.Open(context.Background(), l.dir, l.o); err != nil {
		t.Fatal(err)
	}
	if d := l.disk.Damage(); d != nil {
		t.Fatal(d)
	}
}

func (l *lockstep) Append(t *rapid.T) {
	text := rapid.SampledFrom([]string{"", "a", "bore 1", "Ø"})
	var batch []journal.Record
	next := map[string]state{}
	for range rapid.IntRange(1, 6).Draw(t, "records") {
		stream := rapid.SampledFrom(streams).Draw(t, "stream")
		now, ok := next[stream]
		if !ok {
			now = l.running[stream]
		}
		r := journal.Record{
			Stream: stream, Seq: now.n + 1, At: rapid.Int64().Draw(t, "at"), Kind: "k",
			Loop: text.Draw(t, "loop"), Part: text.Draw(t, "part"), Gauge: text.Draw(t, "gauge"), Person: text.Draw(t, "person"),
			Body: rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "body"),
		}
		batch = append(batch, r)
		next[stream] = now.apply(r)
	}
	for _, s := range l.stores() {
		if err := s.Append(context.Background(), batch); err != nil {
			t.Fatal(err)
		}
	}
	for stream, now := range next {
		l.running[stream] = now
	}
}

func (l *lockstep) Snapshot(t *rapid.T) {
	stream := rapid.SampledFrom(streams).Draw(t, "stream")
	h := l.disk.Head(stream)
	if h.Seq == 0 {
		t.Skip("a stream without records has no snapshot")
	}
	for _, s := range l.stores() {
		if err := s.SaveSnapshot(journal.Snapshot{Stream: stream, Seq: h.Seq, Hash: h.Hash, Body: l.running[stream].encode()}); err != nil {
			t.Fatal(err)
		}
	}
}

func (l *lockstep) Restart(t *rapid.T) {
	modes := []journal.Crash{journal.CrashClean, journal.CrashTornTail, journal.CrashUnsynced}
	l.memory = l.memory.Crash(rapid.SampledFrom(modes).Draw(t, "mode"))
	if err := l.disk.Close(); err != nil {
		t.Fatal(err)
	}
	l.open(t)
}

// Check runs after every operation.
func (l *lockstep) Check(t *rapid.T) {
	for _, stream := range streams {
		if a, b := l.disk.Head(stream), l.memory.Head(stream); a != b {
			t.Fatalf("heads of %s differ: %v and %v", stream, a, b)
		}
		for _, s := range l.stores() {
			if got := folded(t, s, stream); got != l.running[stream] {
				t.Fatalf("%T: folding %s gives %v; running is %v", s, stream, got, l.running[stream])
			}
		}
	}
}

// TestFoldEquality: whatever is appended, snapshotted, closed, crashed and
// opened again, folding either store gives the running state, and both stores
// agree on every hash.
func TestFoldEquality(t *testing.T) {
	// Files are slow with the race detector: fewer runs than usual, unless
	// -rapid.checks says otherwise.
	if checks := flag.Lookup("rapid.checks"); checks.Value.String() == checks.DefValue {
		journaltest.Must(t, checks.Value.Set("15"))
		defer checks.Value.Set(checks.DefValue) //nolint:errcheck // its own value
	}
	root := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		l := &lockstep{
			dir: fmt.Sprint(root, "/", n), memory: journal.NewMemory(), running: map[string]state{},
			o: journal.Options{
				SegmentRecords:  int64(rapid.IntRange(1, 12).Draw(t, "segment")),
				CheckpointEvery: rapid.IntRange(1, 9).Draw(t, "checkpoint"),
			},
		}
		l.open(t)
		defer func() { l.disk.Close() }()
		t.Repeat(rapid.StateMachineActions(l))
		for _, s := range l.stores() {
			if err := s.Verify(context.Background(), "", 0); err != nil {
				t.Fatal(err)
			}
		}
	})
}
