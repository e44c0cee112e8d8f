package capability

import (
	"bufio"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

func series(t *testing.T, name string) []float64 {
	t.Helper()
	switch name { // as NIST describes them
	case "NumAcc1":
		return []float64{10000001, 10000003, 10000002}
	case "NumAcc2", "NumAcc3", "NumAcc4":
		base := map[string][3]float64{
			"NumAcc2": {1.2, 1.1, 1.3}, "NumAcc3": {1000000.2, 1000000.1, 1000000.3}, "NumAcc4": {10000000.2, 10000000.1, 10000000.3},
		}[name]
		out := []float64{base[0]}
		for range 500 {
			out = append(out, base[1], base[2])
		}
		return out
	}
	f, err := os.Open(filepath.Join("testdata", "strd", name+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // only read from
	var out []float64
	for s := bufio.NewScanner(f); s.Scan(); {
		out = append(out, number(t, s.Text()))
	}
	return out
}

// TestCertifiedMoments: NIST StRD, univariate summary statistics. float64 cannot hold
// the data of NumAcc3 and NumAcc4 exactly, which leaves 9.5 and 8.3 digits of their
// standard deviation.
func TestCertifiedMoments(t *testing.T) {
	seen := 0
	for _, row := range table(t, "certified.tsv") {
		if row[0] != "univariate" {
			continue
		}
		seen++
		var m Moments
		for _, x := range series(t, row[1]) {
			m.Add(x)
		}
		if want := int(number(t, row[2])); m.N != want {
			t.Fatalf("%s has %d readings, want %d", row[1], m.N, want)
		}
		got, least := m.Mean(), 14.8
		switch row[3] {
		case "sd_n-1":
			got, least = m.SD(), 14
		case "lag1_autocorr":
			got, least = m.Lag1(), 12
		}
		if row[3] != "mean" {
			switch row[1] {
			case "NumAcc3":
				least = 9.4
			case "NumAcc4":
				least = 8.2
			}
		}
		if d := digits(got, number(t, row[4])); d < least {
			t.Errorf("%s %s is %.16g, certified %s: %.1f digits, want %.1f", row[1], row[3], got, row[4], d, least)
		}
	}
	if seen < 15 {
		t.Errorf("only %d certified values were found", seen)
	}
}

func TestShapeOfASample(t *testing.T) {
	x := []float64{2, 3, 5, 8, 13, 21, 34}
	var m Moments
	for _, v := range x {
		m.Add(v + 1e6)
	}
	skew, kurt := m.Shape()
	want := oracle.Numbers(t, "x<-"+oracle.Vector(x)+";d<-x-mean(x);cat(mean(d^3)/mean(d^2)^1.5,mean(d^4)/mean(d^2)^2-3)")
	near(t, "skewness", skew, want[0], 1e-9)
	near(t, "kurtosis", kurt, want[1], 1e-9)
}

func TestTallyCoarsensAndStaysRight(t *testing.T) {
	exact, n := NewTally(), 400_000
	chance := rand.New(rand.NewPCG(7, 7))
	for range n {
		exact.Add(74 + 0.01*chance.NormFloat64())
	}
	if exact.Step() == 0 || len(exact.counts) > maxDistinct {
		t.Fatalf("%d different values of %d are kept, step %g", len(exact.counts), n, exact.Step())
	}
	near(t, "0.135 %", (exact.Quantile(0.00135)-74)/0.01, -3, 0.03)
	near(t, "median", (exact.Quantile(0.5)-74)/0.01, 0, 0.01)
	if exact.N() != n {
		t.Errorf("counted %d of %d", exact.N(), n)
	}
}

func TestTallyQuantiles(t *testing.T) {
	tally := NewTally()
	x := []float64{5, 1, 2, 2, 9, 4, 4, 4}
	for _, v := range x {
		tally.Add(v)
	}
	want := oracle.Numbers(t, "cat(quantile("+oracle.Vector(x)+",c(0,.1,.25,.5,.9,1),type=7))")
	for i, p := range []float64{0, 0.1, 0.25, 0.5, 0.9, 1} {
		near(t, "quantile", tally.Quantile(p), want[i], 1e-12)
	}
	if below, above := tally.Beyond(2, 4); below != 1 || above != 2 {
		t.Errorf("%d below, %d above", below, above)
	}
	if below, above := tally.Beyond(math.NaN(), math.NaN()); below+above != 0 {
		t.Error("no limit has readings beyond it")
	}
	near(t, "resolution", tally.Resolution(), 1, 0)
}

func TestRoundingIsSpread(t *testing.T) {
	tally := NewTally()
	for _, v := range []float64{1, 1, 1, 1, 2, 2, 3} {
		tally.Add(v)
	}
	want := []float64{0.625, 0.875, 1.125, 1.375, 1.75, 2.25, 3}
	for i, v := range tally.spread(100) {
		near(t, "spread value", v, want[i], 1e-12)
	}
	if got := tally.spread(3); len(got) != 3 {
		t.Errorf("thinned to %d", len(got))
	}
}
