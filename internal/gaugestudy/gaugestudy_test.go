package gaugestudy

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if d := math.Abs(got - want); !(d <= tolerance*math.Abs(want)+1e-15) {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

// rows reads a file of testdata and leaves out comments and its header.
func rows(t *testing.T, name, separator string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // only read from
	var out [][]string
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := s.Text(); line != "" && line[0] != '#' {
			out = append(out, strings.Split(line, separator))
		}
	}
	return out[1:]
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func study(t *testing.T, name string) []Reading {
	t.Helper()
	var out []Reading
	for _, r := range rows(t, name, ",") {
		out = append(out, Reading{r[0], r[1], number(t, r[3])})
	}
	return out
}

// TestThePublishedStudy: ten parts, three operators, three trials, the worked example
// of the AIAG manual (data and printed results from memory; the sums of squares come
// out as printed). It pools the interaction, whose p is 0.97.
func TestThePublishedStudy(t *testing.T) {
	s, err := Crossed(study(t, "manual.csv"), Options{Pool: PoolAuto, Confidence: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	if !s.Chosen.Pooled || len(s.Parts) != 10 || len(s.Operators) != 3 || s.Trials != 3 {
		t.Fatalf("%+v", s)
	}
	c := &s.With
	for _, k := range []struct {
		what            string
		got, want, than float64
	}{
		// As printed, four decimals.
		{"SS operator", c.In("operator").SS, 3.1673, 2e-5},
		{"SS part", c.In("part").SS, 88.3619, 1e-6},
		{"SS interaction", c.In("interaction").SS, 0.3590, 1e-4},
		{"SS equipment", c.In("repeatability").SS, 2.7589, 2e-5},
		{"EV", math.Sqrt(s.Chosen.Repeatability.Value), 0.199933, 2e-6},
		{"AV", math.Sqrt(s.Chosen.Reproducibility.Value), 0.226838, 3e-6},
		{"GRR", math.Sqrt(s.Chosen.Gauge.Value), 0.302373, 1e-5},
		{"PV", math.Sqrt(s.Chosen.Part.Value), 1.042327, 2e-6},
		{"% GRR", s.Chosen.Percent.Value, 27.9, 2e-3},
		// Recomputed with and without the interaction.
		{"F part", c.In("part").F, 492.291422664, 1e-10}, {"p part", c.In("part").P, 1.16306399493e-19, 1e-9},
		{"F operator", c.In("operator").F, 79.4060492008, 1e-10}, {"p operator", c.In("operator").P, 1.17447760634e-9, 1e-9},
		{"F interaction", c.In("interaction").F, 0.433721030135, 1e-10}, {"p interaction", c.In("interaction").P, 0.974106404329, 1e-9},
		{"operator, kept", c.Operator.Value, 0.0521229218107, 1e-10}, {"part, kept", c.Part.Value, 1.08867213992, 1e-10},
		{"% GRR, kept", c.Percent.Value, 28.7515509845, 1e-10}, {"ndc, kept", c.Categories.Value, 4.69701316383, 1e-10},
		{"% GRR, pooled", s.Without.Percent.Value, 27.8606508811, 1e-10}, {"ndc, pooled", s.Without.Categories.Value, 4.86051647662, 1e-10},
	} {
		near(t, k.what, k.got, k.want, k.than)
	}
	if s.Chosen.NDC != 4 || c.Interaction.Value != 0 {
		t.Errorf("ndc %d, interaction %g", s.Chosen.NDC, c.Interaction.Value)
	}
}

// TestTheHandbookStudy: NIST/SEMATECH e-Handbook 3.2.3.2 (its F ratios are against
// the residual, as of fixed effects; here parts and operators are drawn by lot).
func TestTheHandbookStudy(t *testing.T) {
	s, err := Crossed(study(t, "coolant.csv"), Options{Pool: PoolNever, Confidence: 0.95, Tolerance: 0.05})
	if err != nil {
		t.Fatal(err)
	}
	c := &s.Chosen
	near(t, "SS machine", c.In("part").SS, 0.00030332, 1e-9)
	near(t, "SS coolant", c.In("operator").SS, 3.92e-6, 1e-9)
	near(t, "SS interaction", c.In("interaction").SS, 1.468e-5, 1e-9)
	near(t, "SS residual", c.In("repeatability").SS, 0.000346, 1e-9)
	near(t, "F interaction", c.In("interaction").F, 0.424277456647, 1e-9)
	near(t, "part", c.Part.Value, 7.216e-6, 1e-9)
	near(t, "% of the tolerance", c.Tolerance.Value, 100*6*math.Sqrt(8.66e-6)/0.05, 1e-6)
	if c.Pooled || c.NDC != 1 {
		t.Errorf("%+v", c)
	}
}

// TestAgainstR: the lines of the analysis by aov with an error term, a study of one
// standard by t.test, a line with its errors by lm.
func TestAgainstR(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 4))
	var readings []Reading
	var y []float64
	for p := range 6 {
		for o := range 4 {
			for range 3 {
				v := 25 + 0.01*float64(p*p%7) + 0.004*float64(o) + 0.003*float64(p*o%3) + 0.002*r.NormFloat64()
				y = append(y, v)
				readings = append(readings, Reading{fmt.Sprint("p", p), fmt.Sprint("o", o), v})
			}
		}
	}
	want := oracle.Numbers(t, "y<-"+oracle.Vector(y)+`
p<-factor(rep(1:6,each=12));o<-factor(rep(rep(1:4,each=3),6))
a<-anova(lm(y~p*o));cat(a$"Sum Sq"[1:4],"")
ms<-a$"Mean Sq";cat(ms[1]/ms[3],pf(ms[1]/ms[3],5,15,lower.tail=FALSE),ms[2]/ms[3],pf(ms[2]/ms[3],3,15,lower.tail=FALSE),ms[3]/ms[4],a$"Pr(>F)"[3],"")
b<-anova(lm(y~p+o));cat(b$"F value"[1:2],b$"Pr(>F)"[1:2],"")
cat(b$Df[3]*b$"Mean Sq"[3]/qchisq(c(.975,.025),b$Df[3]),"")
x<-y[1:24];t<-t.test(x,mu=25.02);cat(t$p.value,t$conf.int-25.02,"")
cat((24-1)^.5*sd(x)/qchisq(c(.975,.025),23)^.5,"")
ref<-rep(c(10,15,20,25),6);m<-summary(lm(x~ref))$coefficients;cat(m[,1],m[,2],m[2,4])`)
	s, err := Crossed(readings, Options{Confidence: 0.95})
	if err != nil {
		t.Fatal(err)
	}
	w, o := &s.With, &s.Without
	one, err := OnStandard(y[:24], 25.02, 0.1, Share, Span, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	var x []float64
	for i := range 24 {
		x = append(x, []float64{10, 15, 20, 25}[i%4])
	}
	l := Fit(x, y[:24])
	got := []float64{
		w.In("part").SS, w.In("operator").SS, w.In("interaction").SS, w.In("repeatability").SS,
		w.In("part").F, w.In("part").P, w.In("operator").F, w.In("operator").P, w.In("interaction").F, w.In("interaction").P,
		o.In("part").F, o.In("operator").F, o.In("part").P, o.In("operator").P,
		o.Repeatability.Low, o.Repeatability.High,
		one.P, one.Bias.Low, one.Bias.High, one.SD.Low, one.SD.High,
		l.A, l.B, l.SEA, l.SEB, twoSided(l.B/l.SEB, 22),
	}
	if len(got) != len(want) {
		t.Fatalf("R printed %d numbers, want %d", len(want), len(got))
	}
	for i := range got {
		near(t, fmt.Sprint("figure ", i), got[i], want[i], 2e-9)
	}
}

// TestIntervalsCover: of 300 studies made by lot, about 95 in 100 intervals must hold
// the truth that they were made with.
func TestIntervalsCover(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 5))
	const p, o, n, runs = 10, 3, 3, 300
	truth := variances{repeat: 1, operator: 0.6, interaction: 0.4, part: 16}
	var held [4]int
	for range runs {
		var all []Reading
		op := make([]float64, o)
		for k := range op {
			op[k] = math.Sqrt(truth.operator) * r.NormFloat64()
		}
		for i := range p {
			part := math.Sqrt(truth.part) * r.NormFloat64()
			for k := range o {
				cell := math.Sqrt(truth.interaction) * r.NormFloat64()
				for range n {
					all = append(all, Reading{strconv.Itoa(i), strconv.Itoa(k), part + op[k] + cell + r.NormFloat64()})
				}
			}
		}
		c, err := gather(all)
		if err != nil {
			t.Fatal(err)
		}
		d := design{p: p, o: o, r: n, q: c.squares(), options: Options{Confidence: 0.95, Tolerance: 60}, draws: 1000}
		w, want := d.with(), d.figures(truth)
		for k, f := range []*Figure{&w.Repeatability, &w.Gauge, &w.Part, &w.Percent} {
			v := want[[]int{figRepeat, figGauge, figPart, figPercent}[k]]
			if f.Low <= v && v <= f.High {
				held[k]++
			}
		}
	}
	t.Logf("of %d intervals: %v hold", runs, held)
	for k, h := range held { // 285 expected, 3.8 is a standard deviation
		if h < 270 {
			t.Errorf("%d of %d intervals of figure %d hold the truth, want about 285", h, runs, k)
		}
	}
}

