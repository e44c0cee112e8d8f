package core

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

// shaped turns the bore's loop into one of several sizes and registers: a row of
// effects for each size, a column for each register. All registers are in T1's
// rows.
func shaped(effects [][]Effect, change func(*Loop)) func(*Settings) {
	return func(s *Settings) {
		l := &s.Loops[0]
		feature := l.Characteristics[0]
		l.Characteristics, l.Registers, l.Effects = nil, nil, effects
		for i := range effects {
			c := feature
			c.Name = "size" + strconv.Itoa(i)
			l.Characteristics = append(l.Characteristics, c)
		}
		s.Registers = s.Registers[1:] // the boss keeps its own
		for k := range effects[0] {
			name := "X" + strconv.Itoa(k)
			s.Registers = append(s.Registers, Register{
				Name: name, Node: "x" + strconv.Itoa(k), Tool: "T1", Kind: "radius", Unit: length.MM, Step: um,
				Band: length.Range{Low: -200 * um, High: 200 * um},
			})
			l.Registers = append(l.Registers, name)
		}
		if change != nil {
			change(l)
		}
	}
}

// severalCell starts such a cell, with every register at zero and every size at
// its aim.
func severalCell(t tester, effects [][]Effect, change func(*Loop)) *severals {
	c := newCell(t)
	c.regs = make([]length.Length, 1+len(effects[0]))
	set := settings()
	shaped(effects, change)(&set)
	c.start()
	c.send(Configure{Settings: set, Who: engineer})
	c.send(Verified{OK: true})
	c.connect()
	return &severals{cell: c, own: make([]length.Length, len(effects))}
}

type severals struct {
	*cell
	own []length.Length // what the process does to each size by itself
}

func (c *severals) loop() *Loop { return &c.s.Ledger.Settings.Loops[0] }

// gauged measures one size of the newest part.
func (c *severals) gauged(i int) []Event {
	c.t.Helper()
	l := c.loop()
	value := l.Characteristics[i].Aim + c.own[i]
	for k, name := range l.Registers {
		value += c.sign * l.Effects[i][k].Of(c.truth[c.counter].registers[name])
	}
	c.seq["g-bore"]++
	return c.send(Reading{
		Gauge: "g-bore", Sequence: c.seq["g-bore"], Characteristic: l.Characteristics[i].Name,
		Part: strconv.FormatUint(c.counter, 10), Value: value,
	})
}

// round cuts a part and measures all its sizes.
func (c *severals) round() []Event {
	c.t.Helper()
	out := c.part()
	for i := range c.own {
		out = append(out, c.gauged(i)...)
	}
	return out
}

// run lets the loop find its aim, a setter saying yes to whatever it asks.
func (c *severals) run(parts int) {
	c.t.Helper()
	for range parts {
		c.round()
		if p := c.s.proposalOf("bore"); p != nil && p.Status == Pending {
			c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
		}
	}
}

func (c *severals) left(i int) length.Length {
	l := c.loop()
	off := c.own[i]
	for k, name := range l.Registers {
		off += l.Effects[i][k].Of(c.regs[c.s.Ledger.Settings.registerIndex(name)])
	}
	return off
}

// register returns what the k-th register of the loop holds in the machine.
func (c *severals) register(k int) length.Length { return c.regs[1+k] }

var (
	twoByTwo = [][]Effect{{-2000, 0}, {-2000, 1000}} // a bore, and a shoulder that moves with it
	groove   = [][]Effect{{1000, -1000}}             // a width between two edges, each with its number
)

func TestSeveralSizesComeToTheirAims(t *testing.T) {
	c := severalCell(t, twoByTwo, nil)
	c.own = []length.Length{-30 * um, 14 * um}
	c.run(12)
	for i := range c.own {
		if off := c.left(i).Abs(); off > 2*um {
			t.Errorf("size %d is left %v from its aim", i, off)
		}
	}
	if c.register(0) == 0 || c.register(1) == 0 {
		t.Errorf("registers %v, both had to move", c.regs[1:])
	}
}

func TestSeveralWaitForAReadingOfEach(t *testing.T) {
	c := severalCell(t, twoByTwo, nil)
	c.own = []length.Length{-30 * um, 14 * um}
	c.part()
	if j := c.judged(c.gauged(0)); j.Propose != codeFew {
		t.Fatalf("with one of two sizes measured: %+v", j)
	}
	if j := c.judged(c.gauged(1)); j.Propose != "" || len(j.Moves) != 2 {
		t.Fatalf("with both measured: %+v", j)
	}
}

