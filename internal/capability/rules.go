package capability

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"
)

// Rule is a pattern that a chart of independent points shows seldom by chance.
type Rule int

// The rules, after the practice of 1956 (Champ & Woodall 1987 give their run lengths):
// each costs false alarms, and together they cost many.
const (
	OneBeyondThree Rule = 1 // one point beyond 3σ
	TwoBeyondTwo   Rule = 2 // two of three beyond 2σ on one side
	FourBeyondOne  Rule = 3 // four of five beyond 1σ on one side
	EightOnOneSide Rule = 4 // eight in a row on one side
	mostRules           = 4
	eight               = 8
)

var ruleWords = map[Rule]string{
	OneBeyondThree: "one point beyond 3σ", TwoBeyondTwo: "two of three beyond 2σ on one side",
	FourBeyondOne: "four of five beyond 1σ on one side", EightOnOneSide: "eight in a row on one side",
}

// String says the rule in words.
func (r Rule) String() string { return ruleWords[r] }

// Rules is a set of them.
type Rules []Rule

// ParseRules reads numbers as "1,4".
func ParseRules(text string) (Rules, error) {
	var out Rules
	for _, field := range strings.Split(text, ",") {
		var r Rule
		if _, err := fmt.Sscanf(strings.TrimSpace(field), "%d", &r); err != nil || r < 1 || r > mostRules {
			return nil, fmt.Errorf("rule %q is not known, use numbers from 1 to %d as 1,4", strings.TrimSpace(field), mostRules)
		}
		if !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	slices.Sort(out)
	return out, nil
}

// watch is what rules remember of the points before: bits of those beyond 2σ and 1σ on
// each side, the newest lowest, and how many in a row lie on one side (negative: below).
type watch struct {
	two, one [2]uint8
	run      int8
}

// step takes a point, in standard deviations from the centre, and returns the rules
// that it completes.
func (w *watch) step(z float64, on Rules) (broken Rules) {
	side := 0
	far := z
	if z < 0 {
		side, far = 1, -z
	}
	for s := range 2 {
		beyond := func(limit float64) uint8 {
			if s == side && far > limit {
				return 1
			}
			return 0
		}
		two, one := beyond(2), beyond(1)
		if two == 1 && w.two[s]&3 != 0 && slices.Contains(on, TwoBeyondTwo) {
			broken = append(broken, TwoBeyondTwo)
		}
		if one == 1 && bits.OnesCount8(w.one[s]&15) >= 3 && slices.Contains(on, FourBeyondOne) {
			broken = append(broken, FourBeyondOne)
		}
		w.two[s] = (w.two[s]<<1 | two) & 3
		w.one[s] = (w.one[s]<<1 | one) & 15
	}
	switch {
	case z == 0:
		w.run = 0
	case z > 0:
		w.run = max(w.run, 0) + 1
	default:
		w.run = min(w.run, 0) - 1
	}
	if w.run == eight || w.run == -eight {
		if slices.Contains(on, EightOnOneSide) {
			broken = append(broken, EightOnOneSide)
		}
		w.run -= w.run / eight // a longer run goes on to signal
	}
	if far > 3 && slices.Contains(on, OneBeyondThree) {
		broken = append(broken, OneBeyondThree)
	}
	return broken
}

// Broken is a point that completes rules.
type Broken struct {
	At    int // of the point, from 0
	Rules Rules
}

// Watch keeps a chart under rules, point by point.
type Watch struct {
	Rules  Rules
	Center float64
	Sigma  float64

	w watch
	n int
}

// Add takes the next point and returns the rules that it completes.
func (w *Watch) Add(x float64) Rules {
	w.n++
	return w.w.step((x-w.Center)/w.Sigma, w.Rules)
}

// Break forgets the points before, as after a change of tool.
func (w *Watch) Break() { w.w = watch{} }

// forget drops what no rule looks at.
func (w watch) forget(on Rules) watch {
	if !slices.Contains(on, TwoBeyondTwo) {
		w.two = [2]uint8{}
	}
	if !slices.Contains(on, FourBeyondOne) {
		w.one = [2]uint8{}
	}
	if !slices.Contains(on, EightOnOneSide) {
		w.run = 0
	}
	return w
}

// zones are points that stand for what lies between whole numbers of σ.
var zones = []float64{-3.5, -2.5, -1.5, -0.5, 0.5, 1.5, 2.5, 3.5}

// RunLength is the mean number of independent normal points before a rule signals,
// where their mean lies shift standard deviations from the centre: exact, by the
// Markov chain of what the rules remember (Champ & Woodall 1987).
func (r Rules) RunLength(shift float64) float64 {
	states := []watch{{}}
	index := map[watch]int{{}: 0}
	var next [][]int // by state and zone; −1 signals
	for i := 0; i < len(states); i++ {
		to := make([]int, len(zones))
		for k, z := range zones {
			w := states[i]
			if len(w.step(z, r)) > 0 {
				to[k] = -1
				continue
			}
			w = w.forget(r)
			at, known := index[w]
			if !known {
				at = len(states)
				index[w] = at
				states = append(states, w)
			}
			to[k] = at
		}
		next = append(next, to)
	}
	class, n := merged(next)
	chance := make([]float64, len(zones))
	for k := range zones {
		low, high := float64(k-4), float64(k-3)
		chance[k] = phi(high-shift) - phi(low-shift)
	}
	chance[0], chance[len(zones)-1] = phi(-3-shift), phi(shift-3)
	q := make([]float64, n*n)
	done := make([]bool, n)
	for i, to := range next {
		c := class[i]
		if done[c] {
			continue
		}
		done[c] = true
		for k, j := range to {
			if j >= 0 {
				q[c*n+class[j]] += chance[k]
			}
		}
	}
	return solve(n, func(i, j int) float64 { return q[i*n+j] })[class[0]]
}

// merged finds the states that no future tells apart.
func merged(next [][]int) (class []int, n int) {
	class = make([]int, len(next))
	for n = 1; ; {
		seen := map[string]int{}
		again := make([]int, len(next))
		var key []byte
		for i, to := range next {
			key = fmt.Appendf(key[:0], "%d", class[i])
			for _, j := range to {
				c := -1
				if j >= 0 {
					c = class[j]
				}
				key = fmt.Appendf(key, ",%d", c)
			}
			c, ok := seen[string(key)]
			if !ok {
				c = len(seen)
				seen[string(key)] = c
			}
			again[i] = c
		}
		class = again
		if len(seen) == n {
			return class, n
		}
		n = len(seen)
	}
}
