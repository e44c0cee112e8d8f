// Package guard holds the preset bounds. Judge looks at one register move and
// answers whether it may be made automatically, by a person of at least some
// role, or not at all. It never changes the move: a change beyond a bound is
// asked for or refused whole, never clamped, because a clamped correction hides
// what caused it.
//
// Guards are no safety function. They assume that every value inside the hard
// band is harmless for machine and person.
package guard

import "offsetbridge/internal/length"

// Need is who has to agree.
type Need int

// Who has to agree to a move, from nobody to no one being able to.
const (
	Nobody Need = iota
	Operator
	Setter
	Never
)

// Reasons. The first that applies is given.
const (
	OK         = ""
	Band       = "band"      // outside the hard band of the register
	Grid       = "grid"      // not a whole number of register steps
	StepHard   = "step-hard" // beyond the largest step anybody may approve
	FirstRisk  = "first-risk"
	StepSetter = "step-setter"
	StepAuto   = "step-auto"
	FirstPart  = "first-part"
	Confirming = "confirm" // the mode asks for a person, or automatic is not possible here
	BackingOff = "back-off"
	Chasing    = "chasing" // a second large one the same way: a cause to look for
	Budget     = "budget"
	Unproven   = "unproven"
	Returning  = "return" // to where tools start, after a reported change
	Standing   = "still"  // the machine has stood still and cooled
)

// Move is one register change and all that bounds it. Sizes are changes of the
// part, not of the register.
type Move struct {
	Old, New length.Length // register
	Step     length.Length // smallest increment of the register
	Band     length.Range  // hard band of the register
	Size     length.Length // effect · (New − Old)

	AutoStep, OperatorStep, SetterStep length.Length

	Automatic bool          // the loop is in auto and everything auto needs is there
	Spent     length.Length // Σ|unapproved steps| so far
	Travel    length.Length // what may be spent per tool life

	Before length.Length // the last unapproved move of this register, if it was made only a few parts ago

	Internal bool          // the feature is internal: cutting more makes it larger
	Own      length.Length // net "cuts more" the loop itself added since a person set the register

	Proven   bool // the direction of the effect has been shown
	Moves    int  // automatic moves while it has not
	MaxMoves int

	First     bool          // first part after a tool or set-up change
	Predicted length.Length // size of the next part with the change
	Spread    length.Length // two standard deviations of it
	Limits    length.Range

	Return         bool // to where tools start, after a reported tool change
	ReturnByItself bool // and nobody has to be asked
	Still          bool // worked out without a reading, on a machine that stands still
}

// Judge returns who has to agree to m, and why.
func Judge(m Move) (Need, string) {
	size := m.Size.Abs()
	switch {
	case !m.Band.Contains(m.New):
		return Never, Band
	case !m.New.OnGrid(m.Step):
		return Never, Grid
	case m.Return && m.ReturnByItself && m.Automatic && m.Spent+size <= m.Travel && (m.Proven || m.Moves < m.MaxMoves):
		return Nobody, OK
	case m.Return:
		return Operator, Returning
	case m.First && !m.shortOfScrap():
		return Never, FirstRisk
	case m.First: // of any size: nothing has shown yet where this set-up stands
		return Setter, FirstPart
	case size > m.SetterStep:
		return Never, StepHard
	case size > m.OperatorStep:
		return Setter, StepSetter
	case size > m.AutoStep:
		return Operator, StepAuto
	case !m.Automatic:
		return Operator, Confirming
	case m.Still: // no reading asks for it, and somebody may have his hands in the machine
		return Operator, Standing
	case m.backsOff():
		return Operator, BackingOff
	case m.chases():
		return Operator, Chasing
	case m.Spent+size > m.Travel:
		return Operator, Budget
	case !m.Proven && m.Moves >= m.MaxMoves:
		return Operator, Unproven
	}
	return Nobody, OK
}

// shortOfScrap reports whether the next part stays on the re-cut side of the
// least-material limit even two standard deviations off.
func (m Move) shortOfScrap() bool {
	if m.Internal {
		return m.Predicted+m.Spread <= m.Limits.High
	}
	return m.Predicted-m.Spread >= m.Limits.Low
}

// backsOff reports whether the move leaves more metal on than the loop itself
// has taken off: wear leaves metal on, so the usual correction cuts more, and
// one that cuts less than what a person set needs a person (common practice, no
// source).
func (m Move) backsOff() bool {
	more := CutsMore(m.Size, m.Internal)
	return more < 0 && m.Own+more < 0
}

// chases reports whether the move is the second near the automatic step in a few
// parts, both the same way: wear does not come that fast, a chipped edge, a loose
// insert or a part that shifts does, and correcting hides it (common practice, no
// source).
func (m Move) chases() bool {
	large := func(d length.Length) bool { return 3*d.Abs() >= 2*m.AutoStep }
	return large(m.Size) && large(m.Before) && (m.Size > 0) == (m.Before > 0)
}

// CutsMore returns the change of size as material taken off: positive cuts more.
func CutsMore(size length.Length, internal bool) length.Length {
	if internal {
		return size
	}
	return -size
}
