package config

import (
	"fmt"
	"strings"
)

// deepest bounds how far arrays and tables may nest. The schema needs four
// levels; the parser recurses, so a hostile file is refused before it runs.
const deepest = 32

// lineIndex knows the line on which each key of a file stands, by a path such
// as machine[0].register[1].band. The parser does not tell; this index is for
// messages only, and a key it misses is reported at its table's header.
type lineIndex struct {
	at    map[string]int
	depth int // deepest nesting of brackets
}

// find returns the line of path, or of the nearest table around it, or 0.
func (x *lineIndex) find(path string) int {
	for path != "" {
		if n, ok := x.at[path]; ok {
			return n
		}
		if n, ok := x.at[path+"[0]"]; ok {
			return n
		}
		cut := strings.LastIndexAny(path, ".[")
		if cut < 0 {
			return 0
		}
		path = path[:cut]
	}
	return 0
}

// scanner walks TOML text statement by statement.
type scanner struct {
	s     string
	i     int
	line  int
	index *lineIndex
	count map[string]int // headers seen per array of tables
	table string         // path of the current header
}

func indexLines(text string) *lineIndex {
	x := &lineIndex{at: map[string]int{}}
	c := &scanner{s: text, line: 1, index: x, count: map[string]int{}}
	for c.i < len(c.s) {
		c.statement()
	}
	return x
}

func (c *scanner) statement() {
	switch c.s[c.i] {
	case ' ', '\t', '\r':
		c.i++
	case '\n':
		c.i++
		c.line++
	case '#':
		c.rest()
	case '[':
		c.header()
	default:
		c.pair()
	}
}

// rest skips to the end of the line, which stays to be counted.
func (c *scanner) rest() {
	if n := strings.IndexByte(c.s[c.i:], '\n'); n >= 0 {
		c.i += n
	} else {
		c.i = len(c.s)
	}
}

func (c *scanner) header() {
	c.i++
	array := c.i < len(c.s) && c.s[c.i] == '['
	if array {
		c.i++
	}
	path := ""
	parts := c.keys(']')
	for k, part := range parts {
		path = join(path, part)
		last := k == len(parts)-1
		if last && array {
			c.count[path]++
		}
		if n := c.count[path]; n > 0 {
			path = fmt.Sprintf("%s[%d]", path, n-1)
		}
	}
	c.table = path
	c.note(path)
	c.rest()
}

func (c *scanner) pair() {
	path := c.table
	for _, part := range c.keys('=') {
		path = join(path, part)
		c.note(path)
	}
	if c.i < len(c.s) && c.s[c.i] == '=' {
		c.i++
		c.value()
		return
	}
	c.rest()
}

func (c *scanner) note(path string) {
	if _, ok := c.index.at[path]; !ok {
		c.index.at[path] = c.line
	}
}

func join(path, part string) string {
	if path == "" {
		return part
	}
	return path + "." + part
}

// keys reads dotted, possibly quoted keys up to the end byte or the line's end.
func (c *scanner) keys(end byte) []string {
	var parts []string
	var b strings.Builder
	for ; c.i < len(c.s); c.i++ {
		switch ch := c.s[c.i]; ch {
		case end, '\n':
			return append(parts, b.String())
		case '.':
			parts = append(parts, b.String())
			b.Reset()
		case ' ', '\t', '\r':
		case '"', '\'':
			from := c.i + 1
			c.quoted(ch)
			if to := c.i - 1; to >= from {
				b.WriteString(c.s[from:to])
			}
			c.i--
		default:
			b.WriteByte(ch)
		}
	}
	return append(parts, b.String())
}

// value skips one value, with the lines inside its strings and brackets.
func (c *scanner) value() {
	open := 0
	for c.i < len(c.s) {
		switch ch := c.s[c.i]; ch {
		case '\n':
			if open <= 0 {
				return
			}
			c.line++
			c.i++
		case '#':
			c.rest()
		case '[', '{':
			open++
			c.index.depth = max(c.index.depth, open)
			c.i++
		case ']', '}':
			open--
			c.i++
		case '"', '\'':
			c.quoted(ch)
		default:
			c.i++
		}
	}
}

// quoted skips a string of one line or of several.
func (c *scanner) quoted(quote byte) {
	triple := strings.Repeat(string(quote), 3)
	long := strings.HasPrefix(c.s[c.i:], triple)
	if long {
		c.i += 3
	} else {
		c.i++
	}
	for c.i < len(c.s) {
		switch ch := c.s[c.i]; {
		case ch == '\\' && quote == '"' && c.i+1 < len(c.s) && c.s[c.i+1] != '\n':
			c.i += 2
		case ch == '\n' && !long:
			return
		case long && strings.HasPrefix(c.s[c.i:], triple):
			c.i += 3
			for extra := 0; extra < 2 && c.i < len(c.s) && c.s[c.i] == quote; extra++ {
				c.i++
			}
			return
		case ch == quote && !long:
			c.i++
			return
		default:
			if ch == '\n' {
				c.line++
			}
			c.i++
		}
	}
}
