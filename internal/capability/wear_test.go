package capability

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

// shop makes inserts of known truth: slope from insert to insert, a path that wanders,
// scatter of each part, running in.
type wearShop struct {
	chance                               *rand.Rand
	rate, between, walk, scatter, runsIn float64
}

// insert returns the sizes of n parts and the path itself, for more parts.
func (s *wearShop) insert(n int) (x, path []float64) {
	level, rate := 5*s.chance.NormFloat64(), s.rate+s.between*s.chance.NormFloat64()
	for i := range n {
		level += rate + s.walk*s.chance.NormFloat64()
		path = append(path, level)
		x = append(x, level+s.scatter*s.chance.NormFloat64()+s.runsIn*math.Exp(-float64(i+1)/4))
	}
	return x, path
}

// used puts whole inserts and then part of one into a collection, and returns the path
// that the last one will take.
func (s *wearShop) used(whole, life, age int) (all Inserts, path []float64) {
	for k := range whole + 1 {
		n := life
		if k == whole {
			n = age
		}
		x, p := s.insert(4000)
		for i, v := range x[:n] {
			all.Add(k+1, i+1, v)
		}
		path = p
	}
	return all, path
}

// TestPartsLeftCoverTheTruth: of many simulated tools, the parts that were really left
// until the band was used up lie within the interval about as often as it says: with
// many earlier inserts, with few, with none, with and without wandering.
func TestPartsLeftCoverTheTruth(t *testing.T) {
	for name, c := range map[string]struct {
		s          wearShop
		whole, age int
		least      int // covered, of 60: 57 are meant, fewer than 51 come twice in 1,000
	}{
		"many inserts":            {wearShop{rate: -0.15, between: 0.03, walk: 0.1, scatter: 1.3}, 8, 40, 51},
		"a new one":               {wearShop{rate: -0.15, between: 0.03, walk: 0.1, scatter: 1.3}, 8, 4, 51},
		"not yet run in":          {wearShop{rate: -0.15, between: 0.03, walk: 0.1, scatter: 1.3, runsIn: -10}, 8, 5, 51},
		"the first":               {wearShop{rate: -0.15, between: 0.03, walk: 0.1, scatter: 1.3}, 0, 80, 51},
		"it wanders much":         {wearShop{rate: 0.5, between: 0.05, walk: 0.8, scatter: 0.5}, 2, 200, 51},
		"no wandering, no spread": {wearShop{rate: -0.2, scatter: 1}, 5, 60, 51},
	} {
		c.s.chance = rand.New(rand.NewPCG(5, 7))
		const runs = 60
		within, told, wide, middle := 0, 0, 0.0, 0
		for range runs {
			all, path := c.s.used(c.whole, 120, c.age)
			w := WearOf(&all, 0.95)
			level := path[c.age-1] + 20*sign(c.s.rate)
			left, ok := w.Until(level, c.s.rate > 0)
			if !ok {
				continue
			}
			told++
			truth := len(path)
			for i := c.age; i < len(path); i++ {
				if (path[i]-level)*sign(c.s.rate) >= 0 {
					truth = i + 1 - c.age
					break
				}
			}
			if v := float64(truth); left.Low <= v && v <= left.High {
				within++
			}
			if float64(truth) > left.Value {
				middle++
			}
			wide += math.Min(left.High-left.Low, 1000)
		}
		t.Logf("%s: %d of %d within, %d above the middle, %.0f wide on average", name, within, told, middle, wide/float64(told))
		if name == "many inserts" && wide > 130*runs { // 102 with the eight before it
			t.Errorf("%s: %.0f wide: the inserts before are not learned from", name, wide/runs)
		}
		if told != runs || within < c.least || middle < 17 || middle > 43 {
			t.Errorf("%s: %d of %d within, %d above the middle", name, within, told, middle)
		}
	}
}

func sign(v float64) float64 { return math.Copysign(1, v) }

// TestRunningIn is found where it is, and not where it is not; wear is told from later
// parts.
func TestRunningIn(t *testing.T) {
	s := wearShop{chance: rand.New(rand.NewPCG(2, 2)), rate: -0.3, between: 0.03, scatter: 1, runsIn: 12}
	all, _ := s.used(8, 100, 50)
	w := WearOf(&all, 0.95)
	if w.Settled < 8 || w.Settled > 18 || !(w.RunIn.Low > 5 && w.RunIn.High < 12) || !(w.Slope.Low < -0.3 && w.Slope.High > -0.3) {
		t.Errorf("settled after %d, run-in %+v, slope %+v", w.Settled, w.RunIn, w.Slope)
	}
	found := 0
	for range 40 {
		s.runsIn = 0
		all, _ := s.used(8, 100, 50)
		if WearOf(&all, 0.95).Settled > 0 {
			found++
		}
	}
	if found > 4 {
		t.Errorf("running in is found in %d of 40 where there is none", found)
	}
}

