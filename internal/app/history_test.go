package app

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers"
	"offsetbridge/testdata/peers/shop"
	"offsetbridge/testdata/peers/wire"
)

// held is the state of the modelled machine: one register and the generation of
// its tool.
type held struct {
	value length.Length
	gen   int64
}

// What can happen to it. A look returns what it saw.
type (
	put    struct{ to length.Length } // by us or by a hand at the panel
	change struct{}                   // a fresh tool
	look   struct{}
	glance struct{} // at the register alone
)

// registerModel says what a register is: it holds what was put last.
var registerModel = porcupine.Model{
	Step: func(state, input, output any) (bool, any) {
		s := state.(held)
		switch in := input.(type) {
		case put:
			s.value = in.to
		case change:
			s.gen++
		case look:
			return output.(held) == s, s
		case glance:
			return output.(length.Length) == s.value, s
		}
		return true, s
	},
	DescribeOperation: func(input, output any) string { return fmt.Sprintf("%T%v %v", input, input, output) },
}

// course is what several who act on one machine say that they did and saw, each
// with the time before and after.
type course struct {
	mu    sync.Mutex
	first held
	ops   []porcupine.Operation
}

const never = int64(1) << 62

func stamp(t time.Time) int64 { return t.Sub(epochOfHistories).Nanoseconds() }

var epochOfHistories = time.Now()

func (h *course) add(who int, in any, call, ret int64, out any) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.ops = append(h.ops, porcupine.Operation{ClientId: who, Input: in, Call: call, Output: out, Return: ret})
}

// did runs something and adds it.
func (h *course) did(who int, in any, f func() any) {
	call := stamp(time.Now())
	out := f()
	h.add(who, in, call, stamp(time.Now()), out)
}

// edited reports whether a hand was at the panel between two moments.
func (h *course) edited(from, to int64) bool {
	return slices.ContainsFunc(h.ops, func(o porcupine.Operation) bool {
		return o.ClientId == byHand && o.Return >= from && o.Call <= to
	})
}

func (h *course) check() porcupine.CheckResult {
	m := registerModel
	m.Init = func() any { return h.first }
	return porcupine.CheckOperationsTimeout(m, h.ops, time.Minute)
}

func (h *course) String() string {
	slices.SortFunc(h.ops, func(a, b porcupine.Operation) int { return int(a.Call - b.Call) })
	s := fmt.Sprintf("at first %v\n", h.first)
	for _, o := range h.ops {
		s += fmt.Sprintf("%d %12.3f %12.3f ms  %T %v %v\n", o.ClientId, float64(o.Call)/1e6, float64(o.Return)/1e6, o.Input, o.Input, o.Output)
	}
	return s
}

// Who acts.
const (
	byHand = iota
	bySetter
	byObserver
	byUs
	byRecord
)

// control is a machine as somebody who stands before it has it.
type control interface {
	begin() error
	end() error
	set(mm float64) error
	tool() error
	seen() (s held, count uint64, writes int, err error)
}

type simControl struct{ s *machine.Server }

func (c simControl) begin() error        { c.s.BeginCycle(); return nil }
func (c simControl) end() error          { c.s.EndCycle(); return nil }
func (c simControl) set(v float64) error { return c.s.SetRegister(shop.Register, v) }
func (c simControl) tool() error         { c.s.ChangeTool(shop.Tool, true); return nil }
func (c simControl) seen() (held, uint64, int, error) {
	st := c.s.State()
	return held{mm(st.Registers[shop.Register]), int64(st.Tools[shop.Tool].Generation)}, st.Counter, len(c.s.Effects()), nil
}

type peerControl struct{ m *peers.Machine }

func (c peerControl) begin() error        { return c.m.BeginCycle() }
func (c peerControl) end() error          { return c.m.EndCycle() }
func (c peerControl) set(v float64) error { return c.m.SetRegister(shop.Register, v) }
func (c peerControl) tool() error         { return c.m.ChangeTool(shop.Tool) }
func (c peerControl) seen() (held, uint64, int, error) {
	st, err := c.m.State()
	return held{mm(st.Registers[shop.Register]), int64(st.Tools[shop.Tool].Generation)}, st.Counter, len(st.Log), err
}

