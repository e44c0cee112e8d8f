// Package oracle asks R, an independent implementation of the same statistics, for
// the figures that a test compares with. A test that needs it fails, and says what to
// install, when R is missing.
package oracle

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// Numbers runs a program in R (its base packages alone) and returns the numbers that
// it prints by cat. R takes about a fifth of a second to start: ask for all at once.
func Numbers(tb testing.TB, program string) []float64 {
	tb.Helper()
	path, err := exec.LookPath("Rscript")
	if err != nil {
		tb.Fatal("Rscript is missing, and with it what these figures are compared with: install the Debian package r-base-core")
	}
	file := filepath.Join(tb.TempDir(), "program.R")
	if err := os.WriteFile(file, []byte("options(digits=15)\n"+program+"\n"), 0o600); err != nil {
		tb.Fatal(err)
	}
	var said strings.Builder
	cmd := exec.Command(path, "--vanilla", file)
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		tb.Fatalf("R: %v: %s", err, said.String())
	}
	var v []float64
	for _, field := range strings.Fields(string(out)) {
		x, err := strconv.ParseFloat(field, 64)
		if err != nil {
			tb.Fatalf("R printed %q, which is no number", field)
		}
		v = append(v, x)
	}
	return v
}

// Vector writes numbers as R reads them, c(…), with all their digits.
func Vector(x []float64) string {
	var b strings.Builder
	for i, v := range x {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(strconv.FormatFloat(v, 'g', 17, 64))
	}
	return "c(" + b.String() + ")"
}
