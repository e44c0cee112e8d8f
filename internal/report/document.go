// Package report makes evidence documents of statistics: a sentence in plain words
// first, then the figures with their intervals, pictures with the table beside them,
// and what the figures rest on.
//
// A [Document] is written as one self-contained page that prints on A4 and Letter
// ([Document.HTML]), as plain text, as CSV or as JSON, all from the same figures.
// What comes from a journal carries the heads of its chain: `journal verify --against`
// takes the JSON form and proves that the journal still passes through them. The same
// journal, limits and version give the same bytes: nothing in a document depends on
// when it was made.
//
// Every document says that a size steers a process and accepts no part.
package report

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Steers stands on every document.
const Steers = "A size steers a process; it accepts no part. Whether a part is good is decided by your drawing and control plan; threads still need GO and NO-GO gauging."

// Document is one report.
type Document struct {
	Title    string
	Summary  string // the answer, in plain words
	Basis    []Fact // what it rests on
	Sections []Section
	Notes    []string // what limits the answer
	Data     any      // the machine-readable form: an object
	Heads    []Head   // of the journal
}

// Fact is a named value in words.
type Fact struct{ Name, Value string }

// Head is the end of one stream of the journal, in the form of journal verify --json.
type Head struct {
	Stream string `json:"stream"`
	Seq    uint64 `json:"records"`
	Hash   string `json:"hash"`
}

// Section is a part of a document: text, pictures, and the table they are drawn from.
type Section struct {
	Title    string
	Text     []string
	Pictures []string // SVG, complete with its description
	Table    *Table
}

// Table is rows of text under named columns. Alarm marks rows that are abnormal.
type Table struct {
	Columns []string
	Rows    [][]string
	Alarm   map[int]bool
	Words   map[int]bool // columns that hold words, not numbers
}

// Row adds one.
func (t *Table) Row(cells ...string) { t.Rows = append(t.Rows, cells) }

// Bad adds a row that is abnormal.
func (t *Table) Bad(cells ...string) {
	if t.Alarm == nil {
		t.Alarm = map[int]bool{}
	}
	t.Alarm[len(t.Rows)] = true
	t.Row(cells...)
}

// Number is a figure that may be unknown: NaN is null in JSON and a dash in words.
type Number float64

// MarshalJSON writes the shortest form that reads back the same.
func (n Number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return json.Marshal(v)
}

// fixed writes a figure with so many decimals and a real minus.
func fixed(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if v < 0 && strings.Trim(s, "0.") != "" {
		return "−" + s
	}
	return s
}

// signed is fixed with a sign that is always shown.
func signed(v float64, decimals int) string {
	s := fixed(v, decimals)
	if v > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// between writes an interval.
func between(low, high float64, decimals int) string {
	return fixed(low, decimals) + " to " + fixed(high, decimals)
}

// count writes a whole number with its noun: "1 part", "12 parts".
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// probability writes a p value with its sign: "= 0.03", "< 0.0001".
func probability(p float64) string {
	switch {
	case math.IsNaN(p):
		return "unknown"
	case p < 0.0001:
		return "< 0.0001"
	case p < 0.1:
		return "= " + fixed(p, 4)
	}
	return "= " + fixed(p, 2)
}
