package limits

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

// Ranges of diameters follow each other without a gap and without an overlap,
// and a diameter on a bound belongs to the range that ends there.
func TestRangesAreSeamless(t *testing.T) {
	var grades, deviations []band
	for _, r := range table().grades {
		grades = append(grades, r.band)
	}
	for _, r := range table().deviations {
		deviations = append(deviations, r.band)
	}
	for name, bands := range map[string][]band{"grades": grades, "deviations": deviations} {
		at := length.Length(0)
		for _, b := range bands {
			if b.over != at || b.upto <= b.over || b.holds(b.over) || !b.holds(b.upto) || !b.holds(b.over+1) || b.holds(b.upto+1) {
				t.Errorf("%s: range %v to %v follows %v", name, b.over, b.upto, at)
			}
			at = b.upto
		}
		if at != 500*length.Millimetre {
			t.Errorf("%s end at %v", name, at)
		}
	}
	for _, k := range []Kind{Internal, External} {
		seen := map[string]bool{}
		for _, r := range table().pitch[k] {
			key := fmt.Sprint(r.band, r.pitch)
			if seen[key] {
				t.Errorf("%s: two rows for %v", k, key)
			}
			seen[key] = true
			last := length.Length(0)
			for g, c := range r.grades {
				if c.set && c.value <= last {
					t.Errorf("%s over %v pitch %v: grade %d is not wider than the one before", k, r.over, r.pitch, g)
				}
				last = max(last, c.value)
			}
		}
	}
}

// Every size of ISO 261 and of the unified series has limits in the classes that
// drawings use most, internal and external.
func TestEveryListedSizeHasLimits(t *testing.T) {
	metric, unified := 0, 0
	for _, s := range table().sizes {
		for _, p := range append([]length.Length{s.coarse}, s.fine...) {
			if p == 0 {
				continue
			}
			metric++
			in, out := "-6H", "-6g"
			if p < 350*length.Micrometre {
				in, out = "-4H", "-6g" // finer pitches have no grade 6 inside
			}
			for _, class := range []string{in, out} {
				c := parsed(t, fmt.Sprintf("M%sx%s%s", s.d.In(length.MM), p.In(length.MM), class))
				if notes := strings.Join(c.Limits().Notes, ";"); strings.Contains(notes, "not a size") {
					t.Errorf("%s: %s", c, notes)
				}
			}
		}
	}
	for _, s := range table().unified {
		for series, n := range s.series {
			unified++
			for _, class := range []string{"2A", "3A", "2B", "3B"} {
				parsed(t, fmt.Sprintf("%s-%s %s-%s", s.name, n, series, class))
			}
		}
	}
	if metric < 250 || unified != 82 {
		t.Errorf("%d metric and %d unified sizes", metric, unified)
	}
}

// Holes by the rule of Δ beyond the printed table: values of ISO 286-2, from
// memory, and the exception of M6 over 250 up to 315 mm.
func TestDeltaRule(t *testing.T) {
	um := func(v float64) length.Length { return length.Length(v * 1000) }
	for _, c := range []struct {
		d, class     string
		lower, upper float64
	}{
		{"50", "K7", -18, 7},
		{"50", "N7", -33, -8},
		{"50", "P7", -42, -17},
		{"50", "P8", -65, -26},
		{"50", "N9", -62, 0},
		{"50", "M9", -71, -9},
		{"25", "R7", -41, -20},
		{"25", "S7", -48, -27},
		{"30", "T6", -50, -37},
		{"2", "K6", -6, 0},
		{"2", "N9", -29, -4},
		{"2", "P7", -16, -6},
		{"280", "M6", -41, -9},
		{"250", "M6", -37, -8},
		{"316", "M6", -46, -10},
		{"25", "F8", 20, 53},
		{"25", "E9", 40, 92},
		{"25", "k5", 2, 11},
		{"25", "k8", 0, 33},
		{"25", "k3", 0, 4},
		{"25", "j6", -4, 9},
		{"300", "j6", -16, 16},
	} {
		checkFit(t, c.d, c.class, um(c.lower), um(c.upper))
	}
}

