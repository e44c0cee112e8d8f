package compensate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// random draws a problem of m characteristics and n registers.
func random(r *rand.Rand, m, n int) Problem {
	p := Problem{}
	for range m {
		p.Deviation = append(p.Deviation, 20*r.NormFloat64())
		p.Tolerance = append(p.Tolerance, 10+30*r.Float64())
		p.Weight = append(p.Weight, 0.2+2*r.Float64())
		row := make([]float64, n)
		for j := range row {
			row[j] = []float64{-2, -1, -0.5, 0, 0.5, 1, 2}[r.IntN(7)] + 0.1*r.NormFloat64()
		}
		p.Effect = append(p.Effect, row)
	}
	for range n {
		p.Low, p.High = append(p.Low, -15*r.Float64()), append(p.High, 15*r.Float64())
	}
	return p
}

// byEnumeration tries every way to have each register low, high or free, and
// solves the free ones by normal equations: slow, and nothing in common with Solve.
func byEnumeration(p Problem) (best []float64, cost float64) {
	n := len(p.Low)
	cost = math.Inf(1)
	ways := int(math.Pow(3, float64(n)))
	for w := range ways {
		u, free := make([]float64, n), []int{}
		for j, code := 0, w; j < n; j, code = j+1, code/3 {
			switch code % 3 {
			case 0:
				u[j] = p.Low[j]
			case 1:
				u[j] = p.High[j]
			default:
				free = append(free, j)
			}
		}
		if !normalEquations(p, u, free) {
			continue
		}
		if c := p.Cost(u); c < cost {
			best, cost = u, c
		}
	}
	return best, cost
}

func normalEquations(p Problem, u []float64, free []int) bool {
	k := len(free)
	m := make([][]float64, k)
	left := p.Left(u)
	for a, ja := range free {
		m[a] = make([]float64, k+1)
		for i := range p.Deviation {
			f := p.Weight[i] / (p.Tolerance[i] * p.Tolerance[i])
			for b, jb := range free {
				m[a][b] += f * p.Effect[i][ja] * p.Effect[i][jb]
			}
			m[a][k] -= f * p.Effect[i][ja] * left[i]
		}
	}
	for c := range k { // Gauss with pivoting
		pivot := c
		for r := c; r < k; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[pivot][c]) {
				pivot = r
			}
		}
		m[c], m[pivot] = m[pivot], m[c]
		if math.Abs(m[c][c]) < 1e-12 {
			return false
		}
		for r := range k {
			if r != c {
				f := m[r][c] / m[c][c]
				for q := c; q <= k; q++ {
					m[r][q] -= f * m[c][q]
				}
			}
		}
	}
	for c, j := range free {
		u[j] += m[c][k] / m[c][c]
		if u[j] < p.Low[j]-1e-9 || u[j] > p.High[j]+1e-9 {
			return false
		}
	}
	return true
}

func TestSolveAgreesWithEnumeration(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	for k := range 1000 {
		n := 1 + r.IntN(4)
		p := random(r, n+r.IntN(4), n)
		u, err := p.Solve()
		if err != nil {
			t.Fatalf("case %d: %v", k, err)
		}
		want, cost := byEnumeration(p)
		if got := p.Cost(u); math.Abs(got-cost) > 1e-9*(1+cost) {
			t.Fatalf("case %d: cost %.12g, by enumeration %.12g\nu %v\nwant %v\n%+v", k, got, cost, u, want, p)
		}
		if !p.Optimal(u, 1e-9) {
			t.Fatalf("case %d: a register could still help: %v\n%+v", k, u, p)
		}
	}
}

func TestOptimalSeesWhatIsNot(t *testing.T) {
	p := Problem{
		Deviation: []float64{6}, Tolerance: []float64{30}, Weight: []float64{1},
		Effect: [][]float64{{-2}}, Low: []float64{-10}, High: []float64{10},
	}
	u, err := p.Solve()
	if err != nil || math.Abs(u[0]-3) > 1e-12 {
		t.Fatalf("6 µm too large, effect −2: %v, %v", u, err)
	}
	for _, wrong := range []float64{2.9, 3.1, 11, -10} {
		if p.Optimal([]float64{wrong}, 1e-9) {
			t.Errorf("%v passes for optimal", wrong)
		}
	}
}

func TestOneToolTwoBoresSplitsTheDifference(t *testing.T) {
	p := Problem{ // one register cuts both: the narrower tolerance counts more
		Deviation: []float64{4, -4}, Tolerance: []float64{20, 40}, Weight: []float64{1, 1},
		Effect: [][]float64{{-1}, {-1}}, Low: []float64{-50}, High: []float64{50},
	}
	u, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if want := 4 * (4.0 - 1) / (4 + 1); math.Abs(u[0]-want) > 1e-9 {
		t.Errorf("register moves by %v, by hand %v", u[0], want)
	}
	if h := p.Harmed(u); len(h) != 1 || h[0] != 1 {
		t.Errorf("the second bore is moved away from its aim, said of %v", h)
	}
}

func TestRegistersThatStandInForEachOtherDoNotRunAway(t *testing.T) {
	p := Problem{
		Deviation: []float64{10, 0}, Tolerance: []float64{30, 30}, Weight: []float64{1, 1},
		Effect: [][]float64{{1, 1}, {0, 0}}, Low: []float64{-4, -20}, High: []float64{4, 20},
	}
	u, err := p.Solve()
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(u[0]+u[1]+10) > 1e-9 || math.Abs(u[0]) > 4 {
		t.Errorf("together they must take 10 off inside their bounds: %v", u)
	}
}

func TestProblemsThatAreNoneAreRefused(t *testing.T) {
	good := func() Problem { return random(rand.New(rand.NewPCG(1, 1)), 2, 2) }
	bad := map[string]func(*Problem){
		"no characteristic": func(p *Problem) { p.Deviation = nil },
		"tolerance zero":    func(p *Problem) { p.Tolerance[0] = 0 },
		"not a number":      func(p *Problem) { p.Deviation[1] = math.NaN() },
		"effect infinite":   func(p *Problem) { p.Effect[0][0] = math.Inf(1) },
		"bounds upside":     func(p *Problem) { p.Low[0] = 3 },
		"short row":         func(p *Problem) { p.Effect[1] = p.Effect[1][:1] },
	}
	for name, spoil := range bad {
		p := good()
		spoil(&p)
		if u, err := p.Solve(); err == nil {
			t.Errorf("%s: solved to %v", name, u)
		}
	}
}

func BenchmarkSolve4x4(b *testing.B) {
	p := random(rand.New(rand.NewPCG(9, 9)), 4, 4)
	for b.Loop() {
		if _, err := p.Solve(); err != nil {
			b.Fatal(err)
		}
	}
}
