package faultsim

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every test that the table of hazards names has to exist.
func TestEveryTestNamedForAHazardExists(t *testing.T) {
	table, err := os.ReadFile("HAZARDS.md")
	if err != nil {
		t.Fatal(err)
	}
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (Test\w+)\(`)
	err = filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() && (d.Name() == "node_modules" || d.Name() == ".git") {
			if d != nil && d.IsDir() {
				return filepath.SkipDir
			}
			return err
		}
		if !strings.HasSuffix(path, "_test.go") {
			return nil
		}
		b, err := os.ReadFile(path)
		for _, m := range declared.FindAllSubmatch(b, -1) {
			there[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	rows := 0
	for _, line := range strings.Split(string(table), "\n") {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| Hazard") {
			continue
		}
		rows++
		named := regexp.MustCompile(`Test\w+`).FindAllString(line, -1)
		if len(named) == 0 {
			t.Errorf("no test in the row %s", line)
		}
		for _, n := range named {
			if !there[n] {
				t.Errorf("there is no %s", n)
			}
		}
	}
	if rows < 60 {
		t.Errorf("only %d rows", rows)
	}
}

// Every edit of the mutants applies, so that none goes stale unseen.
func TestEveryMutantApplies(t *testing.T) {
	if len(Mutants) < 30 {
		t.Errorf("only %d mutants", len(Mutants))
	}
	names := map[string]bool{}
	for _, m := range Mutants {
		b, err := os.ReadFile(filepath.Join("../..", filepath.FromSlash(m.File)))
		if err != nil {
			t.Error(err)
			continue
		}
		if n := strings.Count(string(b), m.Old); n != 1 {
			t.Errorf("%s: the edit applies %d times in %s", m.Name, n, m.File)
		}
		if names[m.Name] {
			t.Errorf("two mutants are named %q", m.Name)
		}
		names[m.Name] = true
	}
}
