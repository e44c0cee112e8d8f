package capability

import "math"

// sum adds with the error of each addition kept (Neumaier 1974).
type sum struct{ high, low float64 }

func (s *sum) add(x float64) {
	t := s.high + x
	if math.Abs(s.high) >= math.Abs(x) {
		s.low += (s.high - t) + x
	} else {
		s.low += (x - t) + s.high
	}
	s.high = t
}

func (s *sum) value() float64 { return s.high + s.low }

// Moments are kept up reading by reading, in constant memory. Sums are of the
// distances from the first reading, so that a size of 10 m with a spread of 0.1 µm
// loses nothing that float64 held in the first place.
type Moments struct {
	N           int
	Least, Most float64

	first, last    float64
	y, yy, y3, y4  sum // powers of x − first
	next           sum // products of neighbours
	newest, oldest float64
}

// Add takes the next reading.
func (m *Moments) Add(x float64) {
	if m.N == 0 {
		m.first, m.Least, m.Most = x, x, x
	}
	y := x - m.first
	if m.N > 0 {
		m.next.add(y * m.newest)
	} else {
		m.oldest = y
	}
	m.N++
	m.newest, m.last = y, x
	m.Least, m.Most = min(m.Least, x), max(m.Most, x)
	m.y.add(y)
	m.yy.add(y * y)
	m.y3.add(y * y * y)
	m.y4.add(y * y * y * y)
}

// Mean is the arithmetic mean, NaN of nothing.
func (m *Moments) Mean() float64 { return m.first + m.shift() }

func (m *Moments) shift() float64 { return m.y.value() / float64(m.N) }

// Squares is the sum of squared distances from the mean.
func (m *Moments) Squares() float64 {
	d := m.shift()
	return max(0, m.yy.value()-float64(m.N)*d*d)
}

// SD is the standard deviation with n − 1, NaN of fewer than two.
func (m *Moments) SD() float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return math.Sqrt(m.Squares() / float64(m.N-1))
}

// Lag1 is the autocorrelation at lag one: the sum of products of neighbouring
// distances from the mean over the sum of squares (as NIST certifies it).
func (m *Moments) Lag1() float64 {
	d, n := m.shift(), float64(m.N)
	return (m.next.value() - d*(2*m.y.value()-m.newest-m.oldest) + (n-1)*d*d) / m.Squares()
}

// Shape returns skewness m₃/m₂^1.5 and excess kurtosis m₄/m₂² − 3.
func (m *Moments) Shape() (skewness, kurtosis float64) {
	n, d := float64(m.N), m.shift()
	m2, e2, e3, e4 := m.Squares()/n, m.yy.value()/n, m.y3.value()/n, m.y4.value()/n
	m3 := e3 - 3*d*e2 + 2*d*d*d
	m4 := e4 - 4*d*e3 + 6*d*d*e2 - 3*d*d*d*d
	return m3 / math.Pow(m2, 1.5), m4/(m2*m2) - 3
}
