package limits

import (
	"errors"
	"fmt"
	"strings"

	"offsetbridge/internal/length"
)

// The basic profile of ISO 68-1: H = P·√3/2. Numerators over 10^9.
const (
	perBillion   = 1_000_000_000
	pitchDrop    = 649_519_053   // d − d2 = 3/4 H
	minorDrop    = 1_082_531_755 // d − d1 = 5/4 H
	rootClear    = 793_856_620   // D max − D2 max = 11/12 H, sharp root truncated H/24
	rootRadius   = 616_025_404   // d2 min − d min = H − P/4, root radius P/8
	metricSyntax = "write it as in \"M24x2-6H\" or \"M16-6g\""
)

// looksLikeMetric reports an M with a diameter, or alone.
func looksLikeMetric(s string) bool {
	if s[0] != 'M' {
		return false
	}
	rest := strings.TrimSpace(s[1:])
	return rest == "" || isDigit(rest[0]) || strings.ContainsAny(rest[:1], "-+.,x")
}

// parseMetric reads M diameter [x pitch] - class [- S|N|L] [- LH].
func parseMetric(s string) (Callout, error) {
	s = tighten(tighten(s, "-"), "x")
	head, rest, _ := strings.Cut(s, "-")
	c := Callout{family: Metric, unit: length.MM, engagement: 'N'}
	if h, ok := strings.CutSuffix(head, "LH"); ok {
		head, c.left = strings.TrimSpace(h), true
	}
	if err := c.metricHead(strings.TrimSpace(head[1:])); err != nil {
		return Callout{}, err
	}
	if rest == "" {
		return Callout{}, errors.New("the tolerance class is missing, add what the drawing says, often -6H (internal) or -6g (external)")
	}
	class, rest, _ := strings.Cut(rest, "-")
	if err := c.metricClass(class); err != nil {
		return Callout{}, err
	}
	return c, c.metricTail(rest)
}

// metricHead reads the diameter and the pitch.
func (c *Callout) metricHead(head string) error {
	diameter, pitch, fine := strings.Cut(head, "x")
	d, err := length.ParseNumber(diameter, length.MM)
	if err != nil || d <= 0 || strings.HasPrefix(diameter, "+") {
		return fmt.Errorf("%q is not a diameter in mm, %s", clip(diameter), metricSyntax)
	}
	c.basic = At(d)
	if !fine {
		size, ok := table().sizes[d]
		if !ok || size.coarse == 0 {
			return fmt.Errorf("M%s has no coarse pitch in ISO 261, write its pitch%s", d.In(length.MM), pitchesOf(d))
		}
		c.pitch = size.coarse
		return nil
	}
	if lead, ok := strings.CutPrefix(pitch, "Ph"); ok {
		lead, single, both := strings.Cut(lead, "P")
		if !both {
			return errors.New("the lead has no pitch, write it as in \"M16xPh3P1.5\"")
		}
		return c.multiStart(lead, single)
	}
	p, err := length.ParseNumber(strings.TrimSpace(pitch), length.MM)
	if err != nil || p <= 0 || strings.HasPrefix(pitch, "+") {
		return fmt.Errorf("%q is not a pitch in mm, %s", clip(pitch), metricSyntax)
	}
	c.pitch = p
	return nil
}

// multiStart reads a lead and a pitch. Only one start is tabulated.
func (c *Callout) multiStart(lead, pitch string) error {
	l, err1 := length.ParseNumber(lead, length.MM)
	p, err2 := length.ParseNumber(pitch, length.MM)
	switch {
	case err1 != nil || err2 != nil || p <= 0 || l <= 0:
		return errors.New("the lead or the pitch is not a number, write it as in \"M16xPh3P1.5\"")
	case l%p != 0:
		return fmt.Errorf("lead %s mm is not a whole number of pitches of %s mm, correct one of them", l.In(length.MM), p.In(length.MM))
	case l != p:
		return fmt.Errorf("%d starts: ISO 965-1 tabulates single-start threads only, write the limits of the drawing as a plain size", l/p)
	}
	c.pitch = p
	return nil
}

