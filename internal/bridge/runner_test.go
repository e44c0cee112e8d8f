package bridge

import (
	"context"
	"errors"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// patience is how long a test waits for what must come.
const patience = 60 * time.Second

// slowJournal is a journal whose commits a test can keep back or refuse.
type slowJournal struct {
	*journal.Memory
	mu    sync.Mutex
	shut  bool
	kept  []func()
	busy  int // submissions to refuse as busy
	fault error
}

func (j *slowJournal) Submit(records []journal.Record, done func(error)) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.fault != nil {
		return j.fault
	}
	if j.busy > 0 {
		j.busy--
		return journal.ErrBusy
	}
	commit := func() { done(j.Append(context.Background(), records)) }
	if j.shut {
		j.kept = append(j.kept, commit)
		return nil
	}
	go commit()
	return nil
}

func (j *slowJournal) close() { j.mu.Lock(); j.shut = true; j.mu.Unlock() }

func (j *slowJournal) open() {
	j.mu.Lock()
	kept := j.kept
	j.shut, j.kept = false, nil
	j.mu.Unlock()
	for _, f := range kept {
		go f()
	}
}

// fakeMachine is a port whose writes a test answers.
type fakeMachine struct {
	events chan core.Fact
	write  func(context.Context, core.Intent, func() bool) core.Outcome
}

func (m *fakeMachine) Events() <-chan core.Fact { return m.events }

func (m *fakeMachine) Write(ctx context.Context, in core.Intent, gate func() bool) core.Outcome {
	return m.write(ctx, in, gate)
}

type rig struct {
	t *testing.T
	j *slowJournal
	m *fakeMachine
	r *Runner
	s script
}

func newRig(t *testing.T, change func(*Options)) *rig {
	g := &rig{t: t, j: &slowJournal{Memory: journal.NewMemory()}, m: &fakeMachine{events: make(chan core.Fact, 64)}}
	began := time.Now()
	o := Options{
		Stream: stream, Journal: g.j, Machine: g.m, Log: zap.NewNop(), Tick: 2 * time.Millisecond,
		Now: func() core.Instant {
			ms := time.Since(began).Milliseconds()
			return core.Instant{Wall: ms, Mono: ms}
		},
	}
	if change != nil {
		change(&o)
	}
	g.r = Run(open(t, g.j), o)
	t.Cleanup(func() { g.j.open(); g.r.Close() })
	for _, in := range g.s.start(1) {
		g.call(in.Fact)
	}
	return g
}

func (g *rig) call(f core.Fact) Released {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	rel, err := g.r.Call(ctx, f)
	if err != nil {
		g.t.Fatal(err)
	}
	return rel
}

// untilWrite plays wearing parts until a write is decided, and reports which.
func (g *rig) untilWrite() core.Intent {
	g.t.Helper()
	for range 40 {
		for _, in := range g.s.part(2 * um) {
			if all := intents([]Released{g.call(in.Fact)}); len(all) > 0 {
				return all[0].Intent
			}
		}
	}
	g.t.Fatal("no write was decided")
	return core.Intent{}
}

func (g *rig) wait(what string, ok func() bool) {
	g.t.Helper()
	for end := time.Now().Add(patience); !ok(); runtime.Gosched() {
		if time.Now().After(end) {
			g.t.Fatalf("waited in vain for %s", what)
		}
	}
}

func (g *rig) look(f func(*core.State)) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := g.r.Look(ctx, func(d Decider) { f(d.(*core.State)) }); err != nil {
		g.t.Fatal(err)
	}
}

func (g *rig) pending() (in *core.Intent) {
	g.t.Helper()
	g.look(func(s *core.State) { in = s.Ledger.Registers[0].Pending })
	return in
}

