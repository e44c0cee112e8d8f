package journal_test

import (
	"context"
	"errors"
	"testing"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

// TestCrashModes: what was acknowledged survives each; what was only staged
// goes the way of the mode.
func TestCrashModes(t *testing.T) {
	for mode, want := range map[journal.Crash]uint64{
		journal.CrashClean: 5, journal.CrashTornTail: 3, journal.CrashUnsynced: 2,
	} {
		m := journal.NewMemory()
		journaltest.Fill(t, m, "plant", 2)
		journaltest.Must(t, m.Stage([]journal.Record{journaltest.Rec("plant", 3, "a")}))
		journaltest.Must(t, m.Stage([]journal.Record{journaltest.Rec("plant", 4, "b"), journaltest.Rec("plant", 5, "c")}))
		next := m.Crash(mode)
		if n := next.Head("plant").Seq; n != want {
			t.Errorf("mode %d leaves %d records; want %d", mode, n, want)
		}
		journaltest.Must(t, next.Verify(context.Background(), "", 0))
		if err := m.Append(context.Background(), []journal.Record{journaltest.Rec("plant", 6, "x")}); !errors.Is(err, journal.ErrClosed) {
			t.Errorf("the crashed store answers %v; want ErrClosed", err)
		}
		journaltest.Fill(t, next, "plant", 1)
		if n := next.Crash(journal.CrashUnsynced).Head("plant").Seq; n != want+1 {
			t.Errorf("an acknowledged append after the crash is lost: %d records", n)
		}
	}
}

// TestTwoCrashesOfOneStore: what two starts find and go on with is each start's own.
func TestTwoCrashesOfOneStore(t *testing.T) {
	ctx := context.Background()
	modes := []journal.Crash{journal.CrashClean, journal.CrashTornTail, journal.CrashUnsynced}
	for _, first := range modes {
		for _, second := range modes {
			m := journal.NewMemory()
			journaltest.Fill(t, m, "plant", 2)
			for seq := uint64(3); seq < 5; seq++ {
				journaltest.Must(t, m.Stage([]journal.Record{journaltest.Rec("plant", seq, "staged")}))
			}
			a, b := m.Crash(first), m.Crash(second)
			journaltest.Must(t, a.Append(ctx, []journal.Record{journaltest.Rec("plant", a.Head("plant").Seq+1, "a")}))
			journaltest.Must(t, b.Append(ctx, []journal.Record{journaltest.Rec("plant", b.Head("plant").Seq+1, "b")}))
			c := m.Crash(second)
			for i, s := range []*journal.Memory{a, b, c} {
				if err := s.Verify(ctx, "", 0); err != nil {
					t.Errorf("modes %d and %d: start %d: %v", first, second, i, err)
				}
			}
			journaltest.Must(t, c.Append(ctx, []journal.Record{journaltest.Rec("plant", c.Head("plant").Seq+1, "c")}))
		}
	}
}

// TestMemoryFaults: a failed append is not visible, the store refuses from then
// on, and only after a sync error may a crash bring the append back.
func TestMemoryFaults(t *testing.T) {
	for _, c := range []struct {
		fault       journal.Fault
		cause       error
		clean, torn uint64
	}{
		{journal.FaultDiskFull, journal.ErrDiskFull, 2, 2},
		{journal.FaultIO, journal.ErrIO, 2, 2},
		{journal.FaultSync, journal.ErrSync, 4, 2},
	} {
		for mode, want := range map[journal.Crash]uint64{journal.CrashClean: c.clean, journal.CrashTornTail: c.torn, journal.CrashUnsynced: 2} {
			m := journal.NewMemory()
			m.Fail(3, c.fault)
			journaltest.Fill(t, m, "plant", 2)
			h := m.Head("plant")
			two := []journal.Record{journaltest.Rec("plant", 3, "x"), journaltest.Rec("plant", 4, "x")}
			if err := m.Append(context.Background(), two); !errors.Is(err, c.cause) {
				t.Fatalf("the append answers %v; want %v", err, c.cause)
			}
			if err := m.Append(context.Background(), two); !errors.Is(err, journal.ErrFailed) || !errors.Is(err, c.cause) {
				t.Errorf("the next answers %v; want ErrFailed because %v", err, c.cause)
			}
			if got := m.Head("plant"); got != h || len(journaltest.All(t, m, "plant")) != 2 {
				t.Errorf("%v: the failed append is visible", c.cause)
			}
			next := m.Crash(mode)
			if n := next.Head("plant").Seq; n != want {
				t.Errorf("%v, mode %d: %d records; want %d", c.cause, mode, n, want)
			}
			journaltest.Fill(t, next, "plant", 1)
		}
	}
}

// TestMemoryTamper: the chain names a record changed behind its back.
func TestMemoryTamper(t *testing.T) {
	m := journal.NewMemory()
	journaltest.Fill(t, m, "plant", 9)
	if m.Tamper("plant", 10, func(*journal.Record) {}) {
		t.Error("a record that is not there was changed")
	}
	if !m.Tamper("plant", 6, func(r *journal.Record) { r.Person = "somebody" }) {
		t.Fatal("record 6 is not there")
	}
	var d *journal.Damage
	if err := m.Verify(context.Background(), "", 0); !errors.As(err, &d) || d.Stream != "plant" || d.Seq != 6 {
		t.Errorf("verify says %v; want damage at plant 6", err)
	}
	journaltest.Must(t, m.Verify(context.Background(), "plant", 7))
}

// TestContains: a head kept elsewhere shows a shortened or replaced journal.
func TestContains(t *testing.T) {
	type container interface {
		journal.Store
		Contains(journal.Head) error
	}
	for name, s := range map[string]container{"memory": journal.NewMemory(), "disk": open(t, t.TempDir(), journal.Options{SegmentRecords: 4})} {
		journaltest.Fill(t, s, "plant", 7)
		kept := s.Head("plant")
		journaltest.Fill(t, s, "plant", 7)
		journaltest.Must(t, s.Contains(kept))
		journaltest.Must(t, s.Contains(s.Head("plant")))
		journaltest.Must(t, s.Contains(journal.Head{Stream: "machine/new"}))
		for what, h := range map[string]journal.Head{
			"shorter":       {Stream: "plant", Seq: 15, Hash: kept.Hash},
			"other chain":   {Stream: "plant", Seq: 8, Hash: kept.Hash},
			"stream absent": {Stream: "machine/one", Seq: 1},
		} {
			var d *journal.Damage
			if err := s.Contains(h); !errors.As(err, &d) || d.Stream != h.Stream || !errors.Is(err, journal.ErrDamaged) {
				t.Errorf("%s, %s: %v; want damage", name, what, err)
			}
		}
	}
}
