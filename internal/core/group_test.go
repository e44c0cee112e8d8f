package core

import (
	"math"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

// Whatever moves: of all orders the chosen one has the half-done states that
// reach least towards least material.
func TestOrderOfAGroup(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, sizes := rapid.IntRange(2, 4).Draw(t, "moves"), rapid.IntRange(1, 3).Draw(t, "sizes")
		l := &Loop{}
		for k := range n {
			l.Registers = append(l.Registers, "X"+strconv.Itoa(k))
		}
		for range sizes {
			l.Characteristics = append(l.Characteristics, Characteristic{
				Limits: length.Range{Low: -50 * um, High: 50 * um}, Internal: rapid.Bool().Draw(t, "internal"),
			})
			row := make([]Effect, n)
			for k := range row {
				row[k] = rapid.SampledFrom([]Effect{-2000, -1000, 0, 1000, 2000}).Draw(t, "effect")
			}
			l.Effects = append(l.Effects, row)
		}
		var moves []Move
		for _, name := range l.Registers {
			moves = append(moves, Move{Register: name, New: um * length.Length(rapid.IntRange(-20, 20).Draw(t, "new"))})
		}
		worst := func(order []Move) float64 {
			w := 0.0
			for done := range order {
				for i := range l.Characteristics {
					var half, end length.Length
					for k, m := range order {
						more := l.Effects[i][slices.Index(l.Registers, m.Register)].Of(m.New)
						if !l.Characteristics[i].Internal {
							more = -more
						}
						if end += more; k < done {
							half += more
						}
					}
					w = max(w, float64(half-max(0, end))/float64(100*um))
				}
			}
			return w
		}
		got := safestOrder(l, slices.Clone(moves))
		if len(got) != n {
			t.Fatalf("%d moves of %d", len(got), n)
		}
		best := math.Inf(1)
		permute(slices.Clone(moves), 0, func(order []Move) { best = min(best, worst(order)) })
		if w := worst(got); w > best+1e-12 {
			t.Fatalf("%+v reaches %g too far, %g is possible", got, w, best)
		}
	})
}

func permute(list []Move, from int, see func([]Move)) {
	if from == len(list) {
		see(list)
		return
	}
	for k := from; k < len(list); k++ {
		list[from], list[k] = list[k], list[from]
		permute(list, from+1, see)
		list[from], list[k] = list[k], list[from]
	}
}

// grooveApproved is a groove that is out by 40 µm and a setter said yes: what is written first leaves the
// groove narrower or as it is.
func grooveApproved(t tester, write func(c *severals, in Intent) *Outcome) (*severals, []Event) {
	c := severalCell(t, [][]Effect{{1000, -1000}, {0, -1000}}, nil) // its width, and where its second edge lies
	c.own = []length.Length{-20 * um, 24 * um}
	c.round()
	p := c.card()
	if len(p.Moves) != 2 {
		c.t.Fatalf("card %+v", p)
	}
	if write != nil {
		c.write = func(in Intent) *Outcome { return write(c, in) }
	}
	return c, c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
}

func TestAGroupIsWrittenOneAfterTheOther(t *testing.T) {
	var under []uint64
	c, out := grooveApproved(t, func(c *severals, in Intent) *Outcome {
		under = append(under, in.ID)
		if first := len(under) == 1; first != (in.Register == "X1") {
			c.t.Fatalf("the move that cuts less goes first, and not %+v", in)
		}
		if in.Count != 2 || in.Index != len(under)-1 || in.Group != in.Proposal {
			c.t.Fatalf("intent %+v", in)
		}
		if pending := slices.ContainsFunc(c.s.Ledger.Registers, func(b RegisterBook) bool { return b.Pending != nil && b.Pending.ID != in.ID }); pending {
			c.t.Fatal("the next move was sent before the one before was read back")
		}
		return c.carryOut(in)
	})
	if len(only[Intended](out)) != 2 || len(only[Concluded](out)) != 2 {
		t.Fatalf("events %s", kinds(out))
	}
	for i := range c.own {
		if c.left(i).Abs() > um {
			t.Errorf("size %d is left %v from aim", i, c.left(i))
		}
	}
	if c.s.proposalOf("bore") != nil || c.s.hold("bore") != nil || c.s.loopBook("bore").First {
		t.Errorf("afterwards %+v", c.s.Ledger.Loops[0])
	}
}