func TestAStudyWithHoles(t *testing.T) {
	all := study(t, "manual.csv")
	_, err := Crossed(all[1:], Options{Confidence: 0.95})
	if !errors.Is(err, ErrStudy) || !strings.Contains(err.Error(), "part 1 has 2 readings of operator A, others 3") {
		t.Error(err)
	}
	if _, err = Crossed(all[:3], Options{Confidence: 0.95}); !errors.Is(err, ErrStudy) {
		t.Error(err)
	}
	for i := range all {
		all[i].Value = 1
	}
	if _, err = Crossed(all, Options{Confidence: 0.95}); !errors.Is(err, ErrStudy) || !strings.Contains(err.Error(), "resolves") {
		t.Error(err)
	}
}

// TestASingleOperator has no reproducibility: one-way, components from the mean
// squares.
func TestASingleOperator(t *testing.T) {
	var all []Reading
	for _, r := range study(t, "manual.csv") {
		if r.Operator == "B" {
			all = append(all, r)
		}
	}
	s, err := Crossed(all, Options{Confidence: 0.95, Tolerance: 8})
	if err != nil {
		t.Fatal(err)
	}
	c := &s.Chosen
	near(t, "F", c.In("part").F, c.In("part").MS/c.In("repeatability").MS, 1e-12)
	near(t, "part", c.Part.Value, (c.In("part").MS-c.In("repeatability").MS)/3, 1e-12)
	if c.Reproducibility.Value != 0 || !math.IsNaN(c.In("operator").F) || c.Repeatability.Low >= c.Repeatability.Value {
		t.Errorf("%+v", c)
	}
}

