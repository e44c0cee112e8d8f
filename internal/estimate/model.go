package estimate

import "math"

// The state of one model, µm of size and plain ratios. The covariance is in units of σ², the variance
// of a reading on a steady process, whose own estimate rides along (normal-gamma form), so that no
// model needs to be told how noisy the process is.
const (
	stLevel  = iota // machine's level, a random walk
	stSetup         // what this tool's set-up adds
	stWear          // wear a part of an average tool
	stRunIn         // running in of an average tool, whole
	stEnd           // extra wear of an average tool at the end of its life
	stTool          // this tool's wear less an average one's, as a ratio
	stCold          // an average run's cold size less its warm one
	stRun           // this run's such difference less an average one's, as a ratio
	stEffect        // true ÷ nominal effect, less 1
	stZero          // the gauge's zero
	nState
	nPacked = nState * (nState + 1) / 2
)

// Model is one member of the bank. Its text form is in pack.go.
type Model struct {
	X    [nState]float64
	P    [nPacked]float64 // upper triangle, row by row
	LogW float64          // log weight, the best member at 0
	B    float64          // sum of squares, µm²: σ² is B ÷ Estimator.A
}

// row0 is the place of element (i, i) in the packed triangle.
var row0 = func() (r [nState]int) {
	for i, k := 0, 0; i < nState; i++ {
		r[i] = k
		k += nState - i
	}
	return r
}()

func at(i, j int) int {
	if i > j {
		i, j = j, i
	}
	return row0[i] + j - i
}

// regressors are what one part's reading depends on, beside the state.
type regressors struct {
	age     float64 // parts the tool had cut before
	runIn   float64 // share of running in done
	end     float64 // share of end wear done
	cold    float64
	command float64 // µm
	zero    float64 // 1 for a reading, 0 for a true size
}

// expect is the mean of a reading, and its derivatives by the state.
func (m *Model) expect(r *regressors, h *[nState]float64) float64 {
	x := &m.X
	tool, run := 1+x[stTool], 1+x[stRun]
	wear := x[stWear]*r.age + x[stRunIn]*r.runIn + x[stEnd]*r.end
	h[stLevel], h[stSetup] = 1, 1
	h[stWear], h[stRunIn], h[stEnd] = tool*r.age, tool*r.runIn, tool*r.end
	h[stTool] = wear
	h[stCold], h[stRun] = run*r.cold, x[stCold]*r.cold
	h[stEffect] = r.command
	h[stZero] = r.zero
	return x[stLevel] + x[stSetup] + tool*wear + x[stCold]*run*r.cold +
		(1+x[stEffect])*r.command + x[stZero]*r.zero
}

// gain returns P·h and h·P·h.
func (m *Model) gain(h, g *[nState]float64) float64 {
	*g = [nState]float64{}
	k := 0
	for i := range nState {
		g[i] += m.P[k] * h[i]
		k++
		for j := i + 1; j < nState; j++ {
			g[i] += m.P[k] * h[j]
			g[j] += m.P[k] * h[i]
			k++
		}
	}
	s := 0.0
	for i := range nState {
		s += h[i] * g[i]
	}
	return math.Max(s, 0)
}

// absorb is one scalar Kalman step with innovation v, its variance s and g = P·h. The diagonal is
// kept from going negative and the rest inside what it allows, so that rounding stays harmless.
func (m *Model) absorb(g *[nState]float64, v, s float64) {
	k := 0
	for i := range nState {
		gi := g[i] / s
		m.X[i] += gi * v
		for j := i; j < nState; j++ {
			m.P[k] -= gi * g[j]
			k++
		}
	}
	m.settle()
}

func (m *Model) settle() {
	var root [nState]float64
	for i := range nState {
		if d := m.P[row0[i]]; d > 0 {
			root[i] = math.Sqrt(d)
		} else {
			m.forget(i, m.X[i], 0)
		}
	}
	k := 0
	for i := range nState {
		k++
		for j := i + 1; j < nState; j++ {
			if bound := root[i] * root[j]; m.P[k] > bound {
				m.P[k] = bound
			} else if m.P[k] < -bound {
				m.P[k] = -bound
			}
			k++
		}
	}
	m.X[stTool] = math.Max(-0.8, math.Min(3, m.X[stTool]))
	m.X[stRun] = math.Max(-0.9, math.Min(3, m.X[stRun]))
	m.X[stEffect] = math.Max(-3, math.Min(3, m.X[stEffect]))
}

// forget starts one state afresh.
func (m *Model) forget(i int, mean, variance float64) {
	for j := range nState {
		m.P[at(i, j)] = 0
	}
	m.X[i], m.P[row0[i]] = mean, variance
}

// weight is that of a member, the best having 1; one that is far off counts for nothing.
func (m *Model) weight() float64 {
	if m.LogW < floorLog+2 {
		return 0
	}
	return math.Exp(m.LogW)
}
