package limits

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

// check holds for every accepted callout: it prints back to an equal one, its
// limits are ordered and inside their bounds, and its JSON is valid.
func check(t *testing.T, text string, c Callout) {
	t.Helper()
	again, err := Parse(c.String())
	if err != nil || again != c {
		t.Fatalf("%q prints as %q, which reads as %q, %v", text, c, again, err)
	}
	l := c.Limits()
	if l.Family == 0 || l.Family != c.Family() || l.Kind != c.Kind() || l.Unit.Size() == 0 || l.Standard == "" {
		t.Fatalf("%q has limits %+v", text, l)
	}
	closed := 0
	for _, f := range l.Features() {
		v, err := l.View(f)
		if err != nil {
			t.Fatal(err)
		}
		if v.Width.Set && v.Width.At < 0 {
			t.Fatalf("%q: %s from %v to %v", text, f, v.Lower.At, v.Upper.At)
		}
		for _, e := range []End{v.Lower, v.Upper} {
			if e.At.Abs() > length.Max+4*MaxPlating {
				t.Fatalf("%q: %s reaches %v", text, f, e.At)
			}
			if e.Set {
				closed++
			}
			if e.Set && l.Family.Thread() && e.At <= 0 {
				t.Fatalf("%q: %s is %v", text, f, e.At)
			}
		}
	}
	if closed == 0 {
		t.Fatalf("%q has no limit", text)
	}
	if b, err := JSON(c); err != nil || !json.Valid(b) {
		t.Fatalf("%q: %s, %v", text, b, err)
	}
}

var seeds = []string{
	"M24x2-6H", "M16-6H", "M16×1.5-6H", "M16x1,5 - 6H", "M6-4g6g-S-LH", "M16xPh2P2-6H", "M1-5H", "M300x8-6e",
	"1/4-20 UNC-2B", "#10-32 UNF-3A", "1 1/8-7 UNC-1A-LH", "2-4 1/2 UNC-2A", "0.2500-28 UNF-2B", "1 1/16-16 UN-2A", "1/4-32 UNEF-3B",
	"25 H7", "18 g6", "40 JS9", "ø250.5 M6", "3 ZC11", "0.8 a11",
	"22.000 +0.033 0", "24.98..25.01 mm", "1.0000 ±0.0005 in", "≥ 12.0 mm", "max 12.5 mm", "hole -5..5 µm", "7 thou min",
	"M6-6g before plating 5..8 µm", "25 H7 after plating 0.01 mm", "M16-6H/6g", "M16xPh3P1.5-6H", "22,000 +0,033 0",
}

func FuzzParse(f *testing.F) {
	for _, s := range seeds {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := parse(text) // without the search for a suggestion, for speed
		if err != nil {
			if c != (Callout{}) && len(err.Error()) > 1500 {
				t.Fatalf("the error for %q is %d bytes long", text, len(err.Error()))
			}
			return
		}
		check(t, text, c)
	})
}

// A suggestion is always a callout that Parse accepts: a canonical one, or the
// limits as they were written, the right way round.
func FuzzSuggest(f *testing.F) {
	for i, s := range seeds {
		f.Add([]string{s + "x", strings.Replace(s, "6", "9", 1), strings.ToLower(s)}[i%3])
	}
	f.Fuzz(func(t *testing.T, text string) {
		_, err := Parse(text)
		var e *Error
		if err == nil {
			return
		}
		if !errors.As(err, &e) || len(err.Error()) > 1500 {
			t.Fatalf("the error for %q is %T, %d bytes long", text, err, len(err.Error()))
		}
		if e.Suggestion == "" {
			return
		}
		c, err := Parse(e.Suggestion)
		if err != nil || c.String() != e.Suggestion && !strings.Contains(e.Reason, errTurned.Error()) {
			t.Fatalf("%q suggests %q, which reads as %q, %v", text, e.Suggestion, c, err)
		}
	})
}

func FuzzJSONLines(f *testing.F) {
	f.Add("25 H7\nM16-6H\n\nx")
	f.Add(strings.Repeat("a", 9000) + "\n25 H7")
	f.Add("\r\n\xff\n\"\\\n")
	f.Fuzz(func(t *testing.T, input string) {
		if len(input) > 20_000 || strings.Count(input, "\n") > 50 {
			return
		}
		var out bytes.Buffer
		if err := JSONLines(strings.NewReader(input), &out); err != nil {
			t.Fatal(err)
		}
		lines := strings.Count(input, "\n")
		if input != "" && !strings.HasSuffix(input, "\n") {
			lines++
		}
		if got := strings.Count(out.String(), "\n"); got != lines {
			t.Fatalf("%d answers to %d lines of %q", got, lines, input)
		}
		for line := range strings.Lines(out.String()) {
			if !json.Valid([]byte(line)) {
				t.Fatalf("%q is not JSON", line)
			}
		}
	})
}
