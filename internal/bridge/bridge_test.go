package bridge

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// settle gives inputs to a bridge and commits until nothing is left.
func settle(t testing.TB, b *Bridge, j journal.Store, inputs []core.Input) []Released {
	t.Helper()
	commit, out := b.Step(inputs, nil)
	for commit != nil {
		err := j.Append(context.Background(), commit.Records)
		if err != nil {
			t.Fatal(err)
		}
		var released []Released
		commit, released = b.Step(nil, &err)
		out = append(out, released...)
	}
	return out
}

// run plays some parts and answers every intent.
func run(t testing.TB, b *Bridge, j journal.Store, parts int) (writes int) {
	t.Helper()
	s := &script{}
	settle(t, b, j, s.start(1))
	for range parts {
		released := settle(t, b, j, s.part(um))
		for _, in := range intents(released) {
			writes++
			settle(t, b, j, []core.Input{s.answer(in.Intent)})
		}
	}
	return writes
}

func TestTheSameInputsGiveTheSameRecords(t *testing.T) {
	var all [2][]journal.Record
	for i := range all {
		j := journal.NewMemory()
		if n := run(t, open(t, j), j, 60); n < 3 {
			t.Fatalf("%d writes in 60 parts of wear", n)
		}
		if err := j.Read(stream, 1, func(r journal.Record) error { all[i] = append(all[i], r); return nil }); err != nil {
			t.Fatal(err)
		}
	}
	if !reflect.DeepEqual(all[0], all[1]) {
		t.Fatal("the records differ")
	}
}

// Nothing leaves before its events are durable, and nothing overtakes: not even
// an input that caused no event.
func TestNothingIsReleasedBeforeItsCommit(t *testing.T) {
	b, s := open(t, journal.NewMemory()), &script{}
	tick := s.input(core.Tick{})
	commit, out := b.Step([]core.Input{tick}, nil)
	if commit != nil || len(out) != 1 || out[0].Ref != tick.Ref {
		t.Fatalf("an input without events: %v, %v", commit, out)
	}
	first := append(s.start(1), s.input(core.Tick{}))
	commit, out = b.Step(first, nil)
	if commit == nil || len(out) != 0 {
		t.Fatalf("released %v before the commit %v", out, commit)
	}
	later := []core.Input{s.input(core.Tick{}), s.input(core.Hold{Who: engineer})}
	if c, out := b.Step(later, nil); c != nil || len(out) != 0 {
		t.Fatalf("a second commit %v or release %v while one is under way", c, out)
	}
	if b.Settled() {
		t.Fatal("settled with a commit under way")
	}
	var done error
	commit, out = b.Step(nil, &done)
	if len(out) != len(first) || commit == nil || len(commit.Records) != 1 {
		t.Fatalf("released %d of %d, then %+v", len(out), len(first), commit)
	}
	for i, r := range out {
		if r.Ref != first[i].Ref {
			t.Fatalf("released %d in place %d", r.Ref, i)
		}
	}
	commit, out = b.Step(nil, &done)
	if commit != nil || len(out) != 2 || !b.Settled() {
		t.Fatalf("at the end: %v, %v", commit, out)
	}
	if out[1].Declined() != "" || len(out[1].Events) != 1 {
		t.Fatalf("the hold: %+v", out[1])
	}
}

func TestRecordsAreNumberedWithoutGaps(t *testing.T) {
	j := journal.NewMemory()
	b, s := open(t, j), &script{}
	want := uint64(1)
	for _, r := range settle(t, b, j, append(s.start(1), s.part(um)...)) {
		if len(r.Events) > 0 && r.First != want {
			t.Fatalf("released from %d, want %d", r.First, want)
		}
		want += uint64(len(r.Events))
	}
	if h := j.Head(stream); h.Seq != want-1 {
		t.Fatalf("the journal ends at %d, %d were released", h.Seq, want-1)
	}
}

func TestFailedCommitReleasesNothingAndRefolds(t *testing.T) {
	j := journal.NewMemory()
	b, s := open(t, j), &script{}
	settle(t, b, j, s.start(1))
	before := body(t, b.State())
	commit, _ := b.Step(s.part(um), nil)
	if _, out := b.Step(s.part(um), nil); len(out) != 0 {
		t.Fatal("released while the commit was under way")
	}
	if commit == nil || body(t, b.State()) == before {
		t.Fatal("nothing was decided")
	}
	broken := errors.New("disk")
	commit, out := b.Step(nil, &broken)
	if commit != nil || len(out) != 0 {
		t.Fatalf("after a failed commit: %v, %v", commit, out)
	}
	if !errors.Is(b.Err(), ErrCommit) || !errors.Is(b.Err(), broken) || b.Settled() {
		t.Fatalf("the bridge goes on: %v", b.Err())
	}
	for range 3 {
		if commit, out := b.Step(s.part(um), nil); commit != nil || len(out) != 0 {
			t.Fatal("a stopped bridge decided something")
		}
	}
	if n := len(b.waiting); n != 0 {
		t.Fatalf("a stopped bridge keeps %d inputs", n)
	}
	if again := open(t, j); body(t, again.State()) != before {
		t.Fatal("the refold is not the state before the failed commit")
	}
}

