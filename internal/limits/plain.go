package limits

import (
	"errors"
	"fmt"
	"strings"

	"offsetbridge/internal/length"
)

const plainSyntax = "write it as in \"M16x1.5-6H\", \"1/4-20 UNC-2B\", \"25 H7\", \"22.000 +0.033 0\", \"24.98..25.01 mm\", \"1.0000 ±0.0005 in\" or \"≥ 12 mm\""

// errTurned is the refusal of a range that runs downwards.
var errTurned = errors.New("the lower limit is above the upper one, swap them")

// kindWords are what may stand before a plain size.
var kindWords = []struct {
	word string
	kind Kind
}{{"hole", Internal}, {"bore", Internal}, {"internal", Internal}, {"shaft", External}, {"boss", External}, {"external", External}}

// parsePlain reads a size with deviations, a range or a one-sided limit.
func parsePlain(s string) (Callout, error) {
	c := Callout{family: Plain}
	for _, k := range kindWords {
		if rest, ok := strings.CutPrefix(s, k.word+" "); ok {
			c.kind, s = k.kind, strings.TrimSpace(strings.TrimPrefix(rest, "\u00f8"))
			break
		}
	}
	var err error
	switch {
	case strings.Contains(s, ".."):
		err = c.plainRange(s)
	case sided(strings.ToLower(s)) != "":
		err = c.plainSided(strings.ToLower(s))
	case strings.Contains(s, "\u00b1"):
		err = c.plainSymmetric(s)
	default:
		err = c.plainDeviations(s)
	}
	if err != nil {
		return Callout{}, err
	}
	if c.lower.Set && c.upper.Set && c.lower.At > c.upper.At {
		return Callout{}, errTurned
	}
	for _, e := range []End{c.basic, c.lower, c.upper} {
		if e.At.Abs() > length.Max {
			return Callout{}, fmt.Errorf("%s is beyond ±1 km, correct it", e.At)
		}
	}
	return c, nil
}

// unitAtEnd takes the unit off the end of s; an empty unit when there is none.
func unitAtEnd(s string) (rest string, u length.Unit, err error) {
	end := strings.LastIndexAny(s, "0123456789.,") + 1
	word := strings.TrimSpace(s[end:])
	if word == "" {
		return strings.TrimSpace(s), "", nil
	}
	u, err = length.ParseUnit(word)
	return strings.TrimSpace(s[:end]), u, err
}

// oneUnit takes the unit from the end of the last part and, where an earlier
// part repeats it, from there too.
func oneUnit(parts ...string) ([]string, length.Unit, error) {
	var unit length.Unit
	out := make([]string, len(parts))
	for i := len(parts) - 1; i >= 0; i-- {
		rest, u, err := unitAtEnd(parts[i])
		switch {
		case err != nil:
			return nil, "", err
		case u != "" && unit != "" && u != unit:
			return nil, "", fmt.Errorf("it mixes %s and %s, write one unit", u, unit)
		case u != "":
			unit = u
		}
		out[i] = rest
	}
	return out, unit, nil
}

// numbers reads parts in units of u and keeps the unit.
func (c *Callout) numbers(parts []string, u length.Unit) ([]length.Length, error) {
	if u == "" {
		return nil, errors.New("the unit is missing, add mm or in")
	}
	c.unit = u
	out := make([]length.Length, len(parts))
	for i, p := range parts {
		l, err := length.ParseNumber(p, u)
		if err != nil {
			return nil, err
		}
		out[i] = l
	}
	return out, nil
}

func (c *Callout) plainRange(s string) error {
	low, high, _ := strings.Cut(s, "..")
	parts, unit, err := oneUnit(low, strings.TrimPrefix(high, "."))
	if err != nil {
		return err
	}
	n, err := c.numbers(parts, unit)
	if err != nil {
		return err
	}
	c.lower, c.upper = At(n[0]), At(n[1])
	return nil
}

// sided returns ">" for a lower limit, "<" for an upper one, "" for neither.
func sided(s string) string {
	switch {
	case strings.HasPrefix(s, ">="), strings.HasPrefix(s, "min"), strings.HasSuffix(s, " min"), strings.HasSuffix(s, " min."):
		return ">"
	case strings.HasPrefix(s, "<="), strings.HasPrefix(s, "max"), strings.HasSuffix(s, " max"), strings.HasSuffix(s, " max."):
		return "<"
	}
	return ""
}