func TestRunnerWritesAndJournalsTheOutcome(t *testing.T) {
	var g *rig
	var wrote atomic.Int32
	g = newRig(t, nil)
	g.m.write = func(_ context.Context, in core.Intent, gate func() bool) core.Outcome {
		if !gate() {
			t.Error("the gate is shut")
		}
		wrote.Add(1)
		return core.Outcome{Intent: in.ID, Result: core.Applied, Read: in.New}
	}
	in := g.untilWrite()
	g.wait("the outcome", func() bool { return g.pending() == nil })
	if n := wrote.Load(); n != 1 {
		t.Fatalf("%d writes", n)
	}
	g.look(func(s *core.State) {
		if b := s.Ledger.Registers[0]; b.Value != in.New {
			t.Errorf("book %+v", b)
		}
	})
	if g.j.Head(stream).Seq == 0 || body(t, refold(t, g.j)) == "" {
		t.Fatal("nothing was journaled")
	}
}

// The answer to a call comes after its events are durable.
// A machine that is connected before its start is decided stays connected.
func TestTheStartComesFirst(t *testing.T) {
	for range 50 {
		s := script{}
		in := s.start(1)
		m := &fakeMachine{events: make(chan core.Fact, 2)}
		m.events <- in[3].Fact // the session is up
		m.events <- in[4].Fact // and a sample there
		j := &slowJournal{Memory: journal.NewMemory()}
		r := Run(open(t, j), Options{
			Stream: stream, Journal: j, Machine: m, Log: zap.NewNop(), Now: func() core.Instant { return core.Instant{} },
			First: []core.Fact{in[0].Fact, in[1].Fact, in[2].Fact},
		})
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		up := false
		for !up && ctx.Err() == nil {
			if err := r.Look(ctx, func(d Decider) { v := d.(*core.State).View(); up = v.Up && v.Registers[0].Known }); err != nil {
				t.Fatal(err)
			}
			if len(m.events) == 0 && !up {
				if err := r.Look(ctx, func(d Decider) { up = d.(*core.State).View().Up }); err != nil || !up {
					t.Fatal("a session that was up before the start is forgotten")
				}
			}
		}
		cancel()
		r.Close()
		if first := j.Head(stream); first.Seq < 4 {
			t.Errorf("%d records", first.Seq)
		}
	}
}

func TestCallAnswersAfterTheCommit(t *testing.T) {
	g := newRig(t, nil)
	g.j.close()
	answered := make(chan Released, 1)
	if err := g.r.Submit(core.Hold{Who: engineer}, func(rel Released, err error) { answered <- rel }); err != nil {
		t.Fatal(err)
	}
	g.wait("the commit", func() bool { g.j.mu.Lock(); defer g.j.mu.Unlock(); return len(g.j.kept) > 0 })
	select {
	case rel := <-answered:
		t.Fatalf("answered %+v before the commit", rel)
	default:
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Millisecond)
	defer cancel()
	if _, err := g.r.Call(ctx, core.Tick{}); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("a call with its own deadline: %v", err)
	}
	g.j.open()
	if rel := <-answered; len(rel.Events) != 1 {
		t.Fatalf("answered %+v", rel)
	}
}

// A hold shuts the gate before it is even decided: the write that waits inside
// the port is not sent, whatever the disk does.
func TestHoldShutsTheGateAtOnce(t *testing.T) {
	g := newRig(t, nil)
	inside, goOn := make(chan struct{}), make(chan struct{})
	seen := make(chan bool, 1)
	g.m.write = func(_ context.Context, in core.Intent, gate func() bool) core.Outcome {
		close(inside)
		<-goOn
		seen <- gate()
		return core.Outcome{Intent: in.ID, Result: core.NotSent, Code: "m-gate", Read: in.Old}
	}
	g.untilWrite()
	<-inside
	g.j.close() // the hold cannot become durable
	if err := g.r.Submit(core.Hold{Who: engineer}, nil); err != nil {
		t.Fatal(err)
	}
	close(goOn)
	if <-seen {
		t.Fatal("the gate was open after a hold")
	}
	g.j.open()
	g.wait("the hold", func() (held bool) { // a look may come before it
		g.look(func(s *core.State) { held = s.HoldOn("seat") != nil })
		return held
	})
	if g.r.gate.Open("seat") {
		t.Fatal("the gate opened again while on hold")
	}
	g.call(core.Resume{Cause: "by-hand", Note: "ok", Who: engineer})
	g.wait("the gate to open", func() bool { return g.r.gate.Open("seat") })
}