// Unified limits beyond the printed charts: ASME B1.1, from memory.
func TestUnifiedFromMemory(t *testing.T) {
	for callout, want := range map[string]string{
		"#6-32 UNC-2B minor":     "0.104 0.114",
		"#8-32 UNC-2B minor":     "0.13 0.139",
		"#10-24 UNC-2B minor":    "0.145 0.156",
		"1/4-20 UNC-3B minor":    "0.196 0.2067",
		"1/4-28 UNF-2B minor":    "0.211 0.22",
		"1/4-28 UNF-3B minor":    "0.211 0.219",
		"1/2-13 UNC-2B minor":    "0.417 0.434",
		"1/2-13 UNC-3B minor":    "0.417 0.4284",
		"1-8 UNC-2B minor":       "0.865 0.89",
		"1-8 UNC-3B minor":       "0.865 0.8797",
		"5/8-11 UNC-1A pitch":    "0.5561 0.5644",
		"5/8-11 UNC-1A major":    "0.6052 0.6234",
		"5/8-12 UN-2A pitch":     "0.5639 0.5693",
		"5/8-12 UN-2A major":     "0.612 0.6234",
		"3-8 UN-2A pitch":        "2.9077 2.9162",
		"1 1/4-8 UN-2A pitch":    "1.1597 1.1667",
		"1 1/4-8 UN-2A major":    "1.2329 1.2479",
		"1/4-20 UNC-3A pitch":    "0.2147 0.2175",
		"1 1/8-7 UNC-2A pitch":   "1.0228 1.03",
		"#12-24 UNC-3A pitch":    "0.1863 0.1889",
		"1/4-20 UNC-2A minor":    "open open 0.1894",
		"1/4-20 UNC-2B major":    "0.25 open",
		"#10-32 UNF-2A-LH pitch": "0.1658 0.1688",
	} {
		i := strings.LastIndexByte(callout, ' ')
		s, err := parsed(t, callout[:i]).Limits().Of(Feature(callout[i+1:]))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, e := range []End{s.Lower, s.Upper, s.RefUpper} {
			switch {
			case e.Set:
				got = append(got, e.At.In(length.IN))
			case len(got) < 2:
				got = append(got, "open")
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: got %v, want %s", callout, got, want)
		}
	}
}

// Every limit of an inch thread is a whole ten-thousandth of an inch.
func TestInchesAreExact(t *testing.T) {
	for _, s := range table().unified {
		for series, n := range s.series {
			for _, class := range []string{"1A", "2A", "3A", "1B", "2B", "3B"} {
				c, err := parse(fmt.Sprintf("%s-%s %s-%s", s.name, n, series, class))
				if err != nil {
					continue // class 1 of small sizes
				}
				l := c.Limits()
				for _, f := range l.Features() {
					size, _ := l.Of(f)
					for _, e := range []End{size.Basic, size.Lower, size.Upper, size.RefUpper} {
						if e.Set && !e.At.OnGrid(tenth) {
							t.Errorf("%s: %s at %s in", c, f, e.At.In(length.IN))
						}
					}
				}
			}
		}
	}
}

// A malformed table stops the program where it is first used.
func TestMalformedTablesPanic(t *testing.T) {
	for name, use := range map[string]func(){
		"no file":     func() { rows("none.tsv") },
		"no number":   func() { row{"x", 1, []string{"a"}}.cell(0) },
		"no cell":     func() { row{"x", 1, []string{"1"}}.cell(1) },
		"not exact":   func() { row{"x", 1, []string{"0.00001"}}.length(0, length.UM) },
		"not a range": func() { row{"x", 1, []string{"0"}}.band() },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: nothing happened", name)
				}
			}()
			use()
		}()
	}
	if c := (row{"x", 1, []string{"-", "5!", "7"}}); c.cell(0).set || !c.cell(1).doubt || c.cell(2).doubt || c.cell(2).value != 7000 {
		t.Error("gaps, doubts and values are mixed up")
	}
}

// A lookup allocates the same for the first and the last rows of its tables.
func TestAllocationsDoNotGrow(t *testing.T) {
	for _, pair := range [][2]string{
		{"M1x0.2-4h", "M300x8-4h"}, {"M1x0.2-4H", "M300x8-4H"}, {"1 k6", "500 k6"}, {"#1-64 UNC-2A", "1 1/2-6 UNC-2A"},
	} {
		var n, whole [2]float64
		for i, s := range pair {
			c := parsed(t, s)
			n[i] = testing.AllocsPerRun(100, func() { c.compute() })
			whole[i] = testing.AllocsPerRun(100, func() { lookup(s) }) //nolint:errcheck // parsed above
		}
		if n[0] > 12 || n[1] > 12 || n[1] > n[0]+4 {
			t.Errorf("%s allocates %v times, %s %v times", pair[0], n[0], pair[1], n[1])
		}
		if whole[0] > 20 || whole[1] > 20 || whole[1] > whole[0]+4 {
			t.Errorf("from text to limits %s allocates %v times, %s %v times", pair[0], whole[0], pair[1], whole[1])
		}
	}
}

// lookup is what a configuration does with a callout: from its text to the
// limits of the usual feature.
func lookup(callout string) (length.Range, error) {
	c, err := Parse(callout)
	if err != nil {
		return length.Range{}, err
	}
	l := c.Limits()
	v, err := l.View(l.Features()[0])
	if err != nil {
		return length.Range{}, err
	}
	r, ok := v.Range()
	if !ok {
		return r, errors.New("open")
	}
	return r, nil
}

// A lookup is from text to limits, over the first and the last rows of each table.
func BenchmarkLookup(b *testing.B) {
	for _, s := range []string{"M1x0.2-4H", "M24x2-6H", "M300x8-6g", "#1-64 UNC-2A", "1 1/2-6 UNC-2B", "1 k6", "500 K7", "22.000 +0.033 0", "24.98..25.01 mm"} {
		b.Run(s, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := lookup(s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkParse(b *testing.B) {
	for _, s := range []string{"M24x2-6H", "M16-4g6g-LH", "1/4-20 UNC-2B", "25 H7", "40 K7", "22.000 +0.033 0", "24.98..25.01 mm"} {
		b.Run(s, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Parse(s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkLimits(b *testing.B) {
	for _, s := range []string{"M1x0.2-4H", "M24x2-6H", "M300x8-6g", "#1-64 UNC-2A", "1 1/2-6 UNC-2B", "25 H7", "500 K7", "24.98..25.01 mm"} {
		c := parsed(b, s)
		b.Run(s, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				c.Limits()
			}
		})
	}
}

func BenchmarkSuggest(b *testing.B) {
	for b.Loop() {
		if _, err := Parse("M16x1.6-6H"); err == nil {
			b.Fatal("accepted")
		}
	}
}