// stage is one machine with one program, on which histories happen one after
// the other.
type stage struct {
	*shop.Shop
	d    *daemon
	c    control
	wire *wire.Proxy
	path string
	rng  *rand.Rand

	h      *course
	began  time.Time
	cuts   map[uint64][2]int64 // when each part of this history was cut
	typed  map[length.Length]bool
	before int // effects before it
	total  tally
}

// tally counts what histories were made of.
type tally struct{ histories, operations, writes, unknown, edits, changes, restarts, claims int }

func (t *tally) add(o tally) {
	t.histories += o.histories
	t.operations += o.operations
	t.writes += o.writes
	t.unknown += o.unknown
	t.edits += o.edits
	t.changes += o.changes
	t.restarts += o.restarts
	t.claims += o.claims
}

func openStage(t *testing.T, seed uint64, independent bool) *stage {
	t.Helper()
	s := &stage{rng: rand.New(rand.NewPCG(seed, 7))}
	endpoint := ""
	if independent {
		s.Shop = shop.Open(t, shop.Options{})
		s.c, endpoint = peerControl{s.Machine}, s.Machine.Endpoint
	} else {
		b := openBare(t)
		s.Shop, s.c, endpoint = b.Shop, simControl{b.sim}, "ENDPOINT"
		s.wire = b.wire
	}
	if s.wire == nil {
		s.wire = wire.Start(t, endpoint)
	}
	s.path = s.Config(t, append([]string{endpoint, s.wire.Endpoint()}, lostTimes...)...)
	s.d = start(t, s.path)
	s.d.live(t)
	return s
}

// plays lets one history happen and checks it.
func (s *stage) plays(t *testing.T) {
	t.Helper()
	first, _, effects, err := s.c.seen()
	if err != nil {
		t.Fatal(err)
	}
	s.h, s.began, s.cuts, s.before = &course{first: first}, time.Now(), map[uint64][2]int64{}, effects
	s.typed = map[length.Length]bool{first.value: true}
	steps := 8 + s.rng.IntN(5)
	for range steps {
		s.step(t)
	}
	s.wire.Rule(nil)
	shop.Wait(t, "nothing is open any more", func() bool {
		s.resumes(t)
		s.d.agrees(t)
		m := s.d.status(t).Machines[0]
		truth, _, _, err := s.c.seen()
		s.must(t, err)
		return m.Up && m.Registers[0].Known && !m.Registers[0].Pending && len(s.d.queue(t)) == 0 && m.Registers[0].Value == truth.value
	})
	s.looks(t)
	s.claims(t)
	s.total.histories++
	s.total.operations += len(s.h.ops)
	if r := s.h.check(); r != porcupine.Ok {
		t.Fatalf("the history is %s:\n%s", r, s.h)
	}
}

// step does one random thing.
func (s *stage) step(t *testing.T) {
	t.Helper()
	switch n := s.rng.IntN(20); {
	case n < 9:
		s.part(t)
	case n < 12:
		s.edits(t)
	case n < 14:
		s.total.changes++
		s.h.did(bySetter, change{}, func() any { s.must(t, s.c.tool()); return nil })
	case n < 17:
		fate := []wire.Fate{wire.LoseAnswer, wire.DropAfter, wire.LoseRequest, wire.DropBefore}[s.rng.IntN(4)]
		struck := false
		s.wire.Rule(func(r wire.Request) wire.Fate {
			if struck || r.Kind != wire.Write {
				return wire.Pass
			}
			struck = true
			return fate
		})
	case n == 17:
		s.wire.Cut()
	case n == 18 && s.rng.IntN(2) == 0:
		s.total.restarts++
		s.d.end()
		old := s.d
		s.d = start(t, s.path)
		s.d.mu.Lock()
		s.d.all, s.d.at, s.d.from = append(old.all, s.d.all...), append(old.at, s.d.at...), append(old.from, s.d.from...)
		s.d.mu.Unlock()
		s.d.live(t)
	default:
		s.looks(t)
	}
}

func (s *stage) must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func (s *stage) looks(t *testing.T) {
	t.Helper()
	s.h.did(byObserver, look{}, func() any {
		seen, _, _, err := s.c.seen()
		s.must(t, err)
		return seen
	})
}

