package journal

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// ExportFormat is the form an export takes.
type ExportFormat string

// The formats. JSON lines is the exact one; CSV is for spreadsheets.
const (
	CSV       ExportFormat = "csv"
	JSONLines ExportFormat = "jsonl"
)

// Export writes the matching records, oldest first, with their chain hashes.
// JSON lines carry a body that is JSON on one line as it is under "body", any other as
// base64 under "body_base64". CSV carries a body that is text as it is, any other
// as base64 with "base64" in the column encoding; a cell that a spreadsheet would
// take for a formula is preceded by an apostrophe. Unreadable records are
// left out: the rest is written, and the error is the first *Damage.
func (j *Journal) Export(w io.Writer, format ExportFormat, f Filter) error {
	b := bufio.NewWriter(w)
	var put func(*row) error
	finish := func() error { return nil }
	switch format {
	case JSONLines:
		put = func(r *row) error { return writeLine(b, r) }
	case CSV:
		c := csv.NewWriter(b)
		if err := c.Write([]string{"stream", "seq", "at", "kind", "loop", "part", "gauge", "person", "encoding", "body", "hash"}); err != nil {
			return err
		}
		put = func(r *row) error { return c.Write(cells(r)) }
		finish = func() error { c.Flush(); return c.Error() }
	default:
		return fmt.Errorf("%w: export format %q is unknown; use csv or jsonl", ErrFilter, format)
	}
	if err := j.ready(); err != nil {
		return err
	}
	damage, err := j.each(f, put)
	if err := errors.Join(err, finish(), b.Flush()); err != nil {
		return err
	}
	return damage
}

// each calls put with every matching row, oldest first. It passes over
// unreadable rows and returns the first damage beside the error that ended it.
func (j *Journal) each(f Filter, put func(*row) error) (damage, err error) {
	left := f.Limit
	if f, err = f.check(); err != nil {
		return nil, err
	}
	end, err := j.position(f)
	if err != nil {
		return nil, err
	}
	emit := func(rows []row) (done bool, err error) {
		for i := range rows {
			if err := put(&rows[i]); err != nil {
				return true, err
			}
			if left--; left == 0 {
				return true, nil
			}
		}
		return false, nil
	}
	for _, s := range j.byNumber() {
		if !s.may(&f) {
			continue
		}
		for id := int64(0); ; {
			rows, fault := s.after(&f, id, end)
			if fault != nil {
				if fault = j.mind(fault); errors.Is(fault, ErrClosed) || errors.Is(fault, ErrRemoved) {
					return damage, fault
				}
				rows, id = s.rescue(&f, id, end)
				if damage == nil {
					damage = damageAt(s, f.Stream, 0, fault)
				}
			}
			if done, err := emit(rows); done || err != nil {
				return damage, err
			}
			if len(rows) > 0 {
				id = rows[len(rows)-1].id
			} else if fault == nil || id >= end {
				break
			}
		}
	}
	return damage, nil
}

// rescue looks row by row for the next readable one after id; it returns none
// and end when there is none left.
func (s *segment) rescue(f *Filter, id, end int64) (rows []row, at int64) {
	last := s.lastRow(id)
	for id++; id < end && id <= last; id++ {
		if rows, err := s.one(f, id); err == nil && len(rows) > 0 {
			return rows, id
		}
	}
	return nil, end
}

// lastRow returns the number of the last record of a segment, or as far as it
// is worth looking when that cannot be read.
func (s *segment) lastRow(id int64) int64 {
	marks, err := s.checkpoints()
	if err != nil || len(marks) == 0 {
		return id + 1<<20
	}
	return max(marks[len(marks)-1].after, id) + 1<<16
}

type exported struct {
	Stream string `json:"stream"`
	Seq    uint64 `json:"seq"`
	At     string `json:"at"`
	Kind   string `json:"kind"`
	Loop   string `json:"loop,omitempty"`
	Part   string `json:"part,omitempty"`
	Gauge  string `json:"gauge,omitempty"`
	Person string `json:"person,omitempty"`
	Hash   string `json:"hash"`
	Base64 []byte `json:"body_base64,omitempty"`
}

func stamp(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z") }

// writeLine writes a JSON body byte for byte, so that whoever has the file can
// recompute the chain; encoding it once more could change its spaces.
func writeLine(w *bufio.Writer, r *row) error {
	e := exported{
		Stream: r.Stream, Seq: r.Seq, At: stamp(r.At), Kind: r.Kind,
		Loop: r.Loop, Part: r.Part, Gauge: r.Gauge, Person: r.Person, Hash: hex.EncodeToString(r.hash[:]),
	}
	plain := json.Valid(r.Body) && !bytes.ContainsAny(r.Body, "\r\n")
	if !plain {
		e.Base64 = r.Body
	}
	line, err := json.Marshal(&e)
	if err != nil {
		return err
	}
	if plain {
		line = append(line[:len(line)-1], `,"body":`...)
		line = append(append(line, r.Body...), '}')
	}
	_, err = w.Write(append(line, '\n'))
	return err
}

func cells(r *row) []string {
	encoding, body := "text", string(r.Body)
	if !utf8.Valid(r.Body) || strings.ContainsRune(body, 0) {
		encoding, body = "base64", base64.StdEncoding.EncodeToString(r.Body)
	}
	return []string{
		cell(r.Stream), strconv.FormatUint(r.Seq, 10), stamp(r.At), cell(r.Kind),
		cell(r.Loop), cell(r.Part), cell(r.Gauge), cell(r.Person), encoding, cell(body), hex.EncodeToString(r.hash[:]),
	}
}

// cell keeps a spreadsheet from computing what a gauge or a person wrote.
func cell(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
