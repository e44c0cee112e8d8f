package account

import (
	"context"
	"net/netip"
	"sync"
	"time"
)

// Bounds of the door. The figures hold for the whole program: no flood makes it
// compute more than burst + 60 s / pace hashes in a minute, which is 52.
const (
	pace       = 1250 * time.Millisecond // from hash to hash, in the long run
	burst      = 4                       // hashes that may follow each other at once
	freeTries  = 3                       // wrong PINs of one device or address that cost nothing
	longest    = 60 * time.Second        // that a device or an address has to wait
	patience   = 6 * time.Second         // an attempt waits for its turn
	room       = 64                      // attempts that wait for their turn
	maxCallers = 4096                    // devices and addresses that are remembered
	suspicious = 10                      // wrong PINs for one person from strangers; then they wait for each other
	strangers  = 3 * time.Second         // so long
	forget     = 10 * time.Minute        // one wrong PIN is forgiven in this time
)

// door lets attempts through to the hash one after the other, those that are
// most likely genuine first. What it remembers is gone at a restart.
type door struct {
	check func(hash, pin string) bool

	mu      sync.Mutex
	wake    chan struct{} // something joined the waiting
	pumping bool
	waiting []*attempt
	callers map[string]*caller
	asked   map[string]*caller // by person: wrong PINs from strangers
	tokens  float64
	filled  time.Time
	now     func() time.Time
	hashes  int // ever
}

// caller is what is remembered of a device or an address.
type caller struct {
	first, last time.Time
	failures    int
	next        time.Time // not before
	waiting     bool
}

type attempt struct {
	caller *caller
	person *caller
	known  bool // signed in before, as this person, at this device
	hash   string
	pin    string
	gone   bool
	answer chan bool // buffered; closed without an answer when it is turned away
}

func newDoor(check func(hash, pin string) bool, now func() time.Time) *door {
	return &door{
		check: check, now: now, wake: make(chan struct{}, 1), callers: map[string]*caller{}, asked: map[string]*caller{},
		tokens: burst, filled: now(),
	}
}

// place groups the addresses that one stranger can have many of.
func place(address string) string {
	if host, err := netip.ParseAddr(address); err == nil {
		host = host.Unmap()
		if host.Is6() {
			p, _ := host.Prefix(64) //nolint:errcheck // 64 fits
			return p.String()
		}
		return host.String()
	}
	return address
}

