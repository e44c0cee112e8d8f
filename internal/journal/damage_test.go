package journal_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"testing"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

// edit changes a database file with SQL, as somebody with the file could.
func edit(t *testing.T, path, change string) {
	t.Helper()
	journaltest.Must(t, os.Chmod(path, 0o640))
	db, err := sql.Open("sqlite", path)
	journaltest.Must(t, err)
	defer db.Close()
	_, err = db.Exec(change)
	journaltest.Must(t, err)
	_, err = db.Exec("PRAGMA wal_checkpoint(truncate)")
	journaltest.Must(t, err)
}

// victims are made once and copied, because every append waits for the disk.
var victims struct {
	sync.Mutex
	files map[int]map[string]string
}

// victim makes a closed journal: three segments of 40 records and a current one
// of 20, streams plant and machine/one in turn, closed cleanly.
func victim(t *testing.T) (dir string, o journal.Options) { return victimNumber(t, 1) }

func victimNumber(t *testing.T, n int) (dir string, o journal.Options) {
	t.Helper()
	dir = t.TempDir()
	o = journal.Options{SegmentRecords: 40, CheckpointEvery: 16}
	victims.Lock()
	defer victims.Unlock()
	if victims.files == nil {
		victims.files = map[int]map[string]string{}
	}
	if victims.files[n] == nil {
		j := open(t, dir, o)
		for range 70 {
			journaltest.Fill(t, j, "plant", 1)
			journaltest.Fill(t, j, "machine/one", 1)
		}
		journaltest.Must(t, j.Close())
		victims.files[n] = files(t, dir)
		return dir, o
	}
	for name, content := range victims.files[n] {
		journaltest.Must(t, os.WriteFile(filepath.Join(dir, name), []byte(content), 0o640))
	}
	return dir, o
}

const (
	sealedFile  = "segment-00000002.db" // plant and machine/one 21..40
	currentFile = "segment-00000004.db" // 61..70
)

// findings opens a journal and returns all it reports, at opening and by a
// full verification.
func findings(t *testing.T, dir string, o journal.Options) []*journal.Damage {
	t.Helper()
	opening, verifying := inspect(t, dir, o)
	return append(opening, verifying...)
}

// inspect returns what opening reports and what a full verification does; where
// the journal does not open, both are the error.
func inspect(t *testing.T, dir string, o journal.Options) (opening, verifying []*journal.Damage) {
	t.Helper()
	j, err := journal.Open(context.Background(), dir, o)
	if err != nil {
		list := damages(t, err)
		return list, list
	}
	defer j.Close()
	for _, e := range j.Damage() {
		opening = append(opening, damages(t, e)...)
	}
	return opening, damages(t, j.Verify(context.Background(), "", 0))
}

// damages takes a joined error apart.
func damages(t *testing.T, err error) (out []*journal.Damage) {
	t.Helper()
	if err == nil {
		return nil
	}
	if many, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range many.Unwrap() {
			out = append(out, damages(t, e)...)
		}
		return out
	}
	var d *journal.Damage
	if !errors.As(err, &d) {
		t.Errorf("not a damage: %v", err)
		return nil
	}
	return []*journal.Damage{d}
}

func names(list []*journal.Damage, want journal.Damage) bool {
	for _, d := range list {
		if d.Stream == want.Stream && (want.Seq == 0 || d.Seq == want.Seq) && (want.File == "" || d.File == want.File) {
			return true
		}
	}
	return false
}

