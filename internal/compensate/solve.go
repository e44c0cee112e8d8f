package compensate

import (
	"fmt"
	"math"
)

// Problem is one correction of several registers at once: choose the changes u
// of the registers, each inside its bounds, so that the weighted squares of what
// is left of the deviations become least:
//
//	minimise Σᵢ wᵢ·((dᵢ + Σⱼ Gᵢⱼ·uⱼ) / Tᵢ)²   subject to  Low ≤ u ≤ High
//
// Deviations, tolerances and registers are in µm; effects are size per register.
// A weight says how much a characteristic counts beside the others (its
// priority), zero that it only watches.
type Problem struct {
	Deviation []float64   // dᵢ, of each characteristic
	Tolerance []float64   // Tᵢ > 0
	Weight    []float64   // wᵢ ≥ 0
	Effect    [][]float64 // Gᵢⱼ, a row for each characteristic
	Low, High []float64   // of each register, Low ≤ 0 ≤ High
}

// Bounds of what Solve takes: a loop is a handful of registers.
const (
	MostCharacteristics = 16
	MostRegisters       = 8
)

// Solve returns the changes of the registers. It is the bounded-variable least
// squares method of Stark and Parker (Computational Statistics 10, 1995): free
// one register after the other, as long as that helps, and stop each at its
// bound. Where registers can stand in for each other the one with the smaller
// number moves; a register that helps nothing stays.
func (p Problem) Solve() ([]float64, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	a, b := p.scaled()
	n := len(p.Low)
	s := &solver{a: a, b: b, low: p.Low, high: p.High, u: make([]float64, n), free: make([]bool, n), still: make([]bool, n)}
	for range 50 * n {
		j := s.worst()
		if j < 0 {
			return s.u, nil
		}
		s.free[j] = true
		if !s.descend() { // it cannot move: it stands in for one that is free already
			s.free[j], s.still[j] = false, true
			continue
		}
		clear(s.still)
	}
	return nil, fmt.Errorf("correction of %d registers does not settle, check that their effects differ", n)
}

