package web

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// lookedAt counts how often a plant is looked at.
type lookedAt struct {
	Plant
	n   atomic.Int64
	err error
}

func (l *lookedAt) Status(context.Context) (Status, error) {
	return Status{Tray: int(l.n.Add(1))}, l.err
}

func TestManyPagesLookOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &lookedAt{}
		g := &glance{Plant: l}
		look := func(want int) {
			t.Helper()
			for range 200 {
				if st, err := g.Status(t.Context()); err != nil || st.Tray != want {
					t.Fatalf("look %d, %v, want %d", st.Tray, err, want)
				}
			}
		}
		look(1)
		time.Sleep(900 * time.Millisecond)
		look(1) // nothing happened
		g.dirty.Store(true)
		look(2) // something did
		g.dirty.Store(true)
		look(2) // just looked
		time.Sleep(100 * time.Millisecond)
		look(3)
		time.Sleep(time.Second)
		look(4) // what changes without an event is seen within a second
		if st, err := g.Now(t.Context()); err != nil || st.Tray != 5 {
			t.Errorf("a look in any case: %d, %v", st.Tray, err)
		}
		look(5)
		l.err = errors.New("away")
		time.Sleep(time.Second)
		if _, err := g.Status(t.Context()); err == nil {
			t.Error("an old look hides that there is none any more")
		}
		l.err = nil
		look(7) // and is not kept
	})
}
