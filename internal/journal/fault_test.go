package journal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

func mustOpen(t *testing.T, dir string, o Options) *Journal {
	t.Helper()
	j, err := Open(context.Background(), dir, o)
	if err != nil {
		t.Fatal(err)
	}
	if d := j.Damage(); d != nil {
		t.Fatalf("opening reports %v", d)
	}
	t.Cleanup(func() { j.Close() })
	return j
}

// pair is an append over two streams, so that a half of it shows.
func pair(j *Journal, size int) []Record {
	body := []byte(strings.Repeat("b", size))
	return []Record{
		{Stream: "plant", Seq: j.Head("plant").Seq + 1, Kind: "k", Part: "P", Body: body},
		{Stream: "machine/one", Seq: j.Head("machine/one").Seq + 1, Kind: "k", Loop: "L", Body: body},
	}
}

// afterFailure opens the journal again and checks that what was acknowledged is
// there, that at most the one unacknowledged append is there too, and whole.
func afterFailure(t *testing.T, dir string, acked uint64) {
	t.Helper()
	j := mustOpen(t, dir, Options{})
	a, b := j.Head("plant").Seq, j.Head("machine/one").Seq
	if a != b || a < acked || a > acked+1 {
		t.Errorf("after %d acknowledged appends the streams end at %d and %d", acked, a, b)
	}
	if err := j.Verify(context.Background(), "", 0); err != nil {
		t.Error(err)
	}
	if err := j.Append(context.Background(), pair(j, 10)); err != nil {
		t.Errorf("a journal opened again cannot write: %v", err)
	}
	if j.current.w.sealed {
		t.Error("a record was appended to a sealed segment")
	}
	if err := j.Close(); err != nil {
		t.Error(err)
	}
}

// TestFaultAtEveryStep fails each step of an append and of rolling over in
// turn: the journal stops writing with the first cause, stays readable, and is
// whole when it is opened again.
func TestFaultAtEveryStep(t *testing.T) {
	cause := errors.New("the disk said no")
	for _, op := range []string{"begin", "insert", "commit", "committed", "seal", "create", "catalog"} {
		for _, nth := range []int{1, 2, 5} {
			dir := t.TempDir()
			left := nth
			o := Options{SegmentRecords: 4, CheckpointEvery: 3, fault: func(step string) error {
				if step == op {
					if left--; left == 0 {
						return cause
					}
				}
				return nil
			}}
			j := mustOpen(t, dir, o)
			var acked uint64
			var err error
			for err == nil && acked < 30 {
				if err = j.Append(context.Background(), pair(j, 10)); err == nil {
					acked++
				}
			}
			if !errors.Is(err, cause) || errors.Is(err, ErrFailed) {
				t.Fatalf("%s %d: the append says %v; want the cause", op, nth, err)
			}
			if h := j.Head("plant").Seq; h != acked {
				t.Errorf("%s %d: the head is %d after %d acknowledged appends", op, nth, h, acked)
			}
			left = 0
			if err := j.Append(context.Background(), pair(j, 10)); !errors.Is(err, ErrFailed) || !errors.Is(err, cause) {
				t.Errorf("%s %d: the next append says %v; want ErrFailed and the cause", op, nth, err)
			}
			if err := j.SaveSnapshot(Snapshot{}); !errors.Is(err, ErrFailed) {
				t.Errorf("%s %d: a snapshot after the failure says %v", op, nth, err)
			}
			n := uint64(0)
			if err := j.Read("plant", 1, func(Record) error { n++; return nil }); err != nil || n != acked {
				t.Errorf("%s %d: %d records readable after the failure, %v; want %d", op, nth, n, err, acked)
			}
			if err := j.Close(); err != nil {
				t.Errorf("%s %d: closing says %v", op, nth, err)
			}
			afterFailure(t, dir, acked)
		}
	}
}

// TestFull lets SQLite itself run out of pages.
func TestFull(t *testing.T) {
	dir := t.TempDir()
	j := mustOpen(t, dir, Options{pages: 40})
	var acked uint64
	var err error
	for err == nil {
		if err = j.Append(context.Background(), pair(j, 3000)); err == nil {
			acked++
		}
	}
	if !strings.Contains(err.Error(), "full") || acked < 5 {
		t.Fatalf("after %d appends: %v; want a full disk", acked, err)
	}
	if err := j.Append(context.Background(), pair(j, 1)); !errors.Is(err, ErrFailed) || !strings.Contains(err.Error(), "full") {
		t.Errorf("the next append says %v", err)
	}
	j.Close()
	afterFailure(t, dir, acked)
}

