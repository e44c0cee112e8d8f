package journal_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/journal/journaltest"
)

const childDir = "JOURNAL_TEST_CHILD_DIR"

// TestMain is also the victim of TestKill: with the folder set it appends until
// it is killed and prints each acknowledged number.
func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := appendForEver(dir); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	flag.Parse()
	os.Exit(inMemory(m))
}

// inMemory runs the tests in a file system in memory where there is one, so
// that they do not wait for a disk; what a killed process leaves is the same.
// Benchmarks stay on the disk.
func inMemory(m *testing.M) int {
	const memory = "/dev/shm"
	if os.Getenv("TMPDIR") == "" && flag.Lookup("test.bench").Value.String() == "" {
		if dir, err := os.MkdirTemp(memory, "journal-test-"); err == nil {
			defer os.RemoveAll(dir)
			os.Setenv("TMPDIR", dir)
		}
	}
	return m.Run()
}

// killed are the options of the child: short segments, so that it is also
// killed while it seals, creates and finishes them.
var killed = journal.Options{SegmentRecords: 90, CheckpointEvery: 40}

func appendForEver(dir string) error {
	j, err := journal.Open(context.Background(), dir, killed)
	if err != nil {
		return err
	}
	if d := j.Damage(); d != nil {
		return errors.Join(d...)
	}
	w := journal.NewWriter(j, journal.WriterOptions{})
	seq := j.Head("plant").Seq
	window := make(chan struct{}, 20) // appends in flight
	for {
		window <- struct{}{}
		seq++
		records := []journal.Record{
			journaltest.Rec("plant", seq, fmt.Sprint("body ", seq)),
			journaltest.Rec("machine/one", seq, strings.Repeat("x", int(seq%700))),
		}
		acked := seq
		err := w.Submit(records, func(err error) {
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			fmt.Println(acked)
			<-window
		})
		if err != nil {
			return err
		}
		if seq%50 == 0 {
			h := j.Head("plant")
			if err := j.SaveSnapshot(journal.Snapshot{Stream: "plant", Seq: h.Seq, Hash: h.Hash, Body: []byte("s")}); err != nil {
				return err
			}
		}
	}
}

// TestKill kills a process that appends, twenty times over, on one and the same
// journal: nothing it acknowledged is ever missing, no append is there by half,
// and the chain holds.
func TestKill(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	var last uint64
	for round := range 20 {
		after := 1 + rng.IntN(80) // acknowledgements to wait for
		acked := killAfter(t, dir, after, time.Duration(rng.IntN(3000))*time.Microsecond)
		if acked < last+uint64(after) {
			t.Fatalf("round %d: the child acknowledged up to %d; want at least %d", round, acked, last+uint64(after))
		}
		j, err := journal.Open(context.Background(), dir, killed)
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		if d := j.Damage(); d != nil {
			t.Errorf("round %d: %v", round, d)
		}
		if err := j.Verify(context.Background(), "", 0); err != nil {
			t.Errorf("round %d: %v", round, err)
		}
		plant, machine := j.Head("plant").Seq, j.Head("machine/one").Seq
		if plant < acked || plant != machine {
			t.Errorf("round %d: %d were acknowledged; the streams end at %d and %d", round, acked, plant, machine)
		}
		journaltest.Must(t, j.Read("plant", last+1, func(r journal.Record) error {
			if string(r.Body) != fmt.Sprint("body ", r.Seq) {
				t.Errorf("round %d: record %d holds %q", round, r.Seq, r.Body)
			}
			return nil
		}))
		last = plant
		journaltest.Must(t, j.Close())
	}
	t.Logf("%d appends survived 20 kills", last)
}

// killAfter runs the child until it has acknowledged so many appends, kills it
// a moment later and returns the last acknowledgement it printed.
func killAfter(t *testing.T, dir string, acks int, moment time.Duration) (last uint64) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	journaltest.Must(t, err)
	journaltest.Must(t, cmd.Start())
	lines := bufio.NewScanner(out)
	n := 0
	for lines.Scan() {
		seq, err := strconv.ParseUint(lines.Text(), 10, 64)
		if err != nil {
			break // the last line may be cut short by the kill
		}
		last = max(last, seq)
		if n++; n == acks {
			go func() {
				time.Sleep(moment)
				cmd.Process.Kill() //nolint:errcheck // it may be gone
			}()
		}
	}
	if err := cmd.Wait(); err == nil || ctx.Err() != nil {
		t.Fatalf("the child ended by itself: %v", err)
	}
	return last
}
