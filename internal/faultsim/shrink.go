package faultsim

import "slices"

// Shrunk is a violation with the fewest steps that were found to show it.
type Shrunk struct {
	*Violation
	Steps []int // that are needed, of the whole world's
	Of    int   // steps of the whole world
	Tries int
}

// mostTries bounds how often a shrinking world is played.
const mostTries = 600

// Shrink plays one world again and again with ever fewer steps as long as the same
// invariant is violated. It returns nil when the world violates none. What a step
// does is drawn from its own number, so that it does the same without the others.
func Shrink(seed uint64, parts int) *Shrunk {
	if parts <= 0 {
		parts = worldParts
	}
	w := newWorld(seed)
	v := w.play(parts)
	if v == nil {
		return nil
	}
	s := &Shrunk{Of: w.step}
	for i := 1; i <= w.step; i++ {
		s.Steps = append(s.Steps, i)
	}
	fails := func(steps []int) bool {
		s.Tries++
		w := newWorld(seed)
		w.only = steps
		again := w.play(parts)
		return again != nil && again.Rule == v.Rule
	}
	s.Steps = fewest(s.Steps, fails, func() bool { return s.Tries < mostTries })
	w = newWorld(seed)
	w.only, w.traced = s.Steps, true
	if s.Violation = w.play(parts); s.Violation == nil {
		s.Violation = v // not shown alone: all steps are needed
	}
	return s
}

// fewest takes away parts of a list, large ones first, as long as it fails without
// them and time is left.
func fewest(list []int, fails func([]int) bool, left func() bool) []int {
	if left() && fails([]int{}) {
		return []int{}
	}
	for size := len(list) / 2; size > 0; {
		took := false
		for at := 0; at < len(list) && left(); {
			rest := slices.Concat(list[:at], list[min(at+size, len(list)):])
			if len(rest) > 0 && fails(rest) {
				list, took = rest, true
			} else {
				at += size
			}
		}
		if !left() {
			break
		}
		if !took || size > len(list) {
			size /= 2
		}
	}
	return list
}
