package capability

import (
	"math"
	"math/rand/v2"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

// TestHansensLaw: the critical values of B. E. Hansen (2000), table I (from memory), that
// the set of places rests on.
func TestHansensLaw(t *testing.T) {
	for confidence, want := range map[float64]float64{0.80: 4.50, 0.90: 5.94, 0.95: 7.35, 0.99: 10.59} {
		if got := -2 * math.Log(1-math.Sqrt(confidence)); math.Abs(got-want) > 0.006 {
			t.Errorf("%g: %.3f, published %.2f", confidence, got, want)
		}
	}
}

// TestAChangeIsFound: place and size lie within their intervals about as often as they
// should. The place is taken from whole numbers, so its set covers more.
func TestAChangeIsFound(t *testing.T) {
	chance := rand.New(rand.NewPCG(8, 8))
	for _, target := range []float64{math.NaN(), 10} {
		const runs, n = 1000, 120
		place, size, wide := 0, 0, 0
		for k := range runs {
			at := 15 + k%2*55 // early, or after the middle
			x := make([]float64, n)
			for i := range x {
				x[i] = 10 + 0.5*chance.NormFloat64()
				if i >= at {
					x[i] += 0.6 // 1.2 standard deviations
				}
			}
			c := ChangeOf(x, 0.5, target, 0.95)
			if c.First <= at && at <= c.Last && c.First <= c.At && c.At <= c.Last {
				place++
			}
			if c.Low <= 0.6 && 0.6 <= c.High {
				size++
			}
			wide += c.Last - c.First + 1
		}
		if place < 940 || size < 900 || wide > 30*runs {
			t.Errorf("target %g: place within in %d, size in %d of %d, %d places wide on average", target, place, size, runs, wide/runs)
		}
	}
	if c := ChangeOf([]float64{1, 1, 1, 5, 5, 5, 5}, 0.5, math.NaN(), 0.95); c.At != 3 || c.By != 4 {
		t.Errorf("by hand: %+v", c)
	}
	if c := ChangeOf([]float64{5, 5, 5, 5}, 0.5, 1, 0.95); c.At != 0 || c.By != 4 {
		t.Errorf("off the target from the first: %+v", c)
	}
	for _, x := range [][]float64{nil, {1}} {
		if c := ChangeOf(x, 1, math.NaN(), 0.95); c.At != -1 {
			t.Errorf("%v: %+v", x, c)
		}
	}
}

func TestByChance(t *testing.T) {
	want := oracle.Numbers(t, `cat(ppois(2,1.3,lower.tail=FALSE), ppois(0,0.2,lower.tail=FALSE), ppois(39,2,lower.tail=FALSE))`)
	for i, c := range []struct {
		many int
		mean float64
	}{{3, 1.3}, {1, 0.2}, {40, 2}} {
		if got := ByChance(c.many, c.mean); math.Abs(got/want[i]-1) > 1e-9 {
			t.Errorf("%d of %g: %g, R says %g", c.many, c.mean, got, want[i])
		}
	}
	if ByChance(0, 3) != 1 {
		t.Error("none or more is certain")
	}
}

// TestMissed: a change of the size that is seldom overlooked is overlooked seldom, and
// half of it often.
func TestMissed(t *testing.T) {
	const runs = 300
	rules := Rules{OneBeyondThree, EightOnOneSide}
	sums := func(shift float64) float64 { return CUSUMRunLength(0.5, 5, shift, false) }
	missed := func(n int, own bool, shift float64, run func(float64) float64, alarms func(center float64, x []float64) int) int {
		chance := rand.New(rand.NewPCG(4, 9))
		miss := 0
		for range runs {
			x := make([]float64, n)
			var m Moments
			for i := range x {
				x[i] = chance.NormFloat64()
				if i >= n/2 {
					x[i] += shift
				}
				m.Add(x[i])
			}
			center := 0.0
			if own {
				center = m.Mean()
			}
			if ByChance(alarms(center, x), float64(n)/run(0)) >= 0.05 {
				miss++
			}
		}
		return miss
	}
	byRules := func(center float64, x []float64) (n int) {
		w := &Watch{Rules: rules, Center: center, Sigma: 1}
		for _, v := range x {
			if w.Add(v) != nil {
				n++
				w.Break()
			}
		}
		return n
	}
	bySums := func(center float64, x []float64) (n int) {
		s := &CUSUM{K: 0.5, H: 5, Target: center, Sigma: 1}
		for _, v := range x {
			if _, _, out := s.Add(v); out {
				n++
			}
		}
		return n
	}
	for _, own := range []bool{false, true} {
		for name, c := range map[string]struct {
			run    func(float64) float64
			alarms func(float64, []float64) int
		}{"rules": {rules.RunLength, byRules}, "sums": {sums, bySums}} {
			for _, n := range []int{100, 700} { // in 700 points false alarms are certain, and show nothing
				d := Missed(n, own, 0.05, 0.1, c.run)
				at, half := missed(n, own, d, c.run, c.alarms), missed(n, own, d/2, c.run, c.alarms)
				if at > runs*15/100 || half < runs*30/100 || d < 0.2 {
					t.Errorf("%s, own centre %v, %d points: %.2f is missed in %d, half of it in %d of %d", name, own, n, d, at, half, runs)
				}
			}
		}
	}
	if d := Missed(2, false, 0.05, 0.1, func(float64) float64 { return 5 }); !math.IsNaN(d) {
		t.Errorf("two points see %g", d)
	}
}
