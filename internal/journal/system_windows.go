package journal

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// errNotHere says what this system is not good for: that a record survives a loss of
// power, and that one process alone writes it, is proven on Linux.
var errNotHere = errors.New("a record is written on Linux alone, run the daemon there; on Windows it can be read, exported and reported from")

func lockDir(string) (*os.File, error) { return nil, errNotHere }

func syncDir(string) error { return errNotHere }

// space returns the bytes an ordinary process may still write to the file
// system of dir, and its whole size.
func space(dir string) (free, size int64, err error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, 0, err
	}
	var ours, whole uint64
	if err := windows.GetDiskFreeSpaceEx(name, &ours, &whole, nil); err != nil {
		return 0, 0, err
	}
	return int64(ours), int64(whole), nil
}

// diskFull reports whether the system said that there is no room.
func diskFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}

// Holder finds nobody: no journal is written here.
func Holder(string) (int, error) { return 0, ErrNobody }
