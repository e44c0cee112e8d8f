package report

import (
	"math"
	"strings"
	"testing"

	"offsetbridge/internal/comparison"
	"offsetbridge/internal/gaugestudy"
)

func said(t *testing.T, d *Document, f Format) string {
	t.Helper()
	var b strings.Builder
	if err := d.Write(&b, f); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestTheDifferenceIsSaidUpwards: whichever group comes first, the larger one is said
// to lie above, with the interval turned as well.
func TestTheDifferenceIsSaidUpwards(t *testing.T) {
	low, high := comparison.Group{Name: "low"}, comparison.Group{Name: "high"}
	for i := range 20 {
		x := float64(i%5) / 1000
		low.Values, high.Values = append(low.Values, 10+x), append(high.Values, 10.01+x)
	}
	for _, groups := range [][]comparison.Group{{low, high}, {high, low}} {
		d, err := Compare(&Compared{Name: "bore", By: "machine", Unit: "mm"}, groups, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(d.Summary, "high lies 0.0100 mm above low (+0.0") || !strings.Contains(d.Summary, "No difference in spread") {
			t.Errorf("%s", d.Summary)
		}
	}
}

// TestAStudyInEveryForm: the data's names, the picture and the blindness are in it.
func TestAStudyInEveryForm(t *testing.T) {
	var readings []gaugestudy.Reading
	for p := range 3 {
		for o := range 2 {
			for k := range 2 {
				readings = append(readings, gaugestudy.Reading{Part: string(rune('1' + p)), Operator: string(rune('A' + o)), Value: float64(p) + 0.1*float64(o) + 0.01*float64(k)})
			}
		}
	}
	d, err := Crossed(&Studied{Name: "bore-1", Unit: "mm", Head: gaugestudy.ThreePoint}, readings, gaugestudy.Options{Confidence: 0.95, Tolerance: math.NaN()})
	if err != nil {
		t.Fatal(err)
	}
	for form, words := range map[Format][]string{
		JSON: {`"var_repeatability"`, `"var_interaction"`, `"grr_percent"`, `"ndc"`, `"f_part"`, `"p_interaction"`, `"pooled"`},
		HTML: {"<desc>The readings of 3 parts", "ovality"},
		Text: {"3 parts are few", "bore-1"},
		CSV:  {"Analysis of variance,part,2,"},
	} {
		text := said(t, d, form)
		for _, w := range words {
			if !strings.Contains(text, w) {
				t.Errorf("%s lacks %q", form, w)
			}
		}
	}
}
