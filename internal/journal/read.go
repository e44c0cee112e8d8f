package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// pageRows is how many rows are read at once; maxPage bounds their bytes.
const pageRows = 1024

// row is a record with what the segment knows about it.
type row struct {
	Record
	id   int64
	hash [32]byte
}

const columns = `id, coalesce((SELECT name FROM streams s WHERE s.id = stream), ''), seq, at, kind,
	coalesce(loop, ''), coalesce(part, ''), coalesce(gauge, ''), coalesce(person, ''), body, hash`

// byStream reads through the index only to find the rows: what it returns comes
// from the table, whose bytes the chain covers.
const byStream = "SELECT " + columns + ` FROM records WHERE id IN (
	SELECT id FROM records INDEXED BY by_stream WHERE stream = (SELECT id FROM streams WHERE name = ?)
	AND seq BETWEEN ? AND ? ORDER BY seq LIMIT ?) ORDER BY id`

// page returns the rows of a query, fewer if their bodies are long.
func (s *segment) page(query string, args ...any) (out []row, err error) {
	err = s.read(func(db *sql.DB) error {
		out, err = page(db, query, args...)
		return err
	})
	return out, err
}

func page(db *sql.DB, query string, args ...any) ([]row, error) {
	rows, err := db.QueryContext(context.Background(), query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []row
	for size := 0; size < maxPage && rows.Next(); {
		var r row
		if err := rows.Scan(&r.id, &r.Stream, &r.Seq, &r.At, &r.Kind,
			&r.Loop, &r.Part, &r.Gauge, &r.Person, &r.Body, scan32{&r.hash}); err != nil {
			return out, err
		}
		if r.Body == nil {
			r.Body = []byte{} // the driver does not tell empty from absent
		}
		out = append(out, r)
		size += len(r.Body)
	}
	return out, rows.Err()
}

// locate returns the segment that should hold a record, and the last number of
// the stream in it. The segment is nil if retention removed it.
func (j *Journal) locate(stream string, seq uint64) (s *segment, last uint64, err error) {
	j.mu.RLock()
	current, open, head := j.current, j.opening[stream].Seq, j.heads[stream].Seq
	j.mu.RUnlock()
	if seq > open {
		return current, head, nil
	}
	p, ok, err := j.catalog.spanAt(stream, seq)
	if err != nil {
		return nil, 0, err
	}
	if !ok || p.first > seq {
		return nil, 0, &Damage{Stream: stream, Seq: seq, File: catalogName, What: "no segment is listed for the record"}
	}
	if p.state == "removed" {
		return nil, p.last, nil
	}
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.segments[p.segment], p.last, nil
}

// run reads the records of a stream from..end page by page, all segments
// through, and calls each with the rows of one page, the segment they are in
// and the end of the stream's run there. A gap or an unreadable row is *Damage.
func (j *Journal) run(stream string, from, end uint64, each func(s *segment, last uint64, rows []row) error) error {
	for seq := from; seq <= end; {
		s, last, err := j.locate(stream, seq)
		if err != nil {
			return j.mind(err)
		}
		if s == nil {
			return j.removedBefore(stream)
		}
		stop := min(last, end)
		rows, fault := s.page(byStream, stream, int64(seq), int64(stop), pageRows)
		if fault != nil {
			rows, fault = j.salvage(s, stream, seq, min(stop, seq+pageRows), fault)
		}
		good := 0
		for good < len(rows) && rows[good].Seq == seq && rows[good].Stream == stream {
			good++
			seq++
		}
		if good > 0 {
			if err := each(s, last, rows[:good]); err != nil {
				return err
			}
		}
		if fault != nil {
			return fault
		}
		if good < len(rows) || good == 0 {
			return &Damage{Stream: stream, Seq: seq, File: s.name, What: whatMissing}
		}
	}
	return nil
}

// removedBefore says where a stream now begins.
func (j *Journal) removedBefore(stream string) error {
	first, err := j.catalog.firstKept(stream)
	if err != nil {
		return j.mind(err)
	}
	return fmt.Errorf("%w: stream %s up to record %d; read on from record %d, or from a backup", ErrRemoved, stream, first-1, first)
}

// First returns the number of the first record of a stream that retention has
// left, 1 where it took none.
func (j *Journal) First(stream string) (uint64, error) {
	if err := j.ready(); err != nil {
		return 0, err
	}
	first, err := j.catalog.firstKept(stream)
	return max(first, 1), j.mind(err)
}

// salvage reads one by one what could not be read as a page, to get as far as
// possible and to name the record that stops it.
func (j *Journal) salvage(s *segment, stream string, seq, stop uint64, cause error) (rows []row, err error) {
	if err := j.mind(cause); errors.Is(err, ErrClosed) || errors.Is(err, ErrRemoved) {
		return nil, err
	}
	for ; seq <= stop; seq++ {
		one, err := s.page(byStream, stream, int64(seq), int64(seq), 1)
		if err != nil {
			return rows, damageAt(s, stream, seq, err)
		}
		if len(one) == 0 {
			break
		}
		rows = append(rows, one...)
	}
	if len(rows) == 0 {
		return nil, damageAt(s, stream, seq, cause)
	}
	return rows, nil
}

// damageAt makes a Damage of an error of SQLite.
func damageAt(s *segment, stream string, seq uint64, err error) error {
	var d *Damage
	if errors.As(err, &d) && d.Stream != "" {
		return d
	}
	if d != nil {
		return &Damage{Stream: stream, Seq: seq, File: d.File, What: d.What, Err: d.Err}
	}
	return &Damage{Stream: stream, Seq: seq, File: s.name, What: "the record cannot be read", Err: err}
}

// mind turns the errors of a closed database into ErrClosed.
func (j *Journal) mind(err error) error {
	if err != nil && j.ready() != nil {
		return ErrClosed
	}
	return err
}

// Read implements Store.
func (j *Journal) Read(stream string, from uint64, visit func(Record) error) error {
	if err := j.ready(); err != nil {
		return err
	}
	return j.run(stream, max(from, 1), j.Head(stream).Seq, func(_ *segment, _ uint64, rows []row) error {
		for i := range rows {
			if err := visit(rows[i].Record); err != nil {
				return err
			}
		}
		return nil
	})
}

// hashAt returns the chain hash of a stream at a number, and whether it is
// still known.
func (j *Journal) hashAt(stream string, seq uint64) (hash [32]byte, ok bool, err error) {
	if seq == 0 {
		return hash, true, nil
	}
	j.mu.RLock()
	head, open := j.heads[stream], j.opening[stream]
	j.mu.RUnlock()
	switch {
	case seq > head.Seq:
		return hash, false, nil
	case seq == head.Seq:
		return head.Hash, true, nil
	case seq == open.Seq:
		return open.Hash, true, nil
	case seq < open.Seq:
		p, found, err := j.catalog.spanAt(stream, seq)
		if err != nil || !found {
			return hash, false, j.mind(err)
		}
		if p.last == seq {
			return p.hash, true, nil
		}
		if p.state == "removed" {
			return hash, false, nil
		}
	}
	s, _, err := j.locate(stream, seq)
	if err != nil || s == nil {
		return hash, false, j.mind(err)
	}
	rows, err := s.page(byStream, stream, int64(seq), int64(seq), 1)
	if err != nil {
		return hash, false, j.mind(damageAt(s, stream, seq, err))
	}
	if len(rows) != 1 {
		return hash, false, nil
	}
	return rows[0].hash, true, nil
}

// SaveSnapshot implements Store.
func (j *Journal) SaveSnapshot(s Snapshot) error {
	if j.o.ReadOnly {
		return ErrReadOnly
	}
	if err := j.ready(); err != nil {
		return err
	}
	if err := j.Failed(); err != nil {
		return err
	}
	hash, ok, err := j.hashAt(s.Stream, s.Seq)
	if err != nil {
		return err
	}
	if err := s.check(hash, ok); err != nil {
		return err
	}
	if err := j.catalog.save(&s); err != nil {
		return j.mind(fmt.Errorf("cannot save a snapshot of stream %s: %w", s.Stream, err))
	}
	return nil
}

// Snapshot implements Store.
func (j *Journal) Snapshot(stream string) (best Snapshot, found bool, err error) {
	if err := j.ready(); err != nil {
		return Snapshot{}, false, err
	}
	err = j.catalog.snapshots(stream, func(s Snapshot) (more bool, err error) {
		hash, ok, err := j.hashAt(stream, s.Seq)
		if errors.Is(err, ErrDamaged) {
			return true, nil
		}
		if err != nil {
			return false, err
		}
		if ok && hash == s.Hash {
			best, found = s, true
		}
		return !found, nil
	})
	return best, found, j.mind(err)
}

// Contains compares a head that was kept elsewhere with this journal: nil if
// the chain passes through it, *Damage if the stream is shorter or another one.
// Heads of records that retention removed can no longer be compared and pass.
func (j *Journal) Contains(h Head) error {
	if err := j.ready(); err != nil {
		return err
	}
	hash, ok, err := j.hashAt(h.Stream, h.Seq)
	if err != nil {
		return err
	}
	j.mu.RLock()
	file := j.current.name
	j.mu.RUnlock()
	return contains(h, j.Head(h.Stream), hash, ok, file)
}
