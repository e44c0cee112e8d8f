package core

import (
	"math"
	"slices"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/estimate"
	"offsetbridge/internal/length"
)

// Priority says how much a characteristic counts beside the others of its loop.
type Priority string

// The priorities. Deviations are weighed as shares of their tolerances, squared;
// a high one counts as if its tolerance were a third of what it is, a low one as
// if it were three times that. A watched one steers nothing, but what a
// correction does to it is said.
const (
	Normal Priority = ""
	High   Priority = "high"
	Low    Priority = "low"
	Watch  Priority = "watch"
)

func (p Priority) weight() float64 {
	switch p {
	case High:
		return 9
	case Low:
		return 1.0 / 9
	case Watch:
		return 0
	}
	return 1
}

// steers reports whether the i-th characteristic has a say in the corrections.
func (l *Loop) steers(i int) bool {
	return l.Characteristics[i].Priority.weight() > 0 && slices.ContainsFunc(l.Effects[i], func(e Effect) bool { return e != 0 })
}

// lead returns the characteristic that the k-th register moves most: its budget
// and its direction are reckoned in that size.
func (l *Loop) lead(k int) int {
	best := 0
	for i := range l.Effects {
		if abs(l.Effects[i][k]) > abs(l.Effects[best][k]) {
			best = i
		}
	}
	return best
}

func abs(e Effect) Effect { return max(e, -e) }

// sizeOf returns the change of size that a change of the k-th register makes at
// the characteristic it moves most. Registers that move together share the
// effect between them; each is reckoned with the whole of it, since one alone
// would be cut with it.
func (l *Loop) sizeOf(k int, change length.Length) length.Length {
	e := l.Effects[l.lead(k)][k]
	if l.Together {
		e *= Effect(len(l.Registers))
	}
	return e.Of(change)
}

// cutsMore returns the same as material taken off.
func (l *Loop) cutsMore(register string, change length.Length) length.Length {
	k := slices.Index(l.Registers, register)
	if k < 0 {
		return 0
	}
	return l.Characteristics[l.lead(k)].CutsMore(l.sizeOf(k, change))
}

// prospect is one characteristic of a loop on the part where a change would act.
type prospect struct {
	drift, sigma, noise length.Length
	ratio               Effect
	aside               length.Length // where to aim, from the aim
	tolerance           length.Length
}

func prospectOf(f *estimate.Forecast) prospect {
	return prospect{
		drift: fromMicrometres(-f.Wanted()), sigma: fromMicrometres(f.Sigma), noise: fromMicrometres(f.Noise),
		ratio: Effect(math.Round(1000 * f.Effect)),
	}
}

// prospects forecasts every characteristic of a loop. The code says why no
// correction can be worked out.
func (d *decision) prospects(j *Judged, l *Loop, c int) ([]prospect, Code) {
	all := make([]prospect, len(l.Characteristics))
	book := d.s.loopBook(l.Name)
	steered := false
	for i := range all {
		all[i] = prospect{drift: j.Drift, sigma: j.Sigma, noise: j.Noise, ratio: j.Ratio}
		used := book.Sizes[i].Used
		if i == c {
			used++
		} else {
			f := d.forecast(l, i)
			all[i] = prospectOf(&f)
			if !f.Ready {
				used = 0
			}
		}
		all[i].tolerance = l.Characteristics[i].Tolerance()
		all[i].aside = d.aside(j, &all[i], l, i)
		if !l.steers(i) {
			continue
		}
		steered = true
		if used < max(1, l.MinReadings) && j.kind == "" {
			return nil, codeFew
		}
	}
	if !steered {
		return nil, codeNoEffect
	}
	return all, ""
}

// correction works out the register values that bring the sizes to their aims:
// of one register exactly, of several by weighted least squares inside their hard
// bands. A register stays where its own rounded move is inside the dead band of
// every size. It reports false when there is no solution that proves to be one.
func (d *decision) correction(l *Loop, all []prospect) ([]Move, bool) {
	axes := d.axes(l)
	for {
		moves, ok := d.solve(l, all, axes)
		if !ok {
			return nil, false
		}
		weakest, least := -1, 1.0
		for k := range axes {
			if worth := d.worth(l, all, &axes[k], moves[k].New-moves[k].Old); worth > 0 && worth < least {
				weakest, least = k, worth
			}
		}
		if weakest < 0 {
			return d.spread(l, axes, moves), true
		}
		axes[weakest].fixed = true
	}
}

// axis is one thing to turn: a register, or several that move together.
type axis struct {
	register *Register
	effects  []Effect // on each characteristic
	value    length.Length
	band     length.Range // of the values
	fixed    bool
}