// metricClass reads "6H", "5H6H", "6g" or "4g6g".
func (c *Callout) metricClass(class string) error {
	if strings.Contains(class, "/") {
		return fmt.Errorf("%q names the internal and the external thread, write one of them", clip(class))
	}
	grade, position, rest, ok := cutClass(class)
	if !ok {
		return fmt.Errorf("%q is not a tolerance class, write a grade from 3 to 9 and G, H (internal) or e, f, g, h (external)", clip(class))
	}
	c.grade, c.crest, c.position, c.kind = grade, grade, position, Internal
	if position >= 'e' {
		c.kind = External
	}
	if rest == "" {
		return nil
	}
	crest, second, rest, ok := cutClass(rest)
	if !ok || rest != "" {
		return fmt.Errorf("%q is not one or two tolerance classes, write it as in 4g6g", clip(class))
	}
	if second != position {
		return fmt.Errorf("%q names positions %c and %c, both diameters of a thread share one position", clip(class), position, second)
	}
	c.crest = crest
	return nil
}

// cutClass takes one grade and position off s.
func cutClass(s string) (grade int8, position byte, rest string, ok bool) {
	if len(s) < 2 || s[0] < '3' || s[0] > '9' || !strings.Contains("GHefgh", s[1:2]) {
		return 0, 0, "", false
	}
	return int8(s[0] - '0'), s[1], s[2:], true
}

// metricTail reads the engagement and the hand.
func (c *Callout) metricTail(rest string) error {
	for i, part := range strings.Split(rest, "-") {
		switch {
		case part == "" && i == 0 && rest == "":
		case part == "LH" && !c.left:
			c.left = true
		case i == 0 && len(part) == 1 && strings.Contains("SNL", part):
			c.engagement = part[0]
		default:
			return fmt.Errorf("%q does not belong behind the class, write S, N or L for the engagement and then LH for left-hand", clip(part))
		}
	}
	return nil
}

func (c Callout) metricString() string {
	var b strings.Builder
	fmt.Fprintf(&b, "M%sx%s-%d%c", c.basic.At.In(length.MM), c.pitch.In(length.MM), c.grade, c.position)
	if c.crest != c.grade {
		fmt.Fprintf(&b, "%d%c", c.crest, c.position)
	}
	if c.engagement != 'N' {
		fmt.Fprintf(&b, "-%c", c.engagement)
	}
	if c.left {
		b.WriteString("-LH")
	}
	return b.String()
}

// metricLimits builds the three diameters: ISO 724 basic sizes, which are
// rounded to a micrometre, and tolerances and deviations of ISO 965-1.
func (c Callout) metricLimits() (Limits, error) {
	t, d, p := table(), c.basic.At, c.pitch
	crest, ok := t.crest[p]
	if !ok {
		return Limits{}, fmt.Errorf("pitch %s mm is not a pitch of ISO 965-1%s", p.In(length.MM), pitchesOf(d))
	}
	row, ok := t.pitchTolerance(c.kind, d, p)
	if !ok {
		return Limits{}, fmt.Errorf("ISO 965-1 gives no tolerances for diameter %s mm with pitch %s mm%s", d.In(length.MM), p.In(length.MM), pitchesOf(d))
	}
	pitchTol := row.grades[c.grade]
	if !pitchTol.set {
		return Limits{}, fmt.Errorf("grade %d of the pitch diameter is not tabulated for this diameter and pitch, write one of %s", c.grade, grades(row.grades[:]))
	}
	crestTols, name := &crest.inner, "minor"
	if c.kind == External {
		crestTols, name = &crest.outer, "major"
	}
	if int(c.crest) >= len(crestTols) || !crestTols[c.crest].set {
		return Limits{}, fmt.Errorf("grade %d of the %s diameter is not tabulated at pitch %s mm, add a second class with one of %s", c.crest, name, p.In(length.MM), grades(crestTols[:]))
	}
	l := Limits{
		Family: Metric, Kind: c.kind, Unit: length.MM, Standard: "ISO 965-1 (basic sizes ISO 724)",
		Pitch: Size{Basic: At(d - profile(p, pitchDrop))},
		Major: Size{Basic: At(d)},
		Minor: Size{Basic: At(d - profile(p, minorDrop))},
	}
	if c.kind == Internal {
		c.internal(&l, crest, pitchTol.value, crestTols[c.crest].value)
	} else {
		c.external(&l, crest, pitchTol.value, crestTols[c.crest].value)
	}
	if row.extended {
		l.Standard = "extension of ISO 965-1 (basic sizes ISO 724)"
	}
	l.Notes = c.metricNotes(t, row, pitchTol)
	return l, nil
}

