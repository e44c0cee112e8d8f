package journal

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"path/filepath"
	"sync"
)

const catalogName = "catalog.db"

// spans holds, for each stream and each sealed or removed segment that has
// records of it, where its run begins and how it ends.
const catalogSchema = `
CREATE TABLE meta (key TEXT PRIMARY KEY, value ANY) STRICT, WITHOUT ROWID;
CREATE TABLE segments (
	number INTEGER PRIMARY KEY, state TEXT NOT NULL CHECK (state IN ('open', 'sealed', 'removed')),
	first_at INTEGER, last_at INTEGER, bytes INTEGER, digest BLOB) STRICT;
CREATE TABLE spans (
	stream TEXT NOT NULL, segment INTEGER NOT NULL,
	first INTEGER NOT NULL, last INTEGER NOT NULL, hash BLOB NOT NULL,
	PRIMARY KEY (stream, segment)) STRICT, WITHOUT ROWID;
CREATE TABLE snapshots (
	id INTEGER PRIMARY KEY, stream TEXT NOT NULL, seq INTEGER NOT NULL, hash BLOB NOT NULL,
	version TEXT NOT NULL, body BLOB NOT NULL, digest BLOB NOT NULL) STRICT;
CREATE INDEX snapshots_by_stream ON snapshots (stream, seq);
`

// catalog is catalog.db: the list of segments and the snapshots.
type catalog struct {
	mu sync.Mutex // serialises writers
	db *sql.DB
	id []byte // of the journal, 16 random bytes
}

// span is the run of a stream's records in one segment.
type span struct {
	segment     int64
	state       string
	first, last uint64
	hash        [32]byte // at last
}

type segmentRow struct {
	number          int64
	state           string
	firstAt, lastAt int64
	bytes           int64
	digest          []byte
}

// createCatalog builds the file for segments that exist already.
func createCatalog(dir string, id []byte, rows []segmentRow, spans map[int64]map[string]span) error {
	return build(filepath.Join(dir, catalogName), catalogSchema, func(tx *sql.Tx) error {
		if _, err := tx.Exec("INSERT INTO meta VALUES ('journal', ?)", id); err != nil {
			return err
		}
		for _, r := range rows {
			if err := addSegment(tx, r.number, r.state, spans[r.number]); err != nil {
				return err
			}
		}
		return nil
	})
}

// newID names a journal, so that files of two are not mixed up.
func newID() []byte {
	id := make([]byte, 16)
	rand.Read(id) //nolint:errcheck // never fails
	return id
}

func addSegment(tx *sql.Tx, n int64, state string, spans map[string]span) error {
	if _, err := tx.Exec("INSERT INTO segments (number, state) VALUES (?, ?) ON CONFLICT DO UPDATE SET state = excluded.state", n, state); err != nil {
		return err
	}
	for stream, s := range spans {
		if _, err := tx.Exec("INSERT OR REPLACE INTO spans (stream, segment, first, last, hash) VALUES (?, ?, ?, ?, ?)",
			stream, n, int64(s.first), int64(s.last), s.hash[:]); err != nil {
			return err
		}
	}
	return nil
}

func openCatalog(dir string, how access) (*catalog, error) {
	db, err := openFile(filepath.Join(dir, catalogName), how)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(4)
	c := &catalog{db: db}
	if err := db.QueryRow("SELECT value FROM meta WHERE key = 'journal'").Scan(&c.id); err != nil {
		return nil, errors.Join(&Damage{File: catalogName, What: "the file cannot be read", Err: err}, db.Close())
	}
	return c, nil
}

// segments lists all segments, removed ones too, by number.
func (c *catalog) segments() ([]segmentRow, error) {
	rows, err := c.db.Query("SELECT number, state, coalesce(first_at, 0), coalesce(last_at, 0), coalesce(bytes, 0), digest FROM segments ORDER BY number")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []segmentRow
	for rows.Next() {
		var r segmentRow
		if err := rows.Scan(&r.number, &r.state, &r.firstAt, &r.lastAt, &r.bytes, &r.digest); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// rolled records that old was sealed with these spans and that next is open.
func (c *catalog) rolled(old int64, spans map[string]span, next int64) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	return inTx(c.db, func(tx *sql.Tx) error {
		if err := addSegment(tx, old, "sealed", spans); err != nil {
			return err
		}
		return addSegment(tx, next, "open", nil)
	})
}

// finished records the final facts about a sealed segment.
func (c *catalog) finished(s *segment) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	_, err := c.db.Exec("UPDATE segments SET first_at = ?, last_at = ?, bytes = ?, digest = ? WHERE number = ?",
		s.firstAt, s.lastAt, s.bytes, s.digest, s.number)
	return err
}

