package capability

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

// TestTrendAgainstR: slope, its error, the spread about the line and p by lm.
func TestTrendAgainstR(t *testing.T) {
	y := draw(25, 4, normal)
	var tr Trend
	for i := range y {
		y[i] += 0.0008 * float64(i)
		tr.Add(float64(i)*2+100, y[i])
	}
	want := oracle.Numbers(t, "y<-"+oracle.Vector(y)+";x<-100+2*(0:24);s<-summary(lm(y~x));cat(s$coefficients[2,c(1,2,4)],s$sigma)")
	slope, se, rest, p := tr.Line()
	near(t, "slope", slope, want[0], 1e-12)
	near(t, "its error", se, want[1], 1e-12)
	near(t, "p", p, want[2], 1e-9)
	near(t, "about the line", rest, want[3], 1e-12)
}

func TestATrendOfTooFew(t *testing.T) {
	var tr Trend
	if s, _, _, _ := tr.Line(); !math.IsNaN(s) {
		t.Error("nothing has a slope")
	}
	tr.Add(1, 5)
	tr.Add(3, 6)
	if s, se, _, _ := tr.Line(); s != 0.5 || !math.IsNaN(se) {
		t.Errorf("two points: %g ± %g", s, se)
	}
}

// saws fills lives of 50 parts each whose sizes rise by wear a part.
func saws(lives int, wear float64, limits Limits) *Lives {
	l := NewLives(limits)
	chance := rand.New(rand.NewPCG(11, 2))
	for k := range lives {
		for i := range 50 {
			l.Add(k+1, i+1, 10+wear*float64(i)+0.001*chance.NormFloat64(), wear*float64(i))
		}
	}
	l.End()
	return l
}

// TestWholeLivesOnly: the first life's beginning and the last one's end were not seen.
func TestWholeLivesOnly(t *testing.T) {
	l := saws(5, 0.0004, Limits{9.99, 10.0195, math.NaN()})
	if l.All.N != 250 || l.Whole.N != 150 || len(l.Each) != 5 || l.Each[0].Whole || !l.Each[3].Whole || l.Each[4].Whole {
		t.Fatalf("%d parts, %d of whole lives, %+v", l.All.N, l.Whole.N, l.Each)
	}
	e := l.Each[1]
	if math.Abs(e.Slope-0.0004) > 5*e.SE || math.Abs(e.Own-0.0004) > 1e-12 || e.N != 50 || e.Ended != 50 || e.Beyond == 0 {
		t.Errorf("%+v", e)
	}
	inside, about, means, freedom := l.Within()
	wear := 0.0004 * math.Sqrt((50*50-1)/12.0)
	near(t, "inside the lives", inside, math.Hypot(0.001, wear), 0.0003)
	near(t, "about the line", about, 0.001, 0.0001)
	if means > 0.0004 || freedom != 245 {
		t.Errorf("means spread %g, %g degrees of freedom", means, freedom)
	}
}

// TestNeighboursFlatterASaw: the spread of neighbours misses the wear that the spread
// over whole lives holds, so the one is refused and the other given.
func TestNeighboursFlatterASaw(t *testing.T) {
	limits := Limits{9.98, 10.04, math.NaN()}
	l := saws(8, 0.0004, limits)
	a := Assess(l.Whole, limits, Options{Kind: Corrected})
	if a.Refused == "" || !math.IsNaN(a.Cp.Value) {
		t.Fatal("a saw-tooth has a Cp")
	}
	flattering := Ratio(limits, a.Within.SD, a.Within.Freedom, 0.95).Value
	if flattering < 3*a.NormalPp.Value {
		t.Errorf("neighbours would say %.2f, whole lives say %.2f", flattering, a.NormalPp.Value)
	}
}

func TestRunsOfParts(t *testing.T) {
	var r Run
	put := func(n int, from float64) {
		for i := range n {
			r.Add(from+float64(i), i > 0)
		}
	}
	put(12, 0)
	put(20, 100)
	put(5, 200)
	if x := r.Sizes(); len(x) != 20 || x[0] != 100 {
		t.Errorf("the longest of short ones: %d from %g", len(x), x[0])
	}
	put(40, 300)
	put(31, 400)
	put(3, 500)
	if x := r.Sizes(); len(x) != 31 || x[0] != 400 {
		t.Errorf("the newest long one: %d from %g", len(x), x[0])
	}
	put(2*longestRun, 0)
	if x := r.Sizes(); len(x) > longestRun || x[len(x)-1] != 2*longestRun-1 {
		t.Errorf("an endless one keeps %d", len(x))
	}
}

// TestMachinePerformanceKeepsToItsScope: 30 parts, no wear, no resemblance.
func TestMachinePerformanceKeepsToItsScope(t *testing.T) {
	l := Limits{73.95, 74.05, math.NaN()}
	quiet := draw(60, 21, normal)
	p := MachinePerformance(quiet, l, Options{})
	s := sampleOf(quiet)
	if p.Refused != "" || p.Pm.Value != Ratio(l, s.SD(), 59, 0.95).Value || !(p.Pmk.Low < p.Pmk.Value && p.Pmk.Value <= p.Pm.Value) {
		t.Errorf("%+v", p)
	}
	for why, x := range map[string][]float64{
		"29 parts, 30 are needed": quiet[:29],
		"no consecutive run":      nil,
		"has a trend":             {},
		"autocorrelation":         {},
	} {
		switch why {
		case "has a trend":
			for i, v := range quiet {
				x = append(x, v+0.0005*float64(i))
			}
		case "autocorrelation":
			for i := range quiet {
				x = append(x, quiet[i]+0.02*math.Sin(float64(i)/3))
			}
		}
		if p := MachinePerformance(x, l, Options{}); !strings.Contains(p.Refused, why) || !math.IsNaN(p.Pm.Value) {
			t.Errorf("%s: %q, Pm %s", why, p.Refused, fmt.Sprint(p.Pm.Value))
		}
	}
}