// internal: lower deviation EI on all three diameters, the major one open above.
func (c Callout) internal(l *Limits, crest *crestRow, pitchTol, minorTol length.Length) {
	var ei length.Length
	if c.position == 'G' {
		ei = -crest.es['g']
	}
	l.Pitch.Lower = At(l.Pitch.Basic.At + ei)
	l.Pitch.Upper = At(l.Pitch.Lower.At + pitchTol)
	l.Minor.Lower = At(l.Minor.Basic.At + ei)
	l.Minor.Upper = At(l.Minor.Lower.At + minorTol)
	l.Major.Lower = At(l.Major.Basic.At + ei)
	l.Major.RefUpper = At(l.Pitch.Upper.At + profile(c.pitch, rootClear))
}

// external: upper deviation es on all three diameters, the minor one open below.
func (c Callout) external(l *Limits, crest *crestRow, pitchTol, majorTol length.Length) {
	es := crest.es[c.position]
	l.Pitch.Upper = At(l.Pitch.Basic.At + es)
	l.Pitch.Lower = At(l.Pitch.Upper.At - pitchTol)
	l.Major.Upper = At(l.Major.Basic.At + es)
	l.Major.Lower = At(l.Major.Upper.At - majorTol)
	l.Minor.Upper = At(l.Minor.Basic.At + es)
	l.Minor.RefLower = At(l.Pitch.Lower.At - profile(c.pitch, rootRadius))
}

func (c Callout) metricNotes(t *tables, row *pitchRow, tol cell) []string {
	var notes []string
	if row.extended {
		notes = append(notes, "this diameter and pitch are outside ISO 965-1: tolerances of its extension, one published copy")
	} else if c.kind == Internal && c.grade == 3 {
		notes = append(notes, "grade 3 of internal threads is outside ISO 965-1: one published copy")
	}
	if tol.doubt {
		notes = append(notes, "the printed tolerance of the pitch diameter breaks its series: the narrower of the two is used")
	}
	if !t.inSeries(c.basic.At, c.pitch) {
		notes = append(notes, "not a size of ISO 261 (list from memory): check the drawing")
	}
	if e := c.engagementNote(t); e != "" {
		notes = append(notes, e)
	}
	return notes
}

func (c Callout) engagementNote(t *tables) string {
	for i := range t.engagement {
		e := &t.engagement[i]
		if e.pitch != c.pitch || !e.holds(c.basic.At) {
			continue
		}
		switch c.engagement {
		case 'S':
			return e.short
		case 'L':
			return e.long
		}
		return e.normal
	}
	return ""
}

// profile returns p·k/10^9 rounded to a micrometre, as ISO 724 rounds.
func profile(p length.Length, k int64) length.Length {
	nm := (int64(p)*k + perBillion/2) / perBillion
	return length.Length((nm + 500) / 1000 * 1000)
}

// pitchesOf says which pitches ISO 261 lists for d, as the end of a sentence.
func pitchesOf(d length.Length) string {
	s, ok := table().sizes[d]
	if !ok {
		return ""
	}
	var all []string
	if s.coarse > 0 {
		all = append(all, s.coarse.In(length.MM))
	}
	for _, p := range s.fine {
		all = append(all, p.In(length.MM))
	}
	return ": ISO 261 lists " + strings.Join(all, ", ")
}

// grades lists the grades that have a value.
func grades(cells []cell) string {
	var all []string
	for g, c := range cells {
		if c.set {
			all = append(all, fmt.Sprint(g))
		}
	}
	return strings.Join(all, ", ")
}
