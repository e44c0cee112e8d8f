package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/replay"
)

func replayCommand() *cobra.Command {
	var path, dir, loop, from, to string
	var nothing, asJSON bool
	var answer int
	c := &cobra.Command{
		Use: "replay", Short: "the recorded readings under another tuning: what would it have done?", Args: cobra.NoArgs,
		Long: `replay decides every recorded reading once more, by the production core, under the
settings of the configuration given: another mode, dead band, damping, bounds, aim.
Each size is moved by what its part would have been cut with instead (measured +
effect · change of the register), so that corrections which were never made act on
the parts that follow. Compare it with the record, and with --nothing also with the
process as it would have run had nobody corrected it.

It only reads: it may run beside the daemon, on a copy of the journal's folder or on
a backup. Under the settings that were in force it decides as was decided, where no
person and no fault came between.

` + replay.Unknown + ".",
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := config.Load(path)
			if err != nil {
				return err
			}
			if dir == "" {
				dir = cfg.Journal.Directory
			}
			o := replay.Options{Loop: loop, Answer: answer}
			if o.From, err = moment("--from", from); err != nil {
				return err
			}
			if o.To, err = moment("--to", to); err != nil {
				return err
			}
			report, err := replayed(cmd.Context(), cfg, dir, o)
			if err != nil {
				return err
			}
			if asJSON {
				return printJSON(cmd.OutOrStdout(), report)
			}
			return printReplay(cmd.OutOrStdout(), report, nothing)
		},
	}
	configFlag(c, &path)
	f := c.Flags()
	f.StringVar(&dir, "journal", "", "folder of the journal (default: the configuration's)")
	f.StringVar(&loop, "loop", "", "only this loop")
	f.StringVar(&from, "from", "", "first moment, as 2026-03-01 or 2026-03-01T06:00 (UTC)")
	f.StringVar(&to, "to", "", "first moment that no longer counts")
	f.IntVar(&answer, "answer", 0, "how many parts somebody takes to agree to a card")
	f.BoolVar(&nothing, "nothing", false, "also what would have come of it had nobody corrected")
	f.BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// openRecord opens a journal for looking only; it may belong to a running daemon.
func openRecord(ctx context.Context, dir string) (*journal.Journal, error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("journal %q cannot be opened, name its folder: %w", dir, err)
	}
	return journal.Open(ctx, dir, journal.Options{ReadOnly: true})
}

func replayed(ctx context.Context, cfg *config.Config, dir string, o replay.Options) (replay.Report, error) {
	var machines []core.Settings
	known := o.Loop == ""
	for i := range cfg.Machines {
		s := cfg.Settings(cfg.Machines[i].Name)
		known = known || s.Loop(o.Loop) != nil
		machines = append(machines, s)
	}
	if !known {
		return replay.Report{}, fmt.Errorf("loop %q is not configured, name one that is", o.Loop)
	}
	j, err := openRecord(ctx, dir)
	if err != nil {
		return replay.Report{}, err
	}
	defer j.Close() //nolint:errcheck // only read from
	return replay.Run(j, machines, o)
}

// moment reads a day or a minute, UTC, as milliseconds; 0 when nothing is said.
func moment(flag, text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	for _, form := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.Parse(form, text); err == nil {
			return t.UnixMilli(), nil
		}
	}
	return 0, errors.New(flag + " " + fmt.Sprintf("%q", text) + " is no moment, write it as 2026-03-01 or 2026-03-01T06:00")
}

func printReplay(w io.Writer, r replay.Report, nothing bool) error {
	p := &printer{w: w}
	for i := range r.Loops {
		l := &r.Loops[i]
		if l.Note != "" {
			p.line("%s/%s: %s", l.Machine, l.Name, l.Note)
			p.line("")
			continue
		}
		p.line("%s/%s, %s: %d parts, %d readings, %s to %s UTC", l.Machine, l.Name, l.Mode, l.Parts, l.Readings,
			l.First.Format("2006-01-02 15:04"), l.Last.Format("2006-01-02 15:04"))
		if p.err == nil {
			p.err = printComparison(w, l, nothing)
		}
		p.line("  %d of %d readings decided as recorded", l.Same, l.Judged)
		if l.Differs != "" {
			p.line("  first other decision: %s", l.Differs)
		}
		if c := l.Replayed.Cause; c != "" {
			p.line("  first hold of the replay [%s]: %s", c, core.Code(c).Words())
		}
		p.line("")
	}
	p.line("%s", r.Unknown)
	return p.err
}

func printComparison(w io.Writer, l *replay.Loop, nothing bool) error {
	t := tabwriter.NewWriter(w, 0, 0, 3, ' ', tabwriter.AlignRight)
	row := func(what string, recorded, replayed, alone any) {
		fmt.Fprintf(t, "  %-34s\t%v\t%v\t", what, recorded, replayed) //nolint:errcheck // Flush tells
		if nothing {
			fmt.Fprintf(t, "%v\t", alone) //nolint:errcheck // as above
		}
		fmt.Fprintln(t) //nolint:errcheck // as above
	}
	row("", "recorded", "replayed", "nobody")
	for _, s := range l.Sizes {
		a, b, c := s.Recorded, s.Replayed, s.Nothing
		row(s.Characteristic+": rms from aim", rms(a), rms(b), rms(c))
		row("  largest from aim", largest(a), largest(b), largest(c))
		row("  outside limits", outside(a), outside(b), outside(c))
	}
	a, b := l.Recorded, l.Replayed
	row("corrections", a.Corrections, b.Corrections, 0)
	row("prompts: an operator agrees", a.Operator, b.Operator, 0)
	row("prompts: a setter agrees", a.Setter, b.Setter, 0)
	row("  per 100 parts", a.Per100, b.Per100, 0)
	if a.PerShift != nil && b.PerShift != nil {
		row("  per shift of 8 h", *a.PerShift, *b.PerShift, 0)
	}
	row("holds", a.Holds, b.Holds, 0)
	row("  parts made on hold", a.HeldParts, b.HeldParts, 0)
	return t.Flush()
}

func rms(s replay.Spread) string { return fmt.Sprintf("%.2f µm", s.RMS) }

func largest(s replay.Spread) string { return s.Largest.Signed(length.UM, 1) }

func outside(s replay.Spread) string {
	if s.Parts == 0 {
		return "–"
	}
	return fmt.Sprintf("%.1f %%", 100*float64(s.Outside)/float64(s.Parts))
}
