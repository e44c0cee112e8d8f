package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/length"
)

func size(t *testing.T, text string) *length.Length {
	t.Helper()
	l, err := length.ParseNumber(text, length.MM)
	if err != nil {
		t.Fatal(err)
	}
	return &l
}

func rings(t *testing.T) *Document {
	t.Helper()
	s := &Subject{Name: "bore <28 H8>", Unit: length.MM, Lower: size(t, "73.95"), Upper: size(t, "74.05"),
		Basis: []Fact{{"limits revision", "C & later"}}}
	c := Collect(5, "")
	chance := rand.New(rand.NewPCG(1, 1))
	for range 125 {
		c.Add(74 + 0.012*chance.NormFloat64())
	}
	d := Capability(s, c, capability.Options{}, false)
	d.Heads = []Head{{"machine/mill-1", 12, strings.Repeat("ab", 32)}}
	return d
}

func written(t *testing.T, d *Document, f Format) string {
	t.Helper()
	var b bytes.Buffer
	if err := d.Write(&b, f); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestEveryFormSaysTheSame: figures, what they rest on, and what they do not decide.
func TestEveryFormSaysTheSame(t *testing.T) {
	d := rings(t)
	for _, f := range []Format{Text, JSON, CSV, HTML} {
		out := written(t, d, f)
		for _, want := range []string{"accepts no part", strings.Repeat("ab", 32), "73.95", "Ppk"} {
			if !strings.Contains(out, want) {
				t.Errorf("%s does not say %q", f, want)
			}
		}
		if again := written(t, rings(t), f); again != out {
			t.Errorf("%s differs the second time", f)
		}
	}
}

func TestJSONHasPlainNamesOneLevelDeep(t *testing.T) {
	var v map[string]any
	if err := json.Unmarshal([]byte(written(t, rings(t), JSON)), &v); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"n", "mean", "sd_overall", "sd_within", "cp", "cpk", "pp", "ppk", "cpm",
		"cp_low", "cp_high", "cpk_low", "cpk_high", "pp_low", "pp_high", "ppk_low", "ppk_high", "cpm_low", "cpm_high"} {
		if _, ok := v[name].(float64); !ok {
			t.Errorf("%s is %v", name, v[name])
		}
	}
	if v["n"] != 125.0 || v["unit"] != "mm" {
		t.Errorf("n %v, unit %v", v["n"], v["unit"])
	}
	heads := v["heads"].([]any)[0].(map[string]any)
	if heads["stream"] != "machine/mill-1" || heads["records"] != 12.0 {
		t.Errorf("heads: %v", heads)
	}
}

func TestAnUnknownFigureIsNull(t *testing.T) {
	s := &Subject{Name: "depth", Unit: length.MM, Upper: size(t, "1")}
	c := Collect(1, "")
	c.Add(0.5)
	c.Add(0.6)
	out := written(t, Capability(s, c, capability.Options{}, false), JSON)
	if !strings.Contains(out, `"cp": null`) || !strings.Contains(out, `"lower": null`) {
		t.Errorf("no null in %s", out)
	}
}

func TestThePageIsSelfContained(t *testing.T) {
	page := written(t, rings(t), HTML)
	for _, bad := range []string{"http://", "https://", "<script", "src=", "<link", "bore <28"} {
		if strings.Contains(strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, ""), bad) {
			t.Errorf("the page contains %q", bad)
		}
	}
	if n := strings.Count(page, "<svg"); n != 2 || strings.Count(page, "<desc>") != n || strings.Count(page, "<table") != 2 {
		t.Errorf("%d pictures, %d descriptions, %d tables", n, strings.Count(page, "<desc>"), strings.Count(page, "<table"))
	}
}

func TestSizesOutsideAreMarked(t *testing.T) {
	s := &Subject{Name: "bore", Unit: length.MM, Lower: size(t, "1.00"), Upper: size(t, "1.02")}
	c := Collect(1, "")
	for i := range 40 {
		c.Add(1.01 + 0.001*float64(i%5))
	}
	c.Add(1.05)
	d := Capability(s, c, capability.Options{}, false)
	if !strings.Contains(d.Summary, "1 of them outside") {
		t.Errorf("summary: %s", d.Summary)
	}
	if page := written(t, d, HTML); !strings.Contains(page, `class="alarm"`) {
		t.Error("no row is marked")
	}
}

func TestColumns(t *testing.T) {
	for name, table := range map[string]string{
		"comma":     "part,size\n1,74.01\n2,\n\n3,74.03\n",
		"semicolon": "part;size\r\n1;74,01\r\n2;\r\n3;74,03\r\n",
		"tab":       "\ufeffpart\tsize\n1\t74.01\n2\n3\t74.03",
		"quoted":    "part,size\n\"1\",\"74.01\"\n2,\n\"a \"\"b\"\"\",74.03\n",
	} {
		c, err := NewColumns(strings.NewReader(table))
		if err != nil {
			t.Fatal(err)
		}
		at, err := c.Find("Size")
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for {
			more, err := c.Next()
			if err != nil {
				t.Fatal(err)
			}
			if !more {
				break
			}
			v, ok, err := c.Float(at)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, fmt.Sprint(v, ok))
		}
		if s := strings.Join(got, " "); s != "74.01 true 0 false 74.03 true" {
			t.Errorf("%s: %s", name, s)
		}
	}
}

func TestWhatIsNoTable(t *testing.T) {
	if _, err := NewColumns(strings.NewReader("")); !errors.Is(err, ErrTable) {
		t.Errorf("an empty one: %v", err)
	}
	c, err := NewColumns(strings.NewReader("a,b\n1,x\n"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := c.Find("size"); !errors.Is(err, ErrTable) || !strings.Contains(err.Error(), "a, b") {
		t.Errorf("a missing column: %v", err)
	}
	if _, err := c.Next(); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"x", "NaN", "inf", "74,01"} {
		c, _ := NewColumns(strings.NewReader("a,b\n1,\"" + bad + "\"\n"))
		c.Next() //nolint:errcheck // looked at below
		if _, _, err := c.Float(1); !errors.Is(err, ErrTable) || !strings.Contains(err.Error(), "line 2") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	c, _ = NewColumns(strings.NewReader("a\n" + strings.Repeat("1", maxLine+1)))
	if _, err := c.Next(); err == nil {
		t.Error("a line without end is read")
	}
}

func TestNumbersInWords(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{fixed(-0.00004, 3), "0.000"}, {fixed(-1.25, 1), "−1.2"}, {signed(0.5, 2), "+0.50"}, {signed(0, 2), "0.00"},
		{count(1, "part"), "1 part"}, {count(3, "part"), "3 parts"}, {probability(1e-9), "< 0.0001"}, {probability(0.034), "= 0.0340"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}
