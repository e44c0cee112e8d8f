package limits

import (
	"bufio"
	"fmt"
	"os"
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

// read returns the rows of a table in testdata; lines that start with "# " say
// where it was published.
func read(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out [][]string
	sc := bufio.NewScanner(f)
	for sc.Scan() {
		if !strings.HasPrefix(sc.Text(), "# ") {
			out = append(out, strings.Split(sc.Text(), "\t"))
		}
	}
	if sc.Err() != nil || len(out) == 0 {
		t.Fatalf("%s: %d rows, %v", name, len(out), sc.Err())
	}
	return out
}

func number(t testing.TB, s string, u length.Unit) length.Length {
	t.Helper()
	l, err := length.ParseNumber(s, u)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func parsed(t testing.TB, s string) Callout {
	t.Helper()
	c, err := Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// misprints lists printed metric limits that contradict the standard's own
// sums, by callout and column, with what the standard gives.
var misprints = map[string]string{
	// ASME B1.13M page: 170 µm stands where ISO 965-1 gives 180 (5.6 to 11.2, P 1.5);
	// a second page prints 10.206.
	"M11x1.5-6H pitch_max 10.196": "10.206",
	"M11x1.5-6H major_max 11.387": "11.397",
	// Catalogue pages: 2.459 − 0.020.
	"M3x0.5-6g minor_max 2.438":   "2.439",
	"M3x0.5-4g6g minor_max 2.438": "2.439",
	// Catalogue page: es of g at P 1 is 26 µm, 28 belongs to P 1.25.
	"M9x1-6g major_max 8.972": "8.974",
	// Reference value (not a limit): 11/12 H cut to 1.190 at P 1.5 instead of
	// rounded to 1.191.
	"M10x1.5-6H major_max 10.396": "10.397",
	"M12x1.5-6H major_max 12.406": "12.407",
	"M14x1.5-6H major_max 14.406": "14.407",
}

// Every printed limit of metric threads at hand is reproduced, the misprints
// excepted, and every misprint in the list is really met.
func TestPrintedMetricLimits(t *testing.T) {
	columns := []string{"major_max", "major_min", "pitch_max", "pitch_min", "minor_max", "minor_min"}
	met := map[string]bool{}
	values := 0
	for _, r := range read(t, "iso965_printed.tsv") {
		callout := r[0] + "-" + r[1]
		l := parsed(t, callout).Limits()
		got := map[string]End{
			"major_max": either(l.Major.Upper, l.Major.RefUpper), "major_min": l.Major.Lower,
			"pitch_max": l.Pitch.Upper, "pitch_min": l.Pitch.Lower,
			"minor_max": l.Minor.Upper, "minor_min": either(l.Minor.Lower, l.Minor.RefLower),
		}
		for i, column := range columns {
			printed := r[2+i]
			if printed == "-" {
				continue
			}
			values++
			key := fmt.Sprintf("%s %s %s", callout, column, printed)
			if right, ok := misprints[key]; ok {
				met[key], printed = true, right
			}
			if want := At(number(t, printed, length.MM)); got[column] != want {
				t.Errorf("%s: got %v, want %v", key, got[column], want)
			}
		}
	}
	if len(met) != len(misprints) {
		t.Errorf("met %d of %d listed misprints", len(met), len(misprints))
	}
	if values != 518 {
		t.Errorf("compared %d printed values, want 518", values)
	}
}

func either(a, b End) End {
	if a.Set {
		return a
	}
	return b
}

// corrected lists cells of the published copies that are not used as printed: the
// progression of the series gives less, and the narrower value stands.
var corrected = map[string]string{"Td2 355 500 4 9": "560"}

// Every cell of ISO 965-1 and of its extension shows in the limits of a thread
// of that diameter range, pitch, grade and position.
func TestEveryCellOfISO965(t *testing.T) {
	used := 0
	for _, r := range read(t, "iso965_cells.tsv") {
		quantity, over, upto, pitch, grade := r[0], r[1], r[2], r[3], r[4]
		want := number(t, r[5], length.UM)
		if v, ok := corrected[strings.Join(r[:5], " ")]; ok {
			want = number(t, v, length.UM)
			used++
		}
		d := diameterFor(t, over, upto, pitch)
		var got length.Length
		switch quantity {
		case "TD2":
			got = pitchWidth(t, d, pitch, Internal, grade)
		case "Td2":
			got = pitchWidth(t, d, pitch, External, grade)
		case "TD1":
			s := parsed(t, fmt.Sprintf("M%sx%s-%s%sH", d, pitch, anyGrade(t, d, pitch, Internal), "H"+grade)).Limits().Minor
			got = s.Upper.At - s.Lower.At
		case "Td":
			s := parsed(t, fmt.Sprintf("M%sx%s-%s%sh", d, pitch, anyGrade(t, d, pitch, External), "h"+grade)).Limits().Major
			got = s.Upper.At - s.Lower.At
		case "es":
			l := parsed(t, fmt.Sprintf("M%sx%s-%s%s4%s", d, pitch, anyGrade(t, d, pitch, External), grade, grade)).Limits()
			got = l.Pitch.Upper.At - l.Pitch.Basic.At
			for _, s := range []Size{l.Major, l.Minor} {
				if s.Upper.At-s.Basic.At != got {
					t.Errorf("%v: position %s differs between diameters", r, grade)
				}
			}
			if grade == "g" {
				in := parsed(t, fmt.Sprintf("M%sx%s-%sG4G", d, pitch, anyGrade(t, d, pitch, Internal))).Limits()
				for _, s := range []Size{in.Pitch, in.Major, in.Minor} {
					if s.Lower.At-s.Basic.At != -want {
						t.Errorf("%v: position G is not the mirror of g", r)
					}
				}
			}
		default:
			t.Fatalf("quantity %q", quantity)
		}
		if got != want {
			t.Errorf("%v: got %v, want %v", r, got, want)
		}
	}
	if used != len(corrected) {
		t.Errorf("met %d of %d corrected cells", used, len(corrected))
	}
}

// pitchWidth takes a crest grade that exists at every pitch.
func pitchWidth(t *testing.T, d, pitch string, k Kind, grade string) length.Length {
	t.Helper()
	position := "h"
	if k == Internal {
		position = "H"
	}
	s := parsed(t, fmt.Sprintf("M%sx%s-%s%s4%s", d, pitch, grade, position, position)).Limits().Pitch
	return s.Upper.At - s.Lower.At
}

// diameterFor returns a diameter inside the range, or one that any range with
// this pitch holds when there is none.
func diameterFor(t *testing.T, over, upto, pitch string) string {
	t.Helper()
	if upto != "-" {
		return upto
	}
	p := number(t, pitch, length.MM)
	for _, r := range table().pitch[External] {
		if r.pitch == p {
			return r.upto.In(length.MM)
		}
	}
	t.Fatalf("no range with pitch %s", pitch)
	return ""
}

func anyGrade(t *testing.T, d, pitch string, k Kind) string {
	t.Helper()
	r, ok := table().pitchTolerance(k, number(t, d, length.MM), number(t, pitch, length.MM))
	if !ok {
		t.Fatalf("no row for M%sx%s", d, pitch)
	}
	for g, c := range r.grades {
		if c.set {
			return fmt.Sprint(g)
		}
	}
	t.Fatalf("no grade for M%sx%s", d, pitch)
	return ""
}

// Lengths of engagement show in the notes.
func TestEngagementLengths(t *testing.T) {
	for _, r := range read(t, "iso965_engagement.tsv") {
		base := fmt.Sprintf("M%sx%s-%sH4H", r[1], r[2], anyGrade(t, r[1], r[2], Internal))
		for suffix, want := range map[string]string{
			"":   "normal engagement N: over " + r[3] + " up to " + r[4] + " mm",
			"-N": "normal engagement N: over " + r[3] + " up to " + r[4] + " mm",
			"-S": "short engagement S: up to " + r[3] + " mm",
			"-L": "long engagement L: over " + r[4] + " mm",
		} {
			if notes := strings.Join(parsed(t, base+suffix).Limits().Notes, "; "); !strings.Contains(notes, want) {
				t.Errorf("%s%s: notes %q, want %q", base, suffix, notes, want)
			}
		}
	}
}

// The printed limit deviations of ISO 286-2 are reproduced at both ends of each
// range of diameters.
func TestPrintedFits(t *testing.T) {
	for _, r := range read(t, "iso286_printed.tsv") {
		for _, d := range ends(t, r[1], r[2]) {
			checkFit(t, d, r[0], number(t, r[4], length.UM), number(t, r[3], length.UM))
		}
	}
}

func TestEveryGradeOfISO286(t *testing.T) {
	for _, r := range read(t, "iso286_grades.tsv") {
		it := number(t, r[3], length.UM)
		for _, d := range ends(t, r[0], r[1]) {
			checkFit(t, d, "H"+r[2], 0, it)
			checkFit(t, d, "h"+r[2], -it, 0)
			checkFit(t, d, "JS"+r[2], -it/2, it/2)
			checkFit(t, d, "js"+r[2], -it/2, it/2)
		}
	}
}

func TestEveryDeviationOfISO286(t *testing.T) {
	for _, r := range read(t, "iso286_deviations.tsv") {
		v := number(t, r[3], length.UM)
		for _, d := range ends(t, r[1], r[2]) {
			s := parsed(t, d+" "+r[0]+"6").Limits().Size
			edge := s.Lower
			if r[0] <= "h" {
				edge = s.Upper
				hole := parsed(t, d+" "+strings.ToUpper(r[0])+"6").Limits().Size
				if got := hole.Lower.At - hole.Basic.At; got != -v {
					t.Errorf("%v: hole has EI %v, want %v", r, got, -v)
				}
			}
			if got := edge.At - s.Basic.At; got != v {
				t.Errorf("%v at %s mm: got %v", r, d, got)
			}
		}
	}
}

// ends returns a diameter just over the lower and one at the upper bound.
func ends(t *testing.T, over, upto string) []string {
	low := number(t, over, length.MM) + length.Micrometre
	if over == "0" {
		low = 2 * length.Millimetre // up to 1 mm has rules of its own
	}
	return []string{low.In(length.MM), upto}
}

func checkFit(t *testing.T, d, class string, lower, upper length.Length) {
	t.Helper()
	s := parsed(t, d+" "+class).Limits().Size
	if s.Lower.At-s.Basic.At != lower || s.Upper.At-s.Basic.At != upper {
		t.Errorf("%s %s: got %v to %v, want %v to %v", d, class, s.Lower.At-s.Basic.At, s.Upper.At-s.Basic.At, lower, upper)
	}
}

// Every published unified limit is reproduced in exact ten-thousandths.
func TestPrintedUnifiedLimits(t *testing.T) {
	for _, r := range read(t, "b11_printed.tsv") {
		size, n, series, feature, class, limit := r[0], r[1], r[2], r[3], r[4], r[5]
		if class == "basic" {
			class = "2A"
		}
		s, err := parsed(t, fmt.Sprintf("%s-%s %s-%s", size, n, series, class)).Limits().Of(Feature(feature))
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]End{"basic": s.Basic, "max": s.Upper, "min": s.Lower}[limit]
		if want := At(number(t, r[6], length.IN)); got != want {
			t.Errorf("%v: got %s in", r, got.At.In(length.IN))
		}
	}
}
