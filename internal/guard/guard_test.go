package guard

import (
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

const um = length.Micrometre

// move is well inside every bound: a bore 5 µm larger by a radius register.
func move() Move {
	return Move{
		Old: 10 * um, New: 8 * um, Step: um, Band: length.Range{Low: -100 * um, High: 100 * um}, Size: 4 * um,
		AutoStep: 10 * um, OperatorStep: 25 * um, SetterStep: 50 * um,
		Automatic: true, Spent: 20 * um, Travel: 300 * um, Internal: true, Own: 0, Proven: true, Moves: 9, MaxMoves: 3,
		Predicted: 25*length.Millimetre + 2*um, Spread: 6 * um,
		Limits: length.Range{Low: 25*length.Millimetre - 50*um, High: 25*length.Millimetre + 50*um},
	}
}

// sized gives a move of that change of size, in register steps.
func sized(size length.Length) func(*Move) {
	return func(m *Move) { m.Size, m.New = size, m.Old-size/2 }
}

func TestJudge(t *testing.T) {
	cases := []struct {
		name   string
		change func(*Move)
		need   Need
		reason string
	}{
		{"inside everything", func(*Move) {}, Nobody, OK},
		{"the last step of the band", func(m *Move) { m.New = -100 * um }, Nobody, OK},
		{"one beyond the band", func(m *Move) { m.New = -101 * um }, Never, Band},
		{"beyond the band on the other side", func(m *Move) { m.New = 101 * um }, Never, Band},
		{"off the grid", func(m *Move) { m.New += 1 }, Never, Grid},
		{"no grid at all", func(m *Move) { m.Step = 0 }, Never, Grid},

		{"the automatic step", sized(10 * um), Nobody, OK},
		{"beyond the automatic step", sized(12 * um), Operator, StepAuto},
		{"the operator's step", sized(24 * um), Operator, StepAuto},
		{"beyond the operator's step", sized(26 * um), Setter, StepSetter},
		{"the setter's step", sized(50 * um), Setter, StepSetter},
		{"beyond the setter's step", sized(52 * um), Never, StepHard},
		{"beyond it the other way", sized(-52 * um), Never, StepHard},

		{"a person has to confirm", func(m *Move) { m.Automatic = false }, Operator, Confirming},
		{"cuts less than a person set", sized(-4 * um), Operator, BackingOff},
		{"cuts less, within what the loop added", func(m *Move) { sized(-4 * um)(m); m.Own = 4 * um }, Nobody, OK},
		{"cuts less, a little beyond it", func(m *Move) { sized(-6 * um)(m); m.Own = 5 * um }, Operator, BackingOff},
		{"an outside size cuts more downwards", func(m *Move) { m.Internal = false; sized(-4 * um)(m) }, Nobody, OK},
		{"an outside size cuts less upwards", func(m *Move) { m.Internal = false }, Operator, BackingOff},

		{"a second large one", func(m *Move) { sized(8 * um)(m); m.Before = 8 * um }, Operator, Chasing},
		{"a second, a little less", func(m *Move) { sized(6 * um)(m); m.Before = 8 * um }, Nobody, OK},
		{"a second after a small one", func(m *Move) { sized(8 * um)(m); m.Before = 6 * um }, Nobody, OK},
		{"two thirds twice", func(m *Move) { m.AutoStep = 9 * um; sized(6 * um)(m); m.Before = 6 * um }, Operator, Chasing},
		{"a large one back", func(m *Move) { sized(-8 * um)(m); m.Before, m.Own = 8*um, 8*um }, Nobody, OK},

		{"a return beyond every step", func(m *Move) { sized(-60 * um)(m); m.Return = true }, Operator, Returning},
		{"a return outside the band", func(m *Move) { m.Return, m.New = true, -101*um }, Never, Band},
		{"a return by itself", func(m *Move) { sized(-60 * um)(m); m.Return, m.ReturnByItself = true, true }, Nobody, OK},
		{"by itself, and the loop asks", func(m *Move) {
			sized(-60 * um)(m)
			m.Return, m.ReturnByItself, m.Automatic = true, true, false
		}, Operator, Returning},
		{"by itself, beyond the budget", func(m *Move) {
			sized(-60 * um)(m)
			m.Return, m.ReturnByItself, m.Spent = true, true, 250*um
		}, Operator, Returning},
		{"by itself, and nothing is proven", func(m *Move) {
			sized(-60 * um)(m)
			m.Return, m.ReturnByItself, m.Proven, m.Moves = true, true, false, 3
		}, Operator, Returning},
		{"a small return by itself", func(m *Move) { sized(-4 * um)(m); m.Return, m.ReturnByItself = true, true }, Nobody, OK},
		{"a small return", func(m *Move) { sized(4 * um)(m); m.Return = true }, Operator, Returning},
		{"a standstill, however small", func(m *Move) { m.Still = true }, Operator, Standing},
		{"a standstill beyond the operator's step", func(m *Move) { sized(26 * um)(m); m.Still = true }, Setter, StepSetter},
		{"a return whose spread is wide", func(m *Move) {
			sized(-60 * um)(m)
			m.Return, m.First, m.Spread = true, true, 90*um
		}, Operator, Returning},

		{"the last of the budget", func(m *Move) { m.Spent = 296 * um }, Nobody, OK},
		{"beyond the budget", func(m *Move) { m.Spent = 297 * um }, Operator, Budget},
		{"unproven, the third", func(m *Move) { m.Proven, m.Moves = false, 2 }, Nobody, OK},
		{"unproven, the fourth", func(m *Move) { m.Proven, m.Moves = false, 3 }, Operator, Unproven},

		{"a first part, small", func(m *Move) { m.First = true }, Setter, FirstPart},
		{"a first part", func(m *Move) { m.First = true; sized(12 * um)(m) }, Setter, FirstPart},
		{"a first part, large", func(m *Move) { m.First = true; sized(90 * um)(m) }, Setter, FirstPart},
		{"a first part, large, out of band", func(m *Move) { m.First = true; sized(400 * um)(m) }, Never, Band},
		{"a first part that could be scrap", func(m *Move) {
			m.First, m.Predicted = true, m.Limits.High-5*um
		}, Never, FirstRisk},
		{"a first part just short of scrap", func(m *Move) { m.First, m.Predicted = true, m.Limits.High-6*um }, Setter, FirstPart},
		{"too small a bore can be cut again", func(m *Move) { m.First, m.Predicted = true, m.Limits.Low-90*um }, Setter, FirstPart},
		{"an outside first part that could be scrap", func(m *Move) {
			m.First, m.Internal, m.Predicted = true, false, m.Limits.Low+5*um
			sized(-4 * um)(m)
		}, Never, FirstRisk},
		{"too large a boss can be cut again", func(m *Move) {
			m.First, m.Internal, m.Predicted = true, false, m.Limits.High+90*um
			sized(-4 * um)(m)
		}, Setter, FirstPart},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			m := move()
			c.change(&m)
			if need, reason := Judge(m); need != c.need || reason != c.reason {
				t.Fatalf("needs %d for %q, want %d for %q", need, reason, c.need, c.reason)
			}
		})
	}
}

