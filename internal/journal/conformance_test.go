package journal_test

import (
	"context"
	"errors"
	"testing"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

func TestMemoryConforms(t *testing.T) {
	journaltest.Conform(t, func(t *testing.T) (journal.Store, func() journal.Store) {
		m := journal.NewMemory()
		return m, func() journal.Store { m = m.Crash(journal.CrashUnsynced); return m }
	})
}

// TestJournalConforms runs the suite on one segment and on segments so short
// that every test crosses several.
func TestJournalConforms(t *testing.T) {
	for name, o := range map[string]journal.Options{
		"one segment":   {},
		"many segments": {SegmentRecords: 20, CheckpointEvery: 9},
	} {
		t.Run(name, func(t *testing.T) {
			journaltest.Conform(t, func(t *testing.T) (journal.Store, func() journal.Store) {
				dir := t.TempDir()
				open := func() *journal.Journal {
					j, err := journal.Open(context.Background(), dir, o)
					journaltest.Must(t, err)
					if d := j.Damage(); d != nil {
						t.Fatalf("opening reports %v", d)
					}
					return j
				}
				j := open()
				t.Cleanup(func() {
					if err := j.Close(); err != nil && !errors.Is(err, journal.ErrClosed) {
						t.Error(err)
					}
				})
				return j, func() journal.Store {
					journaltest.Must(t, j.Close())
					j = open()
					return j
				}
			})
		})
	}
}
