package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"
)

const segmentSchema = `
CREATE TABLE meta (key TEXT PRIMARY KEY, value ANY) STRICT, WITHOUT ROWID;
CREATE TABLE streams (
	id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
	opening_seq INTEGER NOT NULL, opening_hash BLOB NOT NULL,
	seq INTEGER NOT NULL, hash BLOB NOT NULL) STRICT;
CREATE TABLE records (
	id INTEGER PRIMARY KEY, stream INTEGER NOT NULL, seq INTEGER NOT NULL,
	at INTEGER NOT NULL, kind TEXT NOT NULL,
	loop TEXT, part TEXT, gauge TEXT, person TEXT,
	body BLOB NOT NULL, hash BLOB NOT NULL) STRICT;
CREATE UNIQUE INDEX by_stream ON records (stream, seq);
CREATE INDEX by_loop ON records (loop) WHERE loop IS NOT NULL;
CREATE INDEX by_part ON records (part) WHERE part IS NOT NULL;
CREATE INDEX by_gauge ON records (gauge) WHERE gauge IS NOT NULL;
CREATE INDEX by_person ON records (person) WHERE person IS NOT NULL;
CREATE TABLE checkpoints (
	n INTEGER PRIMARY KEY, after INTEGER NOT NULL, reason TEXT NOT NULL,
	heads BLOB NOT NULL, prev BLOB NOT NULL, hash BLOB NOT NULL) STRICT;
`

// segment is one file of records.
type segment struct {
	number int64
	name   string // of the file
	path   string

	// Set by finish, for segments sealed and closed for good.
	digest          []byte
	bytes           int64
	firstAt, lastAt int64 // smallest and largest Record.At

	mu      sync.RWMutex // held for reading while readers is used
	readers *sql.DB      // nil: the file is immutable and opened for each use
	gone    error        // ErrRemoved or ErrClosed once the file must not be used

	w *segmentWriter // of the current segment of a journal that may write
}

// segmentWriter is the one connection that writes a segment. Its methods are
// called with the journal's write lock held.
type segmentWriter struct {
	db      *sql.DB
	conn    *sql.Conn
	insert  *sql.Stmt
	move    *sql.Stmt
	stream  *sql.Stmt
	mark    *sql.Stmt
	fault   func(op string) error // test seam: an error before the named step
	ids     map[string]int64
	opening map[string]Head
	heads   map[string]Head
	firstID int64 // of the first record of the segment
	nextID  int64
	created int64 // UTC milliseconds
	sealed  bool
	last    checkpoint // its heads are not loaded
	since   int        // records after the last checkpoint
}

func segmentName(n int64) string { return fmt.Sprintf("segment-%08d.db", n) }

func newSegment(dir string, n int64) *segment {
	name := segmentName(n)
	return &segment{number: n, name: name, path: filepath.Join(dir, name)}
}

// createSegment builds the file of segment n with the heads it opens with.
func createSegment(dir string, n int64, id []byte, heads []Head, last checkpoint, firstID int64, now time.Time) error {
	first := last.follow(firstID-1, "open", heads)
	return build(filepath.Join(dir, segmentName(n)), segmentSchema, func(tx *sql.Tx) error {
		for _, m := range [...]struct {
			key   string
			value any
		}{{"journal", id}, {"number", n}, {"first", firstID}, {"created", now.UnixMilli()}, {"sealed", 0}} {
			if _, err := tx.Exec("INSERT INTO meta VALUES (?, ?)", m.key, m.value); err != nil {
				return err
			}
		}
		for _, h := range sortHeads(heads) {
			if _, err := tx.Exec("INSERT INTO streams (name, opening_seq, opening_hash, seq, hash) VALUES (?, ?, ?, ?, ?)",
				h.Stream, int64(h.Seq), h.Hash[:], int64(h.Seq), h.Hash[:]); err != nil {
				return err
			}
		}
		_, err := tx.Exec(insertCheckpoint, first.args()...)
		return err
	})
}

const insertCheckpoint = "INSERT INTO checkpoints (n, after, reason, heads, prev, hash) VALUES (?, ?, ?, ?, ?, ?)"

func (c *checkpoint) args() []any {
	heads := c.heads
	if heads == nil {
		heads = []byte{}
	}
	return []any{c.n, c.after, c.reason, heads, c.prev[:], c.hash[:]}
}