// edits types a value at the panel that it did not hold in this history: hands
// here are faster than any person, and a value that comes back between two looks
// of the program is beyond what it can know.
func (s *stage) edits(t *testing.T) {
	t.Helper()
	seen, _, _, err := s.c.seen()
	s.must(t, err)
	to := seen.value
	for way := length.Length(1-2*s.rng.IntN(2)) * length.Micrometre; s.typed[to]; {
		if to += way; to < -400_000 || to > 400_000 {
			to = 0
		}
	}
	s.typed[to] = true
	s.total.edits++
	s.h.did(byHand, put{to}, func() any { s.must(t, s.c.set(float64(to)/1e6)); return nil })
}

// part cuts one and measures it 2 to 6 µm off its aim; somebody's hand may be at
// the panel while the correction is on its way.
func (s *stage) part(t *testing.T) {
	t.Helper()
	s.must(t, s.c.begin())
	call := stamp(time.Now())
	seen, count, _, err := s.c.seen()
	s.must(t, err)
	ret := stamp(time.Now())
	s.must(t, s.c.end())
	s.cuts[count+1] = [2]int64{call, ret}
	off := int64(2_000+s.rng.IntN(4_000)) * int64(1-2*s.rng.IntN(2))
	n, err := s.Measure(t.Context(), shop.Part{Count: count + 1, Size: shop.Aim + off})
	s.must(t, err)
	_ = seen
	hand := time.Duration(s.rng.IntN(60)) * time.Millisecond
	began, edited := time.Now(), s.rng.IntN(5) != 0
	for judged := false; !judged || time.Since(began) < 40*time.Millisecond; time.Sleep(2 * time.Millisecond) {
		if !edited && time.Since(began) > hand {
			edited = true
			s.edits(t)
		}
		judged = len(find(s.d, func(j core.Judged) bool { return j.Reading.Sequence == n })) > 0
		s.d.agrees(t)
		if time.Since(began) > 500*time.Millisecond {
			return // it waits for the machine; later is early enough
		}
	}
	s.resumes(t)
}

// resumes clears whatever hold there is, as a person who has looked.
func (s *stage) resumes(t *testing.T) {
	t.Helper()
	m := s.d.status(t).Machines[0]
	clear := func(loop string, h *core.Held) {
		if h != nil {
			scope := web.Scope{Machine: shop.Mill, Loop: loop, Cause: h.Cause, Note: "looked at it"}
			s.d.client.Post(t.Context(), "/v1/resume", scope, nil) //nolint:errcheck // it may be gone by now
		}
	}
	clear("", m.Hold)
	for _, l := range m.Loops {
		clear(l.Name, l.Hold)
	}
}

// claims adds what the program says that it did and saw in this history: each
// write with what it read before and after, and for each part what was in force
// when it was cut. It also compares the number of effects.
func (s *stage) claims(t *testing.T) {
	t.Helper()
	s.d.mu.Lock()
	defer s.d.mu.Unlock()
	type attempt struct {
		in   core.Intent
		call int64
	}
	open, applied := map[uint64]attempt{}, 0
	for i, e := range s.d.all {
		if s.d.at[i].Before(s.began) {
			continue
		}
		at := stamp(s.d.at[i])
		switch e := e.(type) {
		case core.Intended:
			open[e.Intent.ID] = attempt{e.Intent, stamp(s.d.from[i])}
			s.total.writes++
		case core.Concluded:
			a, ok := open[e.Outcome.Intent]
			if !ok {
				continue
			}
			if e.Result == core.Unknown {
				s.total.unknown++
				continue
			}
			// A hand that was at the panel before the register was read again leaves
			// open whether our write had been there: either value may be its own.
			if e.Result == core.Differs || e.Late && s.h.edited(a.call, at) {
				s.h.add(byUs+20, glance{}, a.call, at, e.Read)
				s.total.claims++
				continue // it stays open
			}
			delete(open, e.Outcome.Intent)
			if e.Result == core.Applied {
				applied++
				s.h.add(byUs, put{a.in.New}, a.call, at, nil)
				s.h.add(byUs+10, look{}, a.call, at, held{a.in.Old, a.in.Gen})
				s.total.claims++
			}
			if e.Result != core.NotSent || e.Late { // else nothing may have been read
				s.h.add(byUs+20, glance{}, a.call, at, e.Read)
				s.total.claims++
			}
		case core.Recorded:
			if when, ok := s.cuts[e.Count]; ok && e.Doubt == "" {
				s.h.add(byRecord, look{}, when[0], when[1], held{e.Registers[0], e.Tools[0]})
				s.total.claims++
			}
		}
	}
	for _, a := range open { // may have happened or not
		s.h.add(byUs, put{a.in.New}, a.call, never, nil)
	}
	_, _, effects, err := s.c.seen()
	s.must(t, err)
	if n := effects - s.before; n < applied || n > applied+len(open) {
		t.Errorf("%d effects at the machine, on record are %d and %d open ones:\n%s", n, applied, len(open), s.h)
	}
}

