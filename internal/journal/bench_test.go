package journal_test

import (
	"context"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

// typical is a record as a hall of 50 machines makes it: a body of 200 bytes
// and all keys but the person.
func typical(seq map[string]uint64, i int) journal.Record {
	stream := fmt.Sprintf("machine/lathe %02d", i*7919%50)
	seq[stream]++
	var n [8]byte
	binary.BigEndian.PutUint64(n[:], uint64(i)*0x9e3779b97f4a7c15)
	body := fmt.Sprintf(`{"size":"25.0%05d mm","part":"P%07d","cut":1,"raw":"%s","note":"`, i%100000, i, hex.EncodeToString(n[:]))
	body += strings.Repeat("x", 198-len(body)) + `"}`
	return journal.Record{
		Stream: stream, Seq: seq[stream], At: 1_700_000_000_000 + int64(i), Kind: "reading",
		Loop: fmt.Sprintf("bore %d", i%20), Part: fmt.Sprintf("P%07d", i/3), Gauge: fmt.Sprintf("G%02d", i%12), Body: []byte(body),
	}
}

func size(b *testing.B, dir string) (n int64) {
	journaltest.Must(b, filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		n += info.Size()
		return err
	}))
	return n
}

// BenchmarkAppend reports records per second of durable appends and the bytes
// a record takes in the closed files, everything included.
func BenchmarkAppend(b *testing.B) {
	for _, batch := range []int{1, 256} {
		b.Run(fmt.Sprint(batch), func(b *testing.B) {
			dir := b.TempDir()
			j := open(b, dir, journal.Options{})
			seq := map[string]uint64{}
			n := 0
			records := make([]journal.Record, batch)
			for b.Loop() {
				b.StopTimer()
				for i := range records {
					records[i] = typical(seq, n)
					n++
				}
				b.StartTimer()
				journaltest.Must(b, j.Append(context.Background(), records))
			}
			b.StopTimer()
			journaltest.Must(b, j.Close())
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "records/s")
			b.ReportMetric(float64(size(b, dir))/float64(n), "bytes/record")
		})
	}
}

// BenchmarkMillion opens, verifies and queries a journal of a million records
// with a snapshot of each stream some records before its end.
func BenchmarkMillion(b *testing.B) {
	dir := b.TempDir()
	j := open(b, dir, journal.Options{})
	seq := map[string]uint64{}
	records := make([]journal.Record, 1000)
	for n := 0; n < 1_000_000; {
		for i := range records {
			records[i] = typical(seq, n)
			n++
		}
		journaltest.Must(b, j.Append(context.Background(), records))
		if n == 990_000 {
			for _, h := range j.Heads() {
				journaltest.Must(b, j.SaveSnapshot(journal.Snapshot{Stream: h.Stream, Seq: h.Seq, Hash: h.Hash, Body: make([]byte, 20_000)}))
			}
		}
	}
	journaltest.Must(b, j.Close())
	bytes := float64(size(b, dir)) / 1e6
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			journaltest.Must(b, open(b, dir, journal.Options{}).Close())
		}
		b.ReportMetric(bytes, "bytes/record")
	})
	j = open(b, dir, journal.Options{})
	b.Run("verify", func(b *testing.B) {
		for b.Loop() {
			journaltest.Must(b, j.Verify(context.Background(), "", 0))
		}
	})
	for name, f := range map[string]journal.Filter{
		"part":   {Part: "P0100000"},
		"loop":   {Loop: "bore 7", Kinds: []string{"reading"}},
		"stream": {Stream: "machine/lathe 07", Before: 9000},
		"time":   {From: 1_700_000_100_000, To: 1_700_000_100_050},
		"person": {Person: "nobody"},
	} {
		b.Run("query by "+name, func(b *testing.B) {
			for b.Loop() {
				_, err := j.Query(f)
				journaltest.Must(b, err)
			}
		})
	}
}