func (d *decision) axes(l *Loop) []axis {
	var all []axis
	for k, name := range l.Registers {
		r := d.set().Register(name)
		a := axis{register: r, effects: make([]Effect, len(l.Effects)), value: d.s.book(name).Value, band: r.Band}
		for i := range l.Effects {
			a.effects[i] = l.Effects[i][k]
		}
		if !l.Together || k == 0 {
			all = append(all, a)
			continue
		}
		first := &all[0] // its values stand for all: the others keep their distance
		for i := range a.effects {
			first.effects[i] += a.effects[i]
		}
		first.band.Low = max(first.band.Low, a.band.Low-a.value+first.value)
		first.band.High = min(first.band.High, a.band.High-a.value+first.value)
	}
	return all
}

// solve returns a move for each axis, without a change where it stays.
func (d *decision) solve(l *Loop, all []prospect, axes []axis) ([]Move, bool) {
	moves := make([]Move, len(axes))
	for k, a := range axes {
		moves[k] = Move{Register: a.register.Name, Old: a.value, Want: a.value, New: a.value}
	}
	if len(axes) == 1 && len(all) == 1 {
		if a := &axes[0]; !a.fixed {
			moves[0].Want = compensate.Target(all[0].drift-all[0].aside, int32(a.effects[0]))
			if l.Together { // the distance kept by the others is part of the command
				moves[0].Want = a.value + compensate.Target(d.ahead(l, all, 0), int32(a.effects[0]))
			}
			moves[0].New = length.Round(moves[0].Want, a.value, a.register.Step)
		}
		return moves, true
	}
	p := d.problem(l, all, axes)
	u, err := p.Solve()
	if err != nil || !p.Optimal(u, optimal) {
		return nil, false
	}
	for k, a := range axes {
		moves[k].Want = a.value + fromMicrometres(u[k])
	}
	roundTogether(p, axes, moves)
	return moves, true
}

// optimal is the relative tolerance to which a solution has to meet the conditions
// of an optimum before anything is moved by it.
const optimal = 1e-6

// ahead returns how far the next part of that characteristic would be from where
// it is aimed, with what the registers hold now.
func (d *decision) ahead(l *Loop, all []prospect, i int) length.Length {
	off := all[i].drift - all[i].aside
	for k, name := range l.Registers {
		off += l.Effects[i][k].Of(d.s.book(name).Value)
	}
	return off
}

func (d *decision) problem(l *Loop, all []prospect, axes []axis) compensate.Problem {
	p := compensate.Problem{}
	for i := range all {
		p.Deviation = append(p.Deviation, d.ahead(l, all, i).Micrometres())
		p.Tolerance = append(p.Tolerance, l.Characteristics[i].Tolerance().Micrometres())
		p.Weight = append(p.Weight, l.Characteristics[i].Priority.weight())
		row := make([]float64, len(axes))
		for k := range axes {
			row[k] = axes[k].effects[i].Float()
		}
		p.Effect = append(p.Effect, row)
	}
	for _, a := range axes {
		low, high := min(0, a.band.Low-a.value), max(0, a.band.High-a.value)
		if a.fixed {
			low, high = 0, 0
		}
		p.Low, p.High = append(p.Low, low.Micrometres()), append(p.High, high.Micrometres())
	}
	return p
}

// roundTogether chooses, among the whole steps beside each wanted value and the
// value in force, the combination that leaves least; of equals the one that moves
// fewest registers. Rounding one register after the other would miss that one's
// remainder can make up for another's.
func roundTogether(p compensate.Problem, axes []axis, moves []Move) {
	choices := make([][]length.Length, len(axes))
	for k, a := range axes {
		choices[k] = []length.Length{a.value}
		near := length.Round(moves[k].Want, a.value, a.register.Step)
		next := near + a.register.Step
		if near > moves[k].Want {
			next = near - a.register.Step
		}
		for _, v := range []length.Length{near, next} {
			if moves[k].Want != a.value && v != a.value && a.band.Contains(v) {
				choices[k] = append(choices[k], v)
			}
		}
	}
	best, u, pick := math.Inf(1), make([]float64, len(axes)), make([]int, len(axes))
	for next := true; next; next = advance(pick, choices) {
		moved := 0
		for k := range axes {
			u[k] = (choices[k][pick[k]] - axes[k].value).Micrometres()
			if pick[k] > 0 {
				moved++
			}
		}
		cost := p.Cost(u) * (1 + 1e-9*float64(moved))
		if cost >= best {
			continue
		}
		best = cost
		for k := range axes {
			moves[k].New = choices[k][pick[k]]
		}
	}
}

