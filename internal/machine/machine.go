package machine

import (
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gopcua/opcua/ua"
	"go.uber.org/zap"

	"offsetbridge/internal/core"
)

// settled is how long a session must have lived for the next attempt to start
// with the shortest pause again.
const settled = 10 * time.Second

// hastyLogins is how many refused logins in a row are followed by the ordinary
// pause: a password is mostly put right within the first half minute or much
// later.
const hastyLogins = 3

// Machine keeps one session with one machine. All methods may be called from
// any goroutine.
type Machine struct {
	o      Options
	feed   *feed
	cancel context.CancelFunc
	done   chan struct{}

	closing sync.Once

	mu      sync.Mutex
	current *epoch
	epochs  uint64

	order  atomic.Uint64 // of samples, over all sessions
	digest string        // of the last session's metadata; the session goroutine's own

	owner owner     // who we are at the machine
	shut  time.Time // until then a withdrawn request may be acted on; the session goroutine's own

	writing chan struct{} // one write at a time
}

// epoch is one session, from identification to its end.
type epoch struct {
	number uint64
	s      session
	layout *layout
	digest string
	io     chan struct{} // held by whoever reads a sample or writes: nothing is sampled during a write
	wake   chan struct{}
	via    writer

	once   sync.Once
	over   chan struct{} // closed when it shall end
	reason *fault        // set before over is closed
	ended  chan struct{} // closed when no write may begin any more
}

// Open starts the session and never blocks: what comes of it is in Events.
// Options that can never work are reported there as a difference.
func Open(o Options) *Machine {
	problem := o.Check()
	o = o.withDefaults()
	ctx, cancel := context.WithCancel(context.Background())
	m := &Machine{o: o, feed: newFeed(), cancel: cancel, done: make(chan struct{}), writing: make(chan struct{}, 1)}
	m.owner = newOwner(&m.o)
	go m.feed.pump()
	go func() {
		defer close(m.done)
		if problem != nil {
			m.down(differs(CodeConfig, "%v", problem))
			return
		}
		m.run(ctx)
		m.owner.unlock()
	}()
	return m
}

// Events delivers core.Link and core.Sample in the order in which they were
// observed. It is bounded: of samples that say the same only the newest waits,
// changes are never skipped, and when more than a few hundred wait the session
// ends with CodeSlow. While a write runs no sample is read but its own. The
// channel is closed by Close.
func (m *Machine) Events() <-chan core.Fact { return m.feed.out }

// Close ends the session and waits for its goroutines, a few seconds at most.
func (m *Machine) Close() error {
	m.cancel()
	<-m.done
	m.closing.Do(func() { close(m.feed.stop) })
	return nil
}

// run keeps a session until ctx ends.
func (m *Machine) run(ctx context.Context) {
	pause := m.o.Retry
	refused := 0 // logins in a row
	var told *fault
	for ctx.Err() == nil {
		began := time.Now()
		up, why := m.session(ctx)
		if ctx.Err() != nil {
			why = wait(CodeClosed, "")
		}
		if up || told == nil || news(told, why) {
			m.down(why)
			told = why
		}
		if up && time.Since(began) > settled {
			pause = m.o.Retry
		}
		if why.code == CodeLogin {
			refused++
		} else {
			refused = 0
		}
		rest := pause
		switch {
		case refused > hastyLogins:
			rest = m.o.Relogin
		case why.bad || refused > 0:
			rest = m.o.Recheck
		default:
			pause = min(2*pause, max(m.o.Longest, m.o.Retry))
		}
		sleep(ctx, rest+rand.N(rest/5+1))
	}
}

// news reports whether a failed attempt says something that the last one did
// not. What the network says names ports that change each time.
func news(told, why *fault) bool {
	return told.code != why.code || told.bad != why.bad ||
		told.text != why.text && !gone(why) && why.code != CodeDial
}

// session makes one session and serves it to its end. It reports whether it
// ever was up, and why it ended.
func (m *Machine) session(ctx context.Context) (up bool, why *fault) {
	s, _, err := m.o.connect(ctx, &m.o)
	if err != nil {
		return false, faultOf(err)
	}
	v, err := take(ctx, s, &m.o)
	if err != nil {
		why = faultOf(err)
		leave(s, why)
		return false, why
	}
	if why = m.admit(ctx, s, v); why != nil {
		s.close()
		return false, why
	}
	e := m.begin(s, v)
	watching, cancel := context.WithCancel(ctx)
	watched := make(chan struct{})
	go func() {
		defer close(watched)
		m.watch(watching, e)
	}()
	why = m.serve(ctx, e)
	cancel()
	m.finish(e, why)
	<-watched
	return true, why
}

// admit says why a session may not count as up, nil where it may.
func (m *Machine) admit(ctx context.Context, s session, v *survey) *fault {
	if why := v.first(); why != nil {
		return why
	}
	if why := m.remember(v.digest); why != nil {
		return why
	}
	if why := m.claim(ctx, s, v.layout); why != nil {
		return why
	}
	return m.clearMailbox(ctx, s, v.layout)
}

// remember compares the metadata with the last session's. A change is reported
// once; a person clears the hold it causes.
func (m *Machine) remember(digest string) *fault {
	before := m.digest
	m.digest = digest
	if before != "" && before != digest {
		return differs(CodeMetadata, "before %s, now %s", before, digest)
	}
	return nil
}

