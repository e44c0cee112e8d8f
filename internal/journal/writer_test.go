package journal_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

// gated is a store whose appends wait at a gate and are counted.
type gated struct {
	journal.Store
	gate chan struct{}
	in   chan int // records of each append, as it arrives
}

func (g *gated) Append(ctx context.Context, records []journal.Record) error {
	g.in <- len(records)
	<-g.gate
	return g.Store.Append(ctx, records)
}

func wait[T any](t *testing.T, c <-chan T, what string) T {
	t.Helper()
	select {
	case v := <-c:
		return v
	case <-time.After(20 * time.Second):
		t.Fatalf("waited in vain for %s", what)
		panic("unreachable")
	}
}

// TestWriterGroups: what arrives during one commit is committed together, in
// order, up to the batch.
func TestWriterGroups(t *testing.T) {
	g := &gated{journal.NewMemory(), make(chan struct{}), make(chan int, 10)}
	w := journal.NewWriter(g, journal.WriterOptions{Batch: 4})
	var order []uint64
	done := make(chan struct{}, 100)
	submit := func(seq uint64, n int) {
		var records []journal.Record
		for i := range uint64(n) {
			records = append(records, journaltest.Rec("plant", seq+i, "x"))
		}
		journaltest.Must(t, w.Submit(records, func(err error) {
			if err != nil {
				t.Errorf("record %d: %v", seq, err)
			}
			order = append(order, seq)
			done <- struct{}{}
		}))
	}
	submit(1, 1)
	if n := wait(t, g.in, "the first append"); n != 1 {
		t.Fatalf("the first append has %d records; want 1", n)
	}
	submit(2, 1)
	submit(3, 1)
	submit(4, 2)
	submit(6, 1)
	submit(7, 9) // alone it is larger than a batch
	for _, want := range []int{4, 1, 9} {
		g.gate <- struct{}{}
		if n := wait(t, g.in, "an append"); n != want {
			t.Fatalf("an append has %d records; want %d", n, want)
		}
	}
	g.gate <- struct{}{}
	for range 6 {
		wait(t, done, "an acknowledgement")
	}
	journaltest.Must(t, w.Close())
	if fmt.Sprint(order) != "[1 2 3 4 6 7]" {
		t.Errorf("acknowledged in order %v", order)
	}
	if n := g.Head("plant").Seq; n != 15 {
		t.Errorf("the stream ends at %d; want 15", n)
	}
}

// TestWriterBusy: a full queue refuses at once and takes nothing.
func TestWriterBusy(t *testing.T) {
	for name, o := range map[string]journal.WriterOptions{
		"submissions": {Queue: 2},
		"bytes":       {QueueBytes: 20},
	} {
		t.Run(name, func(t *testing.T) {
			g := &gated{journal.NewMemory(), make(chan struct{}, 10), make(chan int, 10)}
			w := journal.NewWriter(g, o)
			submit := func(seq uint64) error {
				return w.Submit([]journal.Record{journaltest.Rec("plant", seq, "ten bytes.")}, func(err error) {
					if seq == 9 {
						t.Error("a refused submission was answered")
					}
					if err != nil {
						t.Error(err)
					}
				})
			}
			journaltest.Must(t, submit(1))
			wait(t, g.in, "the first append")
			journaltest.Must(t, submit(2))
			journaltest.Must(t, submit(3))
			if err := submit(9); !errors.Is(err, journal.ErrBusy) {
				t.Errorf("a full queue answers %v; want ErrBusy", err)
			}
			for range 4 {
				g.gate <- struct{}{}
			}
			journaltest.Must(t, w.Close())
			if n := g.Head("plant").Seq; n != 3 {
				t.Errorf("the stream ends at %d; want 3", n)
			}
			if err := submit(9); !errors.Is(err, journal.ErrClosed) {
				t.Errorf("a closed writer answers %v; want ErrClosed", err)
			}
		})
	}
}

