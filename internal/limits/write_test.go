package limits

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"
	"time"
)

// golden is what a setter reads; testdata/text.txt holds one block a callout,
// each opened by "== callout".
func TestTextForASetter(t *testing.T) {
	b, err := os.ReadFile("testdata/text.txt")
	if err != nil {
		t.Fatal(err)
	}
	blocks := strings.Split(string(b), "== ")[1:]
	if len(blocks) < 8 {
		t.Fatalf("%d blocks", len(blocks))
	}
	for _, block := range blocks {
		callout, want, _ := strings.Cut(block, "\n")
		var got bytes.Buffer
		if err := WriteText(&got, parsed(t, callout)); err != nil {
			t.Fatal(err)
		}
		if got.String() != want {
			t.Errorf("%s: got\n%s\nwant\n%s", callout, got.String(), want)
		}
	}
	if err := WriteText(brokenWriter{}, parsed(t, "25 H7")); !errors.Is(err, errBroken) {
		t.Errorf("a broken writer gives %v", err)
	}
}

var errBroken = errors.New("broken")

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }

func TestJSON(t *testing.T) {
	for callout, want := range map[string]string{
		"M24x2-6H":                    `{"callout":"M24x2-6H","family":"metric thread","kind":"internal","pitch_min_mm":22.701,"pitch_max_mm":22.925,"major_min_mm":24,"major_max_mm":null,"minor_min_mm":21.835,"minor_max_mm":22.21,"standard":"ISO 965-1 (basic sizes ISO 724)","notes":["normal engagement N: over 8.5 up to 25 mm"]}`,
		"M16-6g":                      `{"callout":"M16x2-6g","family":"metric thread","kind":"external","pitch_min_mm":14.503,"pitch_max_mm":14.663,"major_min_mm":15.682,"major_max_mm":15.962,"minor_min_mm":null,"minor_max_mm":13.797,"standard":"ISO 965-1 (basic sizes ISO 724)","notes":["normal engagement N: over 8 up to 24 mm"]}`,
		"0.2500-20 UNC-2B":            `{"callout":"1/4-20 UNC-2B","family":"unified thread","kind":"internal","pitch_min_in":0.2175,"pitch_max_in":0.2224,"major_min_in":0.25,"major_max_in":null,"minor_min_in":0.196,"minor_max_in":0.207,"standard":"ASME B1.1 (published table where it differs from the formula)"}`,
		"25H7":                        `{"callout":"25 H7","family":"fit","kind":"internal","lower_mm":25,"upper_mm":25.021,"standard":"ISO 286-1"}`,
		"40 JS9":                      `{"callout":"40 JS9","family":"fit","kind":"internal","lower_mm":39.969,"upper_mm":40.031,"standard":"ISO 286-1"}`,
		"1.0000 ±0.0005 in":           `{"callout":"1 ±0.0005 in","family":"plain size","kind":"unknown","lower_mm":25.3873,"upper_mm":25.4127,"lower_in":0.9995,"upper_in":1.0005,"standard":"limits as written"}`,
		"max 12.5 mm":                 `{"callout":"≤ 12.5 mm","family":"plain size","kind":"unknown","lower_mm":null,"upper_mm":12.5,"standard":"limits as written"}`,
		"hole 12 ±3 µm":               `{"callout":"hole 12 ±3 µm","family":"plain size","kind":"internal","lower_mm":0.009,"upper_mm":0.015,"standard":"limits as written"}`,
		"25 h6 before plating 2.5 µm": `{"callout":"25 h6 before plating 2.5 µm","family":"fit","kind":"external","lower_mm":24.982,"upper_mm":24.995,"standard":"ISO 286-1","notes":["these limits hold before plating, the callout's hold after it"]}`,
	} {
		got, err := JSON(parsed(t, callout))
		if err != nil || string(got) != want {
			t.Errorf("%s:\n got %s, %v\nwant %s", callout, got, err, want)
		}
		if !json.Valid(got) {
			t.Errorf("%s: not JSON", callout)
		}
	}
}