func (m *Machine) begin(s session, v *survey) *epoch {
	e := &epoch{
		s: s, layout: v.layout, digest: v.digest,
		io:    make(chan struct{}, 1),
		wake:  make(chan struct{}, 1),
		via:   v.layout.writer(),
		over:  make(chan struct{}),
		ended: make(chan struct{}),
	}
	m.mu.Lock()
	m.epochs++
	e.number = m.epochs
	m.current = e
	m.mu.Unlock()
	m.o.Log.Info("session with the machine is up", zap.Uint64("epoch", e.number), zap.String("metadata", v.digest))
	m.feed.link(core.Link{Up: true, Epoch: e.number, Text: "metadata " + v.digest})
	return e
}

// finish closes the session: no write begins in e any more, and one that runs
// comes to its end, at once where the session is no good.
func (m *Machine) finish(e *epoch, why *fault) {
	m.mu.Lock()
	m.current = nil
	m.mu.Unlock()
	close(e.ended)
	if gone(why) {
		e.s.abort() // a write that waits for its answer need not wait on
	}
	e.io <- struct{}{} // kept: e is over
	if why.code == CodeClosed {
		m.release(e)
	}
	leave(e.s, why)
}

// leave closes a session in good order where anybody listens: a server keeps an
// orphaned one for a minute, and controls have few. After a write without a
// certain outcome it also tells the server to forget what it has not done.
func leave(s session, why *fault) {
	if gone(why) {
		s.abort()
	} else {
		s.close()
	}
}

func gone(why *fault) bool {
	return why.code == CodeLost || why.code == CodeFrozen || why.code == CodeProtocol
}

func (m *Machine) down(f *fault) {
	m.mu.Lock()
	number := m.epochs
	m.mu.Unlock()
	level := zap.WarnLevel
	if f.code == CodeClosed || f.code == CodeRenew {
		level = zap.InfoLevel
	}
	m.o.Log.Log(level, Words[f.code], zap.String("code", string(f.code)), zap.String("detail", f.text), zap.Uint64("epoch", number))
	m.feed.link(core.Link{Epoch: number, Cause: f.code, Text: f.text, Bad: f.bad})
}

// nudge asks for a sample soon.
func (e *epoch) nudge() {
	select {
	case e.wake <- struct{}{}:
	default:
	}
}

// end asks for the epoch's end; the first reason counts.
func (e *epoch) end(f *fault) {
	e.once.Do(func() {
		e.reason = f
		close(e.over)
	})
}

// doom returns the reason to end, nil when there is none.
func (e *epoch) doom() *fault {
	select {
	case <-e.over:
		return e.reason
	default:
		return nil
	}
}

// serve samples and checks the server's health until the epoch ends.
func (m *Machine) serve(ctx context.Context, e *epoch) *fault {
	poll := time.NewTicker(m.o.Poll)
	defer poll.Stop()
	health := time.NewTicker(m.o.Health)
	defer health.Stop()
	renew := time.NewTimer(m.o.Renew)
	defer renew.Stop()
	missed := 0
	heard := func(err error) *fault {
		var f *fault
		switch {
		case err == nil:
			missed = 0
			return nil
		case ctx.Err() != nil: // Close broke the look off: that says nothing of the connection
			return wait(CodeClosed, "")
		case errors.As(err, &f):
			return f
		case !isTimeout(err):
			return faultOf(err)
		}
		if missed++; missed < 2 {
			return nil
		}
		return wait(CodeFrozen, "two reads in a row were not answered")
	}
	why := heard(m.sample(ctx, e))
	for why == nil {
		select {
		case <-ctx.Done():
			why = wait(CodeClosed, "")
		case <-e.over:
			why = e.reason
		case err := <-e.s.lost():
			why = wait(CodeLost, "%v", err)
		case <-e.wake:
			why = heard(m.sample(ctx, e))
		case <-poll.C:
			why = heard(m.sample(ctx, e))
		case <-health.C:
			why = heard(m.health(ctx, e))
		case <-renew.C:
			why = wait(CodeRenew, "")
		}
	}
	if f := e.doom(); f != nil {
		return f // a dropped session also looks lost
	}
	return why
}

func (m *Machine) watch(ctx context.Context, e *epoch) {
	err := e.s.watch(ctx, e.layout.ids(), m.o.Watch, e.nudge)
	switch {
	case ctx.Err() != nil:
	case errors.Is(err, errUnwatched):
		m.o.Log.Info("the server gives no subscription, the machine is polled", zap.Error(err))
	case err == nil:
		e.end(wait(CodeLost, "the subscription ended"))
	default:
		e.end(faultOf(err))
	}
}

// sample reads everything once and hands it on.
func (m *Machine) sample(ctx context.Context, e *epoch) error {
	select {
	case e.io <- struct{}{}:
	case <-ctx.Done():
		return nil
	}
	defer func() { <-e.io }()
	if f := e.doom(); f != nil {
		return f
	}
	s, err := m.snapshot(ctx, e)
	if err == nil {
		err = s.orphan()
	}
	if err != nil {
		return err
	}
	if !m.feed.sample(s.Sample) {
		return wait(CodeSlow, "")
	}
	return nil
}

// snapshot reads and understands one sample. The caller holds e.io.
func (m *Machine) snapshot(ctx context.Context, e *epoch) (*snapshot, error) {
	began := m.o.Now()
	a, err := e.s.read(ctx, e.layout.nodes)
	if err != nil {
		return nil, err
	}
	s, err := e.layout.decode(a)
	if err != nil {
		return nil, err
	}
	if err := m.foreign(e.layout, s); err != nil {
		return nil, err
	}
	s.Epoch, s.Order, s.Read = e.number, m.order.Add(1), began
	return s, nil
}

// health reads the server's state: a dead peer still looks connected.
func (m *Machine) health(ctx context.Context, e *epoch) error {
	a, err := e.s.read(ctx, []*ua.ReadValueID{valueOf(ua.NewNumericNodeID(0, nodeState))})
	if err != nil {
		return err
	}
	return running(a, 0)
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
