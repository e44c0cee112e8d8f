package faultsim

import (
	"runtime"
	"sync"
	"sync/atomic"
	"time"
)

// Options of a run.
type Options struct {
	Seed    uint64        // of the first world
	Parts   int           // to simulate in all
	World   int           // parts in one world
	For     time.Duration // no world begins after it; 0 is as long as it takes
	Workers int
	All     bool               // go on after a violation
	Every   func(parts uint64) // told now and then
}

// Report is what a run found.
type Report struct {
	Parts, Worlds uint64
	Counts        Counts
	Violations    []*Violation // by seed
}

// worldParts is how long a world is, without its calm end.
const worldParts = 500

// Run plays worlds until so many parts were cut, or one violates an invariant. The
// worlds and what they count do not depend on the number of workers.
func Run(o Options) Report {
	if o.World <= 0 {
		o.World = worldParts
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	worlds := uint64(max(1, (o.Parts+o.World-1)/o.World))
	began := time.Now()
	var next, parts atomic.Uint64
	var stop atomic.Bool
	var mu sync.Mutex
	rep := Report{Counts: Counts{}}
	var all sync.WaitGroup
	for range o.Workers {
		all.Go(func() {
			for !stop.Load() && (o.For == 0 || time.Since(began) < o.For) {
				i := next.Add(1) - 1
				if i >= worlds {
					return
				}
				w := newWorld(o.Seed + i)
				v := w.play(o.World)
				mu.Lock()
				rep.Parts += uint64(w.parts)
				rep.Worlds++
				rep.Counts.Merge(w.n)
				if v != nil {
					rep.Violations = append(rep.Violations, v)
					stop.Store(!o.All)
				}
				mu.Unlock()
				if o.Every != nil {
					o.Every(parts.Add(uint64(w.parts)))
				}
			}
		})
	}
	all.Wait()
	return rep
}

// Replay plays one world and keeps a trail of its last steps.
func Replay(seed uint64, parts int) (*Violation, Counts) {
	if parts <= 0 {
		parts = worldParts
	}
	w := newWorld(seed)
	w.traced = true
	return w.play(parts), w.n
}