// A watched size is told of, and does not have to be measured.
func TestAWatchedSizeSteersNothing(t *testing.T) {
	c := severalCell(t, [][]Effect{{-2000}, {-2000}}, func(l *Loop) { l.Characteristics[1].Priority = Watch })
	c.own = []length.Length{-20 * um, 2 * um}
	c.part()
	c.gauged(1)
	c.gauged(0)
	p := c.card()
	if p.Moves[0].New != -10*um {
		t.Fatalf("moves %+v, the watched size had a say", p.Moves)
	}
	if x := p.Sizes[1]; !x.Harmed || x.After-x.Before != 20*um {
		t.Fatalf("what it does to the watched size: %+v", p.Sizes)
	}
}

// One register cannot bring two sizes to their aims that want opposite changes:
// the more important one has its way, and that the other is harmed is said and
// asked.
func TestACorrectionThatHarmsSaysSo(t *testing.T) {
	c := severalCell(t, [][]Effect{{-2000}, {-2000}}, func(l *Loop) {
		l.Characteristics[0].Priority = High
		for i := range l.Characteristics {
			l.Characteristics[i].Limits = length.Range{Low: l.Characteristics[i].Aim - 100*um, High: l.Characteristics[i].Aim + 100*um}
		}
	})
	c.run(2) // at aim: no first part any more
	c.own = []length.Length{-9 * um, 3 * um}
	var p Open
	for range 20 {
		c.round()
		if o := c.s.proposalOf("bore"); o != nil {
			p = *o
			break
		}
	}
	if p.Need == "" || p.Reason != codeHarms || codeHarms.Words() == string(codeHarms) {
		t.Fatalf("proposal %+v", p)
	}
	if p.Sizes[0].Harmed || !p.Sizes[1].Harmed {
		t.Fatalf("sizes %+v", p.Sizes)
	}
}

// The chosen registers leave no more than any other whole steps inside the bands:
// by trying all of them.
func TestCorrectionIsTheBestOnTheGrid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sizes := rapid.IntRange(1, 3).Draw(t, "sizes")
		priorities := []Priority{Normal, High, Low}
		effects := make([][]Effect, sizes)
		for i := range effects {
			for range 2 {
				effects[i] = append(effects[i], rapid.SampledFrom([]Effect{-2000, -1000, 500, 1000, 2000}).Draw(t, "effect"))
			}
		}
		c := severalCell(t, effects, func(l *Loop) {
			l.DeadBand = 1 // no dead band: every step that helps counts
			for i := range l.Characteristics {
				l.Characteristics[i].Priority = rapid.SampledFrom(priorities).Draw(t, "priority")
			}
		})
		for i := range c.s.Ledger.Settings.Registers {
			c.s.Ledger.Settings.Registers[i].Band = length.Range{Low: -12 * um, High: 12 * um}
		}
		all := make([]prospect, sizes)
		for i := range all {
			all[i] = prospect{drift: length.Length(rapid.IntRange(-20_000, 20_000).Draw(t, "drift")), ratio: 1000}
		}
		d := &decision{s: c.s}
		l := c.loop()
		cost := func(a, b length.Length) float64 {
			sum := 0.0
			for i := range all {
				off := all[i].drift + l.Effects[i][0].Of(a) + l.Effects[i][1].Of(b)
				share := float64(off) / float64(l.Characteristics[i].Tolerance())
				sum += l.Characteristics[i].Priority.weight() * share * share
			}
			return sum
		}
		p := d.problem(l, all, d.axes(l))
		u, err := p.Solve()
		if err != nil || !p.Optimal(u, 1e-6) {
			t.Fatalf("%v is not optimal, %v", u, err)
		}
		best := math.Inf(1)
		for a := -12 * um; a <= 12*um; a += um {
			for b := -12 * um; b <= 12*um; b += um {
				best = min(best, cost(a, b))
			}
		}
		moves, ok := d.solve(l, all, d.axes(l))
		if !ok {
			t.Fatal("no solution")
		}
		got := cost(moves[0].New, moves[1].New)
		// Whole steps beside the optimum are at most what a step beside it costs.
		step := 0.0
		for i := range all {
			move := 0.0
			for k := range 2 {
				move += float64(l.Effects[i][k].Of(um).Abs()) / float64(l.Characteristics[i].Tolerance())
			}
			step += l.Characteristics[i].Priority.weight() * move * move
		}
		if got < best-1e-12 || math.Sqrt(got) > math.Sqrt(best)+math.Sqrt(step) {
			t.Fatalf("moves %+v cost %g, the best on the grid %g (a step %g)", moves, got, best, step)
		}
	})
}

// Each register stays while its own move is inside the dead band, also when
// another one moves.
func TestDeadBandOfEachRegister(t *testing.T) {
	c := severalCell(t, [][]Effect{{-2000, 0}, {0, 1000}}, func(l *Loop) { l.DeadBand = 6 * um })
	c.run(2)
	c.own = []length.Length{-40 * um, 4 * um}
	c.run(10)
	if c.register(0) == 0 || c.register(1) != 0 {
		t.Fatalf("registers %v, the second had to stay", c.regs[1:])
	}
}

