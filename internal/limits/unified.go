package limits

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"offsetbridge/internal/length"
)

// tenth is 0.0001 in, the step of every limit of ASME B1.1.
const tenth = length.Inch / 10_000

// tpi is a number of threads per inch, doubled so that 4 1/2 is whole.
type tpi int16

// inch returns the pitch in inches.
func (n tpi) inch() float64 { return 2 / float64(n) }

func (n tpi) pitch() length.Length {
	if n <= 0 {
		return 0
	}
	return (2*length.Inch + length.Length(n)/2) / length.Length(n)
}

func (n tpi) String() string {
	if n%2 == 1 {
		return strconv.Itoa(int(n/2)) + ".5"
	}
	return strconv.Itoa(int(n / 2))
}

func parseTPI(s string) (tpi, bool) {
	whole, half := strings.CutSuffix(s, ".5")
	if !half {
		whole, half = strings.CutSuffix(s, " 1/2")
	}
	n, err := strconv.ParseUint(whole, 10, 8)
	if err != nil || n == 0 || whole[0] == '0' {
		return 0, false
	}
	t := tpi(2 * n)
	if half {
		t++
	}
	return t, true
}

// parseInchSize reads "#10", "1/4", "1 1/8", "1-1/8" or "0.2500".
func parseInchSize(s string) (length.Length, bool) {
	if number, ok := strings.CutPrefix(s, "#"); ok {
		n, err := strconv.ParseUint(number, 10, 8)
		if err != nil || n > 12 || len(number) > 1 && number[0] == '0' {
			return 0, false
		}
		return length.Length(60+13*n) * 10 * tenth, true // 0.060 in + n · 0.013 in
	}
	if strings.HasPrefix(s, ".") {
		s = "0" + s
	}
	whole, fraction := "0", s
	if i := strings.IndexAny(s, " -"); i > 0 {
		whole, fraction = s[:i], s[i+1:]
	}
	top, bottom, ok := strings.Cut(fraction, "/")
	if !ok {
		l, err := length.ParseNumber(s, length.IN)
		return l, err == nil && l > 0
	}
	w, err1 := strconv.ParseUint(whole, 10, 4)
	a, err2 := strconv.ParseUint(top, 10, 8)
	b, err3 := strconv.ParseUint(bottom, 10, 8)
	if err1 != nil || err2 != nil || err3 != nil || a == 0 || b == 0 || a >= b || 64%b != 0 {
		return 0, false
	}
	return length.Length(w)*length.Inch + length.Inch*length.Length(a)/length.Length(b), true
}

// parseUnified reads size - threads per inch, series - class [- LH].
func parseUnified(s string) (Callout, error) {
	s = tighten(s, "-")
	at := strings.Index(s, "UN")
	sizes, tail := strings.TrimSpace(s[:at]), s[at:]
	i := strings.LastIndex(sizes, "-")
	if i <= 0 {
		return Callout{}, errors.New("the threads per inch are missing, write it as in \"1/4-20 UNC-2B\"")
	}
	n, ok := parseTPI(strings.TrimSpace(sizes[i+1:]))
	if !ok {
		return Callout{}, fmt.Errorf("%q is not a number of threads per inch, write it as in \"1/4-20 UNC-2B\"", clip(sizes[i+1:]))
	}
	c := Callout{family: Unified, unit: length.IN, tpi: n}
	parts := strings.Split(tail, "-")
	if len(parts) == 3 && parts[2] == "LH" {
		c.left = true
	} else if len(parts) == 3 {
		return Callout{}, fmt.Errorf("%q does not belong behind the class, only LH for left-hand does", clip(parts[2]))
	}
	if len(parts) < 2 || len(parts) > 3 {
		return Callout{}, errors.New("the class is missing, add -2B (internal) or -2A (external) or what the drawing says")
	}
	if err := c.unifiedClass(parts[0], parts[1]); err != nil {
		return Callout{}, err
	}
	return c.withSize(sizes[:i])
}

func (c *Callout) unifiedClass(series, class string) error {
	switch series {
	case "UNC", "UNF", "UNEF", "UN":
	case "UNS":
		return errors.New("UNS threads are special: their limits stand on the drawing, write them as a plain size")
	default:
		return fmt.Errorf("%q is not a series, write UNC, UNF, UNEF or UN", clip(series))
	}
	if len(class) != 2 || class[0] < '1' || class[0] > '3' || class[1] != 'A' && class[1] != 'B' {
		return fmt.Errorf("%q is not a class, write 1A, 2A or 3A (external) or 1B, 2B or 3B (internal)", clip(class))
	}
	c.series, c.class, c.kind = series, class, External
	if class[1] == 'B' {
		c.kind = Internal
	}
	return nil
}