// A correction that stops half way holds the loop, and nothing more of it is
// sent; what comes next is worked out from what the registers hold.
func TestAGroupThatStopsHalfWay(t *testing.T) {
	second := func(o Outcome) func(*severals, Intent) *Outcome {
		return func(c *severals, in Intent) *Outcome {
			if in.Index == 0 {
				return c.carryOut(in)
			}
			o.Intent = in.ID
			return &o
		}
	}
	away := func(c *severals, in Intent) *Outcome { // the second never answers
		if in.Index == 0 {
			return c.carryOut(in)
		}
		return nil
	}
	cutting := func(c *severals, in Intent) *Outcome { // a cycle begins right after the first
		o := c.carryOut(in)
		if in.Index == 0 {
			c.cutting = true
			m := c.read()
			o.Sample = &m
		}
		return o
	}
	cases := []struct {
		name  string
		write func(*severals, Intent) *Outcome
		then  func(*severals)
		cause Code
	}{
		{"the second is refused", second(Outcome{Result: Refused}), nil, causeWriteRefused},
		{"the second reads something else", second(Outcome{Result: Differs, Read: 99 * um}), func(c *severals) {
			c.pass(6000)
			c.look()
		}, causeDiffers},
		{"the second does not act", second(Outcome{Result: NotSent, Code: "m-old"}), nil, causeHalfDone},
		{"a restart comes between", cutting, func(c *severals) { c.restart(); c.connect() }, causeHalfDone},
		{"a hold comes between", cutting, func(c *severals) { c.send(Hold{Note: "stop", Who: operator}) }, causeHalfDone},
		{"the tool is changed between", cutting, func(c *severals) { c.tools[0]++; c.look() }, causeHalfDone},
		{"the first is changed by hand between", cutting, func(c *severals) { c.regs[1] += um; c.regs[2] += um; c.look() }, causeHalfDone},
		{"it expires between", cutting, func(c *severals) { c.pass(700_000) }, causeHalfDone},
		{"the configuration changes between", cutting, func(c *severals) {
			set := c.s.Ledger.Settings
			set.Loops = slices.Clone(set.Loops)
			set.Loops[0].DeadBand += um
			c.send(Configure{Settings: set, Who: engineer})
		}, causeHalfDone},
		{"the outcome of the second is never known", away, func(c *severals) {
			for range 30 {
				c.pass(500)
				c.look()
			}
		}, causeHalfDone},
	}
	for _, x := range cases {
		t.Run(x.name, func(t *testing.T) {
			c, _ := grooveApproved(t, x.write)
			if x.then != nil {
				x.then(c)
			}
			if h := c.s.heldBy("bore", x.cause); h == nil || h.Clear.rank() < Setter.rank() {
				t.Fatalf("holds %+v, proposals %+v", c.s.Ledger.Holds, c.s.Ledger.Proposals)
			}
			if c.s.proposalOf("bore") != nil {
				t.Fatalf("proposal %+v", c.s.proposalOf("bore"))
			}
			c.write, c.cutting = nil, false
			n := len(c.intents)
			c.connect()
			c.round()
			if len(c.intents) != n {
				t.Fatal("something was sent while on hold")
			}
			for len(c.s.Ledger.Holds) > 0 {
				h := c.s.Ledger.Holds[0]
				one[Resumed](t, c.send(Resume{Loop: h.Loop, Cause: h.Cause, Note: "looked at it", Who: engineer}))
			}
			c.run(6)
			for i := range c.own {
				if c.left(i).Abs() > 2*um {
					t.Errorf("size %d is left %v from aim, registers %v", i, c.left(i), c.regs)
				}
			}
		})
	}
}

// The machine may begin to cut between two moves: the second waits for the next
// standstill, and goes then.
func TestAGroupGoesOnAtTheNextStandstill(t *testing.T) {
	c, out := grooveApproved(t, func(c *severals, in Intent) *Outcome {
		o := c.carryOut(in)
		if in.Index == 0 {
			c.cutting = true
			m := c.read()
			o.Sample = &m
		}
		return o
	})
	if len(only[Intended](out)) != 1 {
		t.Fatalf("events %s", kinds(out))
	}
	p := c.s.proposalOf("bore")
	if p == nil || p.Done != 1 || p.Status != Ready || !c.s.loopBook("bore").First {
		t.Fatalf("half done: %+v", p)
	}
	c.declined(Reject{Proposal: p.ID, Reason: "no", Who: setter}, declineDecided)
	c.gauged0(t)
	c.write = nil
	if in := one[Intended](t, c.end()); in.Intent.Index != 1 || c.s.proposalOf("bore") != nil {
		t.Fatalf("then %+v", in)
	}
}