// TestLongBodies guards the page bound: bodies far larger than a
// page of rows allows still come one after the other.
func TestLongBodies(t *testing.T) {
	j := mustOpen(t, t.TempDir(), Options{})
	for range 10 {
		if err := j.Append(context.Background(), pair(j, MaxBody)); err != nil {
			t.Fatal(err)
		}
	}
	n := 0
	if err := j.Read("plant", 1, func(r Record) error { n++; return nil }); err != nil || n != 10 {
		t.Errorf("%d records, %v; want 10", n, err)
	}
	list, err := j.Query(Filter{Stream: "plant"})
	if err != nil || len(list) != maxPage/MaxBody {
		t.Errorf("a page of long records has %d, %v; want %d", len(list), err, maxPage/MaxBody)
	}
	if err := j.Verify(context.Background(), "", 0); err != nil {
		t.Error(err)
	}
}

// TestHeadsCodec: what cannot be a list of heads is refused, not misread.
func TestHeadsCodec(t *testing.T) {
	in := []Head{{"b", 2, [32]byte{2}}, {"a", 1 << 40, [32]byte{1}}}
	b := encodeHeads(in)
	out, err := decodeHeads(b)
	if err != nil || fmt.Sprint(out) != fmt.Sprint([]Head{in[1], in[0]}) {
		t.Fatalf("%v, %v", out, err)
	}
	for n := range b {
		if got, err := decodeHeads(b[:n]); err == nil && n != 0 && n != len(b)/2 {
			t.Errorf("%d of %d bytes decode to %v", n, len(b), got)
		}
	}
	if _, err := decodeHeads([]byte{255, 255, 255, 255, 0}); err == nil {
		t.Error("a length beyond the end is accepted")
	}
}

// TestCheckpointLink: checkpoints rewritten consistently within one segment
// still do not follow from those of the segment before.
func TestCheckpointLink(t *testing.T) {
	dir := t.TempDir()
	j := mustOpen(t, dir, Options{SegmentRecords: 4, CheckpointEvery: 3})
	for range 5 {
		if err := j.Append(context.Background(), pair(j, 10)); err != nil {
			t.Fatal(err)
		}
	}
	marks, err := j.current.checkpoints()
	if err != nil || j.current.number < 2 {
		t.Fatalf("segment %d: %v", j.current.number, err)
	}
	prev := [32]byte{1}
	for i := range marks {
		c := &marks[i]
		c.prev = prev
		c.hash = c.sum()
		prev = c.hash
		if _, err := j.current.w.conn.ExecContext(context.Background(), "UPDATE checkpoints SET prev = ?, hash = ? WHERE n = ?", c.prev[:], c.hash[:], c.n); err != nil {
			t.Fatal(err)
		}
	}
	var d *Damage
	if err := j.Verify(context.Background(), "", 0); !errors.As(err, &d) || d.File != j.current.name || !strings.Contains(d.What, "segment before") {
		t.Errorf("verify says %v; want the broken link named", err)
	}
}

// TestVerifyBesideAnAppend: while an append is in the file and not yet in
// memory, its checkpoint is no damage to who verifies.
func TestVerifyBesideAnAppend(t *testing.T) {
	in, gate := make(chan struct{}), make(chan struct{})
	var once bool
	j := mustOpen(t, t.TempDir(), Options{CheckpointEvery: 1, fault: func(step string) error {
		if step == "committed" && !once {
			once = true
			close(in)
			<-gate
		}
		return nil
	}})
	done, verified := make(chan error, 1), make(chan error, 1)
	go func() { done <- j.Append(context.Background(), pair(j, 10)) }()
	<-in
	go func() { verified <- j.Verify(context.Background(), "machine/one", 1) }()
	select {
	case err := <-verified:
		if err != nil {
			t.Error(err)
		}
		verified <- nil
	case <-time.After(300 * time.Millisecond): // it waits for the append
	}
	close(gate)
	for _, c := range []chan error{done, verified} {
		if err := <-c; err != nil {
			t.Error(err)
		}
	}
}

// TestVerifyFromOutside: another program looks while the writer goes on, and finds
// the heads and the records of one moment.
func TestVerifyFromOutside(t *testing.T) {
	dir := t.TempDir()
	j := mustOpen(t, dir, Options{CheckpointEvery: 5})
	if err := j.Append(context.Background(), pair(j, 10)); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { // without a pause, and not for long
		for range 1500 {
			if err := j.Append(context.Background(), pair(j, 10)); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for {
		r := mustOpen(t, dir, Options{ReadOnly: true})
		if err := r.Verify(context.Background(), "", 0); err != nil {
			t.Error(err)
		}
		r.Close() //nolint:errcheck // only read
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
			return
		default:
		}
	}
}
