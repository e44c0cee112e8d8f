package bridge

import (
	"context"
	"errors"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// While the disk stands still inputs are bounded, and a hold is taken all the
// same. Afterwards everybody gets an answer.
func TestInputsAreBounded(t *testing.T) {
	g := newRig(t, nil)
	g.j.close()
	g.call0(core.Pair{Serial: "first"})
	g.wait("the commit", func() bool { g.j.mu.Lock(); defer g.j.mu.Unlock(); return len(g.j.kept) > 0 })
	var answered, taken atomic.Int64
	full := 0
	for full < 100 {
		err := g.r.Submit(core.Pair{Serial: "s"}, func(Released, error) { answered.Add(1) })
		switch {
		case err == nil:
			taken.Add(1)
			full = 0
		case errors.Is(err, ErrFull):
			full++
			runtime.Gosched()
		default:
			t.Fatal(err)
		}
		if taken.Load() > 3*Queue {
			t.Fatalf("%d inputs were taken while nothing could be recorded", taken.Load())
		}
	}
	held := make(chan error, 1)
	if err := g.r.Submit(core.Hold{Who: engineer}, func(_ Released, err error) { held <- err }); err != nil {
		t.Fatalf("a hold was refused: %v", err)
	}
	if g.r.gate.Open("seat") {
		t.Fatal("the gate is open")
	}
	for range 1000 { // and the machine goes on talking
		select {
		case g.m.events <- core.Tick{}:
		default:
		}
	}
	g.j.open()
	if err := <-held; err != nil {
		t.Fatal(err)
	}
	g.wait("every answer", func() bool { return answered.Load() == taken.Load() })
}

func (g *rig) call0(f core.Fact) {
	g.t.Helper()
	if err := g.r.Submit(f, nil); err != nil {
		g.t.Fatal(err)
	}
}

// Under an endless stream of inputs a look and a snapshot still have their turn.
func TestLookUnderEndlessLoad(t *testing.T) {
	g := newRig(t, func(o *Options) { o.Every = 50 })
	stop := make(chan struct{})
	var load sync.WaitGroup
	for range 2 {
		load.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
					g.r.Submit(core.Pair{Serial: "s"}, nil) //nolint:errcheck // a full queue is part of it
					runtime.Gosched()
				}
			}
		})
	}
	for range 5 {
		g.look(func(s *core.State) {
			if s.Ledger.Settings.Machine != "lathe" {
				t.Error("looked at something else")
			}
		})
	}
	g.wait("a snapshot", func() bool { _, ok, _ := g.j.Snapshot(stream); return ok })
	close(stop)
	load.Wait()
}

// Whoever submits around a stop gets exactly one answer, or an error at once.
func TestEverySubmissionIsAnsweredOnce(t *testing.T) {
	for range 20 {
		g := newRig(t, nil)
		var taken, answered atomic.Int64
		var people sync.WaitGroup
		begin := make(chan struct{})
		for range 4 {
			people.Go(func() {
				<-begin
				for range 300 {
					var once atomic.Bool
					err := g.r.Submit(core.Pair{Serial: "s"}, func(Released, error) {
						if once.Swap(true) {
							t.Error("answered twice")
						}
						answered.Add(1)
					})
					if err == nil {
						taken.Add(1)
					}
				}
			})
		}
		people.Go(func() { <-begin; g.r.Close() })
		close(begin)
		people.Wait()
		if taken.Load() != answered.Load() {
			t.Fatalf("%d taken, %d answered", taken.Load(), answered.Load())
		}
	}
}

// Released sees everything, in the order of the journal, and nothing that is
// not in it.
func TestReleasedInOrder(t *testing.T) {
	var mu sync.Mutex
	var next uint64 = 1
	var bad []Released
	var g *rig
	j := &slowJournal{Memory: journal.NewMemory()}
	g = newRig(t, func(o *Options) {
		o.Journal = j
		o.Released = func(rel Released) {
			mu.Lock()
			defer mu.Unlock()
			if len(rel.Events) == 0 {
				return
			}
			last := rel.First + uint64(len(rel.Events)) - 1
			if rel.First != next || j.Head(stream).Seq < last {
				bad = append(bad, rel)
			}
			next = last + 1
		}
	})
	for range 30 {
		for _, in := range g.s.part(0) {
			g.call(in.Fact)
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if len(bad) > 0 || next < 30 {
		t.Fatalf("released out of order: %+v, next %d", bad, next)
	}
}

// While one commit follows the other without a pause, a look still has its turn:
// what comes after it has to wait for it.
func TestLookBetweenCommitsWithoutAPause(t *testing.T) {
	g := newRig(t, func(o *Options) { o.Tick = 0 })
	g.j.close()
	g.call0(core.Pair{Serial: "first"})
	kept := func() bool { g.j.mu.Lock(); defer g.j.mu.Unlock(); return len(g.j.kept) > 0 }
	g.wait("the commit", kept)
	looked := make(chan error, 1)
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		looked <- g.r.Look(ctx, func(Decider) {})
	}()
	for range 50 {
		g.call0(core.Pair{Serial: "next"}) // before the commit lands, so that there is always another one
		for end := time.Now().Add(3 * time.Millisecond); len(g.r.in) > 0 && time.Now().Before(end); {
			runtime.Gosched()
		}
		g.j.mu.Lock()
		commits := g.j.kept
		g.j.kept = nil
		g.j.mu.Unlock()
		for _, commit := range commits {
			commit()
		}
		select {
		case err := <-looked:
			if err != nil {
				t.Fatal(err)
			}
			return
		default:
		}
		g.wait("the next commit", func() bool { return kept() || len(looked) > 0 })
	}
	t.Fatal("fifty commits, and the look had no turn")
}
