package machine

import (
	"sync"

	"offsetbridge/internal/core"
)

// maxQueued bounds what waits for a slow consumer: the last sample before and
// the first after so many changes.
const maxQueued = 256

// feed hands facts to one consumer in order and bounded. Of samples that say
// the same only the newest waits; a change is never skipped. When too many
// changes wait they are given up together and the session with them, so that
// the consumer learns of the gap from the link.
type feed struct {
	mu    sync.Mutex
	queue []entry
	last  uint64
	more  chan struct{}
	out   chan core.Fact
	stop  chan struct{}
}

type entry struct {
	id   uint64
	fact core.Fact
}

func newFeed() *feed {
	return &feed{more: make(chan struct{}, 1), out: make(chan core.Fact), stop: make(chan struct{})}
}

// sample queues s. It reports false when too much waits already.
func (f *feed) sample(s core.Sample) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if n := len(f.queue); n > 0 {
		if last, ok := f.queue[n-1].fact.(core.Sample); ok && same(last, s) {
			f.queue = f.queue[:n-1]
			f.push(s)
			return true
		}
	}
	if len(f.queue) >= maxQueued {
		return false
	}
	f.push(s)
	return true
}

// link queues l. A session that ended because too much waited takes its samples
// with it; of links, each kind of difference and the newest are kept whatever
// happens.
func (f *feed) link(l core.Link) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if l.Cause == CodeSlow || len(f.queue) >= maxQueued {
		f.shrink()
	}
	f.push(l)
}

func (f *feed) shrink() {
	kept := f.queue[:0]
	seen := map[core.Code]bool{}
	for _, e := range f.queue {
		if l, ok := e.fact.(core.Link); ok && l.Bad && !seen[l.Cause] {
			seen[l.Cause] = true
			kept = append(kept, e)
		}
	}
	clear(f.queue[len(kept):])
	f.queue = kept
}

func (f *feed) push(x core.Fact) {
	f.last++
	f.queue = append(f.queue, entry{f.last, x})
	select {
	case f.more <- struct{}{}:
	default:
	}
}

// pump moves the queue to the consumer until stop. The head stays replaceable
// until the consumer takes it.
func (f *feed) pump() {
	defer close(f.out)
	for {
		var out chan core.Fact
		head, ok := f.head()
		if ok {
			out = f.out
		}
		select {
		case out <- head.fact:
			f.taken(head.id)
		case <-f.more: // something new, the head may have been replaced
		case <-f.stop:
			return
		}
	}
}

func (f *feed) head() (entry, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.queue) == 0 {
		return entry{}, false
	}
	return f.queue[0], true
}

func (f *feed) taken(id uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.queue) > 0 && f.queue[0].id == id {
		f.queue[0] = entry{}
		f.queue = f.queue[1:]
	}
}
