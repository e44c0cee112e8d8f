package journal

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// small mounts a file system of 3 MiB and returns a folder on it.
func small(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=3m"); err != nil {
		t.Skipf("cannot mount a small file system here: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) }) //nolint:errcheck // best effort
	return dir
}

// TestFullDisk fills a real, small file system where the system lets us mount
// one; TestFull covers the same path everywhere else.
func TestFullDisk(t *testing.T) {
	dir := small(t)
	inner := filepath.Join(dir, "journal")
	j := mustOpen(t, inner, Options{SegmentBytes: 300 << 10})
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	var acked uint64
	var err error
	for err == nil {
		if err = j.Append(t.Context(), pair(j, 3000)); err == nil {
			acked++
		}
	}
	if acked < 20 {
		t.Fatalf("only %d appends fitted: %v", acked, err)
	}
	t.Logf("full after %d appends: %v", acked, err)
	if err := j.Append(t.Context(), pair(j, 1)); !errors.Is(err, ErrFailed) {
		t.Errorf("the next append says %v", err)
	}
	n := uint64(0)
	if err := j.Read("plant", 1, func(Record) error { n++; return nil }); err != nil || n != acked {
		t.Errorf("%d records readable on the full disk, %v; want %d", n, err, acked)
	}
	j.Close()
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	afterFailure(t, inner, acked)
}

// TestReserve: on a full disk the reserve is given up once, the append that
// met the full disk succeeds, and the next full disk ends writing.
func TestReserve(t *testing.T) {
	for _, segment := range []int64{300 << 10, 1} { // full in a commit, and while rolling over
		dir := small(t)
		inner := filepath.Join(dir, "journal")
		o := Options{SegmentBytes: segment, Reserve: 700 << 10}
		j := mustOpen(t, inner, o)
		if j.Spent() {
			t.Fatal("the reserve is spent before anything was written")
		}
		var acked, first uint64
		var err error
		for err == nil {
			if err = j.Append(t.Context(), pair(j, 3000)); err == nil {
				acked++
			}
			if first == 0 && j.Spent() {
				first = acked
				if err != nil {
					t.Errorf("the append that met the full disk: %v", err)
				}
			}
		}
		t.Logf("reserve given up at append %d, full after %d: %v", first, acked, err)
		if first == 0 || acked < first+3 {
			t.Errorf("the reserve was given up at append %d and the disk was full at %d", first, acked)
		}
		if err := j.Append(t.Context(), pair(j, 1)); !errors.Is(err, ErrFailed) {
			t.Errorf("the next append says %v", err)
		}
		j.Close()
		if _, err := os.Stat(filepath.Join(inner, reserveName)); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the reserve is still there: %v", err)
		}
		if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, "size=9m"); err != nil {
			t.Fatal(err)
		}
		afterFailure(t, inner, acked)
		j = mustOpen(t, inner, o)
		if info, err := os.Stat(filepath.Join(inner, reserveName)); err != nil || info.Size() != o.Reserve || j.Spent() {
			t.Errorf("opening again does not make the reserve anew: %v", err)
		}
		j.Close()
	}
}
