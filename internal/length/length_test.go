package length

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var allUnits = []Unit{MM, UM, NM, IN, THOU}

func anyLength() *rapid.Generator[Length] {
	return rapid.Custom(func(t *rapid.T) Length {
		return Length(rapid.Int64Range(-int64(Max), int64(Max)).Draw(t, "nm"))
	})
}

func TestParse(t *testing.T) {
	for s, want := range map[string]Length{
		"18.018 mm": 18_018_000, "18.018mm": 18_018_000, "  18.018   mm ": 18_018_000,
		"-3.5 µm": -3_500, "-3,5 \u03bcm": -3_500, "+3.5 um": 3_500, "\u22123.5 µm": -3_500,
		"7 nm": 7, "0 nm": 0, "-0 mm": 0, "0.000000 mm": 0,
		"1 in": 25_400_000, "0.7087in": 18_000_980, `1"`: 25_400_000, "1 inch": 25_400_000, "0.000005 in": 127,
		"1 thou": 25_400, "0.5 mil": 12_700, "0.005 thou": 127,
		"0.123 mm": 123_000, "0,123 mm": 123_000, "1,25 mm": 1_250_000, "1234,5 mm": 1_234_500_000, "1,2345 mm": 1_234_500, "1234,567 mm": 1_234_567_000,
		"000012.5 mm": 12_500_000, "12.500000000000000000 mm": 12_500_000,
		"1000000 mm": Max, "-1000000 mm": -Max, "39370.078740 in": 999_999_999_996,
	} {
		got, err := Parse(s)
		if err != nil || got != want {
			t.Errorf("Parse(%q) = %d, %v; want %d", s, got, err, want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for s, part := range map[string]string{
		"":                                "no number",
		"mm":                              "no number",
		"18.018":                          "no unit",
		"18.018 furlongs":                 "not known",
		"18.018 MM":                       "not known",
		"18.018 m":                        "not known",
		"1e3 mm":                          "not a plain decimal",
		"0x10 mm":                         "not a plain decimal",
		"1_000 mm":                        "not a plain decimal",
		"1.2.3 mm":                        "not a plain decimal",
		"1.2,3 mm":                        "not a plain decimal",
		"1,2,3 mm":                        "not a plain decimal",
		"1. mm":                           "not a plain decimal",
		".5 mm":                           "not a plain decimal",
		"-.5 mm":                          "not a plain decimal",
		"1 000 mm":                        "not a plain decimal",
		"- 5 mm":                          "not a plain decimal",
		"--5 mm":                          "not a plain decimal",
		"+-5 mm":                          "not a plain decimal",
		"NaN5 mm":                         "not a plain decimal",
		"\uff11 mm":                       "no number",
		"1,234 mm":                        "thousands",
		"12,345 mm":                       "thousands",
		"123,456 mm":                      "thousands",
		"-1,234 mm":                       "thousands",
		"0.0000001 mm":                    "finer than one nanometre",
		"0.0001 µm":                       "finer than one nanometre",
		"0.5 nm":                          "finer than one nanometre",
		"0.0000001 in":                    "finer than one nanometre",
		"0.000001 in":                     "finer than one nanometre",
		"0.123456789 mm":                  "finer than one nanometre",
		"1000000.000001 mm":               "out of range",
		"1000001 mm":                      "out of range",
		"39370.078741 in":                 "finer than one nanometre",
		"39371 in":                        "out of range",
		"9223372036854775808 nm":          "out of range",
		"99999999999999999999999999 mm":   "out of range",
		strings.Repeat("0", 41) + " mm":   "characters long",
		strings.Repeat("9", 5000) + " mm": "characters long",
	} {
		got, err := Parse(s)
		if err == nil || !strings.Contains(err.Error(), part) || got != 0 {
			t.Errorf("Parse(%.60q) = %d, %v; want an error with %q", s, got, err, part)
		}
		if err != nil && len(err.Error()) > 300 {
			t.Errorf("the error for %.60q is %d bytes long", s, len(err.Error()))
		}
	}
	if _, err := Parse("1000001 mm"); !errors.Is(err, ErrRange) {
		t.Errorf("out of range does not wrap ErrRange: %v", err)
	}
	if _, err := ParseNumber("1", "furlong"); err == nil {
		t.Error("a number of an unknown unit was read")
	}
}

func TestUnits(t *testing.T) {
	for s, want := range map[string]Unit{
		"mm": MM, "µm": UM, "\u03bcm": UM, "um": UM, "nm": NM, "in": IN, "inch": IN, `"`: IN, "thou": THOU, "mil": THOU,
	} {
		if got, err := ParseUnit(s); err != nil || got != want {
			t.Errorf("ParseUnit(%q) = %q, %v", s, got, err)
		}
	}
	for u, want := range map[Unit]Length{MM: Millimetre, UM: Micrometre, NM: Nanometre, IN: Inch, THOU: Thou, "furlong": 0, "": 0} {
		if got := u.Size(); got != want {
			t.Errorf("%q is %d nm, want %d", u, got, want)
		}
	}
	if Inch != 25_400_000 || Thou*1000 != Inch { // 1 in = 25.4 mm, ISO 80000-3
		t.Error("the inch is not 25.4 mm")
	}
}

// A decimal text is read as the number it writes: exact rational arithmetic of
// math/big agrees, and where the number is no whole nanometre Parse refuses.
func TestParseNumberIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(allUnits).Draw(t, "unit")
		text := rapid.StringMatching(`[+-]?[0-9]{1,12}(\.[0-9]{1,10})?`).Draw(t, "text")
		got, err := ParseNumber(text, u)
		nm, ok := new(big.Rat).SetString(text)
		if !ok {
			t.Fatalf("math/big does not read %q", text)
		}
		nm.Mul(nm, new(big.Rat).SetInt64(int64(u.Size())))
		limit := new(big.Rat).SetInt64(int64(Max))
		readable := nm.IsInt() && new(big.Rat).Abs(nm).Cmp(limit) <= 0
		if readable != (err == nil) {
			t.Fatalf("ParseNumber(%q, %s) = %d, %v; exactly it is %s nm", text, u, got, err, nm.RatString())
		}
		if readable && nm.Num().Int64() != int64(got) {
			t.Fatalf("ParseNumber(%q, %s) = %d, want %s", text, u, got, nm.RatString())
		}
	})
}

