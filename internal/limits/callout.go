package limits

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"offsetbridge/internal/length"
)

// MaxCallout is the longest callout that is read, in bytes.
const MaxCallout = 100

// ErrCallout is wrapped by every error of Parse.
var ErrCallout = errors.New("callout not understood")

// Error says why a callout was refused and what was probably meant.
type Error struct {
	Callout    string // as written, clipped
	Reason     string
	Suggestion string // a callout that Parse accepts, or empty
}

// Error returns one sentence.
func (e *Error) Error() string {
	s := fmt.Sprintf("callout %q: %s", e.Callout, e.Reason)
	if e.Suggestion != "" {
		s += fmt.Sprintf(" (did you mean %q)", e.Suggestion)
	}
	return s
}

// Unwrap returns ErrCallout.
func (e *Error) Unwrap() error { return ErrCallout }

// Callout is one parsed callout: comparable with ==, equal when the drawing says
// the same. The zero Callout is no callout and has no limits.
type Callout struct {
	family Family
	kind   Kind
	unit   length.Unit
	basic  End // nominal size or nominal diameter

	lower, upper End // plain sizes

	letter string // fits: fundamental deviation
	grade  int8   // fits: IT grade; threads: grade of the pitch diameter

	pitch      length.Length // metric threads
	crest      int8          // metric threads: grade of the crest diameter
	position   byte          // metric threads: e f g h G H
	engagement byte          // metric threads: S N L
	left       bool          // threads: left-hand

	tpi    tpi    // unified threads
	series string // unified threads: UNC UNF UNEF UN
	class  string // unified threads: 1A to 3B

	plating Plating
}

// Parse reads one callout. The error is an *Error and wraps ErrCallout.
func Parse(callout string) (Callout, error) {
	c, err := parse(callout)
	if err == nil {
		return c, nil
	}
	return Callout{}, &Error{Callout: clip(callout), Reason: err.Error(), Suggestion: suggest(callout)}
}

// parse is Parse without the suggestion.
func parse(callout string) (Callout, error) {
	s, err := normalise(callout)
	if err != nil {
		return Callout{}, err
	}
	s, plating, err := cutPlating(s)
	if err != nil {
		return Callout{}, err
	}
	c, err := parseFamily(s)
	if err != nil {
		return Callout{}, err
	}
	c.plating = plating
	if _, err := c.compute(); err != nil {
		return Callout{}, err
	}
	return c, nil
}

func parseFamily(s string) (Callout, error) {
	switch {
	case s == "":
		return Callout{}, errors.New("nothing is written, write one as in \"M24x2-6H\", \"25 H7\" or \"24.98..25.01 mm\"")
	case looksLikeMetric(s):
		return parseMetric(s)
	case strings.Contains(s, "UN"):
		return parseUnified(s)
	case looksLikeFit(s):
		return parseFit(s)
	}
	return parsePlain(s)
}

// Limits returns the limits of size, after or before plating where the callout
// says so.
func (c Callout) Limits() Limits {
	l, err := c.compute()
	if err != nil {
		return Limits{} // only the zero Callout: Parse checked every other
	}
	return l
}

func (c Callout) compute() (l Limits, err error) {
	switch c.family {
	case Plain:
		l, err = c.plainLimits()
	case Fit:
		l, err = c.fitLimits()
	case Metric:
		l, err = c.metricLimits()
	case Unified:
		l, err = c.unifiedLimits()
	default:
		err = errors.New("no callout")
	}
	if err != nil {
		return Limits{}, err
	}
	return c.plating.apply(l)
}

// Family returns what kind of callout c is, zero for the zero Callout.
func (c Callout) Family() Family { return c.family }

// Kind returns internal, external or unknown.
func (c Callout) Kind() Kind { return c.kind }

// LeftHand reports a left-hand thread.
func (c Callout) LeftHand() bool { return c.left }

// ThreadPitch returns the distance from thread to thread, rounded to a nanometre
// where the threads per inch do not divide the inch, and zero without a thread.
func (c Callout) ThreadPitch() length.Length {
	switch c.family {
	case Metric:
		return c.pitch
	case Unified:
		return c.tpi.pitch()
	}
	return 0
}