// try waits for its turn and says whether the PIN is right. key is the device
// where it is known, otherwise the address.
func (d *door) try(ctx context.Context, p Person, pin, key string, known bool) (bool, error) {
	a, err := d.join(p, pin, key, known)
	if err != nil {
		return false, err
	}
	limit := time.NewTimer(patience)
	defer limit.Stop()
	select {
	case ok, looked := <-a.answer:
		if !looked {
			return false, &WaitError{After: time.Second}
		}
		return ok, nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-limit.C:
		err = &WaitError{After: time.Second}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	a.gone = true
	return false, err
}

// join lets an attempt wait for its turn, or turns it away at once.
func (d *door) join(p Person, pin, key string, known bool) (*attempt, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.now()
	c := d.caller(key, now)
	switch {
	case now.Before(c.next):
		return nil, &WaitError{After: c.next.Sub(now)}
	case c.waiting:
		return nil, &WaitError{After: time.Second}
	}
	a := &attempt{caller: c, person: d.suspicion(p.ID, now), known: known, hash: p.Hash, pin: pin, answer: make(chan bool, 1)}
	if len(d.waiting) >= room {
		worst := 0
		for i := range d.waiting {
			if d.waiting[worst].before(d.waiting[i]) {
				worst = i
			}
		}
		if !a.before(d.waiting[worst]) {
			return nil, &WaitError{After: 2 * time.Second}
		}
		d.leave(worst)
	}
	c.waiting = true
	d.waiting = append(d.waiting, a)
	if !d.pumping {
		d.pumping = true
		go d.pump()
	}
	select {
	case d.wake <- struct{}{}:
	default:
	}
	return a, nil
}

// before reports whether a goes before b: a known device, then an address that
// has not failed, then the one that was heard of last, so that a flood does not
// stand in front of somebody who just came.
func (a *attempt) before(b *attempt) bool {
	switch {
	case a.known != b.known:
		return a.known
	case a.caller.failures != b.caller.failures:
		return a.caller.failures < b.caller.failures
	}
	return a.caller.first.After(b.caller.first)
}

// leave turns away the attempt at i.
func (d *door) leave(i int) {
	a := d.waiting[i]
	a.caller.waiting = false
	close(a.answer)
	d.waiting = append(d.waiting[:i], d.waiting[i+1:]...)
}

// pump computes one hash after the other until nobody waits.
func (d *door) pump() {
	for {
		a, wait, more := d.choose()
		if !more {
			return
		}
		if a == nil {
			t := time.NewTimer(wait)
			select {
			case <-t.C:
			case <-d.wake:
			}
			t.Stop()
			continue
		}
		ok := d.check(a.hash, a.pin)
		d.settle(a, ok)
	}
}

// choose returns whose turn it is, or how long nobody's.
func (d *door) choose() (_ *attempt, wait time.Duration, more bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i := len(d.waiting) - 1; i >= 0; i-- {
		if d.waiting[i].gone {
			d.leave(i)
		}
	}
	if len(d.waiting) == 0 {
		d.pumping = false
		return nil, 0, false
	}
	now := d.now()
	d.tokens = min(burst, d.tokens+float64(now.Sub(d.filled))/float64(pace))
	d.filled = now
	if d.tokens < 1 {
		return nil, time.Duration((1-d.tokens)*float64(pace)) + time.Millisecond, true
	}
	best, soonest := -1, patience
	for i, a := range d.waiting {
		if !a.known && now.Before(a.person.next) {
			soonest = min(soonest, a.person.next.Sub(now))
			continue
		}
		if best < 0 || a.before(d.waiting[best]) {
			best = i
		}
	}
	if best < 0 {
		return nil, soonest, true
	}
	a := d.waiting[best]
	d.waiting = append(d.waiting[:best], d.waiting[best+1:]...)
	d.tokens--
	d.hashes++
	if !a.known && a.person.failures >= suspicious {
		a.person.next = now.Add(strangers)
	}
	return a, 0, true
}

// settle remembers what came of an attempt and answers it.
func (d *door) settle(a *attempt, ok bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now := d.now()
	a.caller.waiting, a.caller.last = false, now
	if ok {
		a.caller.failures, a.caller.next = 0, time.Time{}
	} else {
		a.caller.failures++
		if n := a.caller.failures - freeTries; n >= 0 {
			a.caller.next = now.Add(min(longest, time.Second<<min(n, 6)))
		}
		if !a.known {
			a.person.failures, a.person.last = a.person.failures+1, now
		}
	}
	a.answer <- ok
}

// caller returns what is remembered under a key, making room where needed.
func (d *door) caller(key string, now time.Time) *caller {
	c := d.callers[key]
	if c == nil {
		if len(d.callers) >= maxCallers {
			d.evict()
		}
		c = &caller{first: now, last: now}
		d.callers[key] = c
	}
	c.forgive(now)
	return c
}

// evict forgets the caller that was heard of longest ago, of those that do not
// wait.
func (d *door) evict() {
	oldest := ""
	for k, c := range d.callers {
		if !c.waiting && (oldest == "" || c.last.Before(d.callers[oldest].last)) {
			oldest = k
		}
	}
	delete(d.callers, oldest)
}

// suspicion returns what strangers tried for one person. People are those of the
// configuration, which bounds it.
func (d *door) suspicion(id string, now time.Time) *caller {
	c := d.asked[id]
	if c == nil {
		c = &caller{first: now, last: now}
		d.asked[id] = c
	}
	c.forgive(now)
	return c
}

// forgive takes back one wrong PIN for each stretch of time without one.
func (c *caller) forgive(now time.Time) {
	n := int(now.Sub(c.last) / forget)
	if n > 0 {
		c.failures, c.last = max(0, c.failures-n), now
	}
}
