package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the database driver "sqlite"
)

// application marks our files in SQLite's application_id.
const application = 0x6f666a6c

// The ways to open a file.
type access int

const (
	writing   access = iota // the one writer
	live                    // a reader beside the writer
	outside                 // a reader in a process that does not own the journal
	immutable               // a reader of a sealed segment, which nobody writes
	building                // a new file that is renamed into place when complete
)

// openFile opens one SQLite file and does not touch it before its format is
// known. Write-ahead log with synchronous=FULL: a commit is on the disk when it
// returns.
func openFile(path string, how access) (*sql.DB, error) {
	q := url.Values{}
	pragma := func(p string) { q.Add("_pragma", p) }
	pragma("busy_timeout(10000)")
	pragma("cell_size_check(1)")
	pragma("trusted_schema(0)")
	switch how {
	case writing:
		q.Set("mode", "rw")
		pragma("journal_mode(wal)")
		pragma("synchronous(full)")
		pragma("journal_size_limit(8388608)")
	case live:
		q.Set("mode", "rw")
		pragma("query_only(1)")
	case outside:
		q.Set("mode", "ro")
	case immutable:
		q.Set("mode", "ro")
		q.Set("immutable", "1")
	case building:
		q.Set("mode", "rwc")
		pragma("journal_mode(delete)")
		pragma("synchronous(full)")
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	switch how {
	case writing, building, immutable:
		db.SetMaxOpenConns(1)
	default:
		db.SetMaxOpenConns(4)
	}
	return db, nil
}

// gate refuses a file of a newer format, and one that is not ours.
func gate(path string, owner bool) error {
	if _, err := os.Stat(path); err != nil {
		return err
	}
	how := outside
	if owner {
		how = live
	}
	db, err := openFile(path, how)
	if err != nil {
		return err
	}
	defer db.Close()
	var app, format int64
	err = db.QueryRow("SELECT application_id, user_version FROM pragma_application_id, pragma_user_version").Scan(&app, &format)
	name := filepath.Base(path)
	switch {
	case err != nil:
		return &Damage{File: name, What: "the file cannot be read", Err: err}
	case app != application:
		return &Damage{File: name, What: "the file is not part of a journal"}
	case format > Format:
		return fmt.Errorf("%w: %s has format %d and this version reads up to %d; install the newer version again, or restore the backup made before the upgrade",
			ErrNewer, name, format, Format)
	case format < 1:
		return &Damage{File: name, What: fmt.Sprintf("format %d does not exist", format)}
	}
	return nil
}

// build writes a new file completely and then gives it its name, so that a
// crash leaves either no file or a whole one.
func build(path string, schema string, fill func(*sql.Tx) error) error {
	tmp := path + ".tmp"
	// What an earlier attempt left must not be taken for part of the new file.
	for _, old := range []string{tmp, tmp + "-journal", path + "-wal", path + "-shm"} {
		if err := os.Remove(old); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if err := fillFile(tmp, schema, fill); err != nil {
		return err
	}
	if err := syncFile(tmp); err != nil {
		return err
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

func fillFile(path, schema string, fill func(*sql.Tx) error) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o640)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	db, err := openFile(path, building)
	if err != nil {
		return err
	}
	defer db.Close()
	head := fmt.Sprintf("PRAGMA page_size = %d; PRAGMA application_id = %d; PRAGMA user_version = %d;", pageSize, application, Format)
	if _, err := db.Exec(head); err != nil {
		return err
	}
	tx, err := db.Begin()
	if err != nil {
		return err
	}
	defer tx.Rollback() //nolint:errcheck // after a commit there is nothing to roll back
	if _, err := tx.Exec(schema); err != nil {
		return err
	}
	if err := fill(tx); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return err
	}
	return db.Close()
}

// pageSize is in bytes, the block of common disks: a commit of one record
// writes few whole pages, and records of some 300 bytes waste little of one.
const pageSize = 4096

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// inTx runs f in a transaction of db.
func inTx(db *sql.DB, f func(*sql.Tx) error) error {
	tx, err := db.BeginTx(context.Background(), nil)
	if err != nil {
		return err
	}
	if err := f(tx); err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}
