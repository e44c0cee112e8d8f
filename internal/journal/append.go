package journal

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"
)

// Append implements Store. It seals the current segment first where that is
// due, so that records of one append stay together.
func (j *Journal) Append(ctx context.Context, records []Record) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if j.o.ReadOnly {
		return ErrReadOnly
	}
	if err := checkBatch(records); err != nil {
		return err
	}
	j.write.Lock()
	defer j.write.Unlock()
	if err := j.ready(); err != nil {
		return err
	}
	if err := j.Failed(); err != nil {
		return err
	}
	if len(records) == 0 {
		return nil
	}
	touched, hashes, err := advance(j.Head, records)
	if err != nil {
		return err
	}
	err = j.store(records, hashes, touched)
	if isFull(err) && j.spend() {
		err = j.store(records, hashes, touched)
	}
	if err != nil {
		return j.fail(err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	for _, h := range touched {
		j.heads[h.Stream] = h
	}
	j.lastID = j.current.w.nextID - 1
	return nil
}

// store seals what is due and commits one append to the current segment.
func (j *Journal) store(records []Record, hashes [][32]byte, touched []Head) error {
	if err := j.roll(); err != nil {
		return err
	}
	w := j.current.w
	b := &batch{records: records, hashes: hashes, touched: touched}
	if w.since+len(records) >= j.o.CheckpointEvery {
		next := w.last.follow(w.nextID+int64(len(records))-1, "full", j.headsAfter(touched))
		b.mark = &next
	}
	return w.commit(b)
}

func (j *Journal) headsAfter(touched []Head) []Head {
	j.mu.RLock()
	defer j.mu.RUnlock()
	after := make(map[string]Head, len(j.heads)+len(touched))
	for _, h := range j.heads {
		after[h.Stream] = h
	}
	for _, h := range touched {
		after[h.Stream] = h
	}
	heads := make([]Head, 0, len(after))
	for _, h := range after {
		heads = append(heads, h)
	}
	return heads
}

// fail takes away the right to write: what the disk holds is now unknown. The
// cause is returned as it is; later appends get ErrFailed wrapping it.
func (j *Journal) fail(cause error) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	cause = fmt.Errorf("cannot write journal %s: %w", j.dir, cause)
	if j.failed == nil {
		j.failed = fmt.Errorf("%w: %w", ErrFailed, cause)
	}
	return cause
}

// roll seals the current segment and opens the next where that is due.
func (j *Journal) roll() error {
	w := j.current.w
	if w.sealed { // and a crash or a full disk came before the next was made
		j.shape.Lock()
		defer j.shape.Unlock()
		return j.succeed(j.current)
	}
	if w.nextID == w.firstID || !j.due(w) {
		return nil
	}
	if !j.shape.TryLock() {
		return nil // a backup or a removal is at work: the next append will do
	}
	defer j.shape.Unlock()
	next := w.last.follow(w.nextID-1, "seal", j.Heads())
	if err := w.step("seal"); err != nil {
		return err
	}
	if err := w.commit(&batch{mark: &next, seal: true}); err != nil {
		return err
	}
	return j.succeed(j.current)
}

func (j *Journal) due(w *segmentWriter) bool {
	if j.o.SegmentRecords > 0 && w.nextID-w.firstID >= j.o.SegmentRecords {
		return true
	}
	if j.o.Now().Sub(time.UnixMilli(w.created)) >= j.o.SegmentAge {
		return true
	}
	info, err := os.Stat(j.current.path)
	return err == nil && info.Size() >= j.o.SegmentBytes
}

// succeed opens the segment after old, which is sealed. The order makes every
// crash between the steps recoverable: new file, catalog, first record.
func (j *Journal) succeed(old *segment) error {
	w := old.w
	n := old.number + 1
	if err := w.step("create"); err != nil {
		return err
	}
	heads := make([]Head, 0, len(w.heads))
	for _, h := range w.heads {
		heads = append(heads, h)
	}
	if err := createSegment(j.dir, n, j.catalog.id, heads, w.last, w.nextID, j.o.Now()); err != nil {
		return err
	}
	if err := w.step("catalog"); err != nil {
		return err
	}
	if err := j.catalog.rolled(old.number, spansBetween(w.opening, w.heads), n); err != nil {
		return err
	}
	s := newSegment(j.dir, n)
	if err := s.openWriter(j.catalog.id, j.o.fault); err != nil {
		return err
	}
	if err := s.openReaders(live); err != nil {
		return errors.Join(err, s.w.close())
	}
	j.adopt(s)
	j.background.Go(func() {
		if err := j.finish(old); err != nil {
			j.damaged(&Damage{File: old.name, What: "the segment cannot be finished", Err: err})
		}
	})
	return nil
}

// spansBetween returns the runs of the streams that grew.
func spansBetween(opening, heads map[string]Head) map[string]span {
	spans := map[string]span{}
	for name, h := range heads {
		if first := opening[name].Seq + 1; h.Seq >= first {
			spans[name] = span{first: first, last: h.Seq, hash: h.Hash}
		}
	}
	return spans
}

// finish turns a sealed segment into one plain file that is never written
// again, and records its size and digest.
func (j *Journal) finish(s *segment) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.w == nil {
		if err := s.openWriter(j.catalog.id, nil); err != nil {
			return err
		}
	}
	var busy, log, done int
	err := s.w.conn.QueryRowContext(context.Background(), "PRAGMA wal_checkpoint(truncate)").Scan(&busy, &log, &done)
	err = errors.Join(err, s.w.close())
	s.w = nil
	if err != nil {
		return err
	}
	if busy != 0 {
		return nil // another process reads along; the next start finishes it
	}
	if s.readers != nil {
		if err := s.readers.Close(); err != nil {
			return err
		}
		s.readers = nil
	}
	if s.digest, s.bytes, err = digestFile(s.path); err != nil {
		return err
	}
	db, err := openFile(s.path, immutable)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.QueryRow("SELECT min(at), max(at) FROM records").Scan(&s.firstAt, &s.lastAt); err != nil {
		return err
	}
	if err := os.Chmod(s.path, 0o440); err != nil {
		return err
	}
	return j.catalog.finished(s)
}

func digestFile(path string) (sum []byte, size int64, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return h.Sum(nil), size, err
}

// removeFile removes a segment's file and what SQLite left beside it.
func removeFile(path string) error {
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return syncDir(filepath.Dir(path))
}