func TestPlantGateAndFailureShutTheGate(t *testing.T) {
	var shut atomic.Bool
	g := newRig(t, func(o *Options) { o.Open = func() bool { return !shut.Load() } })
	if !g.r.gate.Open("seat") {
		t.Fatal("shut from the start")
	}
	shut.Store(true)
	if g.r.gate.Open("seat") {
		t.Fatal("the plant's gate was not asked")
	}
}

func TestJournalFailureStopsEverything(t *testing.T) {
	for name, fail := range map[string]func(*slowJournal){
		"a full disk":  func(j *slowJournal) { j.Fail(1, journal.FaultDiskFull) },
		"a sync error": func(j *slowJournal) { j.Fail(1, journal.FaultSync) },
		"refused at once": func(j *slowJournal) {
			j.mu.Lock()
			j.fault = journal.ErrFailed
			j.mu.Unlock()
		},
	} {
		t.Run(name, func(t *testing.T) {
			g := newRig(t, nil)
			fail(g.j)
			ctx, cancel := context.WithTimeout(context.Background(), patience)
			defer cancel()
			if rel, err := g.r.Call(ctx, core.Hold{Who: engineer}); err == nil {
				t.Fatalf("answered %+v", rel)
			}
			<-g.r.Done()
			if err := g.r.Err(); !errors.Is(err, ErrCommit) {
				t.Fatalf("stopped by %v", err)
			}
			if g.r.gate.Open("seat") {
				t.Fatal("the gate is open")
			}
			if err := g.r.Submit(core.Tick{}, nil); !errors.Is(err, ErrStopped) {
				t.Fatalf("still takes inputs: %v", err)
			}
			g.r.Close()
		})
	}
}

// A journal that is only busy is asked again; nothing stops.
func TestBusyJournalIsAskedAgain(t *testing.T) {
	g := newRig(t, nil)
	g.j.mu.Lock()
	g.j.busy = 7
	g.j.mu.Unlock()
	if rel := g.call(core.Hold{Who: engineer}); len(rel.Events) != 1 {
		t.Fatalf("released %+v", rel)
	}
	if g.r.Err() != nil {
		t.Fatal(g.r.Err())
	}
}

// Close waits for the write under way and journals its outcome; the next start
// has nothing to find out.
func TestCloseWhileAWriteIsUnderWay(t *testing.T) {
	g := newRig(t, nil)
	inside, goOn := make(chan struct{}), make(chan struct{})
	g.m.write = func(_ context.Context, in core.Intent, _ func() bool) core.Outcome {
		close(inside)
		<-goOn
		return core.Outcome{Intent: in.ID, Result: core.Applied, Read: in.New}
	}
	in := g.untilWrite()
	<-inside
	closed := make(chan struct{})
	go func() { g.r.Close(); close(closed) }()
	g.wait("the stop", func() bool { return errors.Is(g.r.Submit(core.Tick{}, nil), ErrStopped) })
	select {
	case <-closed:
		t.Fatal("closed while a write is under way")
	default:
	}
	close(goOn)
	<-closed
	s := refold(t, g.j)
	if b := s.Ledger.Registers[0]; b.Pending != nil || b.Value != in.New {
		t.Fatalf("after the stop: %+v", b)
	}
	if snap, ok, err := g.j.Snapshot(stream); err != nil || !ok || snap.Seq != g.j.Head(stream).Seq {
		t.Fatalf("the last snapshot: %v at %d, %v", ok, snap.Seq, err)
	}
}
