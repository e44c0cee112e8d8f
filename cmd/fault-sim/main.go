// Command fault-sim runs the fault simulation: the production core over a simulated
// plant under a seeded schedule of faults, checked by an oracle at the machines. It
// prints what it met and ends with the number of violations; the exit code is 1
// when there is one, or when something that had to be met was not.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"offsetbridge/internal/faultsim"
)

func main() {
	debug.SetGCPercent(800) // many small things that live shortly, in little memory
	os.Exit(run(os.Args[1:], os.Stdout))
}

func run(args []string, out io.Writer) int {
	f := flag.NewFlagSet("fault-sim", flag.ContinueOnError)
	f.SetOutput(out)
	parts := f.Int("parts", 200_000, "parts to simulate")
	seed := f.Uint64("seed", 1, "seed of the first world")
	world := f.Int("world", 0, "parts in one world; 0 is the default")
	replay := f.Bool("replay", false, "play the one world of the seed, with its last steps")
	shrink := f.Bool("shrink", false, "with -replay: look for the fewest steps that show the same violation")
	adversarial := f.Bool("adversarial", false, "arbitrary sequences of messages instead of worlds; -parts counts them")
	quick := f.Bool("quick", false, "print violations only")
	all := f.Bool("all", false, "go on after a violation")
	most := f.Duration("for", 0, "begin no world after this time; 0 is as long as it takes")
	if f.Parse(args) != nil {
		return 2
	}
	if *adversarial {
		return adversary(faultsim.Options{Seed: *seed, Parts: *parts, All: *all, For: *most}, out)
	}
	if *replay && *shrink {
		return fewest(*seed, *world, out)
	}
	if *replay {
		return again(*seed, *world, out)
	}
	began := time.Now()
	rep := faultsim.Run(faultsim.Options{Seed: *seed, Parts: *parts, World: *world, All: *all, For: *most})
	took := time.Since(began)
	if !*quick {
		tell(rep, *seed, took, out)
	}
	missing := rep.Counts.Missing(rep.Parts)
	for _, k := range missing {
		if !*quick {
			fmt.Fprintf(out, "never met: %s\n", k)
		}
	}
	for _, v := range rep.Violations {
		fmt.Fprintf(out, "%v\nagain: go run ./cmd/fault-sim -replay -seed %d\n", v, v.Seed)
	}
	fmt.Fprintf(out, "violations: %d\n", len(rep.Violations))
	if len(rep.Violations) > 0 || len(missing) > 0 && !*quick {
		return 1
	}
	return 0
}

func tell(rep faultsim.Report, seed uint64, took time.Duration, out io.Writer) {
	for _, class := range []string{"fault", "refusal", "guard", "work", "residual"} {
		fmt.Fprintf(out, "%s\n", strings.ToUpper(class))
		rep.Counts.Write(out, class)
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	fmt.Fprintf(out, "parts: %d in %d worlds, seeds %d to %d\n", rep.Parts, rep.Worlds, seed, seed+rep.Worlds-1)
	fmt.Fprintf(out, "speed: %.0f parts/s on %d cores\n", float64(rep.Parts)/took.Seconds(), runtime.GOMAXPROCS(0))
	fmt.Fprintf(out, "memory: %d MiB at most\n", peak(m.Sys)>>20)
}

func again(seed uint64, world int, out io.Writer) int {
	v, _ := faultsim.Replay(seed, world)
	if v == nil {
		fmt.Fprintln(out, "violations: 0")
		return 0
	}
	for _, line := range v.Trail {
		fmt.Fprintln(out, line)
	}
	fmt.Fprintf(out, "%v\nviolations: 1\n", v)
	return 1
}

// fewest looks for a short way to the violation of one world.
func fewest(seed uint64, world int, out io.Writer) int {
	s := faultsim.Shrink(seed, world)
	if s == nil {
		fmt.Fprintln(out, "violations: 0")
		return 0
	}
	for _, line := range s.Trail {
		fmt.Fprintln(out, line)
	}
	fmt.Fprintf(out, "%v\nsteps needed: %d of %d, found in %d tries: %v\nviolations: 1\n", s.Violation, len(s.Steps), s.Of, s.Tries, s.Steps)
	return 1
}

// adversary plays arbitrary sequences of messages.
func adversary(o faultsim.Options, out io.Writer) int {
	began := time.Now()
	rep := faultsim.Adversary(o)
	took := time.Since(began).Seconds()
	for _, class := range []string{"refusal", "guard", "work"} {
		fmt.Fprintf(out, "%s\n", strings.ToUpper(class))
		rep.Counts.Write(out, class)
	}
	fmt.Fprintf(out, "sequences: %d, of %d messages, seeds %d to %d\n", rep.Sequences, rep.Messages, o.Seed, o.Seed+rep.Sequences-1)
	fmt.Fprintf(out, "speed: %.0f sequences/s on %d cores\n", float64(rep.Sequences)/took, runtime.GOMAXPROCS(0))
	missing := rep.Missing()
	for _, k := range missing {
		fmt.Fprintf(out, "never met: %s\n", k)
	}
	for _, v := range rep.Violations {
		fmt.Fprintln(out, v)
	}
	fmt.Fprintf(out, "violations: %d\n", len(rep.Violations))
	if len(rep.Violations)+len(missing) > 0 {
		return 1
	}
	return 0
}
