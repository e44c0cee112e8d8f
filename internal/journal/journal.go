package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"
)

// Options of a journal; zero values take the defaults named.
type Options struct {
	ReadOnly bool // look without taking the lock, as of the moment of opening

	// A segment is sealed before the next append once it reaches any of these.
	SegmentBytes   int64         // 128 MiB
	SegmentRecords int64         // no bound
	SegmentAge     time.Duration // 31 days

	CheckpointEvery int // records between checkpoints; 4,096

	KeepFor      time.Duration // how long Retain keeps sealed segments; for ever
	KeepSegments int           // sealed segments Retain never removes, whatever their age; 2

	WarnFree float64 // free fraction of the file system below which Low is true; 0.20

	// Reserve is how many bytes are kept aside in a file of their own. When the
	// disk is full they are given up, so that what is under way can still be
	// journaled; Spent tells, and nothing new should be started then. 0: none.
	Reserve int64

	Now func() time.Time // for the age of segments; time.Now

	fault func(op string) error // test seam, see segmentWriter
	pages int64                 // test seam: most pages of a segment, 0 for no bound
}

func (o Options) defaults() Options {
	if o.SegmentBytes <= 0 {
		o.SegmentBytes = 128 << 20
	}
	if o.SegmentAge <= 0 {
		o.SegmentAge = 31 * 24 * time.Hour
	}
	if o.CheckpointEvery <= 0 {
		o.CheckpointEvery = 4096
	}
	if o.KeepSegments <= 0 {
		o.KeepSegments = 2
	}
	if o.WarnFree <= 0 {
		o.WarnFree = 0.20
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}

// Journal is the Store on disk.
type Journal struct {
	dir     string
	o       Options
	lock    *os.File
	catalog *catalog

	write sync.Mutex // held by Append and Close: one writer
	shape sync.Mutex // held while the set of segments must not change or changes: roll, Retain, Backup

	mu       sync.RWMutex // guards the rest; held briefly
	heads    map[string]Head
	opening  map[string]Head // heads the current segment opened with
	segments map[int64]*segment
	current  *segment
	lastID   int64 // of the newest record
	failed   error // ErrFailed wrapping the first cause
	spent    bool  // the reserve was given up, or could not be made
	closed   bool
	damage   []error

	background sync.WaitGroup
}

// Open opens the journal in folder dir and creates it if the folder is empty or
// missing. It takes the folder for this process (ErrLocked if another has it),
// refuses a newer format (ErrNewer), and verifies the chain of every stream
// from its last snapshot on. Damage that leaves the journal usable is not an
// error: ask Damage. *Damage as the error means that nothing can be appended
// safely; with ReadOnly such a journal opens as far as it can be read.
func Open(ctx context.Context, dir string, o Options) (_ *Journal, err error) {
	dir, err = filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	j := &Journal{
		dir: dir, o: o.defaults(), segments: map[int64]*segment{},
		heads: map[string]Head{}, opening: map[string]Head{},
	}
	defer func() {
		if err != nil {
			j.release() //nolint:errcheck // the first error is the one to report
		}
	}()
	if !o.ReadOnly {
		if err := os.MkdirAll(dir, 0o750); err != nil {
			return nil, err
		}
		if j.lock, err = lockDir(dir); err != nil {
			return nil, err
		}
	}
	if err := j.openFiles(); err != nil {
		return nil, fmt.Errorf("cannot open journal %s: %w", dir, err)
	}
	if err := j.verifyTails(ctx); err != nil {
		return nil, err
	}
	if !o.ReadOnly {
		j.spent = !keepReserve(j.dir, o.Reserve)
	}
	return j, nil
}

// openFiles opens catalog and segments and completes what a crash interrupted.
func (j *Journal) openFiles() error {
	files, err := filepath.Glob(filepath.Join(escapeGlob(j.dir), "segment-*.db"))
	if err != nil {
		return err
	}
	slices.Sort(files)
	if err := j.ensureCatalog(files); err != nil {
		return err
	}
	// A newer format always shows in the catalog, so the sealed segments need not
	// be opened here.
	if err := gate(filepath.Join(j.dir, catalogName), !j.o.ReadOnly); err != nil {
		return err
	}
	if j.catalog, err = openCatalog(j.dir, j.access(writing)); err != nil {
		return err
	}
	rows, err := j.catalog.segments()
	if err != nil {
		return &Damage{File: catalogName, What: "the list of segments cannot be read", Err: err}
	}
	if len(rows) == 0 {
		return &Damage{File: catalogName, What: "the list of segments is empty"}
	}
	if err := j.strangers(files, rows); err != nil {
		return err
	}
	for _, r := range rows[:len(rows)-1] {
		if err := j.openSealed(r); err != nil {
			return err
		}
	}
	return j.openCurrent(rows[len(rows)-1])
}

// access returns how to open a file: outside if we do not own the journal.
func (j *Journal) access(owner access) access {
	if j.o.ReadOnly {
		return outside
	}
	return owner
}

// strangers looks at segment files that the catalog does not list. A crash
// while rolling over leaves an empty one, which is removed.
func (j *Journal) strangers(files []string, rows []segmentRow) error {
	known := map[string]bool{}
	for _, r := range rows {
		known[segmentName(r.number)] = true
	}
	next := segmentName(rows[len(rows)-1].number + 1)
	for _, f := range files {
		name := filepath.Base(f)
		if known[name] || j.o.ReadOnly {
			continue
		}
		if n, err := countRecords(f); err != nil || n != 0 || name != next {
			return &Damage{File: name, What: "catalog.db does not list this segment; move catalog.db away to have it made anew from the segments, or move the segment away", Err: err}
		}
		if err := removeFile(f); err != nil {
			return err
		}
	}
	return nil
}

func countRecords(path string) (n int64, err error) {
	db, err := openFile(path, live)
	if err != nil {
		return 0, err
	}
	defer db.Close()
	err = db.QueryRow("SELECT count(*) FROM (SELECT 1 FROM records LIMIT 1)").Scan(&n)
	return n, err
}

// openSealed takes a segment into the list and finishes it if a crash came
// between sealing and finishing.
func (j *Journal) openSealed(r segmentRow) error {
	s := newSegment(j.dir, r.number)
	s.digest, s.bytes, s.firstAt, s.lastAt = r.digest, r.bytes, r.firstAt, r.lastAt
	if r.state == "removed" {
		s.gone = ErrRemoved
		if j.o.ReadOnly {
			return nil
		}
		return removeFile(s.path)
	}
	j.segments[r.number] = s
	info, err := os.Stat(s.path)
	switch {
	case err != nil:
		j.damaged(&Damage{File: s.name, What: "the file is missing", Err: err})
	case s.digest != nil && info.Size() != s.bytes:
		j.damaged(&Damage{File: s.name, What: fmt.Sprintf("the file has %d bytes and was sealed with %d", info.Size(), s.bytes)})
	case s.digest == nil:
		if err := s.openReaders(j.access(live)); err != nil {
			return err
		}
		if !j.o.ReadOnly {
			if err := j.finish(s); err != nil {
				j.damaged(&Damage{File: s.name, What: "the segment cannot be finished", Err: err})
			}
		}
	}
	return nil
}

// openCurrent opens the segment that appends go to.
func (j *Journal) openCurrent(r segmentRow) error {
	s := newSegment(j.dir, r.number)
	j.segments[r.number], j.current = s, s
	if j.o.ReadOnly {
		if err := gate(s.path, false); errors.Is(err, ErrNewer) {
			return err
		}
		if err := s.openReaders(outside); err != nil {
			return err
		}
		if err := j.peek(s); err != nil {
			j.damaged(&Damage{File: s.name, What: "the newest segment cannot be read", Err: err})
			return j.withoutNewest()
		}
		return nil
	}
	if err := gate(s.path, true); err != nil {
		var d *Damage
		if errors.As(err, &d) {
			return err
		}
		return &Damage{File: s.name, What: "the newest segment cannot be opened", Err: err}
	}
	if err := s.openWriter(j.catalog.id, j.o.fault); err != nil {
		return &Damage{File: s.name, What: "the newest segment cannot be read; open for reading only, or restore a backup", Err: err}
	}
	if err := s.openReaders(live); err != nil {
		return err
	}
	if j.o.pages > 0 {
		if _, err := s.w.conn.ExecContext(context.Background(), fmt.Sprintf("PRAGMA max_page_count = %d", j.o.pages)); err != nil {
			return err
		}
	}
	j.adopt(s) // if a crash left it sealed, the next append makes its successor
	return nil
}

// adopt makes s the current segment, with the heads it holds.
func (j *Journal) adopt(s *segment) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.segments[s.number], j.current = s, s
	j.opening, j.lastID = s.w.opening, s.w.nextID-1
	for name, h := range s.w.heads {
		j.heads[name] = h
	}
}