// WithKind returns a plain callout as hole or shaft. Every other family carries
// its kind already; to contradict it is an error.
func (c Callout) WithKind(k Kind) (Callout, error) {
	switch {
	case c.kind == k:
		return c, nil
	case c.kind != Unknown:
		return Callout{}, fmt.Errorf("callout %q is %s, it cannot be %s", c, c.kind, k)
	case c.family != Plain:
		return Callout{}, errors.New("no callout to make internal or external")
	}
	c.kind = k
	return c, nil
}

// String returns the canonical form, which Parse reads back to an equal Callout.
func (c Callout) String() string {
	switch c.family {
	case Plain:
		return c.plainString() + c.plating.String()
	case Fit:
		return fmt.Sprintf("%s %s%d", c.basic.At.In(length.MM), c.letter, c.grade) + c.plating.String()
	case Metric:
		return c.metricString() + c.plating.String()
	case Unified:
		return c.unifiedString() + c.plating.String()
	}
	return ""
}

// MarshalText writes String.
func (c Callout) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads what Parse reads.
func (c *Callout) UnmarshalText(text []byte) error {
	v, err := Parse(string(text))
	if err == nil {
		*c = v
	}
	return err
}

// spellings maps what keyboards, drawings and documents write for one sign onto
// one spelling: crosses, dashes and the minus sign, spaces.
var spellings = strings.NewReplacer(
	"\u00d7", "x", "\u2715", "x", "\u2716", "x", "*", "x",
	"\u2010", "-", "\u2011", "-", "\u2012", "-", "\u2013", "-", "\u2014", "-", "\u2212", "-",
	"\u00a0", " ", "\u2009", " ", "\u202f", " ", "\u2007", " ", "\t", " ",
	"\u2033", "\"", "\u201d", "\"", "+/-", "\u00b1", "+-", "\u00b1",
	"\u00d8", "\u00f8", "\u2300", "\u00f8", "\u2264", "<=", "\u2265", ">=",
)

// normalise brings a callout to one spelling with single spaces.
func normalise(callout string) (string, error) {
	if len(callout) > MaxCallout {
		return "", fmt.Errorf("it is %d bytes long, write at most %d", len(callout), MaxCallout)
	}
	if !utf8.ValidString(callout) {
		return "", errors.New("it is not UTF-8 text, save it as UTF-8")
	}
	s := callout
	if !plainASCII(s) {
		s = spellings.Replace(s)
	}
	for _, r := range s {
		if unicode.IsControl(r) {
			return "", fmt.Errorf("it holds the control character %U, remove it", r)
		}
	}
	s = squeeze(s)
	s = strings.TrimPrefix(s, "\u00f8")
	return strings.TrimSpace(s), nil
}

// plainASCII reports that nothing in s needs another spelling.
func plainASCII(s string) bool {
	for i := range len(s) {
		if s[i] >= 0x80 || s[i] == '*' || s[i] == '+' || s[i] == '\t' {
			return false
		}
	}
	return true
}

// squeeze trims s and leaves single spaces, without allocating when s is fine.
func squeeze(s string) string {
	s = strings.TrimSpace(s)
	if !strings.Contains(s, "  ") {
		return s
	}
	return strings.Join(strings.Fields(s), " ")
}

// tighten removes the spaces around every sep in s.
func tighten(s, sep string) string {
	if !strings.Contains(s, " "+sep) && !strings.Contains(s, sep+" ") {
		return s
	}
	parts := strings.Split(s, sep)
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	return strings.Join(parts, sep)
}

// leadingNumber returns how many bytes of s are digits and decimal signs.
func leadingNumber(s string) int {
	for i := range len(s) {
		if (s[i] < '0' || s[i] > '9') && s[i] != '.' && s[i] != ',' {
			return i
		}
	}
	return len(s)
}

// clip bounds what an error repeats of somebody's input.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		s = s[:most] + "…"
	}
	return strings.ToValidUTF8(s, "\ufffd")
}