// TestWriterFails: the first error of the store ends all writing, whatever is
// queued or comes later, and names the first cause for ever.
func TestWriterFails(t *testing.T) {
	for fault, cause := range map[journal.Fault]error{
		journal.FaultDiskFull: journal.ErrDiskFull, journal.FaultIO: journal.ErrIO, journal.FaultSync: journal.ErrSync,
	} {
		m := journal.NewMemory()
		g := &gated{m, make(chan struct{}, 10), make(chan int, 10)}
		w := journal.NewWriter(g, journal.WriterOptions{})
		m.Fail(2, fault)
		answers := make(chan error, 10)
		for seq := uint64(1); seq <= 4; seq++ {
			journaltest.Must(t, w.Submit([]journal.Record{journaltest.Rec("plant", seq, "x")}, func(err error) { answers <- err }))
			if seq == 1 {
				wait(t, g.in, "the first append")
			}
		}
		for range 10 {
			g.gate <- struct{}{}
		}
		if err := wait(t, answers, "an answer"); err != nil {
			t.Errorf("%v: the append before the fault: %v", cause, err)
		}
		for range 3 {
			if err := wait(t, answers, "an answer"); !errors.Is(err, journal.ErrFailed) || !errors.Is(err, cause) {
				t.Errorf("answer is %v; want ErrFailed because %v", err, cause)
			}
		}
		err := w.Commit(context.Background(), []journal.Record{journaltest.Rec("plant", 2, "x")})
		if !errors.Is(err, journal.ErrFailed) || !errors.Is(err, cause) || w.Failed() == nil {
			t.Errorf("a later submission gets %v; want ErrFailed because %v", err, cause)
		}
		journaltest.Must(t, w.Close())
	}
}

// TestWriterBadSubmission: one caller's mistake is answered to that caller, and
// the group it came with is committed.
func TestWriterBadSubmission(t *testing.T) {
	g := &gated{journal.NewMemory(), make(chan struct{}, 10), make(chan int, 10)}
	w := journal.NewWriter(g, journal.WriterOptions{})
	answers := make(chan error, 10)
	submit := func(r journal.Record) {
		journaltest.Must(t, w.Submit([]journal.Record{r}, func(err error) { answers <- err }))
	}
	submit(journaltest.Rec("plant", 1, "x"))
	wait(t, g.in, "the first append")
	submit(journaltest.Rec("machine/one", 1, "x"))
	submit(journaltest.Rec("plant", 7, "x"))
	submit(journal.Record{Stream: "plant", Seq: 2})
	submit(journaltest.Rec("plant", 2, "x"))
	for range 10 {
		g.gate <- struct{}{}
	}
	for i, want := range []error{nil, nil, journal.ErrSequence, journal.ErrRecord, nil} {
		if err := wait(t, answers, "an answer"); !errors.Is(err, want) {
			t.Errorf("answer %d is %v; want %v", i, err, want)
		}
	}
	journaltest.Must(t, w.Close())
	if err := w.Failed(); err != nil {
		t.Errorf("the writer failed: %v", err)
	}
}

// TestWriterConcurrent: many machines submit at once; each stream is whole and
// in order, also on disk.
func TestWriterConcurrent(t *testing.T) {
	const machines, each = 8, 60
	dir := t.TempDir()
	j := open(t, dir, journal.Options{SegmentRecords: 100, CheckpointEvery: 37})
	w := journal.NewWriter(j, journal.WriterOptions{Queue: 64})
	var all sync.WaitGroup
	for m := range machines {
		all.Go(func() {
			stream := fmt.Sprint("machine/", m)
			var acked sync.WaitGroup
			for seq := uint64(1); seq <= each; {
				acked.Add(1)
				err := w.Submit([]journal.Record{journaltest.Rec(stream, seq, stream)}, func(err error) {
					defer acked.Done()
					if err != nil {
						t.Error(err)
					}
				})
				switch {
				case errors.Is(err, journal.ErrBusy):
					acked.Done()
					acked.Wait() // back-pressure: let what is queued through
					continue
				case err != nil:
					t.Error(err)
					return
				}
				seq++
			}
			acked.Wait()
		})
	}
	all.Go(func() { // readers beside the writer
		for range 20 {
			if _, err := j.Query(journal.Filter{Limit: 50}); err != nil {
				t.Error(err)
			}
			if err := j.Verify(context.Background(), "machine/3", 1); err != nil {
				t.Error(err)
			}
		}
	})
	all.Wait()
	journaltest.Must(t, w.Close())
	journaltest.Must(t, j.Close())
	j = open(t, dir, journal.Options{})
	for m := range machines {
		stream := fmt.Sprint("machine/", m)
		if list := journaltest.All(t, j, stream); len(list) != each {
			t.Errorf("%s has %d records; want %d", stream, len(list), each)
		}
	}
	journaltest.Must(t, j.Verify(context.Background(), "", 0))
}