// TestAlterations: each way to change a journal with SQL is found and named, in
// a sealed segment and in the current one.
func TestAlterations(t *testing.T) {
	row := func(seq int) string {
		return fmt.Sprintf("stream = (SELECT id FROM streams WHERE name = 'plant') AND seq = %d", seq)
	}
	for _, place := range []struct {
		file string
		seq  int // of a record inside
		last int
	}{{sealedFile, 25, 40}, {currentFile, 65, 70}} {
		for _, c := range []struct {
			name, change string
			want         journal.Damage
			exact        bool // opening names the same record
		}{
			{"edited body", "UPDATE records SET body = x'31' WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, true},
			{"edited time", "UPDATE records SET at = at + 1 WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, true},
			{"edited person", "UPDATE records SET person = 'another' WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, true},
			{"edited kind", "UPDATE records SET kind = 'note' WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, true},
			{"edited hash", "UPDATE records SET hash = zeroblob(32) WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, false},
			{"cut hash", "UPDATE records SET hash = x'00' WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, true},
			{"removed row", "DELETE FROM records WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, true},
			{"removed last row", "DELETE FROM records WHERE " + row(place.last), journal.Damage{Stream: "plant", Seq: uint64(place.last)}, true},
			{"moved to another stream", "UPDATE records SET stream = 77 WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, false},
			{"renumbered", "UPDATE records SET seq = 9999 WHERE " + row(place.seq), journal.Damage{Stream: "plant", Seq: uint64(place.seq)}, false},
			{"renamed stream", "UPDATE streams SET name = 'other' WHERE name = 'plant'", journal.Damage{Stream: "other"}, false},
			{"edited head", "UPDATE streams SET hash = zeroblob(32) WHERE name = 'plant'", journal.Damage{Stream: "plant", Seq: uint64(place.last)}, false},
			{"edited opening", "UPDATE streams SET opening_hash = zeroblob(32) WHERE name = 'plant'", journal.Damage{Stream: "plant"}, false},
			{"edited checkpoint", "UPDATE checkpoints SET heads = x'' WHERE n = (SELECT max(n) FROM checkpoints)", journal.Damage{}, false},
			{"removed checkpoint", "DELETE FROM checkpoints WHERE n = (SELECT min(n) + 1 FROM checkpoints)", journal.Damage{}, false},
			{"removed checkpoints", "DELETE FROM checkpoints", journal.Damage{}, false},
		} {
			dir, o := victim(t)
			edit(t, filepath.Join(dir, place.file), c.change)
			if c.want.Stream != "other" && c.name != "removed checkpoints" {
				c.want.File = place.file
			}
			opening, found := inspect(t, dir, o)
			if !names(found, c.want) {
				t.Errorf("%s, %s: want %s %d named; found %v", place.file, c.name, c.want.Stream, c.want.Seq, found)
			}
			if c.exact && !names(opening, c.want) {
				t.Errorf("%s, %s: opening names %v; want record %d", place.file, c.name, opening, c.want.Seq)
			}
		}
	}
}

// TestRecomputedChain: whoever edits a record and recomputes every hash after
// it, and the head, is still caught by the checkpoints, at opening and by a
// full verification.
func TestRecomputedChain(t *testing.T) {
	dir, o := victim(t)
	j := open(t, dir, o)
	records := journaltest.All(t, j, "plant")
	journaltest.Must(t, j.Close())
	var hash [32]byte
	change := "UPDATE records SET person = 'another' WHERE seq = 65 AND stream = (SELECT id FROM streams WHERE name = 'plant');"
	for _, r := range records {
		if r.Seq == 65 {
			r.Person = "another"
		}
		hash = journaltest.Chain(hash, r)
		if r.Seq >= 65 {
			change += fmt.Sprintf("UPDATE records SET hash = x'%x' WHERE seq = %d AND stream = (SELECT id FROM streams WHERE name = 'plant');", hash, r.Seq)
		}
	}
	edit(t, filepath.Join(dir, currentFile), change+fmt.Sprintf("UPDATE streams SET hash = x'%x' WHERE name = 'plant'", hash))
	opening, verifying := inspect(t, dir, o)
	if want := (journal.Damage{Stream: "plant", File: currentFile}); !names(opening, want) || !names(verifying, want) {
		t.Errorf("opening finds %v, verifying finds %v; want plant in %s by both", opening, verifying, currentFile)
	}
}

// TestCatalogAltered: the list of segments is held against the segments.
func TestCatalogAltered(t *testing.T) {
	for _, change := range []string{
		"UPDATE spans SET hash = zeroblob(32) WHERE stream = 'plant' AND segment = 2",
		"UPDATE spans SET first = first + 1 WHERE stream = 'plant' AND segment = 2",
		"UPDATE spans SET last = last - 1 WHERE stream = 'plant' AND segment = 2",
		"DELETE FROM spans WHERE stream = 'plant' AND segment = 2",
		"INSERT INTO spans VALUES ('machine/none', 2, 1, 1, zeroblob(32))",
		"UPDATE segments SET digest = zeroblob(32) WHERE number = 2",
		"UPDATE segments SET bytes = 1 WHERE number = 2",
		"DELETE FROM segments",
	} {
		dir, o := victim(t)
		edit(t, filepath.Join(dir, "catalog.db"), change)
		if _, found := inspect(t, dir, o); len(found) == 0 || found[0].File != "catalog.db" && found[0].File != sealedFile {
			t.Errorf("%s: found %v", change, found)
		}
	}
}

// TestConsistentShortening: whoever removes the last records and mends the
// head forgets the checkpoint; who mends everything in the files is
// caught by a head kept elsewhere.
func TestConsistentShortening(t *testing.T) {
	dir, o := victim(t)
	j := open(t, dir, o)
	kept := j.Head("plant")
	journaltest.Must(t, j.Close())
	path := filepath.Join(dir, currentFile)
	edit(t, path, `DELETE FROM records WHERE seq >= 69;
		UPDATE streams SET seq = 68, hash = (SELECT hash FROM records WHERE seq = 68 AND stream = streams.id)`)
	if found := findings(t, dir, o); len(found) == 0 {
		t.Error("a shortened stream with a mended head is not found although a checkpoint covers it")
	}
	edit(t, path, "DELETE FROM checkpoints WHERE after > (SELECT max(id) FROM records)")
	if found := findings(t, dir, o); len(found) != 0 {
		t.Logf("found even without the mark: %v", found)
	}
	j, err := journal.Open(context.Background(), dir, o)
	journaltest.Must(t, err)
	defer j.Close()
	var d *journal.Damage
	if err := j.Contains(kept); !errors.As(err, &d) || d.Seq != 69 {
		t.Errorf("the head kept elsewhere says %v; want damage at 69", err)
	}
}

// TestFilesCutOrGone: the file is named.
func TestFilesCutOrGone(t *testing.T) {
	for _, file := range []string{sealedFile, currentFile, "catalog.db"} {
		for _, keep := range []float64{0.9, 0.5, 0.1, 0.001, 0} {
			dir, o := victim(t)
			j := open(t, dir, o)
			h := j.Head("plant")
			journaltest.Must(t, j.SaveSnapshot(journal.Snapshot{Stream: "plant", Seq: h.Seq, Hash: h.Hash, Body: bytes.Repeat([]byte("state"), 9000)}))
			journaltest.Must(t, j.Close())
			path := filepath.Join(dir, file)
			info, err := os.Stat(path)
			journaltest.Must(t, err)
			journaltest.Must(t, os.Truncate(path, int64(float64(info.Size())*keep)))
			found := findings(t, dir, o)
			ok := false
			for _, d := range found {
				ok = ok || d.File == file
			}
			if !ok {
				t.Errorf("%s cut to %g is not named: %v", file, keep, found)
			}
		}
		dir, o := victim(t)
		journaltest.Must(t, os.Remove(filepath.Join(dir, file)))
		found := findings(t, dir, o)
		if len(found) == 0 || found[0].File != file {
			t.Errorf("%s gone: %v", file, found)
		}
	}
}

// TestMissingCatalog: it is made anew and appending goes on.
func TestMissingCatalog(t *testing.T) {
	dir, o := victim(t)
	journaltest.Must(t, os.Remove(filepath.Join(dir, "catalog.db")))
	j, err := journal.Open(context.Background(), dir, o)
	journaltest.Must(t, err)
	if len(j.Damage()) != 1 {
		t.Errorf("opening reports %v; want the catalog", j.Damage())
	}
	journaltest.Fill(t, j, "plant", 50)
	journaltest.Must(t, j.Verify(context.Background(), "", 0))
	if n := len(journaltest.All(t, j, "plant")); n != 120 {
		t.Errorf("%d records; want 120", n)
	}
	journaltest.Must(t, j.Close())
	open(t, dir, o)
}

// TestFlippedBits: a flipped bit anywhere is either found or harmless: every
// record, read through the journal, is what was written. In a sealed segment
// it is always found.
func TestFlippedBits(t *testing.T) {
	dir, o := victim(t)
	j := open(t, dir, o)
	want := map[string][]journal.Record{"plant": journaltest.All(t, j, "plant"), "machine/one": journaltest.All(t, j, "machine/one")}
	journaltest.Must(t, j.Close())
	rng := rand.New(rand.NewPCG(7, 8))
	found, harmless := 0, 0
	for i := range 80 {
		file := sealedFile
		if i%2 == 1 {
			file = currentFile
		}
		path := filepath.Join(dir, file)
		whole, err := os.ReadFile(path)
		journaltest.Must(t, err)
		bad := bytes.Clone(whole)
		at, bit := rng.IntN(len(bad)), rng.IntN(8)
		bad[at] ^= 1 << bit
		journaltest.Must(t, os.Chmod(path, 0o640))
		journaltest.Must(t, os.WriteFile(path, bad, 0o640))
		// For reading only, so that the next round finds the same files.
		list := findings(t, dir, journal.Options{ReadOnly: true})
		switch {
		case names(list, journal.Damage{File: file}) || len(list) > 0:
			found++
		case file == sealedFile:
			t.Errorf("bit %d of byte %d of %s is not found", bit, at, file)
		default:
			harmless++
			r, err := journal.Open(context.Background(), dir, journal.Options{ReadOnly: true})
			journaltest.Must(t, err)
			for stream, records := range want {
				if got := journaltest.All(t, r, stream); !reflect.DeepEqual(got, records) {
					t.Errorf("bit %d of byte %d of %s changed %s unseen", bit, at, file, stream)
				}
			}
			journaltest.Must(t, r.Close())
		}
		journaltest.Must(t, os.WriteFile(path, whole, 0o640))
	}
	t.Logf("%d found, %d harmless", found, harmless)
	if found <= 40 {
		t.Errorf("only %d of 80 flips were found: none in the current segment", found)
	}
}

// TestReadableAround: a ruined page hides the records on it and no others.
func TestReadableAround(t *testing.T) {
	dir := t.TempDir()
	o := journal.Options{SegmentRecords: 60}
	w := open(t, dir, o)
	for seq := uint64(1); seq <= 70; seq++ {
		r := journaltest.Rec("plant", seq, fmt.Sprintf("body %d.%0400d", seq, seq))
		journaltest.Must(t, w.Append(context.Background(), []journal.Record{r}))
	}
	journaltest.Must(t, w.Close())
	const sealedFile = "segment-00000001.db"
	path := filepath.Join(dir, sealedFile)
	b, err := os.ReadFile(path)
	journaltest.Must(t, err)
	at := bytes.Index(b, []byte("body 30."))
	if at < 0 {
		t.Fatal("the body of record 30 is not in the file")
	}
	page := at / 4096 * 4096
	journaltest.Must(t, os.Chmod(path, 0o640))
	copy(b[page:page+4096], bytes.Repeat([]byte{0xa5}, 4096))
	journaltest.Must(t, os.WriteFile(path, b, 0o640))

	j, err := journal.Open(context.Background(), dir, o)
	journaltest.Must(t, err)
	defer j.Close()
	if len(j.Damage()) == 0 {
		t.Error("opening reports nothing")
	}
	seen := map[uint64]bool{}
	gaps := 0
	for from := uint64(1); from <= 70; {
		err := j.Read("plant", from, func(r journal.Record) error { seen[r.Seq] = true; return nil })
		if err == nil {
			break
		}
		var d *journal.Damage
		if !errors.As(err, &d) || d.File != sealedFile || d.Seq < from {
			t.Fatalf("reading from %d: %v", from, err)
		}
		gaps++
		from = d.Seq + 1
	}
	if gaps == 0 || gaps > 19 || len(seen)+gaps != 70 {
		t.Errorf("%d records seen and %d unreadable; want 70 together and a few unreadable", len(seen), gaps)
	}
	var out bytes.Buffer
	err = j.Export(&out, journal.CSV, journal.Filter{Stream: "plant"})
	if !errors.Is(err, journal.ErrDamaged) {
		t.Errorf("the export says %v; want damage", err)
	}
	if n := strings.Count(out.String(), "\n") - 1; n != len(seen) {
		t.Errorf("the export has %d rows; want %d", n, len(seen))
	}
	// Appending goes on: a hold for the damage must be journaled too.
	journaltest.Fill(t, j, "plant", 1)
}

// TestStrangers: files of another journal are not taken for this one's.
func TestStrangers(t *testing.T) {
	dir, o := victim(t)
	other, _ := victimNumber(t, 2)
	for _, file := range []string{sealedFile, currentFile} {
		b, err := os.ReadFile(filepath.Join(other, file))
		journaltest.Must(t, err)
		mine, err := os.ReadFile(filepath.Join(dir, file))
		journaltest.Must(t, err)
		journaltest.Must(t, os.Chmod(filepath.Join(dir, file), 0o640))
		journaltest.Must(t, os.WriteFile(filepath.Join(dir, file), b, 0o640))
		if found := findings(t, dir, o); !names(found, journal.Damage{File: file}) {
			t.Errorf("%s of another journal is not named: %v", file, found)
		}
		journaltest.Must(t, os.WriteFile(filepath.Join(dir, file), mine, 0o640))
	}
	b, err := os.ReadFile(filepath.Join(other, sealedFile))
	journaltest.Must(t, err)
	journaltest.Must(t, os.WriteFile(filepath.Join(dir, "segment-00000005.db"), b, 0o640))
	if _, err := journal.Open(context.Background(), dir, o); !errors.Is(err, journal.ErrDamaged) {
		t.Errorf("a segment nobody listed: %v; want damage", err)
	}
}