func (p Problem) check() error {
	m, n := len(p.Deviation), len(p.Low)
	switch {
	case m == 0 || n == 0 || m > MostCharacteristics || n > MostRegisters:
		return fmt.Errorf("correction of %d characteristics by %d registers is out of bounds, use at most %d and %d", m, n, MostCharacteristics, MostRegisters)
	case len(p.Tolerance) != m || len(p.Weight) != m || len(p.Effect) != m || len(p.High) != n:
		return fmt.Errorf("correction of %d characteristics by %d registers has lists of other lengths", m, n)
	}
	for i := range m {
		if len(p.Effect[i]) != n || !(p.Tolerance[i] > 0) || !(p.Weight[i] >= 0) || !finite(p.Deviation[i]) {
			return fmt.Errorf("characteristic %d of the correction has no tolerance, a negative weight or no size", i+1)
		}
		for _, g := range p.Effect[i] {
			if !finite(g) {
				return fmt.Errorf("characteristic %d of the correction has an effect that is no number", i+1)
			}
		}
	}
	for j := range n {
		if !(p.Low[j] <= 0 && 0 <= p.High[j]) || !finite(p.Low[j]) || !finite(p.High[j]) {
			return fmt.Errorf("register %d of the correction has bounds that leave out no change", j+1)
		}
	}
	return nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// scaled returns A = √w·G/T and b = −√w·d/T: the plain least squares |A·u − b|².
func (p Problem) scaled() (a [][]float64, b []float64) {
	for i := range p.Deviation {
		f := math.Sqrt(p.Weight[i]) / p.Tolerance[i]
		row := make([]float64, len(p.Low))
		for j := range row {
			row[j] = f * p.Effect[i][j]
		}
		a, b = append(a, row), append(b, -f*p.Deviation[i])
	}
	return a, b
}

// Left returns what is left of each deviation after the changes u, µm.
func (p Problem) Left(u []float64) []float64 {
	left := make([]float64, len(p.Deviation))
	for i := range left {
		left[i] = p.Deviation[i]
		for j := range u {
			left[i] += p.Effect[i][j] * u[j]
		}
	}
	return left
}

// Cost returns the weighted sum of squares at u.
func (p Problem) Cost(u []float64) float64 {
	var sum float64
	for i, d := range p.Left(u) {
		sum += p.Weight[i] * (d / p.Tolerance[i]) * (d / p.Tolerance[i])
	}
	return sum
}

// Optimal reports whether u is the best there is: inside its bounds, and no
// register could still move to lower the cost (the Karush-Kuhn-Tucker
// conditions), to a relative tolerance.
func (p Problem) Optimal(u []float64, tolerance float64) bool {
	a, b := p.scaled()
	s := &solver{a: a, b: b, low: p.Low, high: p.High, u: u}
	for j := range u {
		slope, size := s.slope(j)
		span := p.High[j] - p.Low[j]
		atLow, atHigh := u[j] <= p.Low[j]+tolerance*span, u[j] >= p.High[j]-tolerance*span
		if u[j] < p.Low[j]-tolerance*span || u[j] > p.High[j]+tolerance*span {
			return false
		}
		if slope > tolerance*size && !atHigh || slope < -tolerance*size && !atLow {
			return false
		}
	}
	return true
}

// Harmed returns the characteristics that the changes u move away from their aim:
// what a correction costs is said beside what it brings.
func (p Problem) Harmed(u []float64) []int {
	var harmed []int
	for i, left := range p.Left(u) {
		if math.Abs(left) > math.Abs(p.Deviation[i])+1e-9*p.Tolerance[i] {
			harmed = append(harmed, i)
		}
	}
	return harmed
}

type solver struct {
	a         [][]float64
	b         []float64
	low, high []float64
	u         []float64
	free      []bool
	still     []bool // freed without being able to move since the last descent
}

// slope returns half the descent of the cost along register j, and the size of
// its terms to judge it by.
func (s *solver) slope(j int) (slope, size float64) {
	for i, row := range s.a {
		r := s.b[i]
		whole := math.Abs(r)
		for k, v := range row {
			r -= v * s.u[k]
			whole += math.Abs(v * s.u[k])
		}
		slope += row[j] * r
		size += math.Abs(row[j]) * whole
	}
	return slope, size
}

// worst returns the bound register that would help most if it were free, -1 when
// none would.
func (s *solver) worst() int {
	const negligible = 1e-13
	best, at := 0.0, -1
	for j := range s.u {
		if s.free[j] || s.still[j] {
			continue
		}
		slope, size := s.slope(j)
		if math.Abs(slope) <= negligible*size || slope > 0 && s.u[j] >= s.high[j] || slope < 0 && s.u[j] <= s.low[j] {
			continue
		}
		if norm := s.norm(j); math.Abs(slope)/norm > best {
			best, at = math.Abs(slope)/norm, j
		}
	}
	return at
}

func (s *solver) norm(j int) float64 {
	var sum float64
	for _, row := range s.a {
		sum += row[j] * row[j]
	}
	return math.Sqrt(sum)
}

// descend moves the free registers to their joint optimum, fixing each that
// meets its bound on the way. It reports false, having changed nothing, when
// the free registers cannot be told apart.
func (s *solver) descend() bool {
	for first := true; ; first = false {
		free := s.freeOnes()
		if len(free) == 0 {
			return true
		}
		step, ok := s.step(free)
		if !ok {
			return !first
		}
		reach, stops := 1.0, -1
		for k, j := range free {
			to := s.u[j] + step[k]
			limit := math.Min(math.Max(to, s.low[j]), s.high[j])
			if limit != to {
				if part := (limit - s.u[j]) / step[k]; part < reach {
					reach, stops = part, k
				}
			}
		}
		for k, j := range free {
			s.u[j] += reach * step[k]
		}
		if stops < 0 {
			return true
		}
		j := free[stops]
		s.u[j] = s.low[j]
		if step[stops] > 0 {
			s.u[j] = s.high[j]
		}
		s.free[j] = false
	}
}

func (s *solver) freeOnes() []int {
	var free []int
	for j, f := range s.free {
		if f {
			free = append(free, j)
		}
	}
	return free
}

// step returns the move of the free registers to their optimum, by Householder
// triangularisation of their columns beside what is left.
func (s *solver) step(free []int) ([]float64, bool) {
	m, n := len(s.a), len(free)
	if n > m {
		return nil, false
	}
	q := make([][]float64, m) // the columns, and the residual as the last one
	for i := range q {
		q[i] = make([]float64, n+1)
		r := s.b[i]
		for k, v := range s.a[i] {
			r -= v * s.u[k]
		}
		for k, j := range free {
			q[i][k] = s.a[i][j]
		}
		q[i][n] = r
	}
	for k := range n {
		if !reflect(q, k, s.norm(free[k])) {
			return nil, false
		}
	}
	x := make([]float64, n)
	for k := n - 1; k >= 0; k-- {
		x[k] = q[k][n]
		for l := k + 1; l < n; l++ {
			x[k] -= q[k][l] * x[l]
		}
		x[k] /= q[k][k]
	}
	return x, true
}

// reflect clears column k of q below its diagonal. It reports false when nothing
// of the column is left: it depends on those before.
func reflect(q [][]float64, k int, whole float64) bool {
	var norm float64
	for i := k; i < len(q); i++ {
		norm = math.Hypot(norm, q[i][k])
	}
	if norm <= 1e-10*whole {
		return false
	}
	if q[k][k] > 0 {
		norm = -norm
	}
	v := make([]float64, len(q))
	for i := k; i < len(q); i++ {
		v[i] = q[i][k]
	}
	v[k] -= norm
	var vv float64
	for _, x := range v[k:] {
		vv += x * x
	}
	for c := k; c < len(q[0]); c++ {
		var dot float64
		for i := k; i < len(q); i++ {
			dot += v[i] * q[i][c]
		}
		for i := k; i < len(q); i++ {
			q[i][c] -= 2 * dot / vv * v[i]
		}
	}
	return true
}
