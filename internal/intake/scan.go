package intake

import (
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"offsetbridge/internal/core"
)

const (
	// MaxPayload bounds a message; a longer one is refused.
	MaxPayload = 64 << 10
	maxDepth   = 16
)

type tokenKind uint8

const (
	absent tokenKind = iota
	null
	boolean
	number
	text     // a JSON string
	declared // from the topic or the mapping
)

// token is a scalar found at a mapped place.
type token struct {
	kind tokenKind
	text string
}

// scanner walks one JSON document (RFC 8259) and keeps the scalars at mapped
// places. It is stricter than encoding/json: a key may occur once, also when
// written with escapes, and a lone surrogate is an error.
type scanner struct {
	s      string
	i      int
	depth  int
	keys   []string // of the open objects
	slots  [fieldCount]token
	code   core.Code
	detail string
}

// scan reports whether the whole document is well-formed and readable.
func (s *scanner) scan(root *node) bool {
	if !s.value(root) {
		return false
	}
	s.space()
	switch {
	case s.i == len(s.s):
		return true
	case s.commaInNumber():
		return s.fail(Comma, "")
	}
	return s.fail(Trailing, quote(s.s[s.i:min(len(s.s), s.i+20)]))
}

func (s *scanner) fail(code core.Code, detail string) bool {
	s.code, s.detail = code, detail
	return false
}

func (s *scanner) malformed() bool {
	if s.i >= len(s.s) {
		return s.fail(NotJSON, "it ends early")
	}
	return s.fail(NotJSON, "byte "+strconv.Itoa(s.i+1)+" is "+quote(s.s[s.i:min(len(s.s), s.i+1)]))
}

func (s *scanner) space() {
	for s.i < len(s.s) {
		switch s.s[s.i] {
		case ' ', '\t', '\n', '\r':
			s.i++
		default:
			return
		}
	}
}

func (s *scanner) peek() byte {
	if s.i < len(s.s) {
		return s.s[s.i]
	}
	return 0
}

func (s *scanner) value(n *node) bool {
	s.space()
	switch c := s.peek(); {
	case c == '{' || c == '[':
		if n != nil && n.fields != 0 {
			return s.fail(WrongType, n.name()+" is an object or a list")
		}
		if s.depth++; s.depth > maxDepth {
			return s.fail(TooDeep, "")
		}
		ok := false
		if c == '{' {
			ok = s.object(n)
		} else {
			ok = s.array(n)
		}
		s.depth--
		return ok
	case c == '"':
		v, ok := s.str()
		return ok && s.keep(n, text, v)
	case c == '-' || isDigit(c):
		v, ok := s.number()
		return ok && s.keep(n, number, v)
	}
	return s.literal(n)
}

func (n *node) name() string {
	for f := range fieldCount {
		if n.fields&(1<<f) != 0 {
			return fieldNames[f]
		}
	}
	return ""
}

// keep stores a scalar in the fields that end here.
func (s *scanner) keep(n *node, kind tokenKind, v string) bool {
	if n == nil {
		return true
	}
	if n.fields == 0 && len(n.branches) > 0 && kind != null {
		return s.fail(WrongType, "a field holds a value where the mapping expects an object or a list")
	}
	for f := range fieldCount {
		if n.fields&(1<<f) != 0 {
			s.slots[f] = token{kind, v}
		}
	}
	return true
}

func (s *scanner) literal(n *node) bool {
	rest := s.s[s.i:]
	for _, w := range [...]struct {
		word string
		kind tokenKind
	}{{"true", boolean}, {"false", boolean}, {"null", null}} {
		if strings.HasPrefix(rest, w.word) {
			s.i += len(w.word)
			return s.keep(n, w.kind, w.word)
		}
	}
	for _, w := range [...]string{"nan", "inf"} {
		if len(rest) >= 3 && strings.EqualFold(rest[:3], w) {
			return s.fail(NotFinite, quote(rest[:3]))
		}
	}
	return s.malformed()
}

func (s *scanner) object(n *node) bool {
	base := len(s.keys)
	var many map[string]struct{} // once a linear search would be slow
	s.i++
	s.space()
	if s.peek() == '}' {
		s.i++
		return true
	}
	for {
		s.space()
		if s.peek() != '"' {
			return s.malformed()
		}
		key, ok := s.str()
		if !ok {
			return false
		}
		if many, ok = s.once(base, many, key); !ok {
			return s.fail(TwoKeys, quote(key))
		}
		if s.space(); s.peek() != ':' {
			return s.malformed()
		}
		s.i++
		child, folded := n.key(key)
		if folded {
			return s.fail(CaseKey, quote(key))
		}
		if !s.value(child) {
			return false
		}
		s.space()
		switch {
		case s.peek() == '}':
			s.i++
			s.keys = s.keys[:base]
			return true
		case s.commaInNumber():
			return s.fail(Comma, "")
		case s.peek() != ',':
			return s.malformed()
		}
		s.i++
	}
}

