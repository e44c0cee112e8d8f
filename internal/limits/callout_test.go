package limits

import (
	"errors"
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

// Every spelling that a drawing, a keyboard or a document gives reads as the
// same callout and prints its canonical form.
func TestSpellings(t *testing.T) {
	for canonical, spellings := range map[string][]string{
		"M16x2-6H":           {"M16-6H", "M16x2-6H", "M16 x 2 - 6H", "M16×2–6H", "M16*2-6H", "M 16-6H", "M16.0-6H", "M16-6H6H", "M16-6H-N", "  M16\u00a0\u20116H ", "M16xPh2P2-6H", "M16\t-6H"},
		"M16x1.5-6H":         {"M16×1.5-6H", "M16x1,5 - 6H", "M16x1.50-6H"},
		"M16x1.5-6H-LH":      {"M16x1.5-6H-LH", "M16x1.5LH-6H", "M16x1.5 LH - 6H"},
		"M16x2-6H-L-LH":      {"M16-6H-L-LH", "M16 LH-6H-L"},
		"M6x1-4g6g":          {"M6-4g6g", "M6x1-4g6g-N"},
		"M6x1-5H6H-S":        {"M6-5H6H-S"},
		"M1.6x0.35-6g":       {"M1,6-6g", "M1.6x0,35-6g"},
		"1/4-20 UNC-2B":      {"1/4-20 UNC-2B", "0.2500-20 UNC-2B", ".25-20UNC-2B", "1/4\" - 20 UNC - 2B", "0.25 in-20 UNC-2B"},
		"#10-32 UNF-2A":      {"#10-32 UNF-2A", "10-32 UNF-2A", "No. 10-32 UNF-2A", "No.10-32 UNF-2A", "0.190-32 UNF-2A"},
		"1 1/8-7 UNC-3A-LH":  {"1 1/8-7 UNC-3A-LH", "1-1/8-7 UNC-3A-LH", "1.125-7 UNC-3A-LH"},
		"1-8 UNC-2B":         {"1-8 UNC-2B", "1.000-8 UNC-2B", "1\"-8 UNC-2B"},
		"#1-64 UNC-2B":       {"1-64 UNC-2B", "#1-64 UNC-2B"},
		"2-4.5 UNC-2A":       {"2-4.5 UNC-2A", "2-4 1/2 UNC-2A"},
		"2 1/16-16 UN-2B":    {"2 1/16-16 UN-2B", "2.0625-16 UN-2B"},
		"25 H7":              {"25 H7", "25H7", "ø25 H7", "Ø 25 H7", "⌀25H7", "25.000 H7", "25 mm H7", "25mm H7", "25,0 H7"},
		"40 JS9":             {"40 JS9", "40JS9"},
		"0.5 js6":            {"0.5js6", "0,5 js6"},
		"22 +0.033 0 mm":     {"22.000 +0.033 0", "22,00 +0,033 0,000", "22 +0.033/0 mm", "22 mm +0.033 0", "ø22 + 0.033 0", "22 +0.033 -0 mm"},
		"22 -0.02 -0.05 mm":  {"22 -0.02 -0.05", "22 −0.02 −0.05 mm", "22.0 -0.020/-0.050"},
		"22 +0.05 +0.02 mm":  {"22 +0.05 +0.02"},
		"22 0 -0.05 mm":      {"22 0 -0.05", "22 +0 -0.05 mm"},
		"24.98..25.01 mm":    {"24.98..25.01 mm", "24.98 .. 25.01mm", "24.98 mm..25.01 mm", "24.98...25.01 mm"},
		"-0.02..0.02 mm":     {"-0.02..0.02 mm", "−0.02..0.02 mm"},
		"1 ±0.0005 in":       {"1.0000 ±0.0005 in", "1.0000 +/-0.0005 in", "1 +-0.0005\"", "1 in ±0.0005 in", "1.0000±0.0005in"},
		"22 ±0 mm":           {"22 0 0", "22 ±0 mm"},
		"12 ±3 µm":           {"12 ±3 µm", "12 ± 3 \u03bcm", "12±3um"},
		"≥ 12 mm":            {"≥ 12.0 mm", ">= 12 mm", ">=12mm", "min 12 mm", "min. 12 mm", "12 mm min", "12 mm min.", "MIN 12 mm"},
		"≤ 12.5 mm":          {"≤ 12.5 mm", "<= 12.5 mm", "max 12.5 mm", "12.5 mm max", "Max 12,5 mm"},
		"hole 22 ±0.01 mm":   {"hole 22 ±0.01 mm", "bore ø22 ±0.01 mm", "internal 22 ±0.01 mm"},
		"shaft 22 0 -0.1 mm": {"shaft 22 0 -0.1", "boss 22 0 -0.1", "external ø22 0 -0.1"},
		"M6x1-6g before plating 5..8 µm": {
			"M6-6g before plating 5..8 µm", "M6-6g, before plating 0.005..0.008 mm", "M6-6g before 5..8 um plating",
		},
		"25 H7 after plating 10 µm": {"25 H7 after plating 10 µm", "25H7 after plating 0.01 mm", "25 H7 after plating 10..10 µm"},
	} {
		want := parsed(t, canonical)
		if got := want.String(); got != canonical {
			t.Errorf("%q prints as %q", canonical, got)
		}
		for _, s := range spellings {
			if c, err := Parse(s); err != nil || c != want {
				t.Errorf("Parse(%q) = %q, %v; want %q", s, c, err, canonical)
			}
		}
	}
}

// What cannot be read is refused with the reason and what was probably meant.
func TestRefusals(t *testing.T) {
	for _, c := range []struct{ callout, reason, suggestion string }{
		{"", "nothing is written", ""},
		{"hello", "neither a thread, a fit nor a size", ""},
		{strings.Repeat("M16-6H ", 20), "bytes long", ""},
		{"M16-6H\x00", "control character", ""},
		{"M16-6H\xff", "not UTF-8", ""},

		{"M16", "tolerance class is missing", ""},
		{"M", "not a diameter", ""},
		{"M0-6H", "not a diameter", ""},
		{"M-16-6H", "not a diameter", "M16x2-6H"},
		{"M16-6J", "not a tolerance class", "M16x2-6H"},
		{"M16-2H", "not a tolerance class", "M16x2-4H"},
		{"M16-6H/6g", "internal and the external thread", ""},
		{"M16-4g6h", "share one position", "M16x2-4h6h"},
		{"M16-4g6g6g", "not one or two", ""},
		{"M16-5g", "grade 5 of the major diameter", "M16x2-5g6g"},
		{"M16-9H", "grade 9 of the pitch diameter", "M16x2-8H"},
		{"M1-6H", "grade 6 of the pitch diameter", "M1x0.25-5H"},
		{"M16x1.6-6H", "not a pitch of ISO 965-1: ISO 261 lists 2, 1.5, 1", "M16x1.5-6H"},
		{"M10x2-6H", "no tolerances for diameter 10 mm with pitch 2 mm", "M10x1.5-6H"},
		{"M17-6H", "no coarse pitch in ISO 261, write its pitch: ISO 261 lists 1.5, 1", "M17x1.5-6H"},
		{"M2000x6-6H", "no tolerances for diameter 2000 mm", "M200x6-6H"},
		{"M16xPh3P1.5-6H", "2 starts: ISO 965-1 tabulates single-start threads only", ""},
		{"M16xPh4P1.5-6H", "not a whole number of pitches", ""},
		{"M16xPh3-6H", "lead has no pitch", ""},
		{"M16-6H-X", "does not belong behind the class", "M16x2-6H"},
		{"M16-6H-LH-LH", "does not belong behind the class", "M16x2-6H-LH"},
		{"M16-6H-LH-S", "does not belong behind the class", "M16x2-6H-LH"},
		{"M1?x2-6H", "not a diameter", "M14x2-6H"},
		{"M1O-6H", "not a diameter", "M10x1.5-6H"},
		{"m16x1.5-6H", "neither a thread", "M16x1.5-6H"},
		{"M16X1.5-6H", "not a diameter", "M16x1.5-6H"},
		{"M16×1.5 6H", "not a pitch in mm", "M16x1.5-6H"},
		{"M16x1.5_6H", "not a pitch in mm", "M16x1.5-6H"},
		{"M16x1,125-6H", "not a pitch in mm", "M16x1.25-6H"},

		{"1/4-20 UNC", "class is missing", ""},
		{"1/4 UNC-2B", "threads per inch are missing", "1/4-20 UNC-2B"},
		{"1/4-21 UNC-2B", "has 20 threads per inch in UNC, not 21", "1/4-20 UNC-2B"},
		{"1/4-28 UNC-2B", "has 20 threads per inch in UNC, not 28", "1/4-28 UNF-2B"},
		{"1/4-20 UNC-4B", "not a class", "1/4-20 UNC-3B"},
		{"1/4-20 UNC-2C", "not a class", ""},
		{"1/4-20 UNX-2B", "not a series", "1/4-20 UNC-2B"},
		{"1/4-20 UNS-2B", "UNS threads are special", "1/4-20 UNC-2B"},
		{"1/4-20 UN-2B", "thread of the series UNC", "1/4-20 UNC-2B"},
		{"1/4-24 UN-2B", "UN has no 24 threads per inch", ""},
		{"1-32 UNC-2B", "has 8 threads per inch in UNC", ""},
		{"1/3-20 UNC-2B", "not a size", ""},
		{"#13-20 UNC-2B", "not a size", ""},
		{"#10-24 UNC-1B", "from 1/4 in only", "#10-24 UNC-2B"},
		{"7-8 UN-2B", "does not reach size 7", ""},
		{"1 3/64-16 UN-2B", "does not reach size 1 3/64", ""},
		{"1/4-20 UNC-2B-RH", "only LH", "1/4-20 UNC-2B"},
		{"1/4-0 UNC-2B", "not a number of threads", ""},

		{"25 H7/g6", "names the hole and the shaft", ""},
		{"25 H19", "not a tolerance grade", "25 H9"},
		{"25 H0", "not a tolerance grade", ""},
		{"25 L7", "not a fundamental deviation", ""},
		{"25 Hh7", "mixes capitals and small letters", ""},
		{"501 H7", "outside the tables", ""},
		{"25 h 7", "neither a thread", "25 h7"},
		{"25 J9", "no J9", "25 JS9"},
		{"0.8 H14", "no grade from IT14 up to 1 mm", ""},
		{"0.8 a11", "no deviation a at 0.8 mm", ""},
		{"20 t6", "no deviation t at 20 mm", ""},
		{"25 fg6", "no deviation fg at 25 mm", ""},
		{"25 K9", "no K9 over 3 mm", "25 K8"},
		{"25 M2", "starts at grade 3", "25 M3"},
		{"0.8 N9", "no N9 up to 1 mm", "0.8 N8"},

		{"24.98..25.01", "unit is missing", ""},
		{"1.0000 ±0.0005", "unit is missing", ""},
		{"25.01..24.98 mm", "lower limit is above the upper", "24.98..25.01 mm"},
		{"28.033..28.000 mm", "lower limit is above the upper", "28.000..28.033 mm"},
		{"28.033 mm … 28.000 mm", "neither a thread", ""},
		{"hole 28.033 mm .. 28.000 mm", "lower limit is above the upper", "hole 28.000..28.033 mm"},
		{"1.0010...1.0000 in", "lower limit is above the upper", "1.0000..1.0010 in"},
		{"16 M", `neither a thread, a fit nor a size with limits, write it as in "M16x1.5-6H", "1/4-20 UNC-2B", "25 H7"`, ""},
		{"28 H", "neither a thread", ""},
		{"22 0 +0.033", "upper deviation is written first", ""},
		{"22 0.033 0", "neither a thread", ""},
		{"22 ±+0.01 mm", "carries a sign behind ±", ""},
		{"22 ±-0.01 mm", "carries a sign behind ±", ""},
		{"1 in ±0.1 mm", "mixes in and mm", ""},
		{"22,000 +0,033 0", "thousands", ""},
		{"22.0000001..23 mm", "finer than one nanometre", ""},
		{"1000000 +1 0 mm", "beyond ±1 km", ""},
		{"≥ mm", "not a plain decimal", ""},

		{"22 ±0.01 mm before plating 5 µm", "write hole or shaft", ""},
		{"M6-6g before plating 5", "no unit", ""},
		{"M6-6g before plating 0 µm", "not over 0 and up to 1 mm", ""},
		{"M6-6g before plating 2 mm", "not over 0 and up to 1 mm", ""},
		{"M6-6g before painting 5 µm", "does not say plating", ""},
		{"M1-4h before plating 0.3 mm", "too thick for this diameter", ""},
		{"1 H7 after plating 0.5 mm", "too thick for this diameter", ""},
		{"M6-6g before plating 5..60 µm", "narrow it to less than 28 µm of spread", ""},
	} {
		got, err := Parse(c.callout)
		var e *Error
		if !errors.As(err, &e) || !errors.Is(err, ErrCallout) {
			t.Errorf("Parse(%q) = %q, %v; want an *Error", c.callout, got, err)
			continue
		}
		if !strings.Contains(err.Error(), c.reason) {
			t.Errorf("Parse(%q): %v; want %q", c.callout, err, c.reason)
		}
		if c.suggestion != "" && e.Suggestion != c.suggestion {
			t.Errorf("Parse(%q) suggests %q, want %q", c.callout, e.Suggestion, c.suggestion)
		}
		if c.suggestion == "" && e.Suggestion != "" {
			t.Logf("Parse(%q) suggests %q", c.callout, e.Suggestion)
		}
		if got != (Callout{}) {
			t.Errorf("Parse(%q) returns %v beside its error", c.callout, got)
		}
	}
}

// No suggestion makes a hole of a shaft, invents a unit or a class.
func TestSuggestionsGuessNothing(t *testing.T) {
	for _, s := range []string{"16 M", "16 mm M", "28 H", "16 x 1.5", "24 M mm", "M16", "M16x1.5", "1/4-20 UNC", "24.98..25.01", "1.0000 ±0.0005", "25", "M16xPh3P1.5-6H", strings.Repeat("9", 90), "M16-6H/6g", "1/4-20 UNC-2C", "25 H7/g6", "25 Hh7", "25 L7", "22 0 +0.033", "501 H7", "1000000 +1 0 mm", "1 in ±0.1 mm"} {
		var e *Error
		if _, err := Parse(s); !errors.As(err, &e) || e.Suggestion != "" {
			t.Errorf("Parse(%q): %v", s, err)
		}
	}
	for s, k := range map[string]Kind{"M16-6hh": External, "M16-6HH": Internal, "M16-5g": External, "25 h 7": External, "25 H 7": Internal} {
		var e *Error
		if _, err := Parse(s); !errors.As(err, &e) || e.Suggestion == "" || parsed(t, e.Suggestion).Kind() != k {
			t.Errorf("Parse(%q): %v, want one that is %s", s, err, k)
		}
	}
}

func TestViews(t *testing.T) {
	mm := func(s string) End { return At(number(t, s, length.MM)) }
	for _, c := range []struct {
		callout string
		feature Feature
		want    View
	}{
		{"M24x2-6H", OfPitch, View{Kind: Internal, Basic: mm("22.701"), Lower: mm("22.701"), Upper: mm("22.925"), MaximumMaterial: mm("22.701"), LeastMaterial: mm("22.925"), Width: mm("0.224")}},
		{"M24x2-6H", OfMinor, View{Kind: Internal, Basic: mm("21.835"), Lower: mm("21.835"), Upper: mm("22.210"), MaximumMaterial: mm("21.835"), LeastMaterial: mm("22.210"), Width: mm("0.375")}},
		{"M24x2-6H", OfMajor, View{Kind: Internal, Basic: mm("24"), Lower: mm("24"), MaximumMaterial: mm("24")}},
		{"M10-6g", OfPitch, View{Kind: External, Basic: mm("9.026"), Lower: mm("8.862"), Upper: mm("8.994"), MaximumMaterial: mm("8.994"), LeastMaterial: mm("8.862"), Width: mm("0.132")}},
		{"M10-6g", OfMinor, View{Kind: External, Basic: mm("8.376"), Upper: mm("8.344"), MaximumMaterial: mm("8.344")}},
		{"25 H7", OfSize, View{Kind: Internal, Basic: mm("25"), Lower: mm("25"), Upper: mm("25.021"), MaximumMaterial: mm("25"), LeastMaterial: mm("25.021"), Width: mm("0.021")}},
		{"18 g6", OfSize, View{Kind: External, Basic: mm("18"), Lower: mm("17.983"), Upper: mm("17.994"), MaximumMaterial: mm("17.994"), LeastMaterial: mm("17.983"), Width: mm("0.011")}},
		{"24.98..25.01 mm", OfSize, View{Lower: mm("24.98"), Upper: mm("25.01"), Width: mm("0.03")}},
		{"hole 24.98..25.01 mm", OfSize, View{Kind: Internal, Lower: mm("24.98"), Upper: mm("25.01"), MaximumMaterial: mm("24.98"), LeastMaterial: mm("25.01"), Width: mm("0.03")}},
		{"shaft ≥ 12 mm", OfSize, View{Kind: External, Lower: mm("12"), LeastMaterial: mm("12")}},
		{"≤ 12.5 mm", OfSize, View{Upper: mm("12.5")}},
	} {
		c.want.Feature, c.want.Unit = c.feature, length.MM
		got, err := parsed(t, c.callout).Limits().View(c.feature)
		if err != nil || got != c.want {
			t.Errorf("%s %s:\n got %+v, %v\nwant %+v", c.callout, c.feature, got, err, c.want)
		}
		r, ok := got.Range()
		if ok != (got.Lower.Set && got.Upper.Set) || ok && r != (length.Range{Low: got.Lower.At, High: got.Upper.At}) {
			t.Errorf("%s %s: range %v, %v", c.callout, c.feature, r, ok)
		}
	}
	for callout, f := range map[string]Feature{"M24x2-6H": OfSize, "25 H7": OfPitch, "≤ 12.5 mm": "diameter"} {
		if _, err := parsed(t, callout).Limits().View(f); !errors.Is(err, ErrFeature) {
			t.Errorf("%s has a %s: %v", callout, f, err)
		}
	}
}

func TestCalloutTellsItsNature(t *testing.T) {
	for _, c := range []struct {
		callout string
		family  Family
		kind    Kind
		left    bool
		pitch   length.Length
	}{
		{"M16x1.5-6H-LH", Metric, Internal, true, 1_500_000},
		{"M16-6g", Metric, External, false, 2_000_000},
		{"1/4-20 UNC-2B", Unified, Internal, false, 1_270_000},
		{"2-4.5 UNC-2A", Unified, External, false, 5_644_444},
		{"25 H7", Fit, Internal, false, 0},
		{"25 h7", Fit, External, false, 0},
		{"≥ 12 mm", Plain, Unknown, false, 0},
	} {
		got := parsed(t, c.callout)
		if got.Family() != c.family || got.Kind() != c.kind || got.LeftHand() != c.left || got.ThreadPitch() != c.pitch {
			t.Errorf("%s is %v %v %v %v", c.callout, got.Family(), got.Kind(), got.LeftHand(), got.ThreadPitch())
		}
	}
	var zero Callout
	if zero.String() != "" || zero.Family() != 0 || len(zero.Limits().Notes) != 0 || zero.Limits().Family != 0 {
		t.Errorf("the zero callout says %q", zero)
	}
	if _, err := JSON(zero); err == nil {
		t.Error("the zero callout was written as JSON")
	}
}

func TestWithKind(t *testing.T) {
	c, err := parsed(t, "22 ±0.01 mm").WithKind(External)
	if err != nil || c != parsed(t, "shaft 22 ±0.01 mm") {
		t.Errorf("got %q, %v", c, err)
	}
	if c, err := parsed(t, "25 H7").WithKind(Internal); err != nil || c != parsed(t, "25 H7") {
		t.Errorf("got %q, %v", c, err)
	}
	for _, s := range []string{"25 H7", "M16-6H", "1/4-20 UNC-2B", "hole 22 ±0.01 mm"} {
		if c, err := parsed(t, s).WithKind(External); err == nil {
			t.Errorf("%s became the shaft %q", s, c)
		}
	}
	if _, err := (Callout{}).WithKind(Internal); err == nil {
		t.Error("the zero callout became a hole")
	}
}

func TestCalloutAsText(t *testing.T) {
	var c Callout
	if err := c.UnmarshalText([]byte("M16x1,5 - 6H")); err != nil {
		t.Fatal(err)
	}
	if b, err := c.MarshalText(); err != nil || string(b) != "M16x1.5-6H" {
		t.Errorf("text is %q, %v", b, err)
	}
	before := c
	if err := c.UnmarshalText([]byte("M16x1,5 - 6X")); err == nil || c != before {
		t.Errorf("a bad text changed the callout to %q, %v", c, err)
	}
}

// Plating by hand: M6-6g, pitch 5.212 to 5.324, major 5.794 to 5.974. With 5 to
// 8 µm on every surface the pitch diameter grows by 20 to 32 µm (4×, 60° flanks),
// the major by 10 to 16.
func TestPlating(t *testing.T) {
	for _, c := range []struct{ callout, feature, lower, upper string }{
		{"M6-6g", "pitch", "5.212", "5.324"},
		{"M6-6g before plating 5..8 µm", "pitch", "5.192", "5.292"},
		{"M6-6g before plating 5..8 µm", "major", "5.784", "5.958"},
		{"M6-6g after plating 5..8 µm", "pitch", "5.232", "5.356"},
		{"M6-6g after plating 5..8 µm", "major", "5.804", "5.990"},
		{"M6-6H", "pitch", "5.350", "5.500"},
		{"M6-6H before plating 5..8 µm", "pitch", "5.382", "5.520"},
		{"M6-6H before plating 5..8 µm", "minor", "4.933", "5.163"},
		{"M6-6H after plating 5..8 µm", "pitch", "5.318", "5.480"},
		{"25 H7 before plating 10 µm", "size", "25.020", "25.041"},
		{"25 h7 before plating 10 µm", "size", "24.959", "24.980"},
		{"25 h7 after plating 10 µm", "size", "24.999", "25.020"},
		{"hole 22 ±0.01 mm before plating 2..4 µm", "size", "21.998", "22.006"},
	} {
		if c.callout == "hole 22 ±0.01 mm before plating 2..4 µm" {
			c.lower, c.upper = "21.998", "22.014"
		}
		s, err := parsed(t, c.callout).Limits().Of(Feature(c.feature))
		if err != nil || s.Lower != At(number(t, c.lower, length.MM)) || s.Upper != At(number(t, c.upper, length.MM)) {
			t.Errorf("%s %s: got %v to %v, want %s to %s", c.callout, c.feature, s.Lower.At, s.Upper.At, c.lower, c.upper)
		}
	}
	s := parsed(t, "M6-6H before plating 5..8 µm").Limits().Major
	if s.Upper.Set || s.Lower != At(6_016_000) {
		t.Errorf("major diameter of a hole to be plated: %+v", s)
	}
	// Ten times one micrometre of spread on the pitch diameter is the whole
	// tolerance: 112 µm / 4 = 28 µm.
	if s := parsed(t, "M6-6g before plating 5..33 µm").Limits().Pitch; s.Lower != s.Upper {
		t.Errorf("a spread of the whole tolerance leaves %v to %v", s.Lower.At, s.Upper.At)
	}
}
