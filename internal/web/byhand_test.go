package web

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

func TestTheArithmeticByHand(t *testing.T) {
	first := card()
	first.First, first.Control[0].Effect, first.Control[0].Was = true, -1000, 12_000
	inch := first
	inch.Measured, inch.Aim, inch.Aside = 24_994_000, 25_000_000, -2_000
	inch.Moves = []core.Move{{Register: "7 R", Old: 2_540, New: 5_080, Size: -5_080}}
	inch.Control = []core.Shown{{Unit: length.IN, Step: 2_540, Effect: -2000, Was: 2_540}}
	transit := card()
	transit.Control[0].Effect, transit.Control[0].Was = -1000, 20_000
	two := first
	two.Moves = []core.Move{{Register: "A", New: 3_000}, {Register: "B", New: -1_000}}
	two.Control = []core.Shown{{Unit: length.MM, Step: 1_000, Effect: 1000}, {Unit: length.MM, Step: 500, Effect: -500}}
	still := first
	still.Trigger = "still"
	for _, c := range []struct {
		name string
		p    core.ProposalView
		want string
	}{
		{"mm", first, "27.9910 mm measured, register −0.007 mm × −1 = +0.0070 mm: next 27.9980 mm (aim 27.9980 mm)"},
		{"inch, aimed short", inch, "0.98402 in measured, register +0.0001 in × −2 = −0.00020 in: next 0.98382 in (aim 0.98425 in, for now 0.98417 in)"},
		{"in transit", transit, "27.9910 mm measured, register −0.015 mm × −1 = +0.0150 mm: next 28.0060 mm (aim 27.9980 mm); earlier parts weigh in as well"},
		{"two registers", two, "27.9910 mm measured, register A +0.003 mm × +1 and B −0.0010 mm × −0.5 = +0.0035 mm: next 27.9945 mm (aim 27.9980 mm)"},
		{"no reading", still, ""},
	} {
		if got := CardOf(c.p).ByHand; got != c.want {
			t.Errorf("%s\n got %q\nwant %q", c.name, got, c.want)
		}
	}
}

var numbers = regexp.MustCompile(`[+−]?[0-9]+(\.[0-9]+)?`)

// With pencil and paper it comes out to the last digit shown, in every unit.
func TestTheArithmeticComesOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]length.Unit{length.MM, length.IN, length.UM}).Draw(t, "unit")
		step := map[length.Unit]length.Length{length.MM: 1_000, length.IN: 2_540, length.UM: 500}[unit]
		p := card()
		p.First = true
		p.Measured = length.Length(rapid.Int64Range(30_000_000, 200_000_000).Draw(t, "measured"))
		p.Control[0] = core.Shown{
			Unit: unit, Step: step, Effect: rapid.SampledFrom([]core.Effect{-2000, -1000, -500, 500, 1000, 2000}).Draw(t, "effect"),
			Was: step * length.Length(rapid.IntRange(-200, 200).Draw(t, "was")),
		}
		p.Moves[0].New = step * length.Length(rapid.IntRange(-200, 200).Draw(t, "new"))
		line := CardOf(p).ByHand
		var n []float64
		for _, s := range numbers.FindAllString(line, -1) {
			v, err := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
			if err != nil {
				t.Fatal(err)
			}
			n = append(n, v)
		}
		if len(n) != 6 {
			t.Fatalf("%q holds %v", line, n)
		}
		// half a last digit of the change of size is left to rounding where the effect is a half
		if off := math.Abs(n[1]*n[2] - n[3]); off > 0.51*math.Pow10(-digits[unit].decimals) {
			t.Fatalf("%q: the product is %v off", line, off)
		}
		if off := math.Abs(n[0] + n[3] - n[4]); off > 1e-9 {
			t.Fatalf("%q: the sum is %v off", line, off)
		}
	})
}
