package journal_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

// open opens a journal that must be intact and closes it after the test.
func open(t testing.TB, dir string, o journal.Options) *journal.Journal {
	t.Helper()
	j, err := journal.Open(context.Background(), dir, o)
	journaltest.Must(t, err)
	if d := j.Damage(); d != nil {
		t.Fatalf("opening reports %v", d)
	}
	t.Cleanup(func() {
		if err := j.Close(); err != nil && !errors.Is(err, journal.ErrClosed) {
			t.Error(err)
		}
	})
	return j
}

// TestOneProcess: a second opener is refused and told by whom; a reader is not.
func TestOneProcess(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir, journal.Options{})
	journaltest.Fill(t, j, "plant", 5)
	_, err := journal.Open(context.Background(), dir, journal.Options{})
	if !errors.Is(err, journal.ErrLocked) || !strings.Contains(err.Error(), fmt.Sprint(os.Getpid())) {
		t.Errorf("a second opener gets %v; want ErrLocked with the number of the process", err)
	}
	r := open(t, dir, journal.Options{ReadOnly: true})
	journaltest.Fill(t, j, "plant", 1)
	if n := len(journaltest.All(t, r, "plant")); n != 5 {
		t.Errorf("the reader sees %d records; want the 5 of when it opened", n)
	}
	journaltest.Must(t, r.Verify(context.Background(), "", 0))
	if err := r.Append(context.Background(), []journal.Record{journaltest.Rec("plant", 6, "x")}); !errors.Is(err, journal.ErrReadOnly) {
		t.Errorf("the reader may append: %v", err)
	}
	journaltest.Must(t, r.Close())
	journaltest.Fill(t, j, "plant", 1)
	journaltest.Must(t, j.Close())
	open(t, dir, journal.Options{})
	if _, err := journal.Open(context.Background(), t.TempDir(), journal.Options{ReadOnly: true}); !errors.Is(err, journal.ErrDamaged) {
		t.Errorf("reading an empty folder gives %v; want damage", err)
	}
}

// TestNewerFormat: an older program refuses, whichever file says so, and
// leaves the journal as it was.
func TestNewerFormat(t *testing.T) {
	for _, file := range []string{"catalog.db", "segment-00000001.db"} {
		dir := t.TempDir()
		j := open(t, dir, journal.Options{})
		journaltest.Fill(t, j, "plant", 5)
		journaltest.Must(t, j.Close())
		edit(t, filepath.Join(dir, file), fmt.Sprintf("PRAGMA user_version = %d", journal.Format+1))
		before := files(t, dir)
		for _, o := range []journal.Options{{}, {ReadOnly: true}} {
			_, err := journal.Open(context.Background(), dir, o)
			if !errors.Is(err, journal.ErrNewer) || !strings.Contains(err.Error(), file) {
				t.Errorf("%s, read only %v: %v; want ErrNewer naming the file", file, o.ReadOnly, err)
			}
		}
		if after := files(t, dir); !reflect.DeepEqual(before, after) {
			t.Errorf("%s: the refused journal was changed", file)
		}
	}
}

// files returns the content of the database files of a folder.
func files(t *testing.T, dir string) map[string]string {
	t.Helper()
	list, err := filepath.Glob(filepath.Join(dir, "*.db"))
	journaltest.Must(t, err)
	out := map[string]string{}
	for _, f := range list {
		b, err := os.ReadFile(f)
		journaltest.Must(t, err)
		out[filepath.Base(f)] = string(b)
	}
	return out
}

// TestSealed: a sealed segment's file never changes again.
func TestSealed(t *testing.T) {
	dir := t.TempDir()
	o := journal.Options{SegmentRecords: 10, CheckpointEvery: 4}
	j := open(t, dir, o)
	journaltest.Fill(t, j, "plant", 25)
	journaltest.Must(t, j.Close())
	first := files(t, dir)
	if len(first) != 4 {
		t.Fatalf("there are %d files; want catalog and 3 segments", len(first))
	}
	j = open(t, dir, o)
	journaltest.Fill(t, j, "machine/one", 25)
	_, err := j.Query(journal.Filter{Part: "P3"})
	journaltest.Must(t, err)
	journaltest.Must(t, j.Verify(context.Background(), "", 0))
	journaltest.Must(t, j.Close())
	for name, now := range files(t, dir) {
		if sealed := name == "segment-00000001.db" || name == "segment-00000002.db"; sealed && now != first[name] {
			t.Errorf("%s changed after it was sealed", name)
		}
	}
}

