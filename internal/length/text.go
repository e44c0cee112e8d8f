package length

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
)

// Unit names a unit of length: "mm", "µm", "nm", "in" or "thou".
type Unit string

// The units a shop writes.
const (
	MM   Unit = "mm"
	UM   Unit = "µm"
	NM   Unit = "nm"
	IN   Unit = "in"
	THOU Unit = "thou"
)

// units lists every accepted spelling. U+00B5 is the micro sign, U+03BC the
// Greek letter that some keyboards give instead.
var units = []struct {
	spelling string
	unit     Unit
	size     Length
	decimals int // after the point, down to one nanometre
}{
	{"mm", MM, Millimetre, 6},
	{"\u00b5m", UM, Micrometre, 3},
	{"\u03bcm", UM, Micrometre, 3},
	{"um", UM, Micrometre, 3},
	{"nm", NM, Nanometre, 0},
	{"in", IN, Inch, 8},
	{"inch", IN, Inch, 8},
	{"\"", IN, Inch, 8},
	{"thou", THOU, Thou, 5},
	{"mil", THOU, Thou, 5},
}

// ParseUnit returns the unit that s spells.
func ParseUnit(s string) (Unit, error) {
	for _, u := range units {
		if u.spelling == s {
			return u.unit, nil
		}
	}
	return "", fmt.Errorf("unit %q is not known, write mm, µm, nm, in or thou", clip(s))
}

func (u Unit) size() (Length, bool) {
	for _, k := range units {
		if k.unit == u {
			return k.size, true
		}
	}
	return 0, false
}

// decimals returns how many decimals show u down to a nanometre.
func (u Unit) decimals() int {
	for _, k := range units {
		if k.unit == u {
			return k.decimals
		}
	}
	return 0
}

// Size returns the length of one u, zero when u is not a unit.
func (u Unit) Size() Length {
	size, _ := u.size()
	return size
}

// Parse reads one number and its unit, as in "18.018 mm", "-3,5 µm" or
// "0.7087in". A comma counts as the decimal sign only where it cannot be a
// thousands separator: see ParseNumber.
func Parse(s string) (Length, error) {
	t := strings.TrimSpace(s)
	end := strings.LastIndexAny(t, "0123456789.,") + 1
	number, unit := t[:end], strings.TrimSpace(t[end:])
	if number == "" {
		return 0, fmt.Errorf("length %q has no number, write it as in \"18.018 mm\"", clip(s))
	}
	if unit == "" {
		return 0, fmt.Errorf("length %q has no unit, add mm, µm, nm, in or thou", clip(s))
	}
	u, err := ParseUnit(unit)
	if err != nil {
		return 0, fmt.Errorf("length %q: %w", clip(s), err)
	}
	return ParseNumber(number, u)
}

// ParseNumber reads a plain decimal number of units u: an optional sign, digits,
// and at most one decimal sign with digits on both sides. No exponent, no
// spaces, no thousands separators. A decimal comma is accepted unless exactly
// three digits follow one to three digits that do not start with zero ("1,234"
// could mean either). A number finer than one nanometre is refused, not
// rounded.
func ParseNumber(s string, u Unit) (Length, error) {
	size, ok := u.size()
	if !ok {
		return 0, fmt.Errorf("unit %q is not known, write mm, µm, nm, in or thou", clip(string(u)))
	}
	if len(s) > 40 {
		return 0, fmt.Errorf("number %q is %d characters long, write at most 40", clip(s), len(s))
	}
	digits, negative := cutSign(s)
	whole, fraction, err := split(s, digits)
	if err != nil {
		return 0, err
	}
	nm, err := scale(whole, fraction, size)
	if err != nil {
		return 0, fmt.Errorf("number %q %s: %w", clip(s), u, err)
	}
	if negative {
		nm = -nm
	}
	return nm, nil
}

func cutSign(s string) (rest string, negative bool) {
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		return rest, true
	}
	if rest, ok := strings.CutPrefix(s, "\u2212"); ok { // the real minus sign
		return rest, true
	}
	return strings.TrimPrefix(s, "+"), false
}

func split(s, digits string) (whole, fraction string, err error) {
	whole, fraction, point := strings.Cut(digits, ".")
	comma := false
	if !point {
		whole, fraction, comma = strings.Cut(digits, ",")
	}
	if !allDigits(whole) || (point || comma) && !allDigits(fraction) {
		return "", "", fmt.Errorf("number %q is not a plain decimal number, write it as in 18.018", clip(s))
	}
	if comma && len(fraction) == 3 && len(whole) <= 3 && whole[0] != '0' {
		return "", "", fmt.Errorf("number %q could mean thousands, write the decimal sign as a point", clip(s))
	}
	return whole, fraction, nil
}

func allDigits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// scale computes whole.fraction × size exactly. Every unit is a whole number of
// nanometres, so each further digit divides the remaining size by ten; where
// that does not come out even only a zero digit is exact.
func scale(whole, fraction string, size Length) (Length, error) {
	n, err := strconv.ParseUint(whole, 10, 63)
	if err != nil || Length(n) > Max/size {
		return 0, fmt.Errorf("%w, keep it within ±1 km", ErrRange)
	}
	total := Length(n) * size
	num, den := Length(0), Length(1)
	fraction = strings.TrimRight(fraction, "0")
	if len(fraction) > 8 {
		return 0, errTooFine
	}
	for i := range len(fraction) {
		num, den = num*10+Length(fraction[i]-'0'), den*10
	}
	part := num * size // < 1e8 · 2.54e7, no overflow
	if part%den != 0 {
		return 0, errTooFine
	}
	total += part / den
	if total > Max {
		return 0, fmt.Errorf("%w, keep it within ±1 km", ErrRange)
	}
	return total, nil
}

