package gaugestudy

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"offsetbridge/testdata/peers/oracle"
)

// TestRepeatedAgainstR: the mean square within parts is that of R's analysis of variance.
func TestRepeatedAgainstR(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	var parts [][]float64
	var x, of []string
	for p := range 12 {
		var one []float64
		for range 2 + p%3 {
			v := 28 + float64(p)*0.01 + 0.0004*chance.NormFloat64()
			one = append(one, v)
			x, of = append(x, fmt.Sprintf("%.17g", v)), append(of, fmt.Sprint(p))
		}
		parts = append(parts, one)
	}
	parts = append(parts, []float64{5}) // read once: says nothing
	want := oracle.Numbers(t, "x <- c("+strings.Join(x, ",")+"); p <- factor(c("+strings.Join(of, ",")+")); a <- anova(lm(x ~ p)); n <- a[2,1]; s <- a[2,3]; "+
		"cat(sqrt(s), sqrt(s*n/qchisq(0.975,n)), sqrt(s*n/qchisq(0.025,n)), n)")
	o, err := Repeated(parts, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for i, got := range []float64{o.SD.Value, o.SD.Low, o.SD.High, float64(o.Freedom)} {
		if math.Abs(got/want[i]-1) > 1e-8 {
			t.Errorf("figure %d: %g, R says %g", i, got, want[i])
		}
	}
	if o.Parts != 12 || o.Apart != 0 || o.Readings != len(x) {
		t.Errorf("%+v", o)
	}
	// A chip under the anvil at one reading of one part.
	o2, err := Repeated(append(parts[:12:12], []float64{28, 28.05}), 0.95)
	if err != nil || o2.Apart != 1 || math.Abs(o2.SD.Value/o.SD.Value-1) > 1e-9 || o2.Freedom != o.Freedom {
		t.Errorf("with a chip: %+v, %v", o2, err)
	}
	if _, err := Repeated([][]float64{{1, 2}, {3}}, 0.95); !errors.Is(err, ErrStudy) {
		t.Errorf("one part read twice: %v", err)
	}
}

// TestRepeatedLeavesChanceAlone: of gauges that only scatter hardly any part is left out.
func TestRepeatedLeavesChanceAlone(t *testing.T) {
	chance, apart := rand.New(rand.NewPCG(7, 7)), 0
	for range 200 {
		var parts [][]float64
		for range 20 {
			parts = append(parts, []float64{chance.NormFloat64(), chance.NormFloat64(), chance.NormFloat64()})
		}
		o, err := Repeated(parts, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		apart += o.Apart
	}
	if apart > 2 {
		t.Errorf("%d parts of 200 studies are left out", apart)
	}
}