// withSize finds the diameter. A bare whole number is a numbered size or inches,
// whichever the series lists with these threads per inch.
func (c Callout) withSize(s string) (Callout, error) {
	s = strings.TrimSpace(s)
	for _, word := range []string{"No. ", "No.", "No "} {
		if number, ok := strings.CutPrefix(s, word); ok {
			s = "#" + strings.TrimSpace(number)
			break
		}
	}
	s = strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(s, "\""), " in"))
	choices := []string{s}
	if n, err := strconv.ParseUint(s, 10, 8); err == nil && n <= 12 {
		choices = []string{"#" + s, s}
	}
	problem := fmt.Errorf("%q is not a size, write it as in #10, 1/4, 1 1/8 or 0.2500", clip(s))
	for _, choice := range choices {
		d, ok := parseInchSize(choice)
		if !ok {
			continue
		}
		c.basic = At(d)
		if problem = c.listed(); problem == nil {
			return c, nil
		}
	}
	return Callout{}, problem
}

// constant lists the constant-pitch series UN by threads per inch, with the
// diameters it spans in inches: ASME B1.1, from memory.
var constant = map[tpi]length.Range{
	8:  {Low: 5 * length.Inch / 2, High: 6 * length.Inch},
	12: {Low: 11 * length.Inch / 8, High: 6 * length.Inch},
	16: {Low: length.Inch, High: 6 * length.Inch},
	24: {Low: 9 * length.Inch / 16, High: 6 * length.Inch},
	32: {Low: 3 * length.Inch / 8, High: 6 * length.Inch},
	40: {Low: length.Inch / 4, High: 3 * length.Inch},
	56: {Low: length.Inch / 4, High: 3 * length.Inch / 2},
	64: {Low: 1380 * tenth, High: length.Inch},
}

// listed reports why the series does not have this diameter and pitch.
func (c Callout) listed() error {
	entry, known := unifiedEntry(c.basic.At)
	if c.series != "UN" {
		switch n := entry.series[c.series]; {
		case !known || n == 0:
			return fmt.Errorf("%s has no size %s, write the series that has it", c.series, inchName(c.basic.At))
		case n != c.tpi:
			return fmt.Errorf("%s has %s threads per inch in %s, not %s", inchName(c.basic.At), n, c.series, c.tpi)
		}
		if c.class[0] == '1' && (c.series == "UNEF" || c.basic.At < length.Inch/4) {
			return fmt.Errorf("class %s exists in UNC and UNF from 1/4 in only, write class 2 or 3", c.class)
		}
		return nil
	}
	for _, series := range []string{"UNC", "UNF", "UNEF"} {
		if entry.series[series] == c.tpi {
			return fmt.Errorf("%s-%s is a thread of the series %s, write that", inchName(c.basic.At), c.tpi, series)
		}
	}
	span, ok := constant[c.tpi]
	switch {
	case !ok:
		return fmt.Errorf("UN has no %s threads per inch, write 4, 6, 8, 12, 16, 20, 28 or 32", c.tpi)
	case !span.Contains(c.basic.At) || !known && c.basic.At%(length.Inch/16) != 0:
		return fmt.Errorf("%s-UN does not reach size %s", c.tpi, inchName(c.basic.At))
	case c.class[0] == '1':
		return fmt.Errorf("class %s exists in UNC and UNF only, write class 2 or 3", c.class)
	}
	return nil
}

func unifiedEntry(d length.Length) (unifiedSize, bool) {
	for _, s := range table().unified {
		if s.d == d {
			return s, true
		}
	}
	return unifiedSize{}, false
}

// inchName returns the customary name of a diameter: "#10", "1 1/8", "0.3 in".
func inchName(d length.Length) string {
	if s, ok := unifiedEntry(d); ok {
		return s.name
	}
	if d%(length.Inch/64) != 0 {
		return d.In(length.IN) + " in"
	}
	whole, top, bottom := d/length.Inch, d%length.Inch/(length.Inch/64), 64
	for top%2 == 0 && bottom > 1 {
		top, bottom = top/2, bottom/2
	}
	switch {
	case bottom == 1:
		return strconv.Itoa(int(whole))
	case whole == 0:
		return fmt.Sprintf("%d/%d", top, bottom)
	}
	return fmt.Sprintf("%d %d/%d", whole, top, bottom)
}

func (c Callout) unifiedString() string {
	s := fmt.Sprintf("%s-%s %s-%s", inchName(c.basic.At), c.tpi, c.series, c.class)
	if c.left {
		s += "-LH"
	}
	return s
}

