package capability

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

// TestControlChartFactors: handbook tables of control chart factors to their last
// printed digit, and the exact integrals to eight.
func TestControlChartFactors(t *testing.T) {
	known := map[int]Factors{}
	for _, row := range table(t, "factors.tsv") {
		n := int(number(t, row[0]))
		f, ok := known[n]
		if !ok {
			f = FactorsFor(n)
			known[n] = f
		}
		got, ok := map[string]float64{
			"d2": f.D2, "d3": f.D3, "c4": f.C4, "A": f.A, "A2": f.A2, "A3": f.A3, "B3": f.B3, "B4": f.B4, "B5": f.B5, "B6": f.B6,
			"D1": f.RD1, "D2": f.RD2, "D3": f.RD3, "D4": f.RD4, "E2": f.E2, "d4_median_range": f.MedianRange,
		}[row[1]]
		if !ok {
			t.Fatalf("factor %s is not known", row[1])
		}
		tolerance := 2e-8
		if row[1] == "d4_median_range" {
			tolerance = 2e-7 // a root found to so much
		}
		near(t, fmt.Sprint(row[1], " of ", n), got, number(t, row[2]), tolerance)
	}
}

func limitsOf(t *testing.T, inputs string) (l Limits, v map[string]float64) {
	t.Helper()
	v = map[string]float64{}
	for _, field := range strings.Fields(inputs) {
		if name, text, ok := strings.Cut(field, "="); ok && !strings.HasSuffix(text, "%") {
			v[name] = number(t, text)
		}
	}
	target, ok := v["T"]
	if !ok {
		target = math.NaN()
	}
	return Limits{Lower: v["LSL"], Upper: v["USL"], Target: target}, v
}

// TestPublishedIndices: NIST e-Handbook 6.1.6, Montgomery, Bissell (1990), Boyles
// (1991), and the exact bound by non-central t, as the table names them.
func TestPublishedIndices(t *testing.T) {
	seen := 0
	for _, row := range table(t, "indices.tsv") {
		l, v := limitsOf(t, row[1])
		want := number(t, row[3])
		check := func(got float64) {
			seen++
			t.Helper()
			near(t, row[0]+" "+row[1]+" "+row[2], got, want, 2e-9)
		}
		switch row[0] {
		case "nist_pmc16":
			upper, lower := l, l
			upper.Lower, lower.Upper = math.NaN(), math.NaN()
			switch row[2] {
			case "Cp":
				check(Ratio(l, v["sd"], 50, 0.95).Value)
			case "Cpk":
				check(Nearest(l, v["mean"], v["sd"], 50, 49, 0.95).Value)
			case "Cpu":
				check(Nearest(upper, v["mean"], v["sd"], 50, 49, 0.95).Value)
			case "Cpl":
				check(Nearest(lower, v["mean"], v["sd"], 50, 49, 0.95).Value)
			}
		case "montgomery_cp_ci", "cpm":
			f := Ratio(l, v["s"], v["n"]-1, 0.95)
			if row[0] == "cpm" {
				f = Targeted(l, v["mean"], v["s"], int(v["n"]), 0.95)
			}
			switch row[2] {
			case "Cp", "Cpm":
				check(f.Value)
			case "Cp_lower", "Cpm_lo95":
				check(f.Low)
			case "Cp_upper", "Cpm_hi95":
				check(f.High)
			}
		case "grid":
			if k := 3 * math.Sqrt(v["n"]) * want; row[2] == "Cpu_lo95_onesided_exact" && k > 37.62 {
				// R's pt is an approximation beyond this non-centrality, as its page says:
				// TestBoundsOfLargeSamples integrates instead.
				continue
			}
			check(grid(row[2], v["estimate"], int(v["n"])))
		case "ppm":
			check(expected(row[1]))
		}
	}
	if seen < 110 {
		t.Errorf("only %d published values were checked", seen)
	}
}

// grid finds an interval around an index, of unit spread and centred where it must be.
func grid(quantity string, c float64, n int) float64 {
	l := Limits{Lower: -3 * c, Upper: 3 * c, Target: 0}
	nu := float64(n - 1)
	switch quantity {
	case "Cp_lo95":
		return Ratio(l, 1, nu, 0.95).Low
	case "Cp_hi95":
		return Ratio(l, 1, nu, 0.95).High
	case "Cpk_lo95":
		return Nearest(l, 0, 1, n, nu, 0.95).Low
	case "Cpk_hi95":
		return Nearest(l, 0, 1, n, nu, 0.95).High
	}
	return SideBound(c, n, nu, 0.95)
}

func expected(inputs string) float64 {
	var cp, shift float64
	if _, err := fmt.Sscanf(inputs, "centred Cp=%g", &cp); err != nil {
		fmt.Sscanf(inputs, "Cp=%g shift %g sigma", &cp, &shift) //nolint:errcheck // a wrong figure fails
	}
	below, above := PerMillion(Limits{Lower: -3 * cp, Upper: 3 * cp}, shift, 1)
	return below + above
}

// TestMeanRange: Montgomery's piston rings (published values from memory).
func TestMeanRange(t *testing.T) {
	r := Ranges{Size: 5}
	for range 25 { // the mean range is all that counts
		for _, x := range []float64{0, 0.02276, 0.01, 0.01, 0.01} {
			r.Add(74 + x)
		}
	}
	w := r.Within()
	near(t, "sigma", w.SD, 0.009785337386, 1e-9)
	near(t, "Cp", Ratio(Limits{73.95, 74.05, 74}, w.SD, w.Freedom, 0.95).Value, 1.703228617, 1e-7)
	if w.Groups != 25 || w.Way != MeanRange {
		t.Errorf("%+v", w)
	}
	// Duncan's table gives 91 for 25 subgroups of five ranges (from memory: 0.9·k·(n−1)).
	if w.Freedom < 88 || w.Freedom > 93 {
		t.Errorf("%g degrees of freedom", w.Freedom)
	}
}

