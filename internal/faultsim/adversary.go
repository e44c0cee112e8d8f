package faultsim

import (
	"math/rand/v2"
	"strconv"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// adversary has the broker and every gauge, and knows the numbers of the messages:
// it sends whatever it likes, in any order. The machine, the people and their yes
// are not in its hands. Whatever it sends, a register stays in its band (I1), steps
// and travel by themselves stay in their bounds (I2, I3), and beyond them there is
// an effect only by a person's yes to exactly that (I10).
type adversary struct {
	r      *rand.Rand
	set    *core.Settings
	s      core.State
	b      *broker
	at     core.Instant
	refs   uint64
	order  uint64
	seq    map[string]uint64
	size   map[string]length.Length // what a gauge says next
	way    int                      // how it goes on
	regs   []length.Length
	tools  []int64
	count  uint64
	cards  []core.Proposed
	yes    map[uint64]core.Person // approvals that were taken, by proposal
	spent  map[string]length.Length
	used   map[string]bool
	owed   []core.Outcome
	said   int // messages
	checks uint64
	n      Counts
	fail   *Violation
	seed   uint64
}

// mostSaid bounds one sequence.
const mostSaid = 24

func newAdversary(seed uint64) *adversary {
	r := rand.New(rand.NewPCG(seed, 0xadf))
	a := &adversary{
		r: r, seed: seed, b: &broker{}, at: core.Instant{Wall: epoch.UnixMilli(), Mono: 1}, seq: map[string]uint64{},
		size: map[string]length.Length{}, yes: map[uint64]core.Person{}, spent: map[string]length.Length{}, used: map[string]bool{}, n: Counts{},
		count: uint64(r.IntN(1000)),
	}
	a.b = newBroker(nil)
	a.set = settingsOf(r, "mill-1", "serial-1", false)
	for i := range a.set.Loops {
		a.set.Loops[i].Mode = pick(r, core.Auto, core.Auto, core.Auto, core.Confirm)
	}
	for range a.set.Registers {
		a.regs = append(a.regs, um*length.Length(r.IntN(41)-20))
	}
	for range a.set.Tools {
		a.tools = append(a.tools, int64(1+r.IntN(9)))
	}
	a.give(core.Started{Version: version, Epoch: 1})
	a.give(core.Configure{Settings: *a.set, Who: engineer})
	a.give(core.Verified{OK: true})
	a.give(core.Link{Up: true, Epoch: 1})
	a.look()
	a.ring()
	return a
}

func (a *adversary) violate(rule, format string, args ...any) {
	if a.fail == nil {
		w := world{seed: a.seed, step: a.said}
		w.violate(rule, format, args...)
		a.fail = w.fail
	}
}

func (a *adversary) give(f core.Fact) {
	a.at.Mono += int64(a.r.IntN(200))
	a.at.Wall += int64(a.r.IntN(200))
	a.refs++
	for _, e := range a.s.Step(core.Input{At: a.at, Ref: a.refs, Fact: f}) {
		a.took(e, f)
	}
}

// took watches what comes out, and lets the machine act on it.
func (a *adversary) took(e core.Event, f core.Fact) {
	switch e := e.(type) {
	case core.Judged:
		if e.Admit != "" || e.Attribute != "" {
			a.n.add("refusal/reading " + string(e.Admit+e.Attribute))
		} else {
			a.n.add("work/readings used")
		}
	case core.Proposed:
		a.cards = append(a.cards, e)
	case core.Approved:
		yes, ok := f.(core.Approve)
		if p := a.card(e.Proposal); !ok || p == nil || p.Digest != yes.Digest || yes.Who.Role != e.Who.Role {
			a.violate("I10", "proposal %d is approved, and nobody said so", e.Proposal)
		}
		a.yes[e.Proposal] = e.Who
	case core.Intended:
		a.intended(e.Intent)
	case core.Held:
		a.n.add("guard/hold " + string(e.Cause))
	}
}

func (a *adversary) card(id uint64) *core.Proposed {
	for i := range a.cards {
		if a.cards[i].ID == id {
			return &a.cards[i]
		}
	}
	return nil
}

// intended is a write as it leaves. The machine carries it out.
func (a *adversary) intended(in core.Intent) {
	l, p, i := a.set.Loop(in.Loop), a.card(in.Proposal), column(a.set, in.Register)
	if l == nil || p == nil || i < 0 || p.Moves[0].New != in.New || p.Moves[0].Old != in.Old || len(p.Moves) != 1 {
		a.violate("I10", "intent %d is not what proposal %d says", in.ID, in.Proposal)
		return
	}
	r := &a.set.Registers[i]
	if in.New < r.Band.Low || in.New > r.Band.High {
		a.violate("I1", "%s: %d is outside the hard band", r.Node, in.New)
	}
	if in.Old != a.regs[i] {
		a.violate("I2", "%s holds %d, and the step starts from %d", r.Node, a.regs[i], in.Old)
	}
	size := l.Effects[0][0].Of(in.New - in.Old).Abs()
	who, approved := a.yes[in.Proposal]
	b := &l.Bounds
	switch {
	case size > b.SetterStep && !p.First:
		a.violate("I2", "%s: a step of %d, nobody may approve more than %d", r.Node, size, b.SetterStep)
	case approved && a.used[r.Node+strconv.FormatUint(in.Proposal, 10)]:
		a.violate("I10", "the approval of proposal %d counts twice", in.Proposal)
	case approved && who.Role != core.Setter && who.Role != core.Engineer && (who.Role != core.Operator || size > b.OperatorStep || p.First):
		a.violate("I10", "proposal %d of %d is approved by a %s", in.Proposal, size, who.Role)
	case approved:
		a.used[r.Node+strconv.FormatUint(in.Proposal, 10)] = true
		a.n.add("work/approved requests")
		if p.Reason == "budget" {
			a.spent[r.Node] = 0
		}
	case p.First || l.Mode != core.Auto:
		a.violate("I10", "%s writes by itself: first part %v, mode %s", l.Name, p.First, l.Mode)
	case size > b.AutoStep:
		a.violate("I2", "%s: a step of %d by itself, %d allowed", r.Node, size, b.AutoStep)
	default:
		a.n.add("work/automatic requests")
		if a.spent[r.Node] += size; a.spent[r.Node] > b.Travel {
			a.violate("I3", "%s: travel of %d by itself, allowed %d", r.Node, a.spent[r.Node], b.Travel)
		}
	}
	a.regs[i] = in.New
	a.owed = append(a.owed, core.Outcome{Intent: in.ID, Result: core.Applied, Read: in.New})
}

// answer tells the outcomes that the machine owes.
func (a *adversary) answer() {
	for len(a.owed) > 0 {
		o := a.owed[0]
		a.owed = a.owed[1:]
		m := a.sample(true)
		o.Sample = &m
		a.give(o)
	}
}

func (a *adversary) sample(permitted bool) core.Sample {
	a.order++
	return core.Sample{
		Epoch: 1, Order: a.order, Counter: a.count, Program: "P1", Permitted: permitted,
		Tools: append([]int64(nil), a.tools...), Registers: append([]length.Length(nil), a.regs...),
	}
}

func (a *adversary) look() { a.give(a.sample(true)) }

// ring is a setting, which the adversary may forge as well.
func (a *adversary) ring() {
	a.checks++
	a.give(core.FromPlant{Record: a.checks, Event: core.Set{Check: core.Check{
		Gauge: a.set.Gauges[0].Gauge, Standard: "ring", Sequence: a.checks, Who: setter, AsFound: length.Length(a.r.NormFloat64() * float64(um)),
	}}})
}

// cut is a part: what happens at the machine is true.
func (a *adversary) cut() {
	a.give(a.sample(false))
	if a.set.CountsAt == core.CountsAtStart {
		a.count++
		a.give(a.sample(false))
		a.look()
	} else {
		a.count++
		a.look()
	}
	a.answer()
}

// play says one sequence of messages.
func (a *adversary) play() *Violation {
	most := 1 + a.r.IntN(mostSaid)
	a.way = a.r.IntN(6)
	for a.said < most && a.fail == nil {
		a.said++
		if a.r.IntN(4) > 0 {
			a.cut()
		}
		a.say()
		switch a.r.IntN(12) {
		case 0:
			a.ring()
		case 1:
			a.give(core.Tick{})
		case 2:
			a.at.Mono += int64(a.r.IntN(400_000))
			a.look()
		case 3, 4, 5:
			a.person()
		case 6:
			a.resume()
		}
		a.answer()
	}
	return a.fail
}

// person decides a card, rightly or not.
func (a *adversary) person() {
	if len(a.cards) == 0 {
		return
	}
	p := a.cards[len(a.cards)-1-a.r.IntN(min(3, len(a.cards)))]
	yes := core.Approve{Proposal: p.ID, Digest: p.Digest, Who: pick(a.r, setter, setter, operator, viewer)}
	switch a.r.IntN(8) {
	case 0:
		yes.Digest = pick(a.r, "", p.Digest+"x", a.cards[0].Digest)
	case 1:
		yes.Proposal = a.r.Uint64()
	}
	a.give(yes)
	if a.r.IntN(4) == 0 {
		a.give(yes)
	}
}

// resume ends what is on hold, as a careless engineer would.
func (a *adversary) resume() {
	for _, h := range append([]core.Held(nil), a.s.Ledger.Holds...) {
		a.give(core.Resume{Loop: h.Loop, Cause: h.Cause, Note: "on", Who: engineer})
	}
}