func TestSnapshot(t *testing.T) {
	j := journal.NewMemory()
	b := open(t, j)
	run(t, b, j, 20)
	snap, err := b.Snapshot(j.Head(stream))
	if err != nil {
		t.Fatal(err)
	}
	snap.Version = "1"
	if err := j.SaveSnapshot(snap); err != nil {
		t.Fatal(err)
	}
	s := &script{at: 1_000_000, counter: 20, reg: b.State().(*core.State).Ledger.Registers[0].Value}
	settle(t, b, j, s.start(2)[:1])
	if got, want := body(t, open(t, j).State()), body(t, refold(t, j)); got != want {
		t.Fatalf("from the snapshot %s\nfrom the start %s", got, want)
	}
	other, err := Open(j, stream, "2", fresh)
	if err != nil || body(t, other.State()) != body(t, refold(t, j)) {
		t.Fatalf("another version did not fold from the start: %v", err)
	}
	commit, _ := b.Step(s.part(um), nil)
	if _, err := b.Snapshot(j.Head(stream)); commit == nil || err == nil {
		t.Fatal("a snapshot of what is not durable")
	}
}

func TestDamagedSnapshotIsSaid(t *testing.T) {
	j := journal.NewMemory()
	b := open(t, j)
	run(t, b, j, 3)
	snap, err := b.Snapshot(j.Head(stream))
	if err != nil {
		t.Fatal(err)
	}
	snap.Body = []byte("{")
	if err := j.SaveSnapshot(snap); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(j, stream, "1", fresh); err == nil {
		t.Fatal("a snapshot that does not decode was taken")
	}
}

func TestUnknownKindIsSaid(t *testing.T) {
	j := journal.NewMemory()
	err := j.Append(context.Background(), []journal.Record{{Stream: stream, Seq: 1, Kind: "future", Body: []byte("{}")}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Open(j, stream, "1", fresh); err == nil {
		t.Fatal("an event nobody knows was skipped")
	}
}

// Keys of any text fit the journal's index.
func TestKeysOfAnyText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"\xff", "a\x00b", string(make([]byte, 999))})).Draw(t, "text")
		r := record(stream, 1, 0, core.Judged{Loop: text, Reading: core.Reading{Gauge: text, Part: text}})
		if err := journal.NewMemory().Append(context.Background(), []journal.Record{r}); err != nil {
			t.Fatal(err)
		}
	})
}

// A crash at any commit, in any way: what was released is in the journal, the
// state is its fold, no intent leaves twice, and what left and has no outcome is
// unknown.
func TestCrashAtAnyCommit(t *testing.T) {
	var crashes, writes int
	rapid.Check(t, func(t *rapid.T) {
		w := &crashing{t: t, j: journal.NewMemory(), sent: map[uint64]bool{}}
		for life := range rapid.IntRange(1, 5).Draw(t, "lives") {
			crashes++
			w.live(uint64(life + 1))
		}
		writes += len(w.sent)
	})
	t.Logf("%d crashes, %d writes", crashes, writes)
	if writes == 0 {
		t.Fatal("nothing was ever written")
	}
}

type crashing struct {
	t        *rapid.T
	j        *journal.Memory
	s        script
	sent     map[uint64]bool
	released uint64 // newest record known to be released
}

func (w *crashing) live(epoch uint64) {
	b, err := Open(w.j, stream, "1", fresh)
	if err != nil {
		w.t.Fatal(err)
	}
	if h := w.j.Head(stream); h.Seq < w.released {
		w.t.Fatalf("the journal ends at %d, %d was released", h.Seq, w.released)
	}
	w.same(b)
	inputs := w.s.start(epoch)
	for range rapid.IntRange(0, 40).Draw(w.t, "parts") {
		w.s.at += 2000 // time for a quarantine to pass
		inputs = append(inputs, w.s.part(length.Length(rapid.IntRange(0, 2000).Draw(w.t, "wear")))...)
		var alive bool
		if inputs, alive = w.step(b, inputs); !alive {
			return
		}
		if b.Settled() && rapid.IntRange(0, 5).Draw(w.t, "snapshot") == 0 {
			w.snapshot(b)
		}
	}
	w.j = w.j.Crash(journal.CrashUnsynced)
}

func (w *crashing) same(b *Bridge) {
	s := &core.State{}
	err := w.j.Read(stream, 1, func(r journal.Record) error {
		e, err := core.Decode(r.Kind, r.Body)
		if err == nil {
			s.Apply(e)
		}
		return err
	})
	if got, want := fmt.Sprint(encode(b.State())), fmt.Sprint(encode(s)); err != nil || got != want {
		w.t.Fatalf("opened %s\nfolded %s: %v", got, want, err)
	}
}

func (w *crashing) snapshot(b *Bridge) {
	snap, err := b.Snapshot(w.j.Head(stream))
	if err == nil {
		err = w.j.SaveSnapshot(snap)
	}
	if err != nil {
		w.t.Fatal(err)
	}
	w.same(b)
}

// step commits until nothing is left, and returns the answers to what was sent;
// false when the process died on the way.
func (w *crashing) step(b *Bridge, inputs []core.Input) (answers []core.Input, alive bool) {
	commit, out := b.Step(inputs, nil)
	for {
		for _, r := range out {
			if len(r.Events) > 0 {
				w.released = r.First + uint64(len(r.Events)) - 1
			}
		}
		for _, in := range intents(out) {
			if w.sent[in.Intent.ID] {
				w.t.Fatalf("intent %d left twice", in.Intent.ID)
			}
			w.sent[in.Intent.ID] = true
			o := w.s.answer(in.Intent)
			if rapid.IntRange(0, 4).Draw(w.t, "lost") > 0 {
				answers = append(answers, o)
			}
		}
		if commit == nil {
			return answers, true
		}
		if err := w.j.Stage(commit.Records); err != nil {
			w.t.Fatal(err)
		}
		if rapid.IntRange(0, 30).Draw(w.t, "crash") == 0 {
			w.j = w.j.Crash(journal.Crash(rapid.IntRange(0, 2).Draw(w.t, "mode")))
			return nil, false
		}
		err := w.j.Sync()
		commit, out = b.Step(nil, &err)
	}
}