// commaInNumber tells 18,018 from the end of a member: no key starts with a digit.
func (s *scanner) commaInNumber() bool {
	return s.peek() == ',' && s.i > 0 && isDigit(s.s[s.i-1]) && s.i+1 < len(s.s) && isDigit(s.s[s.i+1])
}

// once reports whether key is new in the object whose keys start at base.
func (s *scanner) once(base int, many map[string]struct{}, key string) (map[string]struct{}, bool) {
	const linear = 24
	if many == nil && len(s.keys)-base >= linear {
		many = make(map[string]struct{}, 4*linear)
		for _, k := range s.keys[base:] {
			many[k] = struct{}{}
		}
	}
	if many != nil {
		_, twice := many[key]
		many[key] = struct{}{}
		return many, !twice
	}
	for _, k := range s.keys[base:] {
		if k == key {
			return nil, false
		}
	}
	s.keys = append(s.keys, key)
	return nil, true
}

func (s *scanner) array(n *node) bool {
	s.i++
	s.space()
	if s.peek() == ']' {
		s.i++
		return true
	}
	for index := 0; ; index++ {
		if !s.value(n.element(index)) {
			return false
		}
		s.space()
		switch s.peek() {
		case ']':
			s.i++
			return true
		case ',':
			s.i++
		default:
			return s.malformed()
		}
	}
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

func (s *scanner) digits() bool {
	start := s.i
	for isDigit(s.peek()) {
		s.i++
	}
	return s.i > start
}

func (s *scanner) number() (string, bool) {
	start := s.i
	if s.peek() == '-' {
		s.i++
		if c := s.peek(); c == 'I' || c == 'i' || c == 'N' || c == 'n' {
			return "", s.fail(NotFinite, quote(s.s[start:min(len(s.s), start+4)]))
		}
	}
	if s.peek() == '0' && s.i+1 < len(s.s) && isDigit(s.s[s.i+1]) {
		return "", s.fail(LeadZero, quote(s.s[start:min(len(s.s), start+20)]))
	}
	if !s.digits() {
		return "", s.malformed()
	}
	if s.peek() == '.' {
		s.i++
		if !s.digits() {
			return "", s.malformed()
		}
	}
	if c := s.peek(); c == 'e' || c == 'E' {
		s.i++
		if c := s.peek(); c == '+' || c == '-' {
			s.i++
		}
		if !s.digits() {
			return "", s.malformed()
		}
	}
	return s.s[start:s.i], true
}

// str reads a string; without escapes the result shares the document's memory.
func (s *scanner) str() (string, bool) {
	s.i++
	for start := s.i; s.i < len(s.s); s.i++ {
		switch c := s.s[s.i]; {
		case c == '"':
			s.i++
			return s.s[start : s.i-1], true
		case c == '\\':
			return s.escaped(start)
		case c < ' ':
			return "", s.malformed()
		}
	}
	return "", s.malformed()
}

func (s *scanner) escaped(start int) (string, bool) {
	b := append(make([]byte, 0, s.i-start+32), s.s[start:s.i]...)
	for s.i < len(s.s) {
		switch c := s.s[s.i]; {
		case c == '"':
			s.i++
			return string(b), true
		case c < ' ':
			return "", s.malformed()
		case c != '\\':
			b = append(b, c)
			s.i++
		default:
			r, ok := s.escape()
			if !ok {
				return "", false
			}
			b = utf8.AppendRune(b, r)
		}
	}
	return "", s.malformed()
}

func (s *scanner) escape() (rune, bool) {
	s.i++ // the backslash
	c := s.peek()
	if at := strings.IndexByte(`"\/bfnrt`, c); at >= 0 && c != 0 {
		s.i++
		return rune("\"\\/\b\f\n\r\t"[at]), true
	}
	r, ok := s.hex()
	if !ok {
		return 0, s.malformed()
	}
	if !utf16.IsSurrogate(r) {
		return r, true
	}
	if s.peek() == '\\' {
		s.i++
		if low, ok := s.hex(); ok {
			if r = utf16.DecodeRune(r, low); r != utf8.RuneError {
				return r, true
			}
		}
	}
	return 0, s.fail(NotUTF8, "half of a surrogate pair")
}

// hex reads uXXXX.
func (s *scanner) hex() (rune, bool) {
	if s.peek() != 'u' || s.i+5 > len(s.s) {
		return 0, false
	}
	v, err := strconv.ParseUint(s.s[s.i+1:s.i+5], 16, 16)
	if err != nil || strings.ContainsAny(s.s[s.i+1:s.i+5], "+-_") {
		return 0, false
	}
	s.i += 5
	return rune(v), true
}
