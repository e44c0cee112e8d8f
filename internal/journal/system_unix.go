//go:build unix

package journal

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// lockDir takes the journal's folder for this process until the file is closed
// or the process ends, however it ends.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err != nil {
		held := make([]byte, 32)
		n, _ := f.ReadAt(held, 0)
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, fmt.Errorf("%w: process %s holds %s; stop it first, or open for reading only",
				ErrLocked, strings.TrimSpace(string(held[:n])), dir)
		}
		return nil, err
	}
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if _, err := f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}

// space returns the bytes an ordinary process may still write to the file
// system of dir, and its whole size.
func space(dir string) (free, size int64, err error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(dir, &s); err != nil {
		return 0, 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), int64(s.Blocks) * int64(s.Bsize), nil
}

// syncDir makes a new name in a folder durable.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// diskFull reports whether the system said that there is no room.
func diskFull(err error) bool { return errors.Is(err, syscall.ENOSPC) }

// Holder returns the process that writes the journal in a folder. The error is
// ErrNobody when none does.
func Holder(dir string) (pid int, err error) {
	f, err := os.Open(filepath.Join(dir, "lock"))
	if err != nil {
		return 0, fmt.Errorf("%w: %w", ErrNobody, err)
	}
	defer f.Close()
	if syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) == nil {
		return 0, fmt.Errorf("%w: the lock of %s is free", ErrNobody, dir)
	}
	held := make([]byte, 32)
	n, _ := f.ReadAt(held, 0) //nolint:errcheck // what is no number is said next
	if pid, err = strconv.Atoi(strings.TrimSpace(string(held[:n]))); err != nil || pid < 2 {
		return 0, fmt.Errorf("%w: the lock of %s names no process but %q", ErrNobody, dir, held[:n])
	}
	return pid, nil
}