// A decimal comma reads as the point does, or is refused as ambiguous.
func TestCommaNeverChangesTheValue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[+-]?[0-9]{1,5}\.[0-9]{1,6}`).Draw(t, "text")
		point, err := ParseNumber(text, MM)
		if err != nil {
			t.Fatal(err)
		}
		comma, err := ParseNumber(strings.Replace(text, ".", ",", 1), MM)
		if err == nil && comma != point {
			t.Fatalf("%q reads %d with a comma and %d with a point", text, comma, point)
		}
		digits := strings.TrimLeft(text, "+-")
		whole, fraction, _ := strings.Cut(digits, ".")
		ambiguous := len(fraction) == 3 && len(whole) <= 3 && whole[0] != '0'
		if ambiguous != (err != nil) {
			t.Fatalf("%q with a comma: %v, ambiguous %v", text, err, ambiguous)
		}
	})
}

func TestExactTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyLength().Draw(t, "length")
		for _, u := range []Unit{MM, UM, NM} {
			got, err := Parse(l.In(u) + " " + string(u))
			if err != nil || got != l {
				t.Fatalf("%d nm prints %q %s and reads back as %d, %v", l, l.In(u), u, got, err)
			}
		}
		if got, err := Parse(l.String()); err != nil || got != l {
			t.Fatalf("String %q reads back as %d, %v", l, got, err)
		}
		var back Length
		if err := back.UnmarshalText([]byte(l.String())); err != nil || back != l {
			t.Fatalf("UnmarshalText(%q) = %d, %v", l, back, err)
		}
	})
}

// Whatever was written in inches or thou prints exactly in them.
func TestInchesWrittenPrintBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom([]Unit{IN, THOU}).Draw(t, "unit")
		step := map[Unit]Length{IN: 127, THOU: 127}[u] // 0.000005 in
		l := step * Length(rapid.Int64Range(-1e9, 1e9).Draw(t, "steps"))
		got, err := Parse(l.In(u) + " " + string(u))
		if err != nil || got != l {
			t.Fatalf("%d nm prints %q %s and reads back as %d, %v", l, l.In(u), u, got, err)
		}
	})
}

// Text rounds the exact value half away from zero, as math/big does.
func TestTextRoundsExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyLength().Draw(t, "length")
		u := rapid.SampledFrom(allUnits).Draw(t, "unit")
		decimals := rapid.IntRange(0, u.decimals()).Draw(t, "decimals")
		want := big.NewRat(int64(l), int64(u.Size())).FloatString(decimals) // half away from zero
		if strings.Trim(want, "-0.") == "" {
			want = strings.TrimPrefix(want, "-")
		}
		if got := l.Text(u, decimals); got != want+" "+string(u) {
			t.Fatalf("%d nm: Text(%s, %d) = %q, want %q", l, u, decimals, got, want)
		}
	})
}

func TestText(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{Length(18_018_000).Text(MM, 3), "18.018 mm"},
		{Length(18_018_500).Text(MM, 3), "18.019 mm"},
		{Length(-18_018_500).Text(MM, 3), "-18.019 mm"},
		{Length(18_018_499).Text(MM, 3), "18.018 mm"},
		{Length(999_999_999).Text(MM, 3), "1000.000 mm"},
		{Length(-400).Text(UM, 0), "0 µm"},
		{Length(-500).Text(UM, 0), "-1 µm"},
		{Length(1).Text(MM, 99), "0.000001 mm"},
		{Length(1_500_000).Text(MM, -3), "2 mm"},
		{Length(5).Text("furlong", 2), "5 furlong"},
		{Length(2_500).Signed(UM, 1), "+2.5 µm"},
		{Length(-2_500).Signed(UM, 1), "\u22122.5 µm"},
		{Length(-40).Signed(UM, 1), "+0.0 µm"},
		{Length(0).Signed(MM, 3), "+0.000 mm"},
		{Length(25_400_000).In(IN), "1"},
		{Length(2_540_000).In(IN), "0.1"},
		{Length(100_000_000).In(MM), "100"},
		{Length(0).In(MM), "0"},
		{Length(-1).In(MM), "-0.000001"},
		{Length(1).In(IN), "0.00000004"},
		{Length(18_018_500).String(), "18.0185 mm"},
		{Range{18_000_000, 18_018_000}.String(), "18..18.018 mm"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// A control's double holds every length to within far less than a nanometre, so
// what is written into it and read back is the same length.
func TestFloatRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyLength().Draw(t, "length")
		for _, u := range allUnits {
			if got, ok := FromFloat(l.Float(u), u); !ok || got != l {
				t.Fatalf("%d nm as a double of %s comes back as %d, %v", l, u, got, ok)
			}
		}
		if got, ok := FromMicrometres(l.Micrometres()); !ok || got != l {
			t.Fatalf("%d nm in µm comes back as %d, %v", l, got, ok)
		}
	})
}

func TestFromFloat(t *testing.T) {
	for _, c := range []struct {
		v    float64
		u    Unit
		want Length
		ok   bool
	}{
		{18.018, MM, 18_018_000, true},
		{0.1 + 0.2, MM, 300_000, true},
		{0.5, NM, 1, true}, {-0.5, NM, -1, true}, {0.49, NM, 0, true}, // ties away from zero
		{math.Copysign(0, -1), MM, 0, true},
		{1e6, MM, Max, true}, {-1e6, MM, -Max, true}, {1e12, NM, Max, true},
		{1e6 + 1, MM, 0, false}, {-1e6 - 1, MM, 0, false},
		{math.NaN(), MM, 0, false}, {math.Inf(1), MM, 0, false}, {math.Inf(-1), MM, 0, false},
		{math.MaxFloat64, MM, 0, false}, {1, "furlong", 0, false},
	} {
		if got, ok := FromFloat(c.v, c.u); got != c.want || ok != c.ok {
			t.Errorf("FromFloat(%v, %s) = %d, %v", c.v, c.u, got, ok)
		}
	}
	if _, ok := FromMicrometres(math.NaN()); ok {
		t.Error("NaN µm became a length")
	}
	if !math.IsNaN(Length(1).Float("furlong")) {
		t.Error("an unknown unit gave a number")
	}
}

// Round is the nearest multiple; a tie goes to the register's side.
func TestRoundProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		target, inForce := anyLength().Draw(t, "target"), anyLength().Draw(t, "in force")
		if rapid.Bool().Draw(t, "close") {
			target, inForce = target%1000, inForce%1000
		}
		step := Length(rapid.Int64Range(1, 2_000).Draw(t, "step"))
		got := Round(target, inForce, step)
		distance := (got - target).Abs()
		switch {
		case !got.OnGrid(step):
			t.Fatalf("Round(%d, %d, %d) = %d is off the grid", target, inForce, step, got)
		case 2*distance > step:
			t.Fatalf("Round(%d, %d, %d) = %d is not the nearest", target, inForce, step, got)
		case target.OnGrid(step) && got != target:
			t.Fatalf("Round moved %d, which is on the grid of %d, to %d", target, step, got)
		case Round(got, inForce, step) != got:
			t.Fatalf("rounding %d twice moves it", got)
		}
		if 2*distance != step {
			return
		}
		other := 2*target - got
		if (inForce - got).Abs() > (inForce - other).Abs() {
			t.Fatalf("Round(%d, %d, %d) = %d goes away from the register", target, inForce, step, got)
		}
		if inForce == target && got.Abs() > other.Abs() {
			t.Fatalf("Round(%d, %d, %d) = %d goes away from zero", target, inForce, step, got)
		}
	})
}

func TestRoundTies(t *testing.T) {
	for _, c := range []struct{ target, inForce, step, want Length }{
		{15, 0, 10, 10},
		{15, 100, 10, 20},
		{15, 14, 10, 10},
		{15, 16, 10, 20},
		{15, 15, 10, 10},
		{-15, 0, 10, -10},
		{-15, -100, 10, -20},
		{-15, -15, 10, -10},
		{5, 5, 10, 0},
		{-5, -5, 10, 0},
		{14, 100, 10, 10},
		{16, -100, 10, 20},
		{-14, -100, 10, -10},
		{0, 7, 10, 0},
		{3, -9, 1, 3},
	} {
		if got := Round(c.target, c.inForce, c.step); got != c.want {
			t.Errorf("Round(%d, %d, %d) = %d, want %d", c.target, c.inForce, c.step, got, c.want)
		}
	}
	for _, step := range []Length{0, -1} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("Round with step %d did not panic", step)
				}
			}()
			Round(1, 1, step)
		}()
		if Length(0).OnGrid(step) {
			t.Errorf("0 is on the grid of %d", step)
		}
	}
}

func TestJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyLength().Draw(t, "length")
		b, err := json.Marshal(l)
		if err != nil || string(b) != fmt.Sprint(int64(l)) {
			t.Fatalf("%d marshals to %s, %v", l, b, err)
		}
		var back Length
		if err := json.Unmarshal(b, &back); err != nil || back != l {
			t.Fatalf("%s unmarshals to %d, %v", b, back, err)
		}
	})
	for _, s := range []string{`"5"`, "1.5", "1e3", "true", "[]", "null", "9223372036854775808", "1000000000001", "-1000000000001"} {
		l := Length(42)
		if err := json.Unmarshal([]byte(s), &l); err == nil {
			t.Errorf("%s was read as %d nm", s, l)
		} else if l != 42 {
			t.Errorf("%s was refused and still changed the length to %d", s, l)
		}
	}
	l := Length(42)
	if err := l.UnmarshalText([]byte("18.018")); err == nil || l != 42 {
		t.Errorf("text without a unit: %d, %v", l, err)
	}
}

func TestParseRange(t *testing.T) {
	for s, want := range map[string]Range{
		"18.000..18.018 mm":    {18_000_000, 18_018_000},
		"18,00 .. 18,02 mm":    {18_000_000, 18_020_000},
		"-5..5 µm":             {-5_000, 5_000},
		"\u22125..\u22122 µm":  {-5_000, -2_000},
		"500 µm..1 mm":         {500_000, 1_000_000},
		"0.9995..1.0005in":     {25_387_300, 25_412_700},
		"7..7 nm":              {7, 7},
		" 18 mm .. 18.5   mm ": {18_000_000, 18_500_000},
	} {
		if got, err := ParseRange(s); err != nil || got != want {
			t.Errorf("ParseRange(%q) = %v, %v; want %v", s, got, err, want)
		}
	}
	for s, part := range map[string]string{
		"18 mm":              "..",
		"18..17 mm":          "downwards",
		"18..18.5":           "no unit",
		"18 mm..18.5":        "no unit",
		"..18 mm":            "no number",
		"18.. mm":            "no number",
		"18...18.5 mm":       "plain decimal",
		"1 mm..2 furlong":    "not known",
		"1 mm..500 µm":       "downwards",
		"1..2..3 mm":         "plain decimal",
		"0.0000001..1 mm":    "finer",
		"-1000001..0 mm":     "out of range",
		"1,234..5,678 mm":    "thousands",
		"1 furlong..2.00 mm": "not known",
	} {
		if got, err := ParseRange(s); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("ParseRange(%q) = %v, %v; want an error with %q", s, got, err, part)
		}
	}
}

func TestRangeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := anyLength().Draw(t, "a"), anyLength().Draw(t, "b")
		r := Range{min(a, b), max(a, b)}
		if back, err := ParseRange(r.String()); err != nil || back != r {
			t.Fatalf("%v reads back as %v, %v", r, back, err)
		}
		m := r.Middle()
		if !r.Contains(m) || !r.Contains(r.Low) || !r.Contains(r.High) || r.Contains(r.Low-1) || r.Contains(r.High+1) {
			t.Fatalf("%v contains the wrong lengths", r)
		}
		if below, above := m-r.Low, r.High-m; above-below != 0 && above-below != 1 {
			t.Fatalf("the middle of %v is %d", r, m)
		}
		if r.Width() != r.High-r.Low || a.Abs() < 0 || a.Abs() != a && a.Abs() != -a {
			t.Fatal("width or magnitude")
		}
	})
}

// An error repeats a bounded, printable piece of what was written.
func TestErrorsAreBounded(t *testing.T) {
	for _, s := range []string{strings.Repeat("µ", 5000), strings.Repeat("x", 59) + "µµ 1 q", "5 " + strings.Repeat("é", 400), strings.Repeat("a", 1000) + "..1 mm"} {
		for _, err := range []error{second(Parse(s)), second(ParseRange(s)), second(ParseUnit(s)), second(ParseNumber(s, MM))} {
			if err == nil || len(err.Error()) > 1000 || strings.Contains(err.Error(), "\ufffd") {
				t.Errorf("%.20q: %v", s, err)
			}
		}
	}
}

func second[T any](_ T, err error) error { return err }

func FuzzParse(f *testing.F) {
	for _, s := range []string{"18.018 mm", "-3,5 µm", `1"`, "1,234 mm", "0.0000001 in", "\u22125 thou", "1e9 mm", "..", "9999999999999999999 nm", "18..19 mm", "\xff mm"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if l, err := Parse(s); err == nil {
			if l > Max || l < -Max {
				t.Fatalf("Parse(%q) = %d is out of range", s, l)
			}
			if back, err := Parse(l.String()); err != nil || back != l {
				t.Fatalf("Parse(%q) = %d prints %q and reads back as %d, %v", s, l, l, back, err)
			}
		} else if len(err.Error()) > 1000 {
			t.Fatalf("the error for %q is %d bytes long", s, len(err.Error()))
		}
		if r, err := ParseRange(s); err == nil {
			if r.Low > r.High || r.High > Max || r.Low < -Max {
				t.Fatalf("ParseRange(%q) = %v", s, r)
			}
			if back, err := ParseRange(r.String()); err != nil || back != r {
				t.Fatalf("ParseRange(%q) = %v reads back as %v, %v", s, r, back, err)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Parse("18.018 mm"); err != nil {
			b.Fatal(err)
		}
	}
}
