package web

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Format writes for one person: in their language, in their unit, with their
// decimal sign. Every number it writes has its unit, and is made from the same
// nanometres that are sent. Registers stay in the control's own unit and with its
// decimal point, whoever looks: that is what stands on the control's screen, and
// what is typed there.
type Format struct {
	Lang  string
	Unit  length.Unit // of sizes
	Comma bool        // decimal comma
	words words
}

// English is how the interface speaks to programs, and the page where nothing else
// is chosen.
func English() Format { return Format{Lang: "en", Unit: length.MM, words: english()} }

// T returns the text of a key, with {names} filled in from pairs of name and value.
func (f Format) T(key string, pairs ...any) string { return f.words.fill(key, pairs...) }

// List returns the texts of a key that is a list.
func (f Format) List(key string) []string { return f.words.list[key] }

// Length writes a size.
func (f Format) Length(v length.Length) string { return unbroken(f.size(v)) }

// Signed writes a difference of sizes, always with its sign.
func (f Format) Signed(v length.Length) string { return unbroken(f.signed(v)) }

func (f Format) size(v length.Length) string   { return f.sign(v.Text(f.digits())) }
func (f Format) signed(v length.Length) string { return f.sign(v.Signed(f.digits())) }

// Spread writes two standard deviations of a size.
func (f Format) Spread(v length.Length) string { return "±" + f.Length(2*v) }

// Register writes a register as its control shows it.
func (f Format) Register(v length.Length, at core.Shown) string {
	return unbroken(f.register(v, at))
}

func (f Format) digits() (length.Unit, int) {
	if d, ok := digits[f.Unit]; ok {
		return f.Unit, d.decimals
	}
	return length.MM, digits[length.MM].decimals
}

// sign puts the decimal sign.
func (f Format) sign(s string) string {
	if f.Comma {
		s = strings.Replace(s, ".", ",", 1)
	}
	return s
}

// plain writes a number that is no length.
func (f Format) plain(s string) string { return unbroken(f.sign(s)) }

// unbroken keeps number and unit on one line.
func unbroken(s string) string { return strings.ReplaceAll(s, " ", "\u00a0") }

// Parse reads a size that a person typed: with its unit, or without in their own.
func (f Format) Parse(s string) (length.Length, error) {
	s = strings.TrimSpace(s)
	if f.Comma {
		s = strings.Replace(s, ",", ".", 1)
	}
	if !strings.ContainsFunc(s, unicode.IsLetter) && s != "" {
		unit, _ := f.digits()
		s += " " + string(unit)
	}
	return length.Parse(s)
}

// Typed writes a size as a person would type it into a field of their unit.
func (f Format) Typed(v length.Length) string {
	unit, _ := f.digits()
	s := v.In(unit)
	if f.Comma {
		s = strings.Replace(s, ".", ",", 1)
	}
	return strings.Replace(s, "−", "-", 1)
}

// Time writes when something was, in the time of the computer that runs the
// program.
func (f Format) Time(t time.Time) string { return t.Local().Format("2006-01-02 15:04") }

// Stamp writes milliseconds since 1970 the same way.
func (f Format) Stamp(ms int64) string { return f.Time(time.UnixMilli(ms)) }

// Day writes the day of milliseconds since 1970.
func (f Format) Day(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02") }

// Say returns the sentence of a code, or of a text, as it stands on screen.
func (f Format) Say(of any) string {
	switch v := of.(type) {
	case core.Code:
		return Cap(f.code(v))
	case string:
		return Cap(v)
	}
	return ""
}

// code returns the words of a code: those of the catalogue first, so that another
// language can have its own.
func (f Format) code(c core.Code) string {
	if s, ok := f.words.text["code."+string(c)]; ok {
		return s
	}
	return c.Words()
}

// refusal returns the words of a refusal: the interface's own sentence names the
// value, a catalogue only the cause.
func (f Format) refusal(code, message string) string {
	if s, ok := f.words.text["code."+code]; ok {
		return s
	}
	return message
}

// Cap begins a sentence.
func Cap(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}
