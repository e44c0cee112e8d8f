package faultsim

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// Mutant is one guard taken out of the production code.
type Mutant struct {
	Name string
	File string // from the module's root
	Old  string // occurs exactly once
	New  string
	Mask string // the other guard that does the same work; "" = it has to be caught
}

// Verdict is what became of a mutant.
type Verdict string

// What can become of a mutant.
const (
	Caught   Verdict = "caught"
	Masked   Verdict = "masked" // survived, and another guard is named that does its work
	Survived Verdict = "SURVIVED"
	Broken   Verdict = "BROKEN" // the edit does not apply, or the result does not build
)

// Outcome is one mutant's.
type Outcome struct {
	Mutant  Mutant
	Verdict Verdict
	Text    string
}

func (o Outcome) String() string {
	return fmt.Sprintf("%-9s %s: %s", o.Verdict, o.Mutant.Name, o.Text)
}

// TryMutant builds the simulation with one guard taken out, beside the module at
// root, and runs it until a violation or so many parts.
func TryMutant(root string, m Mutant, parts int, most time.Duration) Outcome {
	fail := func(v Verdict, format string, args ...any) Outcome {
		return Outcome{m, v, fmt.Sprintf(format, args...)}
	}
	dir, err := os.MkdirTemp("", "fault-mutant-")
	if err != nil {
		return fail(Broken, "%v", err)
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	root, err = filepath.Abs(root)
	if err != nil {
		return fail(Broken, "%v", err)
	}
	file := filepath.Join(root, filepath.FromSlash(m.File))
	source, err := os.ReadFile(file)
	if err != nil {
		return fail(Broken, "%v", err)
	}
	if n := strings.Count(string(source), m.Old); n != 1 {
		return fail(Broken, "the edit applies %d times in %s", n, m.File)
	}
	changed := filepath.Join(dir, "changed.go")
	overlay := filepath.Join(dir, "overlay.json")
	err = errors.Join(
		os.WriteFile(changed, []byte(strings.Replace(string(source), m.Old, m.New, 1)), 0o600),
		os.WriteFile(overlay, fmt.Appendf(nil, `{"Replace":{%q:%q}}`, file, changed), 0o600),
	)
	if err != nil {
		return fail(Broken, "%v", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), most)
	defer cancel()
	program := filepath.Join(dir, "fault-sim")
	build := exec.CommandContext(ctx, "go", "build", "-overlay", overlay, "-o", program, "./cmd/fault-sim")
	build.Dir = root
	if out, err := build.CombinedOutput(); err != nil {
		return fail(Broken, "it does not build: %v: %s", err, out)
	}
	return m.judge(ctx, program, parts)
}

func (m Mutant) judge(ctx context.Context, program string, parts int) Outcome {
	run := exec.CommandContext(ctx, program, "-quick", "-parts", fmt.Sprint(parts))
	out, err := run.CombinedOutput()
	var exit *exec.ExitError
	switch {
	case err == nil && m.Mask != "":
		return Outcome{m, Masked, m.Mask}
	case err == nil:
		return Outcome{m, Survived, fmt.Sprintf("%d parts", parts)}
	case errors.As(err, &exit) && exit.ExitCode() == 1:
		first, _, _ := strings.Cut(string(out), "\n")
		return Outcome{m, Caught, first}
	}
	if ctx.Err() != nil && m.Mask != "" {
		return Outcome{m, Masked, m.Mask}
	}
	if ctx.Err() != nil {
		return Outcome{m, Survived, "until time was up"}
	}
	return Outcome{m, Broken, fmt.Sprintf("%v: %.200s", err, out)}
}

func mutantNamed(name string) *Mutant {
	for i := range Mutants {
		if Mutants[i].Name == name {
			return &Mutants[i]
		}
	}
	return nil
}