// TestMovingRange: NIST e-Handbook 6.3.2.2 (flow rate; mean moving range 1.8778), and
// Cryer & Ryan (1990): the variance of the estimate tends to 0.826σ²/n.
func TestMovingRange(t *testing.T) {
	r := Ranges{Size: 1}
	for _, x := range []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1} {
		r.Add(x)
	}
	near(t, "mean moving range", r.Within().Mean, 1.877777777777778, 1e-12)
	near(t, "sd within", r.Within().SD, 1.877777777777778/1.128379167, 1e-9)
	near(t, "variance of many", 1e6*movingVariance(1e6), 0.826, 1e-3)
	r.Break()
	r.Add(99)
	if r.movings != 9 {
		t.Error("a reading after a break has no neighbour")
	}
}

// TestWaysOfSubgroups: the three estimates by their definitions, and what is chosen.
func TestWaysOfSubgroups(t *testing.T) {
	groups := [][]float64{{1, 3, 2}, {5, 4, 9}, {2, 2, 3}}
	of := func(way Way, more ...[]float64) Within {
		r := Ranges{Way: way}
		for _, g := range append(groups, more...) {
			for _, x := range g {
				r.Add(x)
			}
			r.End()
		}
		return r.Within()
	}
	s := [3]float64{1, math.Sqrt(7), math.Sqrt(1.0 / 3)}
	near(t, "by the range", of("").SD, (2+5+1)/3.0/1.692568751, 1e-8)
	near(t, "by s", of(MeanDeviate).SD, (s[0]+s[1]+s[2])/3/C4(2), 1e-12)
	near(t, "pooled", of(PooledWithin).SD, math.Sqrt((1+7+1.0/3)/3), 1e-12)
	if w := of("", []float64{1, 2}); w.Way != PooledWithin || w.Freedom != 7 {
		t.Errorf("unequal subgroups: %+v", w)
	}
	if w := of("", []float64{7}); w.Way != MeanRange || w.Groups != 3 {
		t.Errorf("a subgroup of one: %+v", w)
	}
	r := Ranges{Size: 9}
	for i := range 19 {
		r.Add(float64(i * i % 7))
	}
	if w := r.Within(); w.Way != MeanDeviate || w.Groups != 2 || w.Size != 9 {
		t.Errorf("subgroups of nine: %+v", w)
	}
}

func TestFreedomOfAnOrdinaryDeviationIsItsOwn(t *testing.T) {
	for _, nu := range []float64{4, 19, 250} {
		c := C4(nu)
		near(t, "degrees of freedom", freedomOf((1-c*c)/(c*c)), nu, 1e-6)
	}
}

// TestIntervalsAgainstR: non-central t both ways and χ², by R's own distributions.
func TestIntervalsAgainstR(t *testing.T) {
	want := oracle.Numbers(t, `n<-40;c<-1.21;k<-3*sqrt(n)
f<-function(p) uniroot(function(C) pt(k*c,n-1,ncp=k*C)-p,c(0.2,4),tol=1e-12)$root
cat(f(.975),f(.025),f(.9),c*sqrt(qchisq(.05,37.5)/37.5),pt(2.2,3,ncp=1.1),pt(-1,8,ncp=.7),pt(30,200,ncp=28.5))`)
	l := Limits{Lower: math.NaN(), Upper: 3 * 1.21, Target: math.NaN()}
	f := Nearest(l, 0, 1, 40, 39, 0.95)
	near(t, "lower end", f.Low, want[0], 1e-8)
	near(t, "upper end", f.High, want[1], 1e-8)
	near(t, "one-sided bound", SideBound(1.21, 40, 39, 0.9), want[2], 1e-8)
	near(t, "χ²", 1.21*chi(0.05, 37.5), want[3], 1e-9)
	near(t, "t(2.2; 3, 1.1)", noncentralT(2.2, 3, 1.1), want[4], 1e-9)
	near(t, "t(−1; 8, 0.7)", noncentralT(-1, 8, 0.7), want[5], 1e-9)
	near(t, "t(30; 200, 28.5)", noncentralT(30, 200, 28.5), want[6], 1e-9)
}

// TestBoundsOfLargeSamples integrates the definition in R, where its own
// non-central t is approximate.
func TestBoundsOfLargeSamples(t *testing.T) {
	want := oracle.Numbers(t, `f<-function(c,n){k<-3*sqrt(n);nu<-n-1
p<-function(C) integrate(function(s) pnorm(k*c*s-k*C)*dchisq(nu*s*s,nu)*2*nu*s,0.5,1.7,rel.tol=1e-11)$value-.95
uniroot(p,c(c/2,c),tol=1e-12)$root}
cat(f(1.67,100),f(2,100),f(1.33,300),f(2,300))`)
	for i, c := range []struct {
		c float64
		n int
	}{{1.67, 100}, {2, 100}, {1.33, 300}, {2, 300}} {
		near(t, fmt.Sprint("bound of ", c), SideBound(c.c, c.n, float64(c.n-1), 0.95), want[i], 1e-8)
	}
}