// unifiedLimits computes ASME B1.1 in ten-thousandths of an inch: formulas, and
// the published values where those differ.
func (c Callout) unifiedLimits() (Limits, error) {
	d, p := float64(c.basic.At)/float64(length.Inch), c.tpi.inch()
	major := int64(c.basic.At / tenth)
	pitch := ten4(d - 0.75*math.Sqrt(3)/2*p)
	minor := ten4(d - 1.25*math.Sqrt(3)/2*p)
	l := Limits{
		Family: Unified, Kind: c.kind, Unit: length.IN,
		Standard: "ASME B1.1 (published table where it differs from the formula)",
		Pitch:    Size{Basic: inchEnd(pitch)}, Major: Size{Basic: inchEnd(major)}, Minor: Size{Basic: inchEnd(minor)},
	}
	tolerance := c.pitchTolerance(d, p)
	if c.kind == Internal {
		l.Pitch.Lower, l.Pitch.Upper = inchEnd(pitch), inchEnd(pitch+tolerance)
		l.Minor.Lower, l.Minor.Upper = c.innerMinor(minor, d, p)
		l.Major.Lower = inchEnd(major)
	} else {
		crest := 0.060
		var allowance int64
		if c.class[0] == '1' {
			crest = 0.090
		}
		if c.class[0] != '3' {
			allowance = c.exception("allowance", ten4(0.3*c.base(d, p)))
		}
		l.Pitch.Upper = inchEnd(pitch - allowance)
		l.Pitch.Lower = inchEnd(pitch - allowance - tolerance)
		l.Major.Upper = inchEnd(major - allowance)
		l.Major.Lower = inchEnd(major - allowance - ten4(crest*math.Cbrt(p*p)))
		l.Minor.RefUpper = inchEnd(major - allowance - ten4(1.375*math.Sqrt(3)/2*p))
	}
	if c.series == "UN" || c.series == "UNEF" || c.class[0] == '1' || c.basic.At > 3*length.Inch/2 {
		l.Notes = []string{"computed by the formulas of ASME B1.1: no published table at hand to compare"}
	}
	return l, nil
}

// base returns the tolerance of class 2A in inches, to six decimals as ASME
// B1.1 carries it. The length of engagement is the diameter for UNC, UNF and UN
// of 4, 6 and 8 threads, nine pitches otherwise.
func (c Callout) base(d, p float64) float64 {
	engagement := d
	if c.series == "UNEF" || c.series == "UN" && c.tpi > 16 {
		engagement = 9 * p
	}
	t := 0.0015*math.Cbrt(d) + 0.0015*math.Sqrt(engagement) + 0.015*math.Cbrt(p*p)
	return math.Round(t*1e6) / 1e6
}

func (c Callout) pitchTolerance(d, p float64) int64 {
	factor := [...]float64{1.5, 1, 0.75}[c.class[0]-'1']
	if c.kind == Internal {
		factor *= 1.3
	}
	return c.exception(c.class, ten4(factor*c.base(d, p)))
}

// exception returns the published value where it differs from the formula's.
func (c Callout) exception(quantity string, formula int64) int64 {
	if c.series != "UNC" && c.series != "UNF" {
		return formula
	}
	if v, ok := table().exceptions[exceptionKey{c.basic.At, c.tpi, quantity}]; ok {
		return v
	}
	return formula
}

// innerMinor returns the minor diameter of an internal thread. From #6 on ASME
// B1.1 rounds it to three decimals, the upper limit of class 3B excepted.
func (c Callout) innerMinor(minor int64, d, p float64) (lower, upper End) {
	small := 0.05*math.Cbrt(p*p) + 0.03*p/d - 0.002
	tolerance := 0.25*p - 0.4*p*p
	if c.tpi < 8 {
		tolerance = 0.15 * p
	}
	switch {
	case c.class[0] == '3' && c.tpi < 26:
		tolerance = math.Max(small, 0.12*p)
	case c.class[0] == '3':
		tolerance = math.Max(small, 0.23*p-1.5*p*p)
	case d < 0.25:
		tolerance = math.Max(small, tolerance)
	}
	high := minor + ten4(math.Min(tolerance, 0.394*p))
	if d >= 0.138 {
		minor = (minor + 5) / 10 * 10
		if c.class[0] != '3' {
			high = (high + 5) / 10 * 10
		}
	}
	return inchEnd(minor), inchEnd(high)
}

// ten4 rounds inches to ten-thousandths, half up.
func ten4(inches float64) int64 { return int64(math.Floor(inches*1e4 + 0.5)) }

func inchEnd(tenths int64) End { return At(length.Length(tenths) * tenth) }