// TestSegmentBounds: size and age seal a segment too.
func TestSegmentBounds(t *testing.T) {
	now := time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
	for name, o := range map[string]journal.Options{
		"size": {SegmentBytes: 1},
		"age":  {SegmentAge: time.Hour, Now: func() time.Time { now = now.Add(time.Hour); return now }},
	} {
		dir := t.TempDir()
		j := open(t, dir, o)
		journaltest.Fill(t, j, "plant", 3)
		journaltest.Must(t, j.Verify(context.Background(), "", 0))
		journaltest.Must(t, j.Close())
		if n := len(files(t, dir)) - 1; n < 2 {
			t.Errorf("%s: %d segments after 3 appends; want at least 2", name, n)
		}
	}
}

// TestRetain: only whole sealed segments go, only old ones, only those whose
// streams all have a snapshot beyond them; and what went is told.
func TestRetain(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	now := time.UnixMilli(1_700_000_000_000)
	o := journal.Options{SegmentRecords: 10, KeepFor: time.Hour, KeepSegments: 1, Now: func() time.Time { return now }}
	j := open(t, dir, o)
	retain := func(want int) []journal.Removed {
		t.Helper()
		gone, err := j.Retain(ctx)
		journaltest.Must(t, err)
		if len(gone) != want {
			t.Fatalf("%d segments were removed; want %d", len(gone), want)
		}
		return gone
	}
	snapshot := func(stream string) {
		t.Helper()
		h := j.Head(stream)
		journaltest.Must(t, j.SaveSnapshot(journal.Snapshot{Stream: stream, Seq: h.Seq, Hash: h.Hash, Body: []byte("state")}))
	}
	journaltest.Fill(t, j, "machine/rare", 3)
	journaltest.Fill(t, j, "plant", 42) // segments: 3+7, 10, 10, 10, and 5 in the current one
	journaltest.Must(t, j.Close())
	j = open(t, dir, o)
	retain(0) // too young
	now = now.Add(2 * time.Hour)
	retain(0) // no snapshot
	snapshot("plant")
	retain(0) // one stream has none
	snapshot("machine/rare")
	gone := retain(3)
	if gone[0].File != "segment-00000001.db" || len(gone[0].Streams) != 2 || gone[0].Streams[0].Seq != 3 || gone[0].Streams[1].Seq != 7 ||
		!gone[0].From.Equal(time.UnixMilli(1_700_000_000_001)) || !gone[0].To.Equal(time.UnixMilli(1_700_000_000_007)) {
		t.Errorf("removed: %+v", gone[0])
	}
	for range 2 {
		retain(0) // the newest sealed one stays
		err := j.Read("plant", 1, func(journal.Record) error { return nil })
		if !errors.Is(err, journal.ErrRemoved) || errors.Is(err, journal.ErrDamaged) || !strings.Contains(err.Error(), "record 28") {
			t.Errorf("reading what was removed: %v; want ErrRemoved and where to go on", err)
		}
		n := 0
		journaltest.Must(t, j.Read("plant", 28, func(journal.Record) error { n++; return nil }))
		if want := int(j.Head("plant").Seq) - 27; n != want {
			t.Errorf("%d records are left; want %d", n, want)
		}
		journaltest.Must(t, j.Verify(ctx, "", 0))
		journaltest.Must(t, j.Verify(ctx, "plant", 1))
		if s, ok, err := j.Snapshot("machine/rare"); !ok || err != nil || s.Seq != 3 {
			t.Errorf("the snapshot of a removed record: %v %v %v", s, ok, err)
		}
		journaltest.Fill(t, j, "machine/rare", 1)
		list, err := j.Query(journal.Filter{Stream: "plant", Before: 20})
		if err != nil || len(list) != 0 {
			t.Errorf("paging into what was removed: %d records, %v", len(list), err)
		}
		journaltest.Must(t, j.Close())
		j = open(t, dir, o)
	}
	if _, err := os.Stat(filepath.Join(dir, "segment-00000002.db")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the file is still there: %v", err)
	}
}

// TestRetainShortSnapshot: a snapshot inside a segment does not free it.
func TestRetainShortSnapshot(t *testing.T) {
	now := time.UnixMilli(1_700_000_000_000)
	o := journal.Options{SegmentRecords: 10, KeepFor: time.Hour, KeepSegments: 1, Now: func() time.Time { return now }}
	dir := t.TempDir()
	j := open(t, dir, o)
	journaltest.Fill(t, j, "plant", 9)
	h := j.Head("plant")
	journaltest.Must(t, j.SaveSnapshot(journal.Snapshot{Stream: "plant", Seq: h.Seq, Hash: h.Hash}))
	journaltest.Fill(t, j, "plant", 30)
	journaltest.Must(t, j.Close())
	now = now.Add(2 * time.Hour)
	j = open(t, dir, o)
	if gone, err := j.Retain(context.Background()); err != nil || len(gone) != 0 {
		t.Errorf("removed %v, %v although record 10 is after the snapshot", gone, err)
	}
}

