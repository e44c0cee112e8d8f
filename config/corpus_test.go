package config

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the problems found beside the files of the corpus")

// corpus returns the files of one half of the corpus.
func corpus(t testing.TB, half string, atLeast int) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join("..", "testdata", "config", half, "*.toml"))
	if err != nil || len(files) < atLeast {
		t.Fatalf("corpus %q holds %d files (%v), want at least %d", half, len(files), err, atLeast)
	}
	return files
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// golden compares got with the text beside a file of the corpus.
func golden(t *testing.T, path, got string) {
	t.Helper()
	path = strings.TrimSuffix(path, ".toml") + ".txt"
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if d := cmp.Diff(string(read(t, path)), got); d != "" {
		t.Errorf("other than in %s (-want +got):\n%s", path, d)
	}
}

// Every bad file is refused with exactly the problems that stand beside it.
func TestBadFiles(t *testing.T) {
	for _, path := range corpus(t, "bad", 70) {
		name := filepath.Base(path)
		t.Run(strings.TrimSuffix(name, ".toml"), func(t *testing.T) {
			c, err := Parse(name, read(t, path))
			var p Problems
			if !errors.As(err, &p) || c != nil {
				t.Fatalf("Parse = %v, %v, want no configuration and problems", c, err)
			}
			golden(t, path, err.Error()+"\n")
			for _, one := range p {
				tidy(t, one)
			}
		})
	}
}

// Every good file is accepted, with exactly the warnings and notes that
// stand beside it.
func TestGoodFiles(t *testing.T) {
	for _, path := range corpus(t, "good", 10) {
		name := filepath.Base(path)
		t.Run(strings.TrimSuffix(name, ".toml"), func(t *testing.T) {
			c, err := Parse(name, read(t, path))
			if err != nil {
				t.Fatalf("refused:\n%v", err)
			}
			got := ""
			for _, w := range append(c.Warnings, c.Notes...) {
				got += w.String() + "\n"
				tidy(t, w)
			}
			golden(t, path, got)
		})
	}
}

// tidy checks that a problem can be read by a tired person: one bounded line
// that says something, with no secret in it.
func tidy(t *testing.T, p Problem) {
	t.Helper()
	s := p.String()
	switch {
	case p.Say == "" || strings.HasSuffix(p.Say, "."):
		t.Errorf("%q is no sentence in the house style", s)
	case strings.ContainsAny(s, "\n\r\t"):
		t.Errorf("%q does not stay on one line", s)
	case len(s) > 700:
		t.Errorf("%q is %d bytes long", s, len(s))
	case strings.Contains(s, "hunter2"):
		t.Errorf("%q gives a password away", s)
	}
}

// A configuration is printed whole into logs when something goes wrong: it must
// not hold what the file was refused for.
func TestNoSecretInErrors(t *testing.T) {
	for _, path := range corpus(t, "bad", 70) {
		if _, err := Parse(path, read(t, path)); err != nil && strings.Contains(err.Error(), "hunter2") {
			t.Errorf("%s gives the password away:\n%v", path, err)
		}
	}
}
