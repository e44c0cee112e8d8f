package journal

import (
	"errors"
	"os"
	"path/filepath"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

const reserveName = "reserve"

// keepReserve makes the reserve where it is missing or of another size, and
// reports whether it is there. A file system too full for it is no reason not to
// open.
func keepReserve(dir string, size int64) bool {
	path := filepath.Join(dir, reserveName)
	info, err := os.Stat(path)
	if size <= 0 {
		return err != nil || os.Remove(path) == nil
	}
	if err == nil && info.Size() == size {
		return true
	}
	if err := writeReserve(path, size); err != nil {
		os.Remove(path) //nolint:errcheck // the answer is no either way
		return false
	}
	return true
}

// writeReserve writes the bytes, because a file with holes reserves nothing.
// They are not all zero, for file systems that compress.
func writeReserve(path string, size int64) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	block := make([]byte, 1<<16)
	state := uint64(1)
	for left := size; left > 0 && err == nil; left -= int64(len(block)) {
		block = block[:min(left, int64(len(block)))]
		for i := range block {
			state = state*6364136223846793005 + 1442695040888963407 // Knuth, MMIX
			block[i] = byte(state >> 56)
		}
		_, err = f.Write(block)
	}
	return errors.Join(err, f.Sync(), f.Close())
}

// spend gives the reserve up; false if there is none to give.
func (j *Journal) spend() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.o.Reserve <= 0 || j.spent {
		return false
	}
	j.spent = true
	return os.Remove(filepath.Join(j.dir, reserveName)) == nil
}

// Spent reports whether the reserve was given up because the disk was full, or
// could not be made when the journal was opened. Opening again makes it anew.
func (j *Journal) Spent() bool {
	j.mu.RLock()
	defer j.mu.RUnlock()
	return j.spent
}

func isFull(err error) bool {
	var e *sqlite.Error
	return diskFull(err) || errors.As(err, &e) &&
		(e.Code()&0xff == lib.SQLITE_FULL || e.Code() == lib.SQLITE_IOERR_SHMSIZE)
}