func (c *Callout) plainSided(s string) error {
	side := sided(s)
	for _, word := range []string{">=", "<=", "min.", "max.", "min", "max"} {
		if rest, ok := strings.CutPrefix(s, word); ok {
			s = rest
			break
		}
		if rest, ok := strings.CutSuffix(s, " "+word); ok {
			s = rest
			break
		}
	}
	parts, unit, err := oneUnit(strings.TrimSpace(s))
	if err != nil {
		return err
	}
	n, err := c.numbers(parts, unit)
	if err != nil {
		return err
	}
	if side == ">" {
		c.lower = At(n[0])
	} else {
		c.upper = At(n[0])
	}
	return nil
}

func (c *Callout) plainSymmetric(s string) error {
	size, tolerance, _ := strings.Cut(s, "\u00b1")
	parts, unit, err := oneUnit(size, tolerance)
	if err != nil {
		return err
	}
	n, err := c.numbers(parts, unit)
	if err != nil {
		return err
	}
	if n[1] < 0 || strings.HasPrefix(parts[1], "+") {
		return fmt.Errorf("%q carries a sign behind ±, leave it out", clip(parts[1]))
	}
	c.basic, c.lower, c.upper = At(n[0]), At(n[0]-n[1]), At(n[0]+n[1])
	return nil
}

// plainDeviations reads "size upper lower": two deviations of which a non-zero
// one carries its sign. Here alone the unit may be missing and then means mm, as
// on a drawing by ISO 129-1 (from memory).
func (c *Callout) plainDeviations(s string) error {
	unknown := errors.New("it is neither a thread, a fit nor a size with limits, " + plainSyntax)
	s, unit, err := unitAtEnd(strings.ReplaceAll(s, "/", " "))
	if err != nil {
		return unknown
	}
	fields := strings.Fields(s)
	for i := 1; i < len(fields); i++ { // "+ 0.033", "22 mm +0.033 0"
		if u, err := length.ParseUnit(fields[i]); err == nil && i == 1 && (unit == "" || unit == u) {
			unit = u
			fields = append(fields[:i:i], fields[i+1:]...)
		}
		if i+1 < len(fields) && (fields[i] == "+" || fields[i] == "-") {
			fields = append(append(fields[:i:i], fields[i]+fields[i+1]), fields[i+2:]...)
		}
	}
	if len(fields) != 3 || !deviation(fields[1]) || !deviation(fields[2]) {
		return unknown
	}
	if unit == "" {
		unit = length.MM
	}
	n, err := c.numbers(fields, unit)
	if err != nil {
		return err
	}
	upper, lower := n[1], n[2]
	if upper < lower {
		return errors.New("the upper deviation is written first, swap them")
	}
	c.basic, c.lower, c.upper = At(n[0]), At(n[0]+lower), At(n[0]+upper)
	return nil
}

// deviation reports whether s is a signed number or a zero.
func deviation(s string) bool {
	return strings.HasPrefix(s, "+") || strings.HasPrefix(s, "-") || strings.Trim(s, "0.,") == ""
}

func (c Callout) plainLimits() (Limits, error) {
	return Limits{
		Family: Plain, Kind: c.kind, Unit: c.unit, Standard: "limits as written",
		Size: Size{Basic: c.basic, Lower: c.lower, Upper: c.upper},
	}, nil
}

func (c Callout) plainString() string {
	prefix := ""
	switch c.kind {
	case Internal:
		prefix = "hole "
	case External:
		prefix = "shaft "
	}
	u := " " + string(c.unit)
	switch {
	case c.basic.Set:
		up, down := c.upper.At-c.basic.At, c.lower.At-c.basic.At
		if up == -down {
			return prefix + c.basic.At.In(c.unit) + " ±" + up.In(c.unit) + u
		}
		return prefix + c.basic.At.In(c.unit) + " " + signed(up, c.unit) + " " + signed(down, c.unit) + u
	case !c.upper.Set:
		return prefix + "≥ " + c.lower.At.In(c.unit) + u
	case !c.lower.Set:
		return prefix + "≤ " + c.upper.At.In(c.unit) + u
	}
	return prefix + c.lower.At.In(c.unit) + ".." + c.upper.At.In(c.unit) + u
}

// signed shows a deviation as a drawing does: zero without a sign.
func signed(l length.Length, u length.Unit) string {
	if l > 0 {
		return "+" + l.In(u)
	}
	return l.In(u)
}
