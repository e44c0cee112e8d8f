package journal

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
)

// byNumber lists the segments that are there, oldest first.
func (j *Journal) byNumber() []*segment {
	j.mu.RLock()
	defer j.mu.RUnlock()
	list := make([]*segment, 0, len(j.segments))
	for _, s := range j.segments {
		list = append(list, s)
	}
	slices.SortFunc(list, func(a, b *segment) int { return cmp.Compare(a.number, b.number) })
	return list
}

// may reports whether a segment can hold records in the filter's time range.
func (s *segment) may(f *Filter) bool {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.digest == nil {
		return true // not finished: its times are not known
	}
	return (f.From == 0 || s.lastAt >= f.From) && (f.To == 0 || s.firstAt < f.To)
}

// Query implements Store. With a key it reads through that key's index; with a
// stream through the stream's; a time range alone walks the segments that
// overlap it. Damage ends it: what was found before comes with the error.
func (j *Journal) Query(f Filter) ([]Record, error) {
	f, err := f.check()
	if err != nil {
		return nil, err
	}
	if err := j.ready(); err != nil {
		return nil, err
	}
	before, err := j.position(f)
	if err != nil {
		return nil, err
	}
	var out []Record
	size := 0
	for _, s := range slices.Backward(j.byNumber()) {
		if len(out) >= f.Limit || size >= maxPage {
			break
		}
		if !s.may(&f) {
			continue
		}
		rows, err := s.query(&f, before, f.Limit-len(out))
		for _, r := range rows {
			out = append(out, r.Record)
			size += len(r.Body)
		}
		if errors.Is(err, ErrRemoved) {
			break // by retention, meanwhile
		}
		if err != nil {
			return out, j.mind(damageAt(s, f.Stream, 0, err))
		}
	}
	return out, nil
}

// position returns the number, over all streams, of the record the filter
// pages back from; one past the newest without paging.
func (j *Journal) position(f Filter) (int64, error) {
	j.mu.RLock()
	end, head := j.lastID+1, j.heads[f.BeforeStream].Seq
	j.mu.RUnlock()
	if f.Before == 0 || f.Before > head {
		return end, nil
	}
	s, _, err := j.locate(f.BeforeStream, f.Before)
	if err != nil {
		return 0, j.mind(err)
	}
	if s == nil {
		return 0, nil
	}
	rows, err := s.page(byStream, f.BeforeStream, int64(f.Before), int64(f.Before), 1)
	if err != nil {
		return 0, j.mind(damageAt(s, f.BeforeStream, f.Before, err))
	}
	if len(rows) == 0 {
		return 0, &Damage{Stream: f.BeforeStream, Seq: f.Before, File: s.name, What: whatMissing}
	}
	return rows[0].id, nil
}

// query returns the newest matching rows before a position, newest first.
func (s *segment) query(f *Filter, before int64, limit int) ([]row, error) {
	cond, args, byKey := f.where()
	order := "id"
	if f.Stream != "" && !byKey {
		order = "seq" // the same order within a stream, and the index has it
	}
	q := fmt.Sprintf("SELECT %s FROM records WHERE %s AND id < ? ORDER BY %s DESC LIMIT ?", columns, cond, order)
	return s.page(q, append(args, before, limit)...)
}

// after returns the oldest matching rows after a position, oldest first.
func (s *segment) after(f *Filter, id, end int64) ([]row, error) {
	cond, args, byKey := f.where()
	table := "records"
	if !byKey {
		table += " NOT INDEXED" // in the order of the table; sorting each page would be slower
	}
	q := fmt.Sprintf("SELECT %s FROM %s WHERE %s AND id > ? AND id < ? ORDER BY id LIMIT ?", columns, table, cond)
	return s.page(q, append(args, id, end, pageRows)...)
}

// one returns a row by its place alone, if it matches: no neighbour is touched,
// whose page may be damaged.
func (s *segment) one(f *Filter, id int64) ([]row, error) {
	cond, args, _ := f.where()
	q := fmt.Sprintf("SELECT %s FROM records NOT INDEXED WHERE %s AND id = ?", columns, cond)
	return s.page(q, append(args, id)...)
}