var errTooFine = fmt.Errorf("finer than one nanometre, give fewer decimals")

// Text formats l in units of u with the given decimals, rounding half away from
// zero, with the unit behind it: "18.018 mm". Decimals finer than a nanometre
// are left out. It is meant for screens; String is exact.
func (l Length) Text(u Unit, decimals int) string { return l.number(u, decimals) + " " + string(u) }

// Signed is Text with the sign always shown and a real minus (U+2212).
func (l Length) Signed(u Unit, decimals int) string {
	s := l.Text(u, decimals)
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		return "\u2212" + rest
	}
	return "+" + s
}

func (l Length) number(u Unit, decimals int) string {
	size, ok := u.size()
	if !ok {
		return strconv.FormatInt(int64(l), 10)
	}
	decimals = max(0, min(decimals, u.decimals()))
	pow := int64(1)
	for range decimals {
		pow *= 10
	}
	magnitude, sign := uint64(l.Abs()), ""
	scaled := magnitude/uint64(size)*uint64(pow) + (magnitude%uint64(size)*uint64(pow)*2+uint64(size))/(2*uint64(size))
	if l < 0 && scaled > 0 {
		sign = "-"
	}
	if decimals == 0 {
		return fmt.Sprintf("%s%d", sign, scaled)
	}
	return fmt.Sprintf("%s%d.%0*d", sign, scaled/uint64(pow), decimals, scaled%uint64(pow))
}

// In formats l exactly in units of u with no more decimals than needed, without
// the unit. A length that u cannot show exactly (a nanometre in inches) is
// rounded at u's last decimal.
func (l Length) In(u Unit) string {
	s := l.number(u, u.decimals())
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// String returns the exact length in millimetres, as in "18.0185 mm".
func (l Length) String() string { return l.In(MM) + " mm" }

// UnmarshalText reads what Parse reads.
func (l *Length) UnmarshalText(text []byte) error {
	v, err := Parse(string(text))
	if err == nil {
		*l = v
	}
	return err
}

// MarshalJSON writes whole nanometres: records hold exact integers.
func (l Length) MarshalJSON() ([]byte, error) { return strconv.AppendInt(nil, int64(l), 10), nil }

// UnmarshalJSON reads whole nanometres within ±Max. A null is refused: it must
// not pass for a length of zero.
func (l *Length) UnmarshalJSON(b []byte) error {
	if whole, ok := plain(b); ok {
		*l = whole
		return nil
	}
	var n *int64
	if err := json.Unmarshal(b, &n); err != nil || n == nil {
		return fmt.Errorf("length %q is not a whole number of nanometres", clip(string(b)))
	}
	if *n > int64(Max) || *n < -int64(Max) {
		return fmt.Errorf("length %d nm: %w, keep it within ±1 km", *n, ErrRange)
	}
	*l = Length(*n)
	return nil
}

// plain reads a whole number of few enough digits to be within ±Max, as JSON writes it.
// Nearly all are that: states and journals are full of them.
func plain(b []byte) (l Length, ok bool) {
	digits := b
	if len(b) > 0 && b[0] == '-' {
		digits = b[1:]
	}
	if len(digits) == 0 || len(digits) > 12 || digits[0] == '0' && len(b) > 1 {
		return 0, false
	}
	for _, d := range digits {
		if d < '0' || d > '9' {
			return 0, false
		}
		l = 10*l + Length(d-'0')
	}
	if len(digits) < len(b) {
		l = -l
	}
	return l, true
}

// ParseRange reads a closed interval with one unit for both ends, as in
// "18.000..18.018 mm", or one on each end.
func ParseRange(s string) (Range, error) {
	low, high, ok := strings.Cut(s, "..")
	if !ok {
		return Range{}, fmt.Errorf("range %q has no \"..\", write it as in \"18.000..18.018 mm\"", clip(s))
	}
	h, err := Parse(high)
	if err != nil {
		return Range{}, fmt.Errorf("range %q: %w", clip(s), err)
	}
	low = strings.TrimSpace(low)
	if end := strings.LastIndexAny(low, "0123456789.,") + 1; end == len(low) {
		t := strings.TrimSpace(high)
		low += " " + strings.TrimSpace(t[strings.LastIndexAny(t, "0123456789.,")+1:])
	}
	l, err := Parse(low)
	if err != nil {
		return Range{}, fmt.Errorf("range %q: %w", clip(s), err)
	}
	if l > h {
		return Range{}, fmt.Errorf("range %q runs downwards, write the smaller value first", clip(s))
	}
	return Range{l, h}, nil
}

// String returns the range exactly, in millimetres.
func (r Range) String() string { return r.Low.In(MM) + ".." + r.High.In(MM) + " mm" }

// clip bounds what an error repeats of somebody's input.
func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// Digits returns how many decimals in units of u show every multiple of step
// exactly, at most down to a nanometre.
func (u Unit) Digits(step Length) int {
	size, ok := u.size()
	if !ok || step <= 0 {
		return 0
	}
	for d, pow := 0, int64(1); d < u.decimals(); d, pow = d+1, pow*10 {
		if int64(step)*pow%int64(size) == 0 { // step < 1e15 nm, pow < 1e8: a step is small, see config
			return d
		}
	}
	return u.decimals()
}
