// Command bench-control measures how closely a policy holds size on simulated processes whose truth
// is known, against baselines and against the bound that nothing can beat, all on the same seeds.
//
// The core under test is the production core, fed as the daemon feeds it, with the bounds that a
// configuration has by default and a person who answers what it asks: before the next part, or after
// ten parts. Beside it: baselines, the estimator alone, and the same core with its bounds wide open.
// Further tables hold wrong configurations and first parts.
//
// It prints one table of the public scenarios and one where every magnitude of them is redrawn for
// each seed, so that nothing can be tuned to the public numbers. The same flags give the same table,
// digit for digit, on one architecture. Exit status: 0 done, 1 a goal was missed (with -check only),
// 2 could not run.
package main

import (
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"offsetbridge/simulators/plant"
)

func main() { os.Exit(command(os.Args[1:], os.Stdout, os.Stderr)) }

// options are the flags.
type options struct {
	Seeds    int     `json:"seeds"`
	First    uint64  `json:"first_seed"`
	Parts    int     `json:"parts"`
	Delay    int     `json:"delay_parts"`
	Dead     float64 `json:"dead_band_sigma"`
	Cost     float64 `json:"scrap_by_rework_cost"`
	Scenario string  `json:"scenario"`
	Columns  string  `json:"columns,omitempty"`
	Only     string  `json:"table"`
	Jobs     int     `json:"-"`
	JSON     bool    `json:"-"`
	Check    bool    `json:"-"`
}

func parse(args []string, errs io.Writer) (options, error) {
	var o options
	flags := flag.NewFlagSet("bench-control", flag.ContinueOnError)
	flags.SetOutput(errs)
	flags.IntVar(&o.Seeds, "seeds", 200, "runs of each scenario")
	flags.Uint64Var(&o.First, "first", 1, "first seed; the others follow it")
	flags.IntVar(&o.Parts, "parts", 1200, "parts of one run")
	flags.IntVar(&o.Delay, "delay", 0, "an approver answers each proposal after so many parts")
	flags.Float64Var(&o.Dead, "dead", 0.5, "dead band of the bank in σ̂ (never below one register step)")
	flags.Float64Var(&o.Cost, "cost", 1, "cost of scrap ÷ cost of a re-cut; beyond 1 the bank aims its first parts off centre")
	flags.StringVar(&o.Scenario, "scenario", "", "only these, with commas between; all when empty")
	flags.StringVar(&o.Columns, "columns", "", "only these columns beside the one that is judged, with commas between; all when empty")
	flags.StringVar(&o.Only, "table", "all", "public, redrawn, both of them, faults, first or all")
	flags.IntVar(&o.Jobs, "jobs", 2, "processors to use")
	flags.BoolVar(&o.JSON, "json", false, "print one JSON document instead of tables")
	flags.BoolVar(&o.Check, "check", false, "exit with 1 when a goal is missed")
	if err := flags.Parse(args); err != nil {
		return o, err
	}
	return o, o.validate(flags.Args())
}

// validate tells all problems at once.
func (o *options) validate(rest []string) error {
	var problems []error
	wrong := func(bad bool, format string, args ...any) {
		if bad {
			problems = append(problems, fmt.Errorf(format, args...))
		}
	}
	wrong(len(rest) > 0, "argument %q is not understood, give flags only", strings.Join(rest, " "))
	wrong(o.Seeds < 1 || o.Seeds > 100000, "-seeds %d is out of range, give 1 to 100000", o.Seeds)
	wrong(o.Parts < 1 || o.Parts > 1000000, "-parts %d is out of range, give 1 to 1000000", o.Parts)
	wrong(o.Delay < 0 || o.Delay > 1000, "-delay %d is out of range, give 0 to 1000", o.Delay)
	wrong(!(o.Dead >= 0 && o.Dead <= 10), "-dead %g is out of range, give 0 to 10", o.Dead)
	wrong(!(o.Cost >= 1 && o.Cost <= 1e6), "-cost %g is out of range, give 1 to 1000000", o.Cost)
	wrong(!slices.Contains([]string{"all", "both", "public", "redrawn", "faults", "first"}, o.Only),
		"-table %q is unknown, give public, redrawn, both, faults, first or all", o.Only)
	wrong(o.Jobs < 1 || o.Jobs > 256, "-jobs %d is out of range, give 1 to 256", o.Jobs)
	if _, err := o.scenarios(); err != nil {
		problems = append(problems, err)
	}
	if _, err := o.columns(); err != nil {
		problems = append(problems, err)
	}
	return errors.Join(problems...)
}

// columns are the contenders asked for, and the one that is judged.
func (o *options) columns() ([]contender, error) {
	want := map[string]bool{}
	for name := range strings.SplitSeq(o.Columns, ",") {
		if name = strings.TrimSpace(name); name != "" {
			want[name] = true
		}
	}
	var chosen []contender
	var names []string
	every := len(want) == 0
	for _, c := range contenders(*o) {
		names = append(names, c.name)
		if every || want[c.name] || c.name == judged {
			chosen = append(chosen, c)
		}
		delete(want, c.name)
	}
	if len(want) > 0 {
		return nil, fmt.Errorf("-columns %q names an unknown column, give some of %s", o.Columns, strings.Join(names, ", "))
	}
	return chosen, nil
}

// scenarios are those asked for, with the parts asked for.
func (o *options) scenarios() ([]plant.Params, error) {
	all := plant.Scenarios()
	want := map[string]bool{}
	for id := range strings.SplitSeq(o.Scenario, ",") {
		if id = strings.TrimSpace(id); id != "" {
			want[strings.ToLower(id)] = true
		}
	}
	chosen, every := []plant.Params(nil), len(want) == 0
	var names []string
	for _, p := range all {
		names = append(names, p.ID)
		if every || want[strings.ToLower(p.ID)] {
			p.Parts = o.Parts
			chosen = append(chosen, p)
			delete(want, strings.ToLower(p.ID))
		}
	}
	if len(want) > 0 {
		return nil, fmt.Errorf("-scenario %q names an unknown scenario, give some of %s",
			o.Scenario, strings.Join(names, ", "))
	}
	return chosen, nil
}

func command(args []string, out, errs io.Writer) int {
	o, err := parse(args, errs)
	if errors.Is(err, flag.ErrHelp) {
		return 0
	}
	if err != nil {
		fmt.Fprintln(errs, "bench-control:", err)
		return 2
	}
	r := bench(o)
	if o.JSON {
		e := json.NewEncoder(out)
		e.SetIndent("", "  ")
		err = e.Encode(r)
	} else {
		err = r.print(out)
	}
	if err != nil {
		fmt.Fprintln(errs, "bench-control: the result could not be written:", err)
		return 2
	}
	if o.Check && r.missed() > 0 {
		return 1
	}
	return 0
}
