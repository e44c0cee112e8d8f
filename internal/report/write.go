package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Format is a form in which a document is written.
type Format string

// The forms.
const (
	Text Format = "text"
	JSON Format = "json"
	CSV  Format = "csv"
	HTML Format = "html"
)

// ParseFormat reads one.
func ParseFormat(s string) (Format, error) {
	switch f := Format(s); f {
	case Text, JSON, CSV, HTML:
		return f, nil
	}
	return "", fmt.Errorf("format %q is not known, use text, json, csv or html", s)
}

// Write writes a document.
func (d *Document) Write(w io.Writer, f Format) error {
	switch f {
	case JSON:
		return d.json(w)
	case CSV:
		return d.csv(w)
	case HTML:
		return d.html(w)
	}
	return d.text(w)
}

// json writes the data with the heads and the sentences of the document in the same
// object, so that names stay plain and one level deep.
func (d *Document) json(w io.Writer) error {
	var body bytes.Buffer
	e := json.NewEncoder(&body)
	e.SetEscapeHTML(false)
	if err := e.Encode(d.Data); err != nil {
		return err
	}
	rest := struct {
		Summary string            `json:"summary"`
		Basis   map[string]string `json:"basis,omitempty"`
		Notes   []string          `json:"notes,omitempty"`
		Heads   []Head            `json:"heads,omitempty"`
		Steers  string            `json:"accepts_no_part"`
	}{d.Summary, map[string]string{}, d.Notes, d.Heads, Steers}
	for _, f := range d.Basis {
		rest.Basis[f.Name] = f.Value
	}
	var tail bytes.Buffer
	e = json.NewEncoder(&tail)
	e.SetEscapeHTML(false)
	if err := e.Encode(rest); err != nil {
		return err
	}
	joined := bytes.TrimSuffix(bytes.TrimSpace(body.Bytes()), []byte("}"))
	if len(joined) > 1 {
		joined = append(joined, ',')
	}
	joined = append(joined, bytes.TrimPrefix(tail.Bytes(), []byte("{"))...)
	var out bytes.Buffer
	if err := json.Indent(&out, joined, "", "  "); err != nil {
		return err
	}
	_, err := out.WriteTo(w)
	return err
}

// csv writes every table, each row led by the name of its section.
func (d *Document) csv(w io.Writer) error {
	c := csv.NewWriter(w)
	put := func(cells ...string) { c.Write(cells) } //nolint:errcheck // Flush tells
	put("report", d.Title)
	put("summary", d.Summary)
	for _, f := range d.Basis {
		put("basis", f.Name, f.Value)
	}
	for _, h := range d.Heads {
		put("journal head", h.Stream, fmt.Sprint(h.Seq), h.Hash)
	}
	for _, n := range d.Notes {
		put("note", n)
	}
	put("note", Steers)
	for _, s := range d.Sections {
		if s.Table == nil {
			continue
		}
		put(append([]string{s.Title}, s.Table.Columns...)...)
		for _, r := range s.Table.Rows {
			put(append([]string{s.Title}, r...)...)
		}
	}
	c.Flush()
	return c.Error()
}

type lines struct {
	w   io.Writer
	err error
}

func (l *lines) line(form string, args ...any) {
	if l.err == nil {
		_, l.err = fmt.Fprintf(l.w, form+"\n", args...)
	}
}

// text writes for a terminal.
func (d *Document) text(w io.Writer) error {
	l := &lines{w: w}
	l.line("%s", d.Title)
	l.line("")
	l.line("%s", d.Summary)
	for _, s := range d.Sections {
		if len(s.Text) == 0 && s.Table == nil {
			continue // a picture alone
		}
		l.line("")
		l.line("%s", s.Title)
		for _, t := range s.Text {
			l.line("  %s", t)
		}
		l.table(s.Table)
	}
	if len(d.Notes) > 0 {
		l.line("")
	}
	for _, n := range d.Notes {
		l.line("note: %s", n)
	}
	l.line("")
	for _, f := range d.Basis {
		l.line("%s: %s", f.Name, f.Value)
	}
	for _, h := range d.Heads {
		l.line("journal %s: %d records, head %s", h.Stream, h.Seq, h.Hash)
	}
	l.line("%s", Steers)
	return l.err
}

// rowsInText is how many rows of a table a terminal gets.
const rowsInText = 40

func (l *lines) table(t *Table) {
	if t == nil {
		return
	}
	width := make([]int, len(t.Columns))
	rows := t.Rows
	if len(rows) > rowsInText {
		rows = rows[:rowsInText]
	}
	for _, r := range append([][]string{t.Columns}, rows...) {
		for i, c := range r {
			if i < len(width) {
				width[i] = max(width[i], utf8.RuneCountInString(c))
			}
		}
	}
	for _, r := range append([][]string{t.Columns}, rows...) {
		var b strings.Builder
		for i, c := range r {
			gap := strings.Repeat(" ", max(0, width[min(i, len(width)-1)]-utf8.RuneCountInString(c)))
			if i == 0 || t.Words[i] {
				b.WriteString("  " + c + gap)
			} else {
				b.WriteString("  " + gap + c)
			}
		}
		l.line("%s", strings.TrimRight(b.String(), " "))
	}
	if more := len(t.Rows) - len(rows); more > 0 {
		l.line("  … and %d more rows, see --format csv or html", more)
	}
}