// gauged0 sends a reading while a correction is half done: it replaces nothing.
func (c *severals) gauged0(t *testing.T) {
	t.Helper()
	if j := c.judged(c.gauged(0)); j.Propose != codeInFlight {
		t.Fatalf("a reading between two moves: %+v", j)
	}
}

func TestARejectedGroupStaysRejected(t *testing.T) {
	c := severalCell(t, twoByTwo, mode2(Confirm))
	c.own = []length.Length{-30 * um, 14 * um}
	c.round()
	p := c.card()
	c.send(Reject{Proposal: p.ID, Reason: "a chip", Who: operator})
	c.part()
	for i := range c.own {
		if j := c.judged(c.gauged(i)); j.Propose != codeRejectedBefore {
			t.Fatalf("size %d after the no: %+v", i, j)
		}
	}
	c.own[1] += 20 * um
	c.run(12)
	if c.left(1).Abs() > 10*um {
		t.Fatalf("something changed and nothing was proposed: %v from aim", c.left(1))
	}
}

func mode2(m Mode) func(*Loop) { return func(l *Loop) { l.Mode = m } }

// Whatever becomes of the writes: the next move of a correction leaves only after
// the one before was read back, and after a failure nothing of it leaves any more.
func TestAGroupUnderAnyOutcome(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := severalCell(t, [][]Effect{{1000, -1000}, {0, -1000}}, nil)
		c.quick = true
		state := map[uint64]int{} // by proposal: moves read back, −1 when over
		c.check = func(_ Input, out []Event) {
			for _, e := range out {
				switch e := e.(type) {
				case Intended:
					if state[e.Proposal] != e.Intent.Index {
						t.Fatalf("move %d of proposal %d leaves after %d were read back", e.Intent.Index, e.Proposal, state[e.Proposal])
					}
				case Concluded:
					for _, in := range c.intents {
						if in.ID != e.Outcome.Intent {
							continue
						}
						switch {
						case e.Result == Applied && state[in.Proposal] >= 0:
							state[in.Proposal]++
						case !e.Again:
							state[in.Proposal] = -1
						}
					}
				case Voided:
					state[e.Proposal] = -1
				}
			}
		}
		c.write = func(in Intent) *Outcome {
			switch rapid.IntRange(0, 7).Draw(t, "outcome") {
			case 0:
				return nil
			case 1:
				return &Outcome{Intent: in.ID, Result: Refused}
			case 2:
				return &Outcome{Intent: in.ID, Result: NotSent, Code: "m-permitted"}
			case 3:
				return &Outcome{Intent: in.ID, Result: Unknown}
			case 4:
				c.carryOut(in) // it acts, and nobody hears of it
				return nil
			}
			return c.carryOut(in)
		}
		for range rapid.IntRange(3, 12).Draw(t, "parts") {
			c.own[0] += um * length.Length(rapid.IntRange(-12, 12).Draw(t, "drift"))
			c.own[1] += um * length.Length(rapid.IntRange(-12, 12).Draw(t, "drift"))
			c.round()
			if p := c.s.proposalOf("bore"); p != nil && p.Status == Pending {
				c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: engineer})
			}
			for range rapid.IntRange(0, 20).Draw(t, "seconds") {
				c.pass(990)
				c.look()
			}
			if rapid.IntRange(0, 5).Draw(t, "restart") == 0 {
				c.restart()
				c.connect()
			}
			resumeAll(c.cell)
		}
		c.compare()
	})
}

// Inside the bounds both moves go by themselves, in one standstill.
func TestAnAutomaticGroup(t *testing.T) {
	c := severalCell(t, twoByTwo, func(l *Loop) { l.Bounds.AutoStep = 20 * um })
	c.run(2)
	for range 20 {
		c.own[0] -= 3 * um
		c.own[1] -= 6 * um
		if in := only[Intended](c.round()); len(in) == 2 && in[0].Proposal == in[1].Proposal && in[0].Charge > 0 && in[1].Charge > 0 {
			return
		}
	}
	t.Fatal("two registers never moved by themselves in one standstill")
}

// A hold that comes while the first move is under way ends the correction there.
func TestAHoldWhileTheFirstMoveIsUnderWay(t *testing.T) {
	c, _ := grooveApproved(t, func(*severals, Intent) *Outcome { return nil })
	c.send(Hold{Loop: "bore", Note: "stop", Who: operator})
	c.write = nil
	out := c.send(*c.carryOut(c.intents[0]))
	if h := c.s.heldBy("bore", causeHalfDone); h == nil || c.s.proposalOf("bore") != nil {
		t.Fatalf("events %s", kinds(out))
	}
}
