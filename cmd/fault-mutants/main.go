// Command fault-mutants takes one guard after the other out of the production code
// and runs the fault simulation on what is left: each has to be caught, or to be
// known as masked by another. The exit code is 1 when one survives or an edit does
// not apply any more.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"offsetbridge/internal/faultsim"
)

func main() { os.Exit(run(os.Args[1:], os.Stdout)) }

// mostParts is how many parts a guard may take to be missed.
const mostParts = 200_000

func run(args []string, out io.Writer) int {
	f := flag.NewFlagSet("fault-mutants", flag.ContinueOnError)
	f.SetOutput(out)
	root := f.String("root", ".", "folder of the module")
	parts := f.Int("parts", 20_000, "parts for each guard; one that is missed by nobody is tried with 200000")
	only := f.String("only", "", "only the guards whose name contains this")
	most := f.Duration("most", 4*time.Minute, "longest time for one guard")
	if f.Parse(args) != nil || *parts > mostParts {
		return 2
	}
	count := map[faultsim.Verdict]int{}
	for _, m := range faultsim.Mutants {
		if !strings.Contains(m.Name, *only) {
			continue
		}
		o := faultsim.TryMutant(*root, m, *parts, *most)
		if o.Verdict == faultsim.Survived { // most are caught by few parts, and a few by many
			o = faultsim.TryMutant(*root, m, mostParts, *most)
		}
		fmt.Fprintln(out, o)
		count[o.Verdict]++
	}
	fmt.Fprintf(out, "caught: %d, masked: %d, survived: %d, broken: %d\n",
		count[faultsim.Caught], count[faultsim.Masked], count[faultsim.Survived], count[faultsim.Broken])
	if count[faultsim.Survived]+count[faultsim.Broken] > 0 {
		return 1
	}
	return 0
}
