package core

import (
	"fmt"

	"offsetbridge/internal/length"
)

// Swing counts corrections of a register that go to and fro and do not get smaller.
// A loop that is damped well does not do that, however its readings scatter; one
// whose effect is wrong by a factor, or that has been let loose twice on the same
// register, does.
type Swing struct {
	Row  int           `json:"n,omitempty"`
	Last length.Length `json:"d,omitempty"` // the last change of the register
}

// swingLimit is how many such corrections in a row hold a loop, and swingSteps how
// many steps of the register each of them must have: changes of one or two steps go
// to and fro by rounding. By chance one row in some thousand would be as long.
const (
	swingLimit = 6
	swingSteps = 3
)

// swung takes a correction that was read back into the count.
func (w *Swing) swung(change, step length.Length) {
	switch {
	case change.Abs() < swingSteps*step:
		*w = Swing{}
	case w.Last != 0 && (change > 0) != (w.Last > 0) && change.Abs() >= w.Last.Abs():
		*w = Swing{Row: w.Row + 1, Last: change}
	default:
		*w = Swing{Row: 1, Last: change}
	}
}

// swings holds a loop whose corrections go to and fro.
func (d *decision) swings(l *Loop) {
	for _, name := range l.Registers {
		if w := d.s.book(name).Swing; w.Row >= swingLimit {
			d.hold(l.Name, causeSwing, fmt.Sprintf("%s, %d corrections, the last one of %s", name, w.Row, w.Last.Signed(length.MM, 4)), Engineer)
		}
	}
}