// advance counts through the combinations.
func advance(pick []int, choices [][]length.Length) bool {
	for k := range pick {
		if pick[k]++; pick[k] < len(choices[k]) {
			return true
		}
		pick[k] = 0
	}
	return false
}

// worth returns a move of one axis in dead bands: of the size it is worth most to.
func (d *decision) worth(l *Loop, all []prospect, a *axis, change length.Length) float64 {
	most := 0.0
	for i := range all {
		if !l.steers(i) {
			continue
		}
		band := d.deadBand(l, &all[i], a.register.Step, a.effects[i])
		most = max(most, float64(a.effects[i].Of(change).Abs())/float64(band))
	}
	return most
}

func (d *decision) deadBand(l *Loop, p *prospect, step length.Length, e Effect) length.Length {
	band := compensate.Band(l.DeadBand, step, int32(e), p.noise, deadBandFactor(l.Mode))
	if widest := max(p.tolerance/4, l.DeadBand, e.Of(step).Abs()); p.tolerance > 0 {
		band = min(band, widest) // however wide readings scatter, what is half way out is said
	}
	return band
}

// spread turns the axes' moves into moves of registers, in the order in which
// they are written.
func (d *decision) spread(l *Loop, axes []axis, moves []Move) []Move {
	var out []Move
	for k, name := range l.Registers {
		m := moves[0]
		if !l.Together {
			m = moves[k]
		}
		if m.New == m.Old {
			continue
		}
		v := d.s.book(name).Value
		out = append(out, Move{
			Register: name, Old: v, Want: v + m.Want - m.Old, New: v + m.New - m.Old, Size: l.sizeOf(k, m.New-m.Old),
		})
	}
	return safestOrder(l, out)
}

// safestOrder puts the moves of a correction in the order whose half-done states
// reach least beyond start and end towards least material: should it be
// interrupted, what is cut meanwhile can be cut again. It compares every order by
// way of the sets of moves done first, at most 2⁸ of them.
func safestOrder(l *Loop, moves []Move) []Move {
	n := len(moves)
	if n < 2 {
		return moves
	}
	reach := make([]float64, 1<<n) // worst excess on the best way to a set
	last := make([]int, 1<<n)
	for set := 1; set < 1<<n; set++ {
		best := math.Inf(1)
		for k := range n {
			if before := set &^ (1 << k); before != set && reach[before] <= best { // of equals as they are listed
				best, last[set] = reach[before], k
			}
		}
		reach[set] = max(best, excess(l, moves, set))
	}
	ordered := make([]Move, n)
	for set, i := 1<<n-1, n-1; i >= 0; i-- {
		ordered[i] = moves[last[set]]
		set &^= 1 << last[set]
	}
	return ordered
}

// excess returns how far, in shares of tolerance, a half-done correction cuts more
// than both its start and its end, at the characteristic where it is worst.
func excess(l *Loop, moves []Move, set int) float64 {
	worst := 0.0
	for i := range l.Characteristics {
		var half, end length.Length
		for k, m := range moves {
			more := l.Characteristics[i].CutsMore(l.effect(i, m.Register).Of(m.New - m.Old))
			end += more
			if set&(1<<k) != 0 {
				half += more
			}
		}
		worst = max(worst, float64(half-max(0, end))/float64(l.Characteristics[i].Tolerance()))
	}
	return worst
}

func (l *Loop) effect(i int, register string) Effect {
	return l.Effects[i][slices.Index(l.Registers, register)]
}

// SizeChange is what a correction does to one characteristic of several: from
// where the next part would be to where it is expected, as distances from its aim.
type SizeChange struct {
	Characteristic string        `json:"c"`
	Before         length.Length `json:"b"`
	After          length.Length `json:"a"`
	Harmed         bool          `json:"h,omitempty"` // further from its aim than without, by more than rounding explains
}

// changes says what the moves do to every characteristic.
func (d *decision) changes(l *Loop, all []prospect, moves []Move) []SizeChange {
	list := make([]SizeChange, len(all))
	for i := range all {
		x := SizeChange{Characteristic: l.Characteristics[i].Name}
		off := d.ahead(l, all, i)
		x.Before, x.After = off+all[i].aside, off+all[i].aside
		var step length.Length
		for k, name := range l.Registers {
			step = max(step, l.Effects[i][k].Of(d.set().Register(name).Step).Abs())
		}
		for _, m := range moves {
			x.After += l.effect(i, m.Register).Of(m.New - m.Old)
		}
		was, is := (x.Before - all[i].aside).Abs(), (x.After - all[i].aside).Abs()
		x.Harmed = is > was+step/2
		list[i] = x
	}
	return list
}
