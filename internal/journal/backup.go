package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Backup writes a consistent copy of the journal into folder dest, which must
// not exist yet, while the journal goes on. The copy is complete and on disk on
// return and is a journal itself: open it for reading and verify it. Meanwhile
// no segment is sealed or removed.
func (j *Journal) Backup(ctx context.Context, dest string) (err error) {
	if _, err := os.Lstat(dest); err == nil {
		return fmt.Errorf("cannot back up to %s: it exists; name a new folder", dest)
	}
	j.shape.Lock()
	defer j.shape.Unlock()
	if err := j.ready(); err != nil {
		return err
	}
	tmp := dest + ".partial"
	if err := os.RemoveAll(tmp); err != nil {
		return err
	}
	if err := os.MkdirAll(tmp, 0o750); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("cannot back up to %s: %w", dest, err), os.RemoveAll(tmp))
		}
	}()
	// The catalog first: its snapshots must not be newer than the records.
	if err := vacuumInto(ctx, j.catalog.db, filepath.Join(tmp, catalogName)); err != nil {
		return err
	}
	for _, s := range j.byNumber() {
		if err := s.copyTo(ctx, filepath.Join(tmp, s.name)); err != nil {
			return err
		}
	}
	if err := syncDir(tmp); err != nil {
		return err
	}
	if err := os.Rename(tmp, dest); err != nil {
		return err
	}
	return syncDir(filepath.Dir(dest))
}

// vacuumInto copies a database that may be written meanwhile.
func vacuumInto(ctx context.Context, db *sql.DB, path string) error {
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		return err
	}
	return syncFile(path)
}

// copyTo copies a finished segment byte for byte, so that its digest holds,
// and any other through SQLite.
func (s *segment) copyTo(ctx context.Context, path string) error {
	s.mu.RLock()
	finished := s.readers == nil
	s.mu.RUnlock()
	if finished {
		return copyFile(s.path, path)
	}
	// A connection of its own, because those for reading may not write anywhere.
	return s.read(func(*sql.DB) error {
		db, err := openFile(s.path, outside)
		if err != nil {
			return err
		}
		defer db.Close()
		return vacuumInto(ctx, db, path)
	})
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
