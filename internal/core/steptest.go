package core

import (
	"math"
	"slices"

	"offsetbridge/internal/guard"
	"offsetbridge/internal/length"
)

// StepTest asks for a deliberate change of one register, to show at the next part
// whether and how the size answers to it. It is a correction like any other that a
// setter decides, and the readings after it bring the size back to its aim.
type StepTest struct {
	Loop     string        `json:"loop"`
	Register string        `json:"register,omitempty"` // "": the first that steers the loop's first size
	Size     length.Length `json:"size,omitempty"`     // change of size; 0: as much as shows the direction
	Who      Person        `json:"who"`
}

func (StepTest) fact() {}

const (
	kindStepTest  Code = "step-test"
	declineNoRoom Code = "no-room"
)

func init() {
	words[kindStepTest] = "a setter wants to see whether the register answers"
	words[declineNoRoom] = "a step that shows the direction does not fit inside the limits on either side of the next part's size: correct it to its aim first, or ask for a smaller one"
}

// A test step of so many standard deviations of a reading shows the direction at
// the first part after it in about nine cases of ten: ratio − 2 se > 0.2 (see
// compensate.Response) at se = 1.2 ÷ 5, the 1.2 for what is not known of the part
// before.
const stepTestNoise = 5.0

func (d *decision) stepTest(f StepTest) {
	w := d.wished(f.Loop, kindStepTest, Setter, f.Who, d.s.cannotAsk)
	if w.code == "" {
		w.judged.Moves, w.code = d.testMoves(&w, f)
	}
	d.ask("test step", &w)
}

func (d *decision) testMoves(w *wish, f StepTest) ([]Move, Code) {
	if d.s.loopBook(f.Loop).Sizes[w.size].Used == 0 { // nothing of this tool to compare with
		return nil, codeFew
	}
	axes := d.axes(w.loop)
	k := slices.IndexFunc(axes, func(a axis) bool {
		return a.effects[w.size] != 0 && (f.Register == "" || f.Register == a.register.Name)
	})
	if k < 0 {
		return nil, codeNoEffect
	}
	for _, size := range w.sizes(f.Size) {
		if moves := d.testMove(w, axes, k, size); moves != nil {
			return moves, ""
		}
	}
	return nil, declineNoRoom
}

// sizes returns the changes of size to try: what was asked for, else what shows the
// direction, first away from where a part is scrap.
func (w *wish) sizes(asked length.Length) []length.Length {
	if asked != 0 {
		return []length.Length{asked}
	}
	size := length.Length(math.Ceil(stepTestNoise * float64(w.all[w.size].noise)))
	if guard.CutsMore(size, w.loop.Characteristics[w.size].Internal) > 0 {
		size = -size
	}
	return []length.Length{size, -size}
}

// testMove returns the moves of a test step, nil when it does not fit.
func (d *decision) testMove(w *wish, axes []axis, k int, size length.Length) []Move {
	a := &axes[k]
	steps := math.Max(1, math.Ceil(math.Abs(float64(size))/math.Abs(a.effects[w.size].Float())/float64(a.register.Step)))
	if steps > maxTestSteps {
		return nil
	}
	change := length.Length(steps) * a.register.Step
	if (size < 0) != (a.effects[w.size] < 0) {
		change = -change
	}
	moves := make([]Move, len(axes))
	for i := range axes {
		moves[i] = Move{Register: axes[i].register.Name, Old: axes[i].value, Want: axes[i].value, New: axes[i].value}
	}
	moves[k].Want += change
	moves[k].New += change
	if all := d.spread(w.loop, axes, moves); d.fits(w.loop, w.all, all) {
		return all
	}
	return nil
}

// fits reports whether every size stays inside its limits, two standard deviations
// off, whichever way it answers to the moves.
func (d *decision) fits(l *Loop, all []prospect, moves []Move) bool {
	for i, x := range all {
		now, limits := d.predicted(l, all, i, nil), l.Characteristics[i].Limits
		off := (d.predicted(l, all, i, moves) - now).Abs()
		if off > 0 && (now-off-2*x.sigma < limits.Low || now+off+2*x.sigma > limits.High) {
			return false
		}
	}
	return true
}

// maxTestSteps keeps the arithmetic of a wild wish inside its numbers; the guards
// bound it far below.
const maxTestSteps = 1e6
