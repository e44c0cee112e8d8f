package config

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
	"offsetbridge/internal/limits"
)

func TestParseDuration(t *testing.T) {
	for in, want := range map[string]time.Duration{
		"30 s": 30 * time.Second, "30s": 30 * time.Second, " 5 min ": 5 * time.Minute, "250 ms": 250 * time.Millisecond,
		"1.5 h": 90 * time.Minute, "0.001 s": time.Millisecond, "2 d": 48 * time.Hour, "0 s": 0, "36500 d": longest,
	} {
		if got, err := parseDuration(in); err != nil || got != want {
			t.Errorf("parseDuration(%q) = %v, %v, want %v", in, got, err, want)
		}
	}
	for in, say := range map[string]string{
		"": "has no number", "s": "has no number", "5": "has no unit", "5 m": "minutes or months", "5 weeks": "unknown unit",
		"-5 s": "plain number", "+5 s": "plain number", "1e3 s": "plain number", ".5 s": "plain number", "5. s": "plain number", "1,5 h": "plain number", "1 h 30 min": "plain number",
		"0.1 ms": "finer", "0.0001 s": "finer", "36501 d": "100 years", "999999999999999 s": "plain number", "1.1234567 d": "plain number",
	} {
		if got, err := parseDuration(in); err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("parseDuration(%q) = %v, %v, want an error with %q", in, got, err, say)
		}
	}
}

// What a message says as a time can be written back into the file.
func TestDurationsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Range(0, int64(longest/time.Millisecond)).Draw(t, "ms")) * time.Millisecond
		got, err := parseDuration(sayDuration(d))
		if err != nil || got != d {
			t.Fatalf("parseDuration(%q) = %v, %v, want %v", sayDuration(d), got, err, d)
		}
	})
}

// Limits are a range or what the drawing says; of a thread the pitch diameter,
// unless another is named. Numbers: ISO 286 for 28 H8, ISO 965-1 for the thread.
func TestParseLimits(t *testing.T) {
	for _, c := range []struct {
		text, feature string
		want          length.Range
		kind          limits.Kind
	}{
		{"28.000..28.033 mm", "", length.Range{Low: 28_000 * um, High: 28_033 * um}, limits.Unknown},
		{"-0.1..0.1 mm", "", length.Range{Low: -100 * um, High: 100 * um}, limits.Unknown},
		{"28 H8", "", length.Range{Low: 28_000 * um, High: 28_033 * um}, limits.Internal},
		{"28 f7", "", length.Range{Low: 27_959 * um, High: 27_980 * um}, limits.External},
		{"28 +0.033 0 mm", "", length.Range{Low: 28_000 * um, High: 28_033 * um}, limits.Unknown},
		{"M16x1.5-6H", "", length.Range{Low: 15_026 * um, High: 15_216 * um}, limits.Internal},
		{"M16x1.5-6H", "minor", length.Range{Low: 14_376 * um, High: 14_676 * um}, limits.Internal},
	} {
		r, kind, _, err := parseLimits(c.text, c.feature)
		if err != nil || r != c.want || kind != c.kind {
			t.Errorf("parseLimits(%q, %q) = %v, %v, %v, want %v, %v", c.text, c.feature, r, kind, err, c.want, c.kind)
		}
	}
	for _, c := range [][3]string{
		{"28 H8", "pitch", "has no feature"}, {"28..29 mm", "pitch", "plain range"}, {"M16x1.5-6H", "major", "open on one side"},
		{"≤ 12 mm", "", "open on one side"}, {"bore", "", "not understood"}, {"", "", "not understood"}, {"M16x1.5-6H7H8H", "", "not understood"},
	} {
		if r, _, _, err := parseLimits(c[0], c[1]); err == nil || !strings.Contains(err.Error(), c[2]) {
			t.Errorf("parseLimits(%q, %q) = %v, %v, want an error with %q", c[0], c[1], r, err, c[2])
		}
	}
}

func TestShareOf(t *testing.T) {
	for in, want := range map[string]int64{"10 % of T": 10_000, "12.5% of T": 12_500, " 300 %  of  T": 300_000, "0.001 % of T": 1} {
		if got, is, err := shareOf(in); got != want || !is || err != nil {
			t.Errorf("shareOf(%q) = %d, %v, %v, want %d", in, got, is, err, want)
		}
	}
	for _, in := range []string{"10 %", "10 % T", "10 % of t", "-10 % of T", "ten % of T", "% of T", "1e1 % of T", "10,5 % of T", "10.1234 % of T", "99999 % of T"} {
		if got, is, err := shareOf(in); !is || err == nil {
			t.Errorf("shareOf(%q) = %d, %v, %v, want an error", in, got, is, err)
		}
	}
	if _, is, _ := shareOf("10 µm"); is {
		t.Error("a length is taken for a share")
	}
}

// A share never exceeds what it is a share of, and does not overflow for the
// largest length there is.
func TestShareIsExact(t *testing.T) {
	if got := share(212*length.Micrometre, 10_000); got != 21_200 {
		t.Errorf("10 %% of 212 µm = %d nm, want 21200", got)
	}
	if got := share(33*length.Micrometre, 25_000); got != 8_250 {
		t.Errorf("25 %% of 33 µm = %d nm, want 8250", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		whole := length.Length(rapid.Int64Range(0, int64(length.Max)).Draw(t, "T"))
		milli := rapid.Int64Range(0, 100_000).Draw(t, "milli")
		got := share(whole, milli)
		if got < 0 || got > whole || share(whole, 100_000) != whole {
			t.Fatalf("share(%d, %d) = %d", whole, milli, got)
		}
	})
}

func TestNearest(t *testing.T) {
	known := []string{"damping", "dead_band", "mode", "machine"}
	for in, want := range map[string]string{"dampng": "damping", "deadband": "dead_band", "mdoe": "mode", "machines": "machine", "colour": "", "x": "", strings.Repeat("m", 200): ""} {
		if got := nearest(in, known); got != want {
			t.Errorf("nearest(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestList(t *testing.T) {
	for _, c := range []struct {
		words []string
		want  string
	}{{nil, ""}, {[]string{"a"}, "a"}, {[]string{"a", "b"}, "a or b"}, {[]string{"a", "b", "c"}, "a, b or c"}} {
		if got := list(c.words, "or"); got != c.want {
			t.Errorf("list(%q) = %q, want %q", c.words, got, c.want)
		}
	}
}