// peek loads the heads of the newest segment without being its writer.
func (j *Journal) peek(s *segment) error {
	ctx := context.Background()
	if _, err := os.Stat(s.path); err != nil {
		return err
	}
	moment, err := s.readers.BeginTx(ctx, nil) // the writer goes on meanwhile: heads and records of one moment
	if err != nil {
		return err
	}
	defer moment.Rollback() //nolint:errcheck // nothing was written
	_, opening, heads, err := loadStreams(ctx, moment)
	if err != nil {
		return err
	}
	j.opening, j.heads = opening, heads
	return moment.QueryRowContext(ctx,
		"SELECT coalesce(max(id), (SELECT value - 1 FROM meta WHERE key = 'first')) FROM records").Scan(&j.lastID)
}

// withoutNewest lets the sealed segments be read when the newest cannot be.
func (j *Journal) withoutNewest() error {
	ends, err := j.catalog.ends()
	if err != nil {
		return &Damage{File: catalogName, What: "the list of segments cannot be read", Err: err}
	}
	delete(j.segments, j.current.number)
	j.heads, j.opening, j.lastID = ends, ends, 1<<62
	return nil
}

func (j *Journal) damaged(d error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.damage = append(j.damage, d)
}

// Damage returns what opening found: nil for a journal that is intact from its
// last snapshots on. Each error is a *Damage.
func (j *Journal) Damage() []error {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return slices.Clone(j.damage)
}

