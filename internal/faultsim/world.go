package faultsim

import (
	"fmt"
	"math/rand/v2"
	"runtime/debug"
	"slices"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// Violation is an invariant that did not hold, and where to see it again.
type Violation struct {
	Seed  uint64
	Step  int
	Rule  string // I1 … I16
	Text  string
	Trail []string // the last steps
}

// Error names the rule, the world and the step.
func (v *Violation) Error() string {
	return fmt.Sprintf("%s violated in world %d at step %d: %s", v.Rule, v.Seed, v.Step, v.Text)
}

// world is one plant from its first start to a calm end.
type world struct {
	seed   uint64
	r      *rand.Rand
	source *rand.PCG
	now    int64 // true milliseconds
	jumped int64 // what the wall clock is off
	ops    int64
	step   int
	only   []int // steps that are taken, rising; nil is all
	upTo   int   // last step; 0 is as many as the parts take
	parts  int
	calm   bool // no faults any more
	last   bool // and holds are left as they come

	irons  []*iron
	setup  map[string]*core.Settings // by machine: what the daemon is started with
	disk   *journal.Memory
	p      *process
	broker *broker
	crowd  *crowd
	o      *oracle
	n      Counts

	fuse   int    // steps to the next crash; 0 = none
	peril  int    // of the crashes and disk errors that might be, one in so many is
	kept   uint64 // records between snapshots
	rate   int    // one mishap in so many requests
	stir   int    // one thing happening meanwhile in so many moments of a write
	depth  int    // of things happening inside a write
	fail   *Violation
	trail  []string
	traced bool // keeps a trail: off in long runs, on when one seed is replayed
}

// latest is how late a request may take effect after the client gave up (A3). The
// quarantine is longer.
const (
	latest     = 4000
	quarantine = 5000
	fresh      = 10_000
	window     = 500
	answer     = 1000
)

var streams = []string{"plant", "machine/mill-1", "machine/mill-2"}

var (
	viewer   = core.Person{Principal: "vera", Role: core.Viewer, Auth: "test"}
	operator = core.Person{Principal: "olga", Role: core.Operator, Auth: "test"}
	setter   = core.Person{Principal: "sven", Role: core.Setter, Auth: "test"}
	engineer = core.Person{Principal: "erna", Role: core.Engineer, Auth: "test"}
)

func newWorld(seed uint64) *world {
	source := rand.NewPCG(seed, 0x5eed)
	w := &world{
		seed: seed, source: source, r: rand.New(source), now: 1, disk: journal.NewMemory(), n: Counts{},
		setup: map[string]*core.Settings{},
	}
	w.broker, w.crowd = newBroker(w), &crowd{w: w}
	w.rate = []int{4, 12, 40}[w.r.IntN(3)]
	w.stir = []int{6, 25, 80}[w.r.IntN(3)]
	w.peril = []int{1, 4, 16}[w.r.IntN(3)]
	w.kept = []uint64{60, 200, 800}[w.r.IntN(3)]
	for i, name := range []string{"mill-1", "mill-2"} {
		set := settingsOf(w.r, name, fmt.Sprintf("serial-%d", i+1), i == 1)
		w.setup[name] = set
		m := newIron(w, name, set.Identity, len(set.Registers), len(set.Tools))
		m.atStart, m.atOnce = set.CountsAt == core.CountsAtStart, set.Effective == core.ActsAtOnce
		ratio := []float64{1, 1, 1, 1, 1, 1, 0.5, 2, -1, 0}[w.r.IntN(10)]
		m.addPlants(set, w.r, ratio)
		if w.r.IntN(3) == 0 {
			m.box = newMailbox(m)
		}
		w.irons = append(w.irons, m)
	}
	w.o = newOracle(w)
	return w
}

func (w *world) op() int64 { w.ops++; return w.ops }

// violate keeps the first violation; the world stops at the next chance.
func (w *world) violate(rule, format string, args ...any) {
	if w.fail == nil {
		w.fail = &Violation{Seed: w.seed, Step: w.step, Rule: rule, Text: fmt.Sprintf(format, args...)}
	}
}

func (w *world) note(format string, args ...any) {
	if w.traced {
		w.trail = append(w.trail, fmt.Sprintf("%d @%d ", w.step, w.now)+fmt.Sprintf(format, args...))
		if len(w.trail) > 400 {
			w.trail = w.trail[200:]
		}
	}
}

// breakdown reports whether the process ends here.
func (w *world) breakdown() bool {
	if w.fuse == 0 || w.p == nil || w.p.dead {
		return w.p == nil || w.p.dead
	}
	w.fuse--
	if w.fuse > 0 {
		return false
	}
	w.p.dead = true
	w.note("the process dies")
	return true
}

// mishap returns 1 to kinds now and then, mostly 0.
func (w *world) mishap(kinds int) int {
	if w.calm || w.r.IntN(w.rate) != 0 {
		return 0
	}
	return 1 + w.r.IntN(kinds)
}

// play runs the world to its end.
func (w *world) play(parts int) (v *Violation) {
	defer func() {
		if r := recover(); r != nil {
			w.violate("I16", "panic: %v\n%s", r, debug.Stack())
		}
		if v = w.fail; v != nil {
			v.Trail = w.trail
		}
	}()
	w.start()
	w.verifySoon()
	w.settleDown()
	for w.next(parts) && w.fail == nil {
		w.act()
		w.revive()
		if l := w.p.lines[0]; !w.o.verified[l.stream] && w.r.IntN(5) == 0 {
			w.verifySoon() // reading back takes its time
		}
		if w.step > 40*parts {
			w.violate("I15", "the world does not get on: %d parts after %d steps", w.parts, w.step)
		}
	}
	if w.fail == nil {
		w.end()
	}
	return w.fail
}

// next goes to the next step. What happens in it is drawn from its number.
func (w *world) next(parts int) bool {
	switch {
	case w.only != nil:
		i, _ := slices.BinarySearch(w.only, w.step+1)
		if i == len(w.only) {
			w.source.Seed(w.seed, 0xe4d)
			return false
		}
		w.step = w.only[i]
	case w.parts >= parts || w.upTo > 0 && w.step >= w.upTo:
		w.source.Seed(w.seed, 0xe4d)
		return false
	default:
		w.step++
	}
	w.source.Seed(w.seed, 0x5eed+uint64(w.step))
	return true
}

// settleDown lets everything run until nothing is left to do.
func (w *world) settleDown() {
	for _, l := range w.p.lines {
		l.look()
	}
	w.pump(quiet)
}

// revive starts the process again after it died.
func (w *world) revive() {
	if w.p != nil && w.p.failed != nil && !w.p.dead && w.r.IntN(4) == 0 {
		w.p.dead = true // the program ends when its journal failed
	}
	if w.p == nil || !w.p.dead || w.fail != nil {
		return
	}
	w.n.add("fault/crash")
	w.fuse = 0
	old := w.p
	mode := journal.Crash(w.r.IntN(3))
	w.n.add([]string{"fault/everything staged survives", "fault/torn tail", "fault/unsynced is lost"}[mode])
	w.disk = w.disk.Crash(mode)
	w.o.crashed(old)
	if w.r.IntN(8) == 0 {
		w.ghost(old)
	}
	w.p = nil
	for _, m := range w.irons {
		m.conn = nil
	}
	for range w.r.IntN(3) {
		if w.calm {
			break
		}
		w.downtime()
	}
	if !w.calm && w.r.IntN(6) == 0 {
		w.configure()
	}
	w.start()
	w.broker.reconnect()
	if w.calm || w.r.IntN(3) > 0 {
		w.verifySoon()
	}
	if !w.calm && w.fuse == 0 && w.r.IntN(10) == 0 {
		w.fuse = 1 + w.r.IntN(40) // and again while it starts
	}
	w.settleDown()
}

// ghost lets the dead process go on for a while: its journal takes nothing, so
// nothing may leave.
func (w *world) ghost(old *process) {
	w.n.add("fault/old process goes on")
	old.dead = false
	for _, l := range old.lines {
		if l.done != nil || l.commit != nil {
			continue // in the middle of one that may be durable
		}
		l.writes = nil
		l.in = append(l.in, job{fact: core.Hold{Who: operator}})
		l.turn()
		if l.commit != nil {
			records := l.commit.Records
			err := old.store.Append(w.ctx(), records)
			if err == nil {
				w.violate("I4", "a store that was crashed took records of an old process")
			}
			l.commit, l.done = nil, &err
		}
		l.turn()
		if len(l.writes) > 0 {
			w.violate("I4", "an old process released %d intents that are not durable", len(l.writes))
		}
	}
	old.dead = true
}

// verifySoon reads the journal back, as the program does in the background.
func (w *world) verifySoon() {
	if w.p.dead {
		return
	}
	err := w.o.chain()
	v := core.Verified{OK: err == nil}
	if err != nil {
		v.Text = err.Error()
		w.n.add("guard/damage found")
	}
	for _, l := range w.p.lines {
		w.o.verified[l.stream] = err == nil
		l.offer(v, nil)
	}
}