// TestTimeRanges: a range of one millisecond finds its record in whichever
// sealed segment it is.
func TestTimeRanges(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir, journal.Options{SegmentRecords: 5})
	journaltest.Fill(t, j, "plant", 23)
	journaltest.Must(t, j.Close())
	j = open(t, dir, journal.Options{})
	for seq := uint64(1); seq <= 23; seq++ {
		at := journaltest.Rec("plant", seq, "").At
		list, err := j.Query(journal.Filter{From: at, To: at + 1})
		if err != nil || len(list) != 1 || list[0].Seq != seq {
			t.Errorf("at %d: %d records, %v; want record %d", at, len(list), err, seq)
		}
	}
}

// TestBackup: a copy taken while records arrive is a whole journal that passes
// verification and goes on where it ends.
func TestBackup(t *testing.T) {
	ctx := context.Background()
	j := open(t, t.TempDir(), journal.Options{SegmentRecords: 20})
	journaltest.Fill(t, j, "plant", 70)
	h := j.Head("plant")
	journaltest.Must(t, j.SaveSnapshot(journal.Snapshot{Stream: "plant", Seq: 70, Hash: h.Hash, Body: []byte("s")}))
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for seq := uint64(1); ; seq++ {
			select {
			case <-stop:
				return
			default:
			}
			if err := j.Append(ctx, []journal.Record{journaltest.Rec("machine/one", seq, "x")}); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	for i := range 3 {
		dest := filepath.Join(t.TempDir(), "copy of today")
		journaltest.Must(t, j.Backup(ctx, dest))
		if err := j.Backup(ctx, dest); err == nil {
			t.Error("a backup overwrote another")
		}
		b := open(t, dest, journal.Options{ReadOnly: i == 0})
		journaltest.Must(t, b.Verify(ctx, "", 0))
		if got := b.Head("plant"); got != h {
			t.Errorf("the copy of plant ends at %d; want %d", got.Seq, h.Seq)
		}
		if s, ok, err := b.Snapshot("plant"); err != nil || !ok || s.Seq != 70 {
			t.Errorf("the snapshot in the copy: %v %v %v", s, ok, err)
		}
		journaltest.Must(t, j.Contains(b.Head("machine/one")))
		if i > 0 {
			journaltest.Fill(t, b, "machine/one", 50)
		}
	}
	close(stop)
	<-stopped
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	dest := filepath.Join(t.TempDir(), "never")
	if err := j.Backup(cancelled, dest); !errors.Is(err, context.Canceled) {
		t.Errorf("a cancelled backup: %v", err)
	}
	if left, _ := filepath.Glob(dest + "*"); left != nil {
		t.Errorf("a failed backup left %v", left)
	}
}

// TestExport: JSON lines suffice to recompute the chain; CSV can be read back
// and computes nothing in a spreadsheet.
func TestExport(t *testing.T) {
	j := open(t, t.TempDir(), journal.Options{SegmentRecords: 3})
	in := []journal.Record{
		{Stream: "plant", Seq: 1, At: 1_700_000_000_123, Kind: "reading", Part: "=1+1", Gauge: "G1", Body: []byte(`{"size": "25.001 mm <b>" }`)},
		{Stream: "plant", Seq: 2, At: 1_700_000_000_124, Kind: "raw", Body: []byte{0xff, 0}},
		{Stream: "plant", Seq: 3, At: 1_700_000_000_125, Kind: "note", Person: "one", Body: []byte("two\nlines, \"quoted\"")},
		{Stream: "plant", Seq: 4, At: 1_700_000_000_126, Kind: "raw", Body: []byte("{\n}")},
		{Stream: "plant", Seq: 5, At: 1_700_000_000_127, Kind: "raw"},
	}
	for i := range in {
		journaltest.Must(t, j.Append(context.Background(), in[i:i+1]))
	}
	journaltest.Fill(t, j, "machine/one", 4)

	var b bytes.Buffer
	journaltest.Must(t, j.Export(&b, journal.JSONLines, journal.Filter{Stream: "plant"}))
	lines := strings.Split(strings.TrimSpace(b.String()), "\n")
	if len(lines) != len(in) {
		t.Fatalf("%d lines; want %d:\n%s", len(lines), len(in), b.String())
	}
	var hash [32]byte
	for i, line := range lines {
		var l struct {
			Stream, Kind, Loop, Part, Gauge, Person, Hash string
			Seq                                           uint64
			At                                            time.Time
			Body                                          json.RawMessage
			Base64                                        []byte `json:"body_base64"`
		}
		journaltest.Must(t, json.Unmarshal([]byte(line), &l))
		body := []byte(l.Body)
		if body == nil {
			body = l.Base64
		}
		hash = journaltest.Chain(hash, journal.Record{
			Stream: l.Stream, Seq: l.Seq, At: l.At.UnixMilli(), Kind: l.Kind,
			Loop: l.Loop, Part: l.Part, Gauge: l.Gauge, Person: l.Person, Body: body,
		})
		if l.Hash != hex.EncodeToString(hash[:]) {
			t.Errorf("line %d does not recompute to its hash: %s", i+1, line)
		}
	}

	b.Reset()
	journaltest.Must(t, j.Export(&b, journal.CSV, journal.Filter{Limit: 6}))
	table, err := csv.NewReader(&b).ReadAll()
	journaltest.Must(t, err)
	if len(table) != 7 || table[0][0] != "stream" {
		t.Fatalf("the table has %d rows: %v", len(table), table)
	}
	if got := strings.Join(table[1][:10], "|"); got != "plant|1|2023-11-14T22:13:20.123Z|reading||'=1+1|G1||text|"+string(in[0].Body) {
		t.Errorf("row 1 is %s", got)
	}
	if got := strings.Join(table[2][8:10], "|"); got != "base64|/wA=" {
		t.Errorf("row 2 is %s", got)
	}
	if got := table[3][9]; got != string(in[2].Body) {
		t.Errorf("row 3 is %q", got)
	}
	if err := j.Export(&b, "pdf", journal.Filter{}); !errors.Is(err, journal.ErrFilter) {
		t.Errorf("an unknown format: %v", err)
	}
	if err := j.Export(full{}, journal.CSV, journal.Filter{}); !errors.Is(err, errWriter) {
		t.Errorf("a writer that fails: %v", err)
	}
}

var errWriter = errors.New("no room")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errWriter }