// TestOnStandard by hand: s = 0.001, bias 0.0005, T = 0.06.
func TestOnStandard(t *testing.T) {
	var x []float64
	for range 25 {
		x = append(x, 20.0005-0.001*math.Sqrt(49.0/50), 20.0005+0.001*math.Sqrt(49.0/50))
	}
	s, err := OnStandard(x, 20, 0.06, Share, Span, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "s", s.SD.Value, 0.001, 1e-9)
	near(t, "bias", s.Bias.Value, 0.0005, 1e-9)
	near(t, "Cg", s.Cg.Value, 2, 1e-9)
	near(t, "Cgk", s.Cgk.Value, (0.006-0.0005)/0.003, 1e-8)
	if s, _ = OnStandard(x, 20, 0.06, 0.2, 4, 0.95); math.Abs(s.Cg.Value-3) > 1e-8 {
		t.Errorf("Cg over 4 s is %g, want 3", s.Cg.Value)
	}
	if s, _ = OnStandard(x, 20, 0, Share, Span, 0.95); !math.IsNaN(s.Cg.Value) || s.P > 0.01 {
		t.Errorf("without a tolerance: %+v", s)
	}
	if _, err = OnStandard(x[:9], 20, 0.06, Share, Span, 0.95); !errors.Is(err, ErrStudy) {
		t.Error(err)
	}
}

