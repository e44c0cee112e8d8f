package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/app"
	"offsetbridge/internal/core"
	"offsetbridge/internal/replay"
)

func checkCommand() *cobra.Command {
	var path string
	var dial, asJSON, record bool
	c := &cobra.Command{
		Use: "check", Short: "validate a configuration: what may each loop do, and why not more", Args: cobra.NoArgs,
		Long: `check reads the configuration and reports every problem at once. It needs no
network. With --dial it also asks the broker and every machine: connection,
identity, and for each register whether it exists, its type, unit, range and
access rights.

For every loop that may ask a person it says how many prompts a shift to expect:
from the record, replayed under this configuration, where the configured journal is
there and holds enough parts, else worked out from dead band and usual wear.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			out := cmd.OutOrStdout()
			cfg, err := config.Load(path)
			var problems config.Problems
			if errors.As(err, &problems) {
				if asJSON {
					if err := printJSON(out, map[string]any{"ok": false, "problems": problems}); err != nil {
						return err
					}
					return answerNo{}
				}
				return answerNo{fmt.Errorf("%d things to change in %s\n%w", len(problems), path, problems)}
			}
			if err != nil {
				return err
			}
			if dial {
				if err := app.CheckFiles(cfg); err != nil {
					return answerNo{err}
				}
			}
			found, err := app.Inspect(cmd.Context(), cfg, dial)
			if err != nil {
				return err
			}
			if record {
				expectFromRecord(cmd.Context(), cfg, &found)
			}
			if asJSON {
				err = printJSON(out, map[string]any{"ok": found.OK(), "warnings": cfg.Warnings, "found": found})
			} else {
				err = printInspection(out, path, cfg, found)
			}
			if err == nil && !found.OK() {
				err = answerNo{}
			}
			return err
		},
	}
	configFlag(c, &path)
	c.Flags().BoolVar(&dial, "dial", false, "also ask the broker and every machine")
	c.Flags().BoolVar(&record, "record", true, "count prompts in the configured journal, where it is there")
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// expectFromRecord replaces what was worked out about prompts by what the record says,
// where it says enough. A record that cannot be read changes nothing.
func expectFromRecord(ctx context.Context, c *config.Config, found *app.Inspection) {
	report, err := replayed(ctx, c, c.Journal.Directory, replay.Options{})
	if err != nil {
		return
	}
	for i := range found.Loops {
		p := &found.Loops[i]
		for _, l := range report.Loops {
			if l.Machine != p.Machine || l.Name != p.Loop || p.Prompts == nil || l.Parts < core.ExpectParts || l.Readings == 0 {
				continue
			}
			cycle := 0.0
			if l.Replayed.PerShift != nil {
				cycle = l.Minutes / float64(l.Parts)
			}
			p.Prompts = core.ExpectFrom(uint64(l.Replayed.Prompts()), uint64(l.Parts), cycle)
		}
	}
}

// ways says how a change gets into a register.
var ways = map[string]string{"direct": "us", "hand-over": "the control's own program, to which changes are handed over"}

func printInspection(w io.Writer, path string, c *config.Config, found app.Inspection) error {
	p := &printer{w: w}
	p.line("%s is accepted: %d machines, %d loops, %d gauges", path, len(c.Machines), len(c.Loops), len(c.Gauges))
	for _, x := range c.Warnings {
		p.line("  look at %s", x)
	}
	if found.Broker != "" {
		p.line("broker %s: %s", c.MQTT.Broker, found.Broker)
	}
	for i, m := range found.Machines {
		if c.Machines[i].ByHand {
			p.line("machine %s is by hand: nothing to ask", c.Machines[i].Name)
			continue
		}
		answer := "answers as commissioned"
		if !m.Up {
			answer = "is not usable"
		}
		p.line("machine %s at %s %s, its registers are written by %s", c.Machines[i].Name, m.Endpoint, answer, ways[m.Writes])
		for _, x := range m.Problems {
			p.line("  %s", x.Text)
		}
	}
	for _, l := range found.Loops {
		p.line("loop %s on %s may %s", l.Loop, l.Machine, l.May)
		for _, why := range l.Because {
			p.line("  because %s", why)
		}
		if l.Prompts != nil {
			p.line("  %s", l.Prompts.Say)
		}
	}
	return p.err
}