// TestFree: the figures are of this file system, and the warning compares them.
func TestFree(t *testing.T) {
	j := open(t, t.TempDir(), journal.Options{})
	free, fraction := j.Free()
	if free <= 0 || fraction <= 0 || fraction > 1 {
		t.Errorf("free is %d bytes, %g", free, fraction)
	}
	always := open(t, t.TempDir(), journal.Options{WarnFree: 1.1})
	never := open(t, t.TempDir(), journal.Options{WarnFree: 1e-12})
	if !always.Low() || never.Low() {
		t.Errorf("low is %v and %v; want true and false", always.Low(), never.Low())
	}
}

// TestSnapshotIgnored: a snapshot that is not of this chain, or not intact, is
// passed over for the one before it.
func TestSnapshotIgnored(t *testing.T) {
	for name, change := range map[string]string{
		"wrong hash, digest of the forger": "", // made below
		"flipped body":                     "UPDATE snapshots SET body = x'00' WHERE seq = 9",
		"moved":                            "UPDATE snapshots SET seq = 8 WHERE seq = 9",
		"other version":                    "UPDATE snapshots SET version = 'v2' WHERE seq = 9",
		"hash flipped":                     "UPDATE snapshots SET hash = zeroblob(32) WHERE seq = 9",
		"hash cut":                         "UPDATE snapshots SET hash = x'00' WHERE seq = 9",
	} {
		dir := t.TempDir()
		j := open(t, dir, journal.Options{})
		for _, n := range []int{5, 4} {
			journaltest.Fill(t, j, "plant", n)
			h := j.Head("plant")
			journaltest.Must(t, j.SaveSnapshot(journal.Snapshot{Stream: "plant", Seq: h.Seq, Hash: h.Hash, Version: "v1", Body: []byte("good")}))
		}
		journaltest.Must(t, j.Close())
		if change == "" {
			sum := journal.SnapshotDigest(journal.Snapshot{Stream: "plant", Seq: 9, Version: "v1", Body: []byte("forged")})
			change = fmt.Sprintf("UPDATE snapshots SET hash = zeroblob(32), body = 'forged', digest = x'%x' WHERE seq = 9", sum)
			change = strings.Replace(change, "'forged'", "x'"+hex.EncodeToString([]byte("forged"))+"'", 1)
		}
		edit(t, filepath.Join(dir, "catalog.db"), change)
		j = open(t, dir, journal.Options{})
		s, ok, err := j.Snapshot("plant")
		if err != nil || !ok || s.Seq != 5 || string(s.Body) != "good" {
			t.Errorf("%s: snapshot is %d %q, %v, %v; want the one at 5", name, s.Seq, s.Body, ok, err)
		}
		journaltest.Must(t, j.Close())
	}
}

func TestWhoWritesTheJournal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if _, err := journal.Holder(dir); !errors.Is(err, journal.ErrNobody) {
		t.Errorf("an empty folder: %v", err)
	}
	j, err := journal.Open(t.Context(), dir, journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if pid, err := journal.Holder(dir); err != nil || pid != os.Getpid() {
		t.Errorf("an open journal is written by %d, %v", pid, err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if pid, err := journal.Holder(dir); !errors.Is(err, journal.ErrNobody) {
		t.Errorf("a closed journal is written by %d, %v", pid, err)
	}
}