// openReaders opens the segment for reading beside a writer.
func (s *segment) openReaders(how access) error {
	db, err := openFile(s.path, how)
	if err != nil {
		return err
	}
	s.readers = db
	return nil
}

// read calls use with a connection pool of the segment.
func (s *segment) read(use func(*sql.DB) error) error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.gone != nil {
		return s.gone
	}
	if s.readers != nil {
		return use(s.readers)
	}
	if _, err := os.Stat(s.path); err != nil {
		return &Damage{File: s.name, What: "the file is missing", Err: err}
	}
	db, err := openFile(s.path, immutable)
	if err != nil {
		return err
	}
	defer db.Close()
	return use(db)
}

// openWriter opens the writing connection and loads the heads. id is the
// journal the segment must belong to; nil accepts any.
func (s *segment) openWriter(id []byte, fault func(string) error) (err error) {
	db, err := openFile(s.path, writing)
	if err != nil {
		return err
	}
	w := &segmentWriter{db: db, fault: fault}
	defer func() {
		if err != nil {
			w.close() //nolint:errcheck // the first error is the one to report
		}
	}()
	ctx := context.Background()
	if w.conn, err = db.Conn(ctx); err != nil {
		return err
	}
	if err = w.load(id, s.number); err != nil {
		return err
	}
	for _, p := range [...]struct {
		to  **sql.Stmt
		sql string
	}{
		{&w.insert, "INSERT INTO records (id, stream, seq, at, kind, loop, part, gauge, person, body, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"},
		{&w.move, "UPDATE streams SET seq = ?, hash = ? WHERE id = ?"},
		{&w.stream, "INSERT INTO streams (id, name, opening_seq, opening_hash, seq, hash) VALUES (?, ?, 0, zeroblob(32), 0, zeroblob(32))"},
		{&w.mark, insertCheckpoint},
	} {
		if *p.to, err = w.conn.PrepareContext(ctx, p.sql); err != nil {
			return err
		}
	}
	s.w = w
	return nil
}

func (w *segmentWriter) close() error {
	var errs []error
	for _, st := range []*sql.Stmt{w.insert, w.move, w.stream, w.mark} {
		if st != nil {
			errs = append(errs, st.Close())
		}
	}
	if w.conn != nil {
		errs = append(errs, w.conn.Close())
	}
	return errors.Join(append(errs, w.db.Close())...)
}

// load reads what the writer must know to continue the segment.
func (w *segmentWriter) load(id []byte, number int64) error {
	ctx := context.Background()
	var journal []byte
	var n, sealed int64
	err := w.conn.QueryRowContext(ctx, `SELECT
		(SELECT value FROM meta WHERE key = 'journal'), (SELECT value FROM meta WHERE key = 'number'),
		(SELECT value FROM meta WHERE key = 'first'), (SELECT value FROM meta WHERE key = 'created'),
		(SELECT value FROM meta WHERE key = 'sealed'), (SELECT max(id) FROM records) IS NULL`).
		Scan(&journal, &n, &w.firstID, &w.created, &sealed, new(bool))
	if err != nil {
		return err
	}
	if n != number || id != nil && string(journal) != string(id) {
		return fmt.Errorf("the file is segment %d of journal %x, not segment %d of journal %x", n, journal, number, id)
	}
	w.sealed = sealed != 0
	if err := w.conn.QueryRowContext(ctx, "SELECT coalesce(max(id) + 1, ?) FROM records", w.firstID).Scan(&w.nextID); err != nil {
		return err
	}
	w.last, err = lastCheckpoint(ctx, w.conn)
	if err != nil {
		return err
	}
	w.since = int(w.nextID - 1 - w.last.after)
	w.ids, w.opening, w.heads, err = loadStreams(ctx, w.conn)
	return err
}

// querier is what *sql.DB, *sql.Conn and *sql.Tx have in common.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func lastCheckpoint(ctx context.Context, q querier) (c checkpoint, err error) {
	err = q.QueryRowContext(ctx, "SELECT n, after, reason, prev, hash FROM checkpoints ORDER BY n DESC LIMIT 1").
		Scan(&c.n, &c.after, &c.reason, scan32{&c.prev}, scan32{&c.hash})
	return c, err
}

