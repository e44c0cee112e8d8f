package estimate

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// nile is one year of testdata/nile.csv.
type nile struct {
	flow, filtered, filteredVar, expected, expectedVar, innovation, innovationVar float64
}

func readNile(t *testing.T) []nile {
	t.Helper()
	f, err := os.Open("testdata/nile.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var years []nile
	for _, row := range rows[1:] {
		var x [7]float64
		for i := range x {
			if x[i], err = strconv.ParseFloat(row[i+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		years = append(years, nile{x[0], x[1], x[2], x[3], x[4], x[5], x[6]})
	}
	if len(years) != 100 {
		t.Fatalf("%d years, want 100", len(years))
	}
	return years
}

// near compares relative to the size of what is wanted, or to 1.
func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within*math.Max(1, math.Abs(want))) {
		t.Errorf("%s: got %.9g, want %.9g within %.2g", what, got, want, within)
	}
}

// The filter's own step reproduces the published local level example, year by year.
func TestLocalLevelTrace(t *testing.T) {
	const noise, walk = 15099.0, 1469.1
	var m Model
	m.forget(stLevel, 0, 1e7/noise)
	for i, y := range readNile(t) {
		var h, g [nState]float64
		v := y.flow - m.expect(&regressors{}, &h)
		s := m.gain(&h, &g) + 1
		near(t, "expected", m.X[stLevel], y.expected, 1e-6)
		near(t, "expected variance", m.P[row0[stLevel]]*noise, y.expectedVar, 1e-8)
		near(t, "innovation", v, y.innovation, 1e-5)
		near(t, "innovation variance", s*noise, y.innovationVar, 1e-8)
		m.absorb(&g, v, s)
		near(t, "filtered", m.X[stLevel], y.filtered, 1e-8)
		near(t, "filtered variance", m.P[row0[stLevel]]*noise, y.filteredVar, 1e-8)
		if t.Failed() {
			t.Fatalf("in year %d of the series", i+1)
		}
		m.P[row0[stLevel]] += walk / noise
	}
	// The steady state: P = (−q + √(q² + 4qR))/2 after a reading, P + q before one.
	near(t, "steady variance", m.P[row0[stLevel]]*noise, (walk+math.Sqrt(walk*walk+4*walk*noise))/2, 1e-9)
}

// likelihood runs a local level with walk variance q·σ² from an exact diffuse start over the series
// and returns the log-likelihood of its 99 terms with σ² concentrated out, and that σ².
func likelihood(years []nile, q float64) (log, sigma2 float64) {
	var m Model
	m.forget(stLevel, years[0].flow, 1)
	squares, logs := 0.0, 0.0
	for _, y := range years[1:] {
		m.P[row0[stLevel]] += q
		var h, g [nState]float64
		v := y.flow - m.expect(&regressors{}, &h)
		s := m.gain(&h, &g) + 1
		m.absorb(&g, v, s)
		squares += v * v / s
		logs += math.Log(s)
	}
	n := float64(len(years) - 1)
	sigma2 = squares / n
	return -0.5 * (n*math.Log(2*math.Pi) + n*math.Log(sigma2) + logs + n), sigma2
}

// Maximum likelihood of the same series gives the published variances.
func TestLocalLevelFit(t *testing.T) {
	years := readNile(t)
	low, high := math.Log(1e-4), math.Log(10)
	const golden = 0.6180339887498949
	for high-low > 1e-9 {
		a, b := high-golden*(high-low), low+golden*(high-low)
		la, _ := likelihood(years, math.Exp(a))
		lb, _ := likelihood(years, math.Exp(b))
		if la > lb {
			high = b
		} else {
			low = a
		}
	}
	q := math.Exp((low + high) / 2)
	log, sigma2 := likelihood(years, q)
	near(t, "log-likelihood", log, -632.5456251, 1e-9)
	near(t, "observation variance (published 15099)", sigma2, 15098.52, 5e-6)
	near(t, "level variance (published 1469.1)", q*sigma2, 1469.18, 2e-5)
	lambda := (-q + math.Sqrt(q*q+4*q)) / 2
	near(t, "gain of the equivalent exponential average", lambda, 0.26705, 1e-5)
}
