package capability

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// table reads a file of testdata: tab-separated, comments begin with #.
func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // only read from
	var out [][]string
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := s.Text(); line != "" && line[0] != '#' {
			out = append(out, strings.Split(line, "\t"))
		}
	}
	if len(out) < 5 {
		t.Fatalf("%s has %d rows", name, len(out))
	}
	return out
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// near complains unless got is want to a relative (for small want: absolute) tolerance.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if d := math.Abs(got - want); !(d <= tolerance*max(1, math.Abs(want))) && !(math.IsNaN(got) && math.IsNaN(want)) {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

// digits is how many leading digits agree (NIST's log relative error).
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	if want == 0 {
		return -math.Log10(math.Abs(got))
	}
	return min(15, -math.Log10(math.Abs(got-want)/math.Abs(want)))
}