// remove marks a segment as removed by retention, before its file goes.
func (c *catalog) remove(n int64) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	_, err := c.db.Exec("UPDATE segments SET state = 'removed' WHERE number = ?", n)
	return err
}

// spanAt returns the first span of a stream that ends at seq or later.
func (c *catalog) spanAt(stream string, seq uint64) (s span, ok bool, err error) {
	err = c.db.QueryRow(`SELECT p.segment, g.state, p.first, p.last, p.hash
		FROM spans p JOIN segments g ON g.number = p.segment
		WHERE p.stream = ? AND p.last >= ? ORDER BY p.segment LIMIT 1`, stream, int64(seq)).
		Scan(&s.segment, &s.state, &s.first, &s.last, scan32{&s.hash})
	if errors.Is(err, sql.ErrNoRows) {
		return span{}, false, nil
	}
	return s, err == nil, err
}

// firstKept returns the number of the first record of a stream that retention
// has left; 1 where it removed none.
func (c *catalog) firstKept(stream string) (uint64, error) {
	var last int64
	err := c.db.QueryRow(`SELECT coalesce(max(p.last), 0) FROM spans p JOIN segments g ON g.number = p.segment
		WHERE p.stream = ? AND g.state = 'removed'`, stream).Scan(&last)
	return uint64(last) + 1, err
}

// spansOf returns the spans of one segment by stream.
func (c *catalog) spansOf(n int64) (map[string]span, error) {
	rows, err := c.db.Query("SELECT stream, first, last, hash FROM spans WHERE segment = ?", n)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]span{}
	for rows.Next() {
		s := span{segment: n}
		var stream string
		if err := rows.Scan(&stream, &s.first, &s.last, scan32{&s.hash}); err != nil {
			return nil, err
		}
		out[stream] = s
	}
	return out, rows.Err()
}

// ends returns the head of each stream at the end of the sealed segments.
func (c *catalog) ends() (map[string]Head, error) {
	// max() makes SQLite take the other columns from the same row.
	rows, err := c.db.Query("SELECT stream, max(last), hash FROM spans GROUP BY stream")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]Head{}
	for rows.Next() {
		var h Head
		if err := rows.Scan(&h.Stream, &h.Seq, scan32{&h.Hash}); err != nil {
			return nil, err
		}
		out[h.Stream] = h
	}
	return out, rows.Err()
}

// save stores a snapshot and forgets all but the newest few of its stream.
func (c *catalog) save(s *Snapshot) error {
	sum := s.sum()
	body := s.Body
	if body == nil {
		body = []byte{}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return inTx(c.db, func(tx *sql.Tx) error {
		if _, err := tx.Exec("INSERT INTO snapshots (stream, seq, hash, version, body, digest) VALUES (?, ?, ?, ?, ?, ?)",
			s.Stream, int64(s.Seq), s.Hash[:], s.Version, body, sum[:]); err != nil {
			return err
		}
		_, err := tx.Exec(`DELETE FROM snapshots WHERE stream = ? AND id NOT IN
			(SELECT id FROM snapshots WHERE stream = ? ORDER BY id DESC LIMIT ?)`, s.Stream, s.Stream, keepSnapshots)
		return err
	})
}

// snapshots visits the snapshots of a stream that are intact in themselves,
// highest number first, until visit returns false. An unreadable one is passed
// over and reported only if visit accepted none.
func (c *catalog) snapshots(stream string, visit func(Snapshot) (more bool, err error)) error {
	var damage error
	for skip := range keepSnapshots {
		s := Snapshot{Stream: stream}
		var digest []byte
		err := c.db.QueryRowContext(context.Background(), `SELECT seq, hash, version, body, digest FROM snapshots
			WHERE stream = ? ORDER BY seq DESC, id DESC LIMIT 1 OFFSET ?`, stream, skip).
			Scan(&s.Seq, scan32{&s.Hash}, &s.Version, &s.Body, &digest)
		if errors.Is(err, sql.ErrNoRows) {
			break
		}
		if err != nil {
			damage = &Damage{Stream: stream, File: catalogName, What: "a snapshot cannot be read", Err: err}
			continue
		}
		if sum := s.sum(); string(sum[:]) != string(digest) {
			continue
		}
		if more, err := visit(s); err != nil || !more {
			return err
		}
	}
	return damage
}

func (c *catalog) close() error { return c.db.Close() }
