package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

// TestEveryWayToStop: a signal, a file and the command line put everything on
// hold within a second, also when broker and machine are away; a person resumes.
func TestEveryWayToStop(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -2_500, Scatter: 100}})
	s.Config(t)
	d := launch(t, s)
	d.live(t)
	file := filepath.Join(s.Journal(), "hold")
	cli := func(args ...string) (string, int) {
		out, err := exec.Command("offsetbridge", append(args, "--socket", s.Socket())...).CombinedOutput()
		if exit, ok := err.(*exec.ExitError); ok {
			return string(out), exit.ExitCode()
		}
		if err != nil {
			t.Fatal(err)
		}
		return string(out), 0
	}
	ways := []struct {
		name, note string
		stop       func()
	}{
		{"a signal", "signal to the process", func() { d.signal(t, syscall.SIGUSR1) }},
		{"a file", "the file hold exists", func() {
			if err := os.WriteFile(file, nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}},
		{"the command line", "fire drill", func() {
			if out, code := cli("hold", "--note", "fire drill"); code != 0 {
				t.Errorf("hold: %s", out)
			}
		}},
	}
	for _, away := range []bool{false, true} {
		if away {
			s.Broker.Stop()
			s.Machine.Kill()
			shop.Wait(t, "both are seen gone", func() bool {
				st, ok := d.status()
				return ok && !st.Broker.Up && !st.Machines[0].Up
			})
		}
		for _, w := range ways {
			w.stop()
			began := time.Now()
			var st web.Status
			shop.Wait(t, "everything is on hold by "+w.name, func() bool {
				var ok bool
				st, ok = d.status()
				return ok && st.HoldAll != nil && st.Machines[0].Hold != nil
			})
			t.Logf("%s, peers away %v: on hold after %v", w.name, away, time.Since(began).Round(time.Millisecond))
			if st.HoldAll.Text != w.note || st.Machines[0].Hold.Cause != "hold-all" {
				t.Errorf("%s is recorded as %+v", w.name, st.HoldAll)
			}
			if !away {
				cutWithout(t, s, d)
			}
			if w.name == "a file" {
				if out, code := cli("resume", "--note", "looked"); code != 1 || !strings.Contains(out, "the hold file is still there, remove it first") {
					t.Errorf("resumed with the file there: %d %s", code, out)
				}
				if err := os.Remove(file); err != nil {
					t.Fatal(err)
				}
			}
			if out, code := cli("resume", "--note", "looked"); code != 0 {
				t.Fatalf("resume after %s: %d %s", w.name, code, out)
			}
			if st, ok := d.status(); !ok || st.HoldAll != nil || st.Machines[0].Hold != nil {
				t.Errorf("still on hold after resume: %+v", st)
			}
		}
	}
	s.Broker.Restart()
	s.Machine.Restart(t)
	d.live(t)
	before := len(effectLog(t, s))
	writesAgain(t, s, d, before)
	d.stop(t)
	effects(t, s, read(t, s, millStream))
}

// writesAgain makes parts, and approves what needs a person, until the machine
// has taken more writes than before.
func writesAgain(t *testing.T, s *shop.Shop, d *process, before int) {
	t.Helper()
	shop.Wait(t, "it writes again", func() bool {
		makePart(t, s, d)
		for _, c := range d.cards() {
			d.approve(c) //nolint:errcheck // a newer part may have replaced it
		}
		return len(effectLog(t, s)) > before
	})
}

// cutWithout makes a part whose size asks for a change, and sees that none is made.
func cutWithout(t *testing.T, s *shop.Shop, d *process) {
	t.Helper()
	before := len(effectLog(t, s))
	makePart(t, s, d)
	if after := len(effectLog(t, s)); after != before {
		t.Error("written while on hold")
	}
}

// TestTwoDaemons: a second one on the same journal is refused in one sentence,
// and the first goes on; one asked to stop leaves a clean record.
func TestTwoDaemons(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Without: true})
	s.Config(t, "ENDPOINT", "opc.tcp://127.0.0.1:1")
	d := launch(t, s)
	shop.Wait(t, "the first answers", func() bool { _, ok := d.status(); return ok })
	second := launch(t, s)
	<-second.ended
	if second.code != 2 || !second.log.has("stop it first") || !second.log.has(s.Journal()) || strings.Count(second.log.String(), "offsetbridge: ") != 1 {
		t.Errorf("the second ended with %d: %s", second.code, second.log)
	}
	if _, ok := d.status(); !ok {
		t.Error("the first does not answer any more")
	}
	d.stop(t)
	if d.code != 0 || !d.log.has(`"stopped"`) {
		t.Errorf("ended with %d: %s", d.code, d.log)
	}
	verify(t, s)
	if _, err := os.Stat(s.Socket()); !os.IsNotExist(err) {
		t.Errorf("the socket is left behind: %v", err)
	}
	if b := of[core.Begun](read(t, s, millStream)); len(b) != 1 {
		t.Errorf("%d starts are recorded", len(b))
	}
	third := launch(t, s) // what was left is no hindrance
	shop.Wait(t, "the third answers", func() bool { _, ok := third.status(); return ok })
	third.stop(t)
}

