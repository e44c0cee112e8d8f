package app

import (
	"context"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// A commit that failed for one machine closes the gate of all.
func TestAFailedJournalClosesEveryGate(t *testing.T) {
	store := journal.NewMemory()
	a := &App{writer: journal.NewWriter(store, journal.WriterOptions{})}
	defer a.writer.Close() //nolint:errcheck // it failed on purpose
	store.Fail(1, journal.FaultSync)
	err := a.writer.Commit(context.Background(), []journal.Record{{Stream: "machine/other", Seq: 1, Kind: "x", Body: []byte("{}")}})
	if err == nil {
		t.Fatal("the commit went well")
	}
	if a.mayWrite() {
		t.Fatal("another machine may write on a journal that failed")
	}
}

// kept is a store as a runner sees it.
type kept struct {
	*journal.Writer
	m *journal.Memory
}

func (k kept) Head(stream string) journal.Head       { return k.m.Head(stream) }
func (k kept) SaveSnapshot(s journal.Snapshot) error { return k.m.SaveSnapshot(s) }

// While the end of one hold-all goes on record, the next one closes the gate at
// once and is recorded after it.
func TestAHoldAllDuringTheEndOfAnotherStays(t *testing.T) {
	store := journal.NewMemory()
	a := &App{writer: journal.NewWriter(store, journal.WriterOptions{}), log: zap.NewNop()}
	defer a.writer.Close() //nolint:errcheck // nothing waits in it
	b, err := bridge.Open(store, "plant", "", func() bridge.Decider { return &core.Plant{} })
	if err != nil {
		t.Fatal(err)
	}
	a.plant = bridge.Run(b, bridge.Options{
		Stream: "plant", Journal: kept{a.writer, store}, Now: func() core.Instant { return core.Instant{} }, Log: zap.NewNop(),
	})
	defer a.plant.Close()
	a.holding.Lock() // an end is being recorded
	done := make(chan error, 1)
	go func() {
		done <- a.HoldAll(context.Background(), core.Hold{Note: "stop", Who: core.Person{Principal: "olga", Role: core.Operator}})
	}()
	for deadline := time.Now().Add(10 * time.Second); a.asking.Load() == 0; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the hold-all is not asked for")
		}
	}
	if a.mayWrite() {
		t.Fatal("the gate waits for the record")
	}
	a.stopped.Store(false) // that end
	a.holding.Unlock()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if !a.stopped.Load() || a.mayWrite() {
		t.Fatal("the end of the first took the second with it")
	}
}