// TestHistories: whatever mixes on one machine, our writes with lost answers,
// hands at the panel, fresh tools, outages and restarts: what the program has on
// record can be put in one order with what happened at the machine, as if every
// step had been made at one moment.
//
// OFFSETBRIDGE_HISTORIES sets how many, 30 without it; a sixth of them run on the
// independent machine.
func TestHistories(t *testing.T) {
	t.Parallel()
	total := 30
	if text := os.Getenv("OFFSETBRIDGE_HISTORIES"); text != "" {
		var err error
		if total, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	} else {
		t.Logf("%d histories, for their time; make histories runs 1000", total)
	}
	const lanes = 6
	var mu sync.Mutex
	var sum tally
	t.Cleanup(func() {
		verdict := "all of them can be put in order"
		if t.Failed() {
			verdict = "not all of them can be put in order"
		}
		t.Logf("%d histories of %d operations, "+verdict+": %d writes intended, %d of them unknown at first, %d hand edits, %d tool changes, %d restarts, %d claims of the program checked",
			sum.histories, sum.operations, sum.writes, sum.unknown, sum.edits, sum.changes, sum.restarts, sum.claims)
	})
	var running sync.WaitGroup // not in turn with other tests: they wait most of their time
	defer running.Wait()
	for lane := range lanes {
		running.Go(func() {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				s := openStage(t, uint64(lane), lane == 0)
				for range (total + lanes - 1 - lane) / lanes {
					s.plays(t)
				}
				mu.Lock()
				defer mu.Unlock()
				sum.add(s.total)
			})
		})
	}
}

// faulty is a register in memory that may be broken in one way.
type faulty struct {
	held
	broken string
	before held
	sent   *length.Length
}

func (f *faulty) do(in any) any {
	was := f.held
	switch in := in.(type) {
	case put:
		f.value = in.to
		f.sent = &in.to
	case change:
		f.gen++
		if f.broken == "an old request takes effect after a tool change" && f.sent != nil {
			f.value = *f.sent - length.Micrometre
		}
	case look:
		if f.broken == "an old value is shown" {
			return f.before
		}
		return f.held
	case glance:
		return f.value
	}
	if f.broken == "a write is lost" && f.value%5 == 0 {
		f.held = was
	}
	f.before = was
	return nil
}

// TestBrokenHistories: the checker finds a register that is none, and a record
// that is not true; and it accepts one that is sound, however the steps overlap.
func TestBrokenHistories(t *testing.T) {
	t.Parallel()
	const rounds = 40
	for _, broken := range []string{
		"", "an old value is shown", "a write is lost", "an old request takes effect after a tool change", "a record is not true",
	} {
		name := broken
		if name == "" {
			name = "sound"
		}
		t.Run(name, func(t *testing.T) {
			found := 0
			for seed := range uint64(rounds) {
				rng := rand.New(rand.NewPCG(seed, 3))
				h, f := &course{}, &faulty{broken: broken}
				for i := range 25 {
					in := []any{put{length.Length(rng.IntN(20)) * 1000}, put{length.Length(rng.IntN(50)) * 1000}, change{}, look{}, glance{}, look{}}[rng.IntN(6)]
					out := f.do(in)
					if broken == "a record is not true" && i == 20 {
						in, out = glance{}, f.value+length.Micrometre
					}
					mid := int64(i) * 100 // when it happened; how long it took is another matter
					h.add(i%5, in, mid-int64(rng.IntN(60)), mid+int64(rng.IntN(60)), out)
				}
				switch h.check() {
				case porcupine.Illegal:
					found++
				case porcupine.Unknown:
					t.Error("no verdict")
				}
			}
			if broken == "" && found > 0 {
				t.Errorf("%d of %d sound histories are refused", found, rounds)
			}
			if broken != "" && found < rounds/2 {
				t.Errorf("only %d of %d broken histories are found", found, rounds)
			}
			t.Logf("%d of %d refused", found, rounds)
		})
	}
}