// TestTheDiskIsFull: first the reserve keeps the record going and nothing is
// written to the machine; when that is gone too, nothing is acknowledged either.
// Once there is room it goes on without anybody's hand, and every reading is
// there once. A hold that was asked for in the dark holds.
func TestTheDiskIsFull(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -2_500, Wear: 200, Scatter: 100}})
	s.Config(t)
	room := small(t, s)
	d := launch(t, s)
	d.live(t)
	makePart(t, s, d)

	fill(t, s)
	shop.Wait(t, "the daemon says that the disk is full", func() bool {
		makePart(t, s, d)
		return d.log.has("the journal's disk is full: nothing is written to any machine until there is room again")
	})
	written := len(effectLog(t, s))
	for range 4 {
		makePart(t, s, d) // still recorded
	}

	fill(t, s)
	send := func() {
		p, err := s.Cut()
		if err == nil {
			_, err = s.Measure(t.Context(), p)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	shop.Wait(t, "the daemon says that it cannot write its record", func() bool {
		send()
		return d.log.has("nothing is written to any machine; trying again")
	})
	if !d.log.has("database or disk is full") {
		t.Error("the cause is not named")
	}
	for range 3 { // into the dark: the broker keeps them
		send()
	}
	if now := len(effectLog(t, s)); now != written {
		t.Errorf("%d writes without room for a record", now-written)
	}
	d.signal(t, syscall.SIGUSR1)

	room()
	d.live(t)
	var st web.Status
	shop.Wait(t, "on hold, as asked for in the dark", func() bool { st, _ = d.status(); return st.HoldAll != nil })
	shop.Wait(t, "every reading is judged", func() bool {
		by := judged(d.recent(1000))
		for _, n := range s.Sent {
			if len(by[n]) == 0 {
				return false
			}
		}
		return true
	})
	if err := d.client.Post(t.Context(), "/v1/resume", web.Scope{Note: "made room"}, nil); err != nil {
		t.Fatal(err)
	}
	writesAgain(t, s, d, written)
	d.stop(t)
	verify(t, s)
	all := read(t, s, millStream)
	effects(t, s, all)
	judgedOnce(t, all, s.Sent)
}

// small puts the journal on a small file system of its own; the returned function
// makes room again.
func small(t *testing.T, s *shop.Shop) (room func()) {
	t.Helper()
	if err := os.Mkdir(s.Journal(), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("none", s.Journal(), "tmpfs", 0, "size=160m"); err != nil {
		t.Skipf("a small file system needs the right to mount one: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(s.Journal(), syscall.MNT_DETACH) })
	return func() {
		if err := os.Remove(filler(s)); err != nil {
			t.Fatal(err)
		}
	}
}

func filler(s *shop.Shop) string { return filepath.Join(s.Journal(), "somebody-elses-file") }

// fill takes all room that is left.
func fill(t *testing.T, s *shop.Shop) {
	t.Helper()
	f, err := os.OpenFile(filler(s), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 4096)
	for {
		if _, err := f.Write(block); err != nil {
			return
		}
	}
}

// TestCheckDials asks the independent peers, good and bad, from the command line.
func TestCheckDials(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	check := func(want int, says ...string) {
		t.Helper()
		out, err := exec.CommandContext(context.Background(), "offsetbridge", "check", "--dial", "-c", s.Path()).CombinedOutput()
		code := 0
		if exit, ok := err.(*exec.ExitError); ok {
			code = exit.ExitCode()
		}
		if code != want {
			t.Errorf("exit code %d, want %d", code, want)
		}
		for _, say := range says {
			if !strings.Contains(string(out), say) {
				t.Errorf("does not say %q:\n%s", say, out)
			}
		}
	}
	s.Config(t)
	if _, err := config.Load(s.Path()); err != nil {
		t.Fatal(err)
	}
	check(0, "connected and subscribed", "answers as commissioned", "loop bore on mill-1 may write by itself up to 0.0033 mm")
	s.Config(t, "s=Offsets/T12-diameter", "s=Offsets/T13-diameter")
	check(1, "is not usable", "a mapped node does not exist at the server", "loop bore on mill-1 may nothing")
	s.Machine.Kill()
	s.Broker.Stop()
	s.Config(t)
	check(1, "the broker cannot be reached", "the machine's server cannot be reached")
}