// TestSlopesAgainstR: without wandering the filter is least squares, with Student's
// interval aside; inserts are pooled as R's own arithmetic does by hand.
func TestSlopesAgainstR(t *testing.T) {
	s := wearShop{chance: rand.New(rand.NewPCG(1, 3)), rate: -0.2, scatter: 1}
	x, _ := s.insert(30)
	var age []float64
	program := "y <- c("
	for i, v := range x {
		age = append(age, float64(i+1))
		if i > 0 {
			program += ","
		}
		program += formatted(v)
	}
	program += "); k <- 1:30; f <- lm(y ~ k); cat(coef(f)[2], vcov(f)[2,2]/summary(f)$sigma^2, sum(resid(f)^2), predict(f, data.frame(k=30)), "
	program += "qt(0.9, 5)*sd(c(90,95,88,101,93,97))*sqrt(1+1/6) + mean(c(90,95,88,101,93,97)))"
	want := oracle.Numbers(t, program)
	p, ok := follow(age, x, 0)
	if !ok {
		t.Fatal("no path")
	}
	for i, got := range []float64{p.w, p.p22, p.squares, p.x} {
		if math.Abs(got-want[i]) > 1e-9*math.Max(1, math.Abs(want[i])) {
			t.Errorf("figure %d: %.12g, R says %.12g", i, got, want[i])
		}
	}
	w := &Wear{confidence: 0.8}
	for _, l := range []float64{90, 95, 88, 101, 93, 97} {
		w.Each = append(w.Each, Worn{Whole: true, Last: l})
	}
	w.Each = append(w.Each, Worn{Last: 0})
	left, lives, ok := w.AsBefore()
	if !ok || len(lives) != 6 || left.High != math.Ceil(want[4]) || math.Abs(left.Value-94) > 1e-3 {
		t.Errorf("as before: %+v, R says %g", left, want[4])
	}
	if w.age = 96; true {
		later, _, _ := w.AsBefore()
		if !(later.Value > 0 && later.Value < 8 && later.Low >= 0) {
			t.Errorf("having come as far as 96: %+v", later)
		}
	}
}

// TestAnInsertIsNoOpinionOfItself: with three before it there is no opinion yet, and the
// one in use does not stand in for the fourth.
func TestAnInsertIsNoOpinionOfItself(t *testing.T) {
	s := wearShop{chance: rand.New(rand.NewPCG(1, 4)), rate: -0.2, between: 0.03, scatter: 1}
	for whole, learned := range map[int]bool{3: false, 4: true} {
		all, _ := s.used(whole, 60, 40)
		for _, v := range WearOf(&all, 0.95).views {
			if own := v.slopes[len(v.slopes)-1]; (v.now != own) != learned {
				t.Errorf("%d before it: %+v, its own %+v", whole, v.now, own)
			}
		}
	}
}

func TestTooLittleToTell(t *testing.T) {
	if w := WearOf(&Inserts{}, 0.95); len(w.Each) != 0 {
		t.Errorf("of nothing: %+v", w)
	}
	var s Inserts
	for i := range 6 {
		s.Add(1, i+1, float64(i%2))
	}
	w := WearOf(&s, 0.95)
	if _, ok := w.Until(10, true); ok {
		t.Error("six parts tell when an insert is spent")
	}
	if _, _, ok := w.AsBefore(); ok {
		t.Error("no life tells how long they are")
	}
	flat := wearShop{chance: rand.New(rand.NewPCG(1, 1)), scatter: 1}
	all, _ := flat.used(3, 100, 100)
	if left, ok := WearOf(&all, 0.95).Until(30, true); !ok || !math.IsInf(left.High, 1) || left.Low < 100 {
		t.Errorf("a tool that does not wear: %+v", left)
	}
}

// TestInsertsAreBounded, and the first of a record is not whole.
func TestInsertsAreBounded(t *testing.T) {
	var s Inserts
	for life := 1; life <= mostInserts+3; life++ {
		s.Add(life, 1, 0)
		s.Add(life, 1, 1)
		s.Add(life, 0, 7)
	}
	if len(s.Each) != mostInserts || s.Each[0].Number != 4 || s.Each[0].X[0] != 1 || len(s.Each[0].X) != 1 || !s.Each[0].Whole || s.Each[mostInserts-1].Whole {
		t.Errorf("%d inserts, first %+v", len(s.Each), s.Each[0])
	}
	var long Inserts
	for i := range mostOfOne + 2 {
		long.Add(1, i+1, 0)
	}
	long.Add(2, 1, 0)
	if e := &long.Each[0]; len(e.X) != mostOfOne || e.Age[0] != 3 || e.Whole {
		t.Errorf("%d parts from %g, whole %v", len(e.X), e.Age[0], e.Whole)
	}
}

func formatted(v float64) string { return strconv.FormatFloat(v, 'g', 17, 64) }
