package account

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"offsetbridge/internal/core"
)

// The first person comes in with the code of the start: once, in its time, and
// stays over a restart, after which there is no code.
func TestTheFirstPersonComesInOnce(t *testing.T) {
	file := filepath.Join(t.TempDir(), "first.json")
	h := New(Options{Keep: KeepFirst(file)})
	if h.Waits() {
		t.Error("it waits for a code that nobody was given")
	}
	if _, err := h.First("", "Ada", "274916"); !errors.Is(err, ErrCode) {
		t.Errorf("before there is a code: %v", err)
	}
	code := h.Begin()
	if n := len(strings.ReplaceAll(code, "-", "")); n != 16 || !h.Waits() {
		t.Errorf("code %q", code)
	}
	if _, err := h.First(code, " ", "274916"); !errors.Is(err, ErrName) {
		t.Errorf("without a name: %v", err)
	}
	if _, err := h.First(code, "Ada", "123456"); !errors.Is(err, ErrPIN) {
		t.Errorf("with an easy PIN: %v", err)
	}
	var all sync.WaitGroup
	got := make(chan error, 8)
	for range cap(got) {
		all.Go(func() {
			_, err := h.First(strings.ToLower(code), "Ada", "274916")
			got <- err
		})
	}
	all.Wait()
	close(got)
	in := 0
	for err := range got {
		if err == nil {
			in++
		} else if !errors.Is(err, ErrCode) {
			t.Error(err)
		}
	}
	people := h.People()
	if in != 1 || len(people) != 1 || people[0].Role != core.Engineer || people[0].Hash != "" {
		t.Fatalf("%d came in with one code: %+v", in, people)
	}
	if _, err := h.First(code, "Eve", "805133"); !errors.Is(err, ErrCode) {
		t.Errorf("replayed: %v", err)
	}
	if h.Begin() != "" || h.Waits() {
		t.Error("a second code, though somebody is known")
	}
	enter(t, h, Attempt{Person: people[0].ID, PIN: "274916", Address: "192.0.2.1"})

	if info, err := os.Stat(file); err != nil || info.Mode() != 0o600 {
		t.Errorf("kept as %v, %v", info.Mode(), err)
	}
	kept, err := ReadKept(file)
	if err != nil {
		t.Fatal(err)
	}
	h = New(Options{People: kept})
	if h.Begin() != "" {
		t.Error("after a restart there is a code again")
	}
	enter(t, h, Attempt{Person: people[0].ID, PIN: "274916", Address: "192.0.2.1"})
}

func TestACodeEnds(t *testing.T) {
	now := time.Now()
	h := New(Options{Now: func() time.Time { return now }})
	code := h.Begin()
	now = now.Add(firstFor)
	if _, err := h.First(code, "Ada", "274916"); !errors.Is(err, ErrCode) || h.Waits() {
		t.Errorf("too late: %v", err)
	}
	old := h.Begin()
	code = h.Begin()
	for i := range firstTries - 1 {
		if _, err := h.First(old, "Eve", "274916"); !errors.Is(err, ErrCode) || !h.Waits() {
			t.Fatalf("wrong code %d: %v", i+1, err)
		}
	}
	if _, err := h.First(strings.Repeat("A", 1<<20), "Eve", "274916"); !errors.Is(err, ErrCode) || h.Waits() {
		t.Errorf("the last wrong one: %v", err)
	}
	if _, err := h.First(code, "Eve", "274916"); !errors.Is(err, ErrCode) {
		t.Errorf("the right one after too many wrong ones: %v", err)
	}
	if len(h.People()) != 0 {
		t.Errorf("somebody came in: %+v", h.People())
	}
}

// Who cannot be kept is not let in, and the code is still good.
func TestAFirstPersonThatCannotBeKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "missing")
	h := New(Options{Keep: KeepFirst(filepath.Join(dir, "first.json"))})
	code := h.Begin()
	if _, err := h.First(code, "Ada", "274916"); err == nil || len(h.People()) != 0 {
		t.Fatalf("let in: %v", err)
	}
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := h.First(code, "Ada", "274916"); err != nil {
		t.Error(err)
	}
	file := filepath.Join(dir, "first.json")
	for _, spoil := range []func() error{
		func() error { return os.Chmod(file, 0o644) },
		func() error { return os.WriteFile(file, []byte(`{"id":"p1"}`), 0o600) },
		func() error { return os.WriteFile(file, make([]byte, 5000), 0o600) },
	} {
		os.Chmod(file, 0o600) //nolint:errcheck // the next line shows it
		if err := spoil(); err != nil {
			t.Fatal(err)
		}
		if p, err := ReadKept(file); err == nil {
			t.Errorf("taken: %+v", p)
		}
	}
}