// Lines are answered one for one and in order; bad ones stop nothing.
func TestJSONLines(t *testing.T) {
	long := strings.Repeat("M16-6H ", 3000)
	input := "25 H7\r\nM16x1.6-6H\n\n" + long + "\nM16-6H\x00\n\"quoted\"<&>\n\xff\xfe\n  18 g6  "
	var out bytes.Buffer
	if err := JSONLines(iotest.OneByteReader(strings.NewReader(input)), &out); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), `"\"quoted\"<&>"`) {
		t.Error("signs that JSON need not escape are escaped")
	}
	type answer struct {
		Callout, Reading, Error, Suggestion string
		Lower                               *json.Number `json:"lower_mm"`
	}
	var got []answer
	for line := range strings.Lines(out.String()) {
		var a answer
		if err := json.Unmarshal([]byte(line), &a); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if len(line) > 1000 {
			t.Errorf("an answer is %d bytes long", len(line))
		}
		got = append(got, a)
	}
	if len(got) != 8 {
		t.Fatalf("%d answers to 8 lines:\n%s", len(got), out.String())
	}
	for i, want := range []struct{ callout, reading, problem, suggestion, lower string }{
		{"25 H7", "25 H7", "", "", "25"},
		{"M16x1.6-6H", "", "pitch 1.6 mm is not a pitch", "M16x1.5-6H", ""},
		{"", "", "nothing is written", "", ""},
		{"M16-6H M16-6H", "", "write at most 100", "", ""},
		{"M16-6H\x00", "", "control character", "", ""},
		{"\"quoted\"<&>", "", "neither", "", ""},
		{"\ufffd", "", "not UTF-8", "", ""},
		{"  18 g6  ", "18 g6", "", "", "17.983"},
	} {
		a := got[i]
		lower := ""
		if a.Lower != nil {
			lower = a.Lower.String()
		}
		if !strings.HasPrefix(a.Callout, want.callout) || a.Reading != want.reading || a.Suggestion != want.suggestion || lower != want.lower ||
			(want.problem == "") != (a.Error == "") || !strings.Contains(a.Error, want.problem) {
			t.Errorf("line %d: %+v, want %+v", i+1, a, want)
		}
	}
}

// A valid callout that fills the bound of a line is not read from its beginning.
func TestJSONLinesNeverReadsHalfALine(t *testing.T) {
	for _, padding := range []int{maxLine - 6, maxLine - 5, maxLine - 1, maxLine, 3 * maxLine} {
		var out bytes.Buffer
		if err := JSONLines(strings.NewReader("25 H7"+strings.Repeat(" ", padding)+"0\n18 g6\n"), &out); err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if len(lines) != 2 || !strings.Contains(lines[0], `"error"`) || !strings.Contains(lines[1], `"lower_mm":17.983`) {
			t.Errorf("padding %d: %.300q", padding, lines)
		}
	}
}

// Somebody who types gets the answer before the next line.
func TestJSONLinesAnswersAtOnce(t *testing.T) {
	in, typed := io.Pipe()
	shown, out := io.Pipe()
	done := make(chan error, 1)
	go func() { done <- JSONLines(in, out) }()
	unanswered := time.AfterFunc(20*time.Second, func() { shown.CloseWithError(errors.New("no answer in 20 s")) })
	defer unanswered.Stop()
	answers := json.NewDecoder(shown)
	for _, s := range []string{"25 H7", "nonsense", "M16-6H"} {
		if _, err := fmt.Fprintln(typed, s); err != nil {
			t.Fatal(err)
		}
		var a struct{ Callout string }
		if err := answers.Decode(&a); err != nil || a.Callout != s {
			t.Fatalf("%q answered for %q, %v", a.Callout, s, err)
		}
	}
	typed.Close()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestJSONLinesReportsBrokenEnds(t *testing.T) {
	if err := JSONLines(iotest.ErrReader(errBroken), io.Discard); !errors.Is(err, errBroken) {
		t.Errorf("a broken reader gives %v", err)
	}
	if err := JSONLines(strings.NewReader("25 H7\n"), brokenWriter{}); !errors.Is(err, errBroken) {
		t.Errorf("a broken writer gives %v", err)
	}
	if err := JSONLines(strings.NewReader(strings.Repeat("25 H7\n", 5000)), brokenWriter{}); !errors.Is(err, errBroken) {
		t.Errorf("a broken writer gives %v", err)
	}
	if err := JSONLines(strings.NewReader(""), brokenWriter{}); err != nil {
		t.Errorf("nothing to answer gives %v", err)
	}
}