// Failed returns nil while the journal may write, otherwise ErrFailed wrapping
// the first cause.
func (j *Journal) Failed() error {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.failed
}

// ready returns why the journal cannot be used, if so.
func (j *Journal) ready() error {
	j.mu.RLock()
	defer j.mu.RUnlock()
	if j.closed {
		return ErrClosed
	}
	return nil
}

// Head implements Store.
func (j *Journal) Head(stream string) Head {
	j.mu.RLock()
	defer j.mu.RUnlock()
	if h, ok := j.heads[stream]; ok {
		return h
	}
	return Head{Stream: stream}
}

// Heads implements Store.
func (j *Journal) Heads() []Head {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.allHeads()
}

func (j *Journal) allHeads() []Head {
	heads := make([]Head, 0, len(j.heads))
	for _, h := range j.heads {
		heads = append(heads, h)
	}
	return sortHeads(heads)
}

// Free returns how many bytes may still be written to the file system of the
// journal and which fraction of it that is; 0, 0 if it cannot tell.
func (j *Journal) Free() (bytes int64, fraction float64) {
	free, size, err := space(j.dir)
	if err != nil || size <= 0 {
		return 0, 0
	}
	return free, float64(free) / float64(size)
}

// Low reports whether less than Options.WarnFree of the file system is free.
func (j *Journal) Low() bool {
	_, fraction := j.Free()
	return fraction < j.o.WarnFree
}

// Close writes a last checkpoint and releases the folder.
func (j *Journal) Close() error {
	j.write.Lock()
	defer j.write.Unlock()
	if err := j.ready(); err != nil {
		return err
	}
	var mark error
	if s := j.current; s.w != nil && s.w.since > 0 && j.Failed() == nil {
		next := s.w.last.follow(s.w.nextID-1, "close", j.Heads())
		mark = s.w.commit(&batch{mark: &next})
	}
	j.mu.Lock()
	j.closed = true
	j.mu.Unlock()
	j.background.Wait()
	return errors.Join(mark, j.release())
}

// release closes every file that is open.
func (j *Journal) release() error {
	var errs []error
	for _, s := range j.segments {
		s.mu.Lock()
		if s.readers != nil {
			errs = append(errs, s.readers.Close())
			s.readers = nil
		}
		s.gone = ErrClosed
		if s.w != nil {
			errs = append(errs, s.w.close())
			s.w = nil
		}
		s.mu.Unlock()
	}
	if j.catalog != nil {
		errs = append(errs, j.catalog.close())
	}
	if j.lock != nil {
		errs = append(errs, j.lock.Close())
	}
	return errors.Join(errs...)
}