// Registers that move together keep their distance, and each is charged with the
// whole change of size: alone it would make it.
func TestRegistersThatMoveTogether(t *testing.T) {
	c := severalCell(t, [][]Effect{{500, 500}}, func(l *Loop) { l.Together = true })
	c.regs[1], c.regs[2] = 4*um, -7*um
	c.own[0] = -8 * um
	c.connect()
	resumeAll(c.cell)
	c.run(4)
	if apart := c.register(0) - c.register(1); apart != 11*um || c.left(0).Abs() > um {
		t.Fatalf("registers %v, size left %v from aim", c.regs[1:], c.left(0))
	}
	c.own[0] -= 6 * um
	c.run(6)
	if apart := c.register(0) - c.register(1); apart != 11*um || c.left(0).Abs() > 2*um {
		t.Fatalf("then registers %v, size left %v from aim", c.regs[1:], c.left(0))
	}
	charged := 0
	for _, in := range only[Intended](c.events) {
		if in.Charge != 0 {
			charged++
			if in.Charge != (in.New - in.Old).Abs() {
				t.Fatalf("intent %+v is charged %v", in.Intent, in.Charge)
			}
		}
	}
	if charged == 0 {
		t.Fatal("nothing was moved without a person")
	}
}

func resumeAll(c *cell) {
	for len(c.s.Ledger.Holds) > 0 {
		h := c.s.Ledger.Holds[0]
		one[Resumed](c.t, c.send(Resume{Loop: h.Loop, Cause: h.Cause, Note: "set by hand", Who: engineer}))
	}
}

// Where one register ends at its band and another makes up for it, a person is
// asked, whatever the size of the step.
func TestTheEndOfTheBandIsTold(t *testing.T) {
	c := severalCell(t, [][]Effect{{1000, 1000}}, nil)
	c.run(2)
	for i := range c.s.Ledger.Settings.Registers {
		c.s.Ledger.Settings.Registers[i].Band = length.Range{Low: -4 * um, High: 4 * um}
		c.f.Ledger.Settings.Registers[i].Band = length.Range{Low: -4 * um, High: 4 * um}
	}
	told := false
	for range 30 {
		c.own[0] -= um
		c.round()
		if p := c.s.proposalOf("bore"); p != nil {
			told = told || p.Reason == codeAtBand
			c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
		}
		if c.left(0).Abs() > 10*um {
			break
		}
	}
	if !told || c.register(0) != 4*um || c.register(1) <= 0 {
		t.Fatalf("told %v, registers %v", told, c.regs[1:])
	}
}

// The guards see what several moves do together, and each size that a move
// changes.
func TestGuardsOfSeveral(t *testing.T) {
	cases := []struct {
		name    string
		effects [][]Effect
		own     []length.Length
		change  func(*Loop)
	}{
		{"two small moves make a large change", [][]Effect{{1000, 1000}, {0, 1000}}, []length.Length{-18 * um, -9 * um}, nil},
		{
			"a small change of one size is a large one of another", [][]Effect{{1000}, {2000}}, []length.Length{-9 * um, 0},
			func(l *Loop) { l.Characteristics[1].Priority = Watch },
		},
	}
	for _, x := range cases {
		t.Run(x.name, func(t *testing.T) {
			c := severalCell(t, x.effects, x.change)
			c.run(2)
			d := &decision{s: c.s}
			all := make([]prospect, len(x.own))
			for i := range all {
				all[i] = prospect{drift: x.own[i], ratio: 1000, sigma: um, noise: um}
			}
			moves, _ := d.correction(c.loop(), all)
			j := &Judged{Moves: moves}
			d.bound(j, c.loop(), all, d.newProposal(j, c.loop(), 0, all))
			if j.Need != Operator || j.Bound != "step-auto" {
				t.Fatalf("%+v needs %q for %q", j.Moves, j.Need, j.Bound)
			}
		})
	}
}

// Without tolerances nothing can be weighed, and nothing is moved.
func TestWhatCannotBeSolvedMovesNothing(t *testing.T) {
	c := severalCell(t, twoByTwo, func(l *Loop) {
		l.Characteristics[1].Limits = length.Range{Low: l.Characteristics[1].Aim, High: l.Characteristics[1].Aim}
	})
	c.own = []length.Length{-30 * um, 14 * um}
	c.part()
	c.gauged(0)
	if j := c.judged(c.gauged(1)); j.Propose != codeUnsolved || codeUnsolved.Words() == string(codeUnsolved) {
		t.Fatalf("judged %+v", j)
	}
	if len(c.intents) != 0 || len(c.s.Ledger.Proposals) != 0 {
		t.Fatal("something was proposed")
	}
}