func anyMove(t *rapid.T) Move {
	nm := func(name string) length.Length {
		return um / 2 * length.Length(rapid.IntRange(-300, 300).Draw(t, name))
	}
	auto := nm("auto").Abs()
	operator := auto + nm("operator").Abs()
	flag := func(name string) bool { return rapid.Bool().Draw(t, name) }
	return Move{
		Old: nm("old"), New: nm("new"), Step: um, Band: length.Range{Low: -nm("low").Abs(), High: nm("high").Abs()}, Size: nm("size"),
		AutoStep: auto, OperatorStep: operator, SetterStep: operator + nm("setter").Abs(),
		Automatic: flag("automatic"), Spent: nm("spent").Abs(), Travel: nm("travel").Abs(), Internal: flag("internal"), Own: nm("own"),
		Proven: flag("proven"), Moves: rapid.IntRange(0, 5).Draw(t, "moves"), MaxMoves: 3,
		Still: flag("still"), First: flag("first"), Predicted: nm("predicted"), Spread: nm("spread").Abs(), Limits: length.Range{Low: -50 * um, High: 50 * um},
	}
}

// Whatever the move: nobody may leave the band, and what may be done without a
// person keeps every bound at once.
func TestJudgeKeepsEveryBound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyMove(t)
		need, reason := Judge(m)
		size := max(m.Size, -m.Size)
		inside := m.New >= m.Band.Low && m.New <= m.Band.High && m.New%m.Step == 0
		switch {
		case need != Never && !inside:
			t.Fatalf("%+v may be made", m)
		case need != Never && !m.First && size > m.SetterStep:
			t.Fatalf("a step of %v may be made", size)
		case need < Setter && size > m.OperatorStep:
			t.Fatalf("an operator may make a step of %v", size)
		case need == Nobody && m.Still, need < Setter && m.First:
			t.Fatalf("%+v needs %d", m, need)
		case need == Nobody && (size > m.AutoStep || m.Spent+size > m.Travel || !m.Automatic || !m.Proven && m.Moves >= m.MaxMoves):
			t.Fatalf("%+v needs nobody", m)
		case (need == Nobody) != (reason == OK):
			t.Fatalf("needs %d for %q", need, reason)
		}
		scrap := m.Internal && m.Predicted+m.Spread > m.Limits.High || !m.Internal && m.Predicted-m.Spread < m.Limits.Low
		if need != Never && m.First && scrap {
			t.Fatalf("a first part may become scrap: %+v", m)
		}
	})
}

// A tighter bound never lets more through.
func TestTighterBoundsAskForMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := anyMove(t)
		m.First = false
		before, _ := Judge(m)
		switch rapid.IntRange(0, 5).Draw(t, "tighten") {
		case 0:
			m.AutoStep /= 2
		case 1:
			m.OperatorStep = m.AutoStep
		case 2:
			m.SetterStep = m.OperatorStep
		case 3:
			m.Travel /= 2
		case 4:
			m.Automatic = false
		case 5:
			m.Proven = false
		}
		if after, reason := Judge(m); after < before {
			t.Fatalf("needed %d, tighter %d for %q", before, after, reason)
		}
	})
}
