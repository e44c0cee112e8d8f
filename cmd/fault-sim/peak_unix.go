//go:build unix

package main

import "syscall"

// peak returns the most memory the process has held, in bytes.
func peak(uint64) uint64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return uint64(u.Maxrss) * 1024 //nolint:unconvert // kibibytes on Linux
}
