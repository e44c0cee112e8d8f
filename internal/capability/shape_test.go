package capability

import (
	"math"
	"math/rand/v2"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

func draw(n int, seed uint64, of func(*rand.Rand) float64) []float64 {
	chance := rand.New(rand.NewPCG(seed, 3))
	out := make([]float64, n)
	for i := range out {
		out[i] = of(chance)
	}
	return out
}

func normal(r *rand.Rand) float64 { return 74 + 0.01*r.NormFloat64() }
func skewed(r *rand.Rand) float64 { return 74 + 0.01*math.Exp(0.6*r.NormFloat64()) }

// TestShapiroAgainstR: Royston's approximation as R implements it.
func TestShapiroAgainstR(t *testing.T) {
	program := "s<-function(x){r<-shapiro.test(x);cat(r$statistic,r$p.value,'')};"
	var got []Normality
	for i, n := range []int{3, 5, 9, 11, 12, 50, 300} {
		for _, x := range [][]float64{draw(n, uint64(i), normal), draw(n, uint64(i)+50, skewed)} {
			program += "s(" + oracle.Vector(x) + ");"
			got = append(got, ShapiroWilk(x))
		}
	}
	want := oracle.Numbers(t, program)
	for i, g := range got {
		near(t, "W", g.Statistic, want[2*i], 1e-5)
		near(t, "p", g.P, want[2*i+1], 1e-4)
	}
}

// TestAndersonAgainstR: the statistic recomputed in R by its definition.
func TestAndersonAgainstR(t *testing.T) {
	x := draw(80, 9, skewed)
	want := oracle.Numbers(t, "x<-sort("+oracle.Vector(x)+");n<-length(x);y<-(x-mean(x))/sd(x);i<-1:n;cat(-n-mean((2*i-1)*(pnorm(y,log.p=TRUE)+pnorm(-rev(y),log.p=TRUE))))")
	a := AndersonDarling(x)
	near(t, "A²", a.Statistic, want[0], 1e-9)
	// D'Agostino & Stephens (1986), table 4.7: upper 5 % point 0.752, 1 % point 1.035.
	near(t, "p at 0.752", darlingP(0.752), 0.05, 0.002)
	near(t, "p at 1.035", darlingP(1.035), 0.01, 0.0005)
}

// TestNormalSamplesAreCalledNormal: one in a hundred is not, by the level chosen.
func TestNormalSamplesAreCalledNormal(t *testing.T) {
	wrong, found := 0, 0
	for seed := range uint64(300) {
		a, b := NewTally(), NewTally()
		for _, x := range draw(100, seed, normal) {
			a.Add(math.Round(x*500) / 500) // a readout of 0.2 σ
		}
		for _, x := range draw(100, seed, skewed) {
			b.Add(math.Round(x*500) / 500)
		}
		if JudgeShape(a).P < Significance {
			wrong++
		}
		if JudgeShape(b).P < Significance {
			found++
		}
	}
	if wrong > 9 || found < 290 {
		t.Errorf("of 300 normal samples %d are called otherwise, of 300 skewed ones %d", wrong, found)
	}
}

// TestJohnsonFindsKnownTails: the three families, from exact quantiles of known ones.
func TestJohnsonFindsKnownTails(t *testing.T) {
	for name, of := range map[string]func(z float64) float64{
		"SU": func(z float64) float64 { return 10 + 2*math.Sinh((z-0.5)/1.4) },
		"SB": func(z float64) float64 { return 10 + 2/(1+math.Exp(-(z-0.7)/1.1)) },
	} {
		n := 200_001
		x := make([]float64, n)
		for i := range x {
			p := (float64(i) + 0.5) / float64(n)
			x[i] = of(math.Sqrt2 * math.Erfinv(2*p-1))
		}
		j, ok := FitJohnson(x)
		if !ok || j.Family != name {
			t.Fatalf("%s is taken for %+v", name, j)
		}
		for _, z := range []float64{-3, 0, 3} {
			near(t, name, j.At(z), of(z), 1e-3)
		}
	}
	for _, sign := range []float64{1, -1} { // log-normal, both ways
		of := func(z float64) float64 { return sign * (5 + math.Exp((sign*z-0.3)/1.2)) }
		q := [4]float64{of(-3 * spacing), of(-spacing), of(spacing), of(3 * spacing)}
		m, n, p := q[3]-q[2], q[1]-q[0], q[2]-q[1]
		j := johnsonSL(max(m, n)/p, p, sign*(q[1]+q[2])/2)
		j.mirrored = sign < 0
		near(t, "SL", j.At(3), of(3), 1e-9)
		near(t, "SL", j.At(-3), of(-3), 1e-9)
	}
}

func sampleOf(x []float64) *Sample {
	s := NewSample(1, "")
	for _, v := range x {
		s.Add(v)
	}
	return s
}

// TestIndicesOfASkewedProcess: log-normal, whose percentiles are known exactly.
func TestIndicesOfASkewedProcess(t *testing.T) {
	l := Limits{Lower: 74, Upper: 74.06, Target: math.NaN()}
	low, mid, high := 74+0.01*math.Exp(-1.8), 74.01, 74+0.01*math.Exp(1.8)
	pp, ppk := byPercentile(l, low, mid, high)
	a := Assess(sampleOf(draw(2000, 5, skewed)), l, Options{})
	if a.Method != Fitted || len(a.Notes) == 0 {
		t.Fatalf("%d skewed readings are judged as %q: %q", a.N, a.Method, a.Notes)
	}
	for _, f := range []struct {
		name      string
		got       Figure
		want, was float64
	}{{"Pp", a.Pp, pp, a.NormalPp.Value}, {"Ppk", a.Ppk, ppk, a.NormalPpk.Value}} {
		if !(f.got.Low < f.want && f.want < f.got.High) || math.Abs(f.got.Value-f.want) > 0.12*f.want {
			t.Errorf("%s is %.3f (%.3f–%.3f), truly %.3f; as if normal %.3f", f.name, f.got.Value, f.got.Low, f.got.High, f.want, f.was)
		}
	}
	b := Assess(sampleOf(draw(20_000, 6, skewed)), l, Options{})
	if b.Method != Percentile || !(b.Ppk.Low < ppk && ppk < b.Ppk.High) || b.Ppk.High-b.Ppk.Low > 0.5*ppk {
		t.Errorf("%d readings: %s %+v, truly %.3f", b.N, b.Method, b.Ppk, ppk)
	}
}

// TestIntervalsCoverTheTruth: 95 % intervals of a normal process hold the true index
// in about 95 of 100 samples.
func TestIntervalsCoverTheTruth(t *testing.T) {
	l := Limits{Lower: 73.96, Upper: 74.05, Target: 74}
	truth := map[string]float64{"Pp": 1.5, "Ppk": 4.0 / 3, "Cp": 1.5, "Cpk": 4.0 / 3, "Cpm": 1.5}
	hit := map[string]int{}
	const runs = 400
	for seed := range uint64(runs) {
		a := Assess(sampleOf(draw(60, seed+1000, normal)), l, Options{Method: Normal, Kind: Plain})
		for name, f := range map[string]Figure{"Pp": a.Pp, "Ppk": a.Ppk, "Cp": a.Cp, "Cpk": a.Cpk, "Cpm": a.Cpm} {
			if f.Low <= truth[name] && truth[name] <= f.High {
				hit[name]++
			}
		}
	}
	for name, n := range hit {
		if share := float64(n) / runs; share < 0.92 || share > 0.98 {
			t.Errorf("the interval of %s holds the truth in %.1f %% of samples", name, 100*share)
		}
	}
}

func TestADriftingProcessHasNoShortTermIndex(t *testing.T) {
	x := draw(200, 1, normal)
	for i := range x {
		x[i] += 0.0005 * float64(i)
	}
	l := Limits{Lower: 73.9, Upper: 74.2, Target: math.NaN()}
	a := Assess(sampleOf(x), l, Options{})
	if a.Refused == "" || !math.IsNaN(a.Cp.Value) || math.IsNaN(a.Pp.Value) {
		t.Errorf("Cp %v, Pp %v, refused %q", a.Cp.Value, a.Pp.Value, a.Refused)
	}
	b := Assess(sampleOf(draw(200, 1, normal)), l, Options{Kind: Corrected})
	if b.Refused == "" || !math.IsNaN(b.Cpk.Value) {
		t.Error("a corrected process has a short-term index")
	}
	if c := Assess(sampleOf(draw(200, 1, normal)), l, Options{}); c.Refused != "" || math.IsNaN(c.Cp.Value) {
		t.Errorf("a quiet process has none: %s", c.Refused)
	}
}

func TestFewReadingsAndNone(t *testing.T) {
	l := Limits{Lower: 73.9, Upper: 74.2, Target: math.NaN()}
	for _, x := range [][]float64{nil, {74}, {74, 74, 74}} {
		a := Assess(sampleOf(x), l, Options{})
		if !math.IsNaN(a.Pp.Value) || len(a.Notes) != 1 {
			t.Errorf("%v: Pp %v, %q", x, a.Pp.Value, a.Notes)
		}
	}
	if a := Assess(sampleOf(draw(20, 2, normal)), l, Options{}); len(a.Notes) != 1 {
		t.Errorf("twenty readings: %q", a.Notes)
	}
}

// TestOnePartThatWentItsOwnWay: a fit to the middle would promise that it cannot be.
func TestOnePartThatWentItsOwnWay(t *testing.T) {
	x := append(draw(199, 8, normal), 74.1)
	l := Limits{Lower: 73.95, Upper: 74.05, Target: math.NaN()}
	a := Assess(sampleOf(x), l, Options{})
	if a.Method != Percentile || !(a.Ppk.Value < 1) || a.Above != 1 {
		t.Errorf("%s Ppk %.2f with a part outside: %q", a.Method, a.Ppk.Value, a.Notes)
	}
	for _, j := range []Johnson{
		{Family: "SU", Gamma: 0.3, Eta: 1.4, Lambda: 2, Location: 10}, {Family: "SB", Gamma: 0.3, Eta: 1.4, Lambda: 2, Location: 10},
		{Family: "SL", Gamma: 0.3, Eta: 1.4, Lambda: 1, Location: 10}, {Family: "SL", Gamma: 0.3, Eta: 1.4, Lambda: 1, Location: 10, mirrored: true},
	} {
		for _, z := range []float64{-2.5, 0, 1.5} {
			near(t, j.Family+" there and back", j.Score(j.At(z)), z, 1e-9)
		}
	}
	if s := (Johnson{Family: "SB", Eta: 1, Lambda: 2}).Score(2.5); !math.IsInf(s, 1) {
		t.Errorf("beyond a bounded family: %g", s)
	}
}