// TestCertifiedLine: NIST StRD, Norris (linear regression, certified values).
func TestCertifiedLine(t *testing.T) {
	var x, y []float64
	for _, r := range rows(t, "Norris.tsv", "\t") {
		y, x = append(y, number(t, r[0])), append(x, number(t, r[1]))
	}
	l := Fit(x, y)
	near(t, "intercept", l.A, -0.262323073774029, 2e-12)
	near(t, "slope", l.B, 1.00211681802045, 1e-13)
	near(t, "error of the intercept", l.SEA, 0.232818234301152, 1e-12)
	near(t, "error of the slope", l.SEB, 0.000429796848199937, 1e-12)
	near(t, "residual", l.SD, 0.884796396144373, 1e-12)
}

func TestLinearity(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 6))
	make5 := func(slope, bend float64) []AtReference {
		var out []AtReference
		for _, ref := range []float64{10, 20, 30, 40, 50} {
			for range 10 {
				u := (ref - 30) / 20
				out = append(out, AtReference{ref, ref + 0.001 + slope*(ref-30) + bend*u*u + 0.0005*r.NormFloat64()})
			}
		}
		return out
	}
	flat, err := Linearity(make5(0, 0), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if flat.SlopeP < 0.01 || flat.MeanP > 1e-6 || flat.Mean.Low > 0.001 || flat.Mean.High < 0.001 || flat.Lack < 0.01 {
		t.Errorf("a constant bias: %+v", flat)
	}
	steep, _ := Linearity(make5(1e-4, 0), 0.95)
	if steep.Slope.Low > 1e-4 || steep.Slope.High < 1e-4 || steep.SlopeP > 1e-9 || math.Abs(steep.Largest-0.003) > 3e-4 {
		t.Errorf("a slope: %+v", steep)
	}
	if bent, _ := Linearity(make5(0, 0.003), 0.95); bent.Lack > 1e-6 {
		t.Errorf("a curve was not told: %+v", bent)
	}
	if _, err = Linearity(make5(0, 0)[:10], 0.95); !errors.Is(err, ErrStudy) {
		t.Error(err)
	}
}

// TestStability: a gauge that gains 2 µm a day, set every eight hours, and once left
// as it was.
func TestStability(t *testing.T) {
	var visits []Visit
	r, off := rand.New(rand.NewPCG(8, 7)), 0.0
	for i := range 60 {
		off += 2.0/3 + 0.1*r.NormFloat64()
		if i == 40 {
			off += 5
		}
		visits = append(visits, Visit{Hours: 8 * float64(i), AsFound: off, Adjusted: i != 20, Standard: "ring A"})
		if i != 20 {
			off = 0
		}
	}
	s, err := Stability(visits, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if s.N != 59 || s.Outside != 1 || !s.Changes[39].Outside || s.Between != 8 {
		t.Errorf("%d changes, %d outside", s.N, s.Outside)
	}
	if c := s.Changes[20]; math.Abs(c.By-2.0/3) > 0.5 { // found twice as far off, since nobody adjusted
		t.Errorf("after a check without adjusting it moved by %g", c.By)
	}
	if s.Per24.Low > 2 || s.Per24.High < 2 || s.FoundP > 1e-6 {
		t.Errorf("drift %+v", s.Per24)
	}
	for i := range visits {
		visits[i].Standard = fmt.Sprint("ring ", i%2)
	}
	if _, err = Stability(visits, 0.95); !errors.Is(err, ErrStudy) {
		t.Errorf("two rings in turn say nothing of the gauge: %v", err)
	}
}

func TestEveryHeadIsSaidToBeBlindToSomething(t *testing.T) {
	for head, word := range map[Head]string{ThreePoint: "ovality", TwoPoint: "odd number", Other: "2, 4, 5, 7 and 8 lobes"} {
		if got := strings.Join(Blind(head), " "); !strings.Contains(got, word) || !strings.Contains(got, "anvils") {
			t.Errorf("%q: %s", head, got)
		}
	}
}
