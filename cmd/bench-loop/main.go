// Command bench-loop measures the running daemon from outside, each figure
// beside a baseline of the same run: durable ingest, the way from a reading to a
// proven register, start-up, memory, and a restart on a long journal.
//
// It needs the offsetbridge binary (-binary) and Mosquitto. Figures are only as
// good as the machine is quiet; the ratios are what counts.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"strings"
	"text/tabwriter"
	"time"
)

// bench holds what the measurements share.
type bench struct {
	binary   string
	dir      string
	readings int
	rounds   int
	million  int
	seconds  int
	rows     []row
}

// row is one figure beside its baseline.
type row struct {
	Name     string  `json:"name"`
	Value    float64 `json:"value"`
	Baseline float64 `json:"baseline,omitempty"`
	Unit     string  `json:"unit"`
	Ratio    float64 `json:"ratio,omitempty"`
	Goal     string  `json:"goal"`
	Met      bool    `json:"met"`
}

func main() {
	b := &bench{}
	var only string
	var asJSON bool
	flag.StringVar(&b.binary, "binary", "bin/offsetbridge", "the program to measure")
	flag.IntVar(&b.readings, "readings", 30_000, "readings of each ingest run")
	flag.IntVar(&b.rounds, "rounds", 200, "corrections of the latency run")
	flag.IntVar(&b.million, "journal", 1_000_000, "readings in the journal of the restart run")
	flag.IntVar(&b.seconds, "flood", 60, "seconds of the flood")
	flag.StringVar(&only, "only", "", "one of ingest, steady, latency, flood, start, restart")
	flag.BoolVar(&asJSON, "json", false, "print JSON")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := b.run(ctx, only); err != nil {
		fmt.Fprintln(os.Stderr, "bench-loop: "+err.Error())
		os.Exit(2)
	}
	if err := b.print(asJSON); err != nil {
		os.Exit(2)
	}
}

func (b *bench) run(ctx context.Context, only string) error {
	if _, err := os.Stat(b.binary); err != nil {
		return fmt.Errorf("binary %q is not there, run make build", b.binary)
	}
	dir, err := os.MkdirTemp("", "offsetbridge-bench-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
	b.dir = dir
	steps := []struct {
		name string
		do   func(context.Context) error
	}{
		{"ingest", b.ingest}, {"steady", b.steady}, {"latency", b.latency}, {"flood", b.flood}, {"start", b.start}, {"restart", b.restart},
	}
	for _, s := range steps {
		if only != "" && only != s.name {
			continue
		}
		fmt.Fprintf(os.Stderr, "measuring %s…\n", s.name)
		if err := s.do(ctx); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
	}
	return nil
}

// add records a figure; goal says what ratio or value is wanted.
func (b *bench) add(name string, value, baseline float64, unit, goal string, met bool) {
	r := row{Name: name, Value: value, Baseline: baseline, Unit: unit, Goal: goal, Met: met}
	if baseline > 0 {
		r.Ratio = value / baseline
	}
	b.rows = append(b.rows, r)
}

func (b *bench) print(asJSON bool) error {
	if asJSON {
		e := json.NewEncoder(os.Stdout)
		e.SetIndent("", "  ")
		return e.Encode(b.rows)
	}
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "figure\there\tbaseline\tunit\tratio\tgoal\t") //nolint:errcheck // Flush tells
	for _, r := range b.rows {
		ratio, base, met := "", "", "yes"
		if r.Baseline > 0 {
			ratio, base = fmt.Sprintf("%.2f", r.Ratio), fmt.Sprintf("%.4g", r.Baseline)
		}
		if !r.Met {
			met = "NO"
		}
		fmt.Fprintf(w, "%s\t%.4g\t%s\t%s\t%s\t%s\t%s\n", r.Name, r.Value, base, r.Unit, ratio, r.Goal, met) //nolint:errcheck // as above
	}
	return w.Flush()
}

// percentile returns the p-th percentile of times, in milliseconds.
func percentile(times []time.Duration, p float64) float64 {
	if len(times) == 0 {
		return 0
	}
	sorted := slices.Clone(times)
	slices.Sort(sorted)
	return float64(sorted[min(len(sorted)-1, int(p/100*float64(len(sorted))))].Microseconds()) / 1000
}

func join(parts ...string) string { return strings.Join(parts, "\n") }