// loadStreams reads the streams of a segment: their row, their head when the
// segment was opened and their head now.
func loadStreams(ctx context.Context, q querier) (ids map[string]int64, opening, heads map[string]Head, err error) {
	rows, err := q.QueryContext(ctx, "SELECT id, name, opening_seq, opening_hash, seq, hash FROM streams")
	if err != nil {
		return nil, nil, nil, err
	}
	defer rows.Close()
	ids, opening, heads = map[string]int64{}, map[string]Head{}, map[string]Head{}
	for rows.Next() {
		var id int64
		var a, b Head
		if err := rows.Scan(&id, &a.Stream, &a.Seq, scan32{&a.Hash}, &b.Seq, scan32{&b.Hash}); err != nil {
			return nil, nil, nil, err
		}
		b.Stream = a.Stream
		ids[a.Stream], opening[a.Stream], heads[a.Stream] = id, a, b
	}
	return ids, opening, heads, rows.Err()
}

// batch is one append, ready to be written.
type batch struct {
	records []Record
	hashes  [][32]byte
	touched []Head
	mark    *checkpoint // written with it, if not nil
	seal    bool
}

// commit writes a batch in one transaction. After an error the transaction is
// rolled back as far as SQLite can tell; the caller must stop writing.
func (w *segmentWriter) commit(b *batch) error {
	ctx := context.Background()
	if err := w.step("begin"); err != nil {
		return err
	}
	if _, err := w.conn.ExecContext(ctx, "BEGIN IMMEDIATE"); err != nil {
		return err
	}
	fresh, err := w.fill(ctx, b)
	if err == nil {
		err = w.step("commit")
	}
	if err == nil {
		_, err = w.conn.ExecContext(ctx, "COMMIT")
	}
	if err == nil {
		err = w.step("committed")
	}
	if err != nil {
		_, rollback := w.conn.ExecContext(ctx, "ROLLBACK")
		_ = rollback // fails when SQLite has rolled back by itself
		return err
	}
	for name, id := range fresh {
		w.ids[name] = id
	}
	for _, h := range b.touched {
		w.heads[h.Stream] = h
	}
	w.nextID += int64(len(b.records))
	w.since += len(b.records)
	if b.mark != nil {
		w.last, w.since = *b.mark, 0
		w.last.heads = nil
	}
	w.sealed = w.sealed || b.seal
	return nil
}

func (w *segmentWriter) step(op string) error {
	if w.fault == nil {
		return nil
	}
	return w.fault(op)
}

// fill writes the rows of a batch and returns the rows of new streams.
func (w *segmentWriter) fill(ctx context.Context, b *batch) (fresh map[string]int64, err error) {
	fresh = map[string]int64{}
	for _, h := range b.touched {
		if _, ok := w.ids[h.Stream]; !ok {
			id := int64(len(w.ids) + len(fresh) + 1)
			if _, err := w.stream.ExecContext(ctx, id, h.Stream); err != nil {
				return nil, err
			}
			fresh[h.Stream] = id
		}
	}
	row := func(name string) int64 {
		if id, ok := w.ids[name]; ok {
			return id
		}
		return fresh[name]
	}
	for i := range b.records {
		r := &b.records[i]
		body := r.Body
		if body == nil {
			body = []byte{}
		}
		if err := w.step("insert"); err != nil {
			return nil, err
		}
		if _, err := w.insert.ExecContext(ctx, w.nextID+int64(i), row(r.Stream), int64(r.Seq), r.At, r.Kind,
			orNull(r.Loop), orNull(r.Part), orNull(r.Gauge), orNull(r.Person), body, b.hashes[i][:]); err != nil {
			return nil, err
		}
	}
	for _, h := range b.touched {
		if _, err := w.move.ExecContext(ctx, int64(h.Seq), h.Hash[:], row(h.Stream)); err != nil {
			return nil, err
		}
	}
	if b.mark != nil {
		if _, err := w.mark.ExecContext(ctx, b.mark.args()...); err != nil {
			return nil, err
		}
	}
	if b.seal {
		if _, err := w.conn.ExecContext(ctx, "UPDATE meta SET value = 1 WHERE key = 'sealed'"); err != nil {
			return nil, err
		}
	}
	return fresh, nil
}

// orNull keeps empty keys out of the partial indexes.
func orNull(s string) any {
	if s == "" {
		return nil
	}
	return s
}
