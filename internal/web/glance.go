package web

import (
	"context"
	"sync"
	"sync/atomic"
	"time"
)

// How old a look at the plant may be that several pages share: while something
// happens, and while nothing does.
const (
	freshFor = 100 * time.Millisecond
	quietFor = time.Second
)

// glance looks at the whole plant once for all pages that ask at about the same
// time, so that many tablets cost hardly more than one.
type glance struct {
	Plant
	dirty atomic.Bool

	mu sync.Mutex
	at time.Time
	st Status
}

// Status returns what there is to see, at most a moment old. It must not be
// changed.
func (g *glance) Status(ctx context.Context) (Status, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	age := time.Since(g.at)
	if age < freshFor || age < quietFor && !g.dirty.Load() {
		return g.st, nil
	}
	return g.look(ctx)
}

// Now looks in any case.
func (g *glance) Now(ctx context.Context) (Status, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.look(ctx)
}

func (g *glance) look(ctx context.Context) (Status, error) {
	g.dirty.Store(false) // before the look: what comes meanwhile asks for another
	st, err := g.Plant.Status(ctx)
	if err != nil {
		g.at = time.Time{}
		return Status{}, err
	}
	g.st, g.at = st, time.Now()
	return st, nil
}
