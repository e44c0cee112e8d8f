package faultsim

import (
	"testing"

	"offsetbridge/internal/core"
)

// Some hundred arbitrary sequences of messages; make fault-adversary plays millions.
func TestArbitraryMessagesStayInTheBounds(t *testing.T) {
	rep := Adversary(Options{Seed: 1, Parts: 600})
	for _, v := range rep.Violations {
		t.Errorf("%v", v)
	}
	if rep.Sequences != 600 || rep.Messages < 2000 || rep.Counts["work/automatic requests"] == 0 || rep.Counts["work/approved requests"] == 0 {
		t.Fatalf("%d sequences of %d messages, %d requests by themselves, %d approved", rep.Sequences, rep.Messages,
			rep.Counts["work/automatic requests"], rep.Counts["work/approved requests"])
	}
}

// The adversary's oracle sees each kind of harm.
func TestTheAdversarysOracleIsNotBlind(t *testing.T) {
	for _, c := range []struct {
		rule string
		do   func(*adversary, *core.Intent)
	}{
		{"", func(*adversary, *core.Intent) {}},
		{"I1", func(a *adversary, in *core.Intent) { in.New = 151 * um; a.cards[0].Moves[0].New = in.New }},
		{"I2", func(a *adversary, in *core.Intent) { in.New += 20 * um; a.cards[0].Moves[0].New = in.New }},
		{"I2", func(a *adversary, _ *core.Intent) { a.regs[0]++ }},
		{"I3", func(a *adversary, _ *core.Intent) { a.spent["R1"] = a.set.Loops[0].Bounds.Travel }},
		{"I10", func(a *adversary, in *core.Intent) { in.New++ }},
		{"I10", func(a *adversary, _ *core.Intent) { a.cards[0].First = true }},
		{"I10", func(a *adversary, _ *core.Intent) { a.set.Loops[0].Mode = core.Confirm }},
		{"I10", func(a *adversary, _ *core.Intent) { a.yes[7] = viewer }},
		{"I10", func(a *adversary, _ *core.Intent) { a.yes[7], a.used["R17"] = setter, true }},
	} {
		a := newAdversary(3)
		a.set.Loops[0].Mode = core.Auto
		in := core.Intent{ID: 8, Proposal: 7, Loop: "bore", Register: "R1", Old: a.regs[0], New: a.regs[0] + um}
		a.cards = []core.Proposed{{Proposal: core.Proposal{ID: 7, Loop: "bore", Moves: []core.Move{{Register: "R1", Old: in.Old, New: in.New}}}}}
		c.do(a, &in)
		a.intended(in)
		if got := ""; a.fail != nil {
			if got = a.fail.Rule; got != c.rule {
				t.Errorf("%v, want %q", a.fail, c.rule)
			}
		} else if c.rule != "" {
			t.Errorf("%s is not seen", c.rule)
		}
	}
}
