package estimate

import "math"

// mend gives members whose numbers have left all bounds another start. A member that
// is far off counts for nothing, and is carried on all the same so that it can come
// back; readings that fit no member at all, of a gauge that is stuck for instance,
// drive such a one ever further off, until its numbers are none any more and would
// spoil the whole bank's.
func (e *Estimator) mend() {
	from := -1
	for i := range e.Models {
		if m := &e.Models[i]; m.sound(e.A) && (from < 0 || m.LogW > e.Models[from].LogW) {
			from = i
		}
	}
	if from < 0 {
		e.begin()
		return
	}
	for i := range e.Models {
		if m := &e.Models[i]; !m.sound(e.A) {
			*m = e.Models[from]
			m.LogW += floorLog
			cold := 0.0
			if members[i].heat > 0 && !e.Settings.WithoutThermal {
				cold = e.A / m.B
			}
			m.forget(stCold, 0, coldPrior*e.Settings.Noise*coldPrior*e.Settings.Noise*cold)
			m.forget(stRun, 0, coldSpread*coldSpread*cold)
		}
	}
}

// sound tells whether the numbers of a member can mean anything: no size beyond what
// readings may be, and no variance beyond that squared.
func (m *Model) sound(a float64) bool {
	within := func(x, most float64) bool { return x >= -most && x <= most } // not a number is not
	if !within(m.LogW, math.MaxFloat64) || !within(m.B, largest*largest) || m.B <= 0 {
		return false
	}
	for i := range nState {
		if !within(m.X[i], largest) || !within(m.P[row0[i]]*m.B/a, largest*largest) {
			return false
		}
	}
	return true
}
