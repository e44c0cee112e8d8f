package report

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// maxLine bounds a line of a table that is read.
const maxLine = 1 << 20

// ErrTable means that a table cannot be used as it is.
var ErrTable = errors.New("the table cannot be used")

// Columns reads a table with a header line: values are separated by tabs, semicolons
// or commas, whichever the header shows; with semicolons or tabs a decimal comma is
// understood. Memory does not grow with the table.
type Columns struct {
	Names []string

	s         *bufio.Scanner
	separator byte
	line      int
	cells     [][]byte
}

// NewColumns reads the header.
func NewColumns(r io.Reader) (*Columns, error) {
	c := &Columns{s: bufio.NewScanner(r)}
	c.s.Buffer(make([]byte, 1<<16), maxLine)
	if !c.s.Scan() {
		return nil, c.failed(fmt.Errorf("%w: it is empty, the first line names the columns", ErrTable))
	}
	c.line = 1
	header := bytes.TrimPrefix(c.s.Bytes(), []byte("\ufeff"))
	c.separator = ','
	for _, s := range []byte{'\t', ';'} {
		if bytes.IndexByte(header, s) >= 0 {
			c.separator = s
			break
		}
	}
	cells, err := c.split(header)
	if err != nil {
		return nil, err
	}
	for _, name := range cells {
		c.Names = append(c.Names, strings.TrimSpace(string(name)))
	}
	return c, nil
}

func (c *Columns) failed(otherwise error) error {
	if err := c.s.Err(); err != nil {
		return fmt.Errorf("line %d: %w", c.line+1, err)
	}
	return otherwise
}

// Find returns the place of a column; names differ in case at most.
func (c *Columns) Find(name string) (int, error) {
	at := slices.Index(c.Names, name)
	if at < 0 {
		at = slices.IndexFunc(c.Names, func(n string) bool { return strings.EqualFold(n, name) })
	}
	if at < 0 {
		return 0, fmt.Errorf("%w: it has no column %q, only %s", ErrTable, name, strings.Join(c.Names, ", "))
	}
	return at, nil
}

// Next reads the next line that is not empty; false at the end or at an error.
func (c *Columns) Next() (bool, error) {
	for c.s.Scan() {
		c.line++
		line := bytes.TrimSuffix(c.s.Bytes(), []byte("\r"))
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var err error
		c.cells, err = c.split(line)
		return err == nil, err
	}
	return false, c.failed(nil)
}

func (c *Columns) split(line []byte) ([][]byte, error) {
	if bytes.IndexByte(line, '"') >= 0 {
		r := csv.NewReader(bytes.NewReader(line))
		r.Comma = rune(c.separator)
		cells, err := r.Read()
		if err != nil {
			return nil, fmt.Errorf("%w: line %d: %w", ErrTable, c.line, err)
		}
		out := make([][]byte, len(cells))
		for i := range cells {
			out[i] = []byte(cells[i])
		}
		return out, nil
	}
	out := c.cells[:0]
	for {
		at := bytes.IndexByte(line, c.separator)
		if at < 0 {
			return append(out, line), nil
		}
		out = append(out, line[:at])
		line = line[at+1:]
	}
}

// Text returns a cell, empty where the line is too short.
func (c *Columns) Text(column int) string {
	if column >= len(c.cells) {
		return ""
	}
	return string(bytes.TrimSpace(c.cells[column]))
}

// Float returns a number; false where the cell is empty.
func (c *Columns) Float(column int) (float64, bool, error) {
	if column >= len(c.cells) {
		return 0, false, nil
	}
	cell := bytes.TrimSpace(c.cells[column])
	if len(cell) == 0 {
		return 0, false, nil
	}
	if c.separator != ',' {
		if at := bytes.IndexByte(cell, ','); at >= 0 {
			cell = slices.Clone(cell)
			cell[at] = '.'
		}
	}
	v, err := strconv.ParseFloat(string(cell), 64)
	if err != nil || v-v != 0 {
		return 0, false, fmt.Errorf("%w: line %d: %q in column %s is no number", ErrTable, c.line, clip(c.Text(column)), c.Names[column])
	}
	return v, true, nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}
