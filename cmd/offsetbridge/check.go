package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/app"
)

func checkCommand() *cobra.Command {
	var path string
	var dial, asJSON bool
	c := &cobra.Command{
		Use: "check", Short: "validate a configuration: what may each loop do, and why not more", Args: cobra.NoArgs,
		Long: `check reads the configuration and reports every problem at once. It needs no
network. With --dial it also asks the broker and every machine: connection,
identity, and for each register whether it exists, its type, unit, range and
access rights.`,
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
				if err := cfg.CheckFiles(); err != nil {
					return answerNo{err}
				}
			}
			found, err := app.Inspect(cmd.Context(), cfg, dial)
			if err != nil {
				return err
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
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

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
		answer := "answers as commissioned"
		if !m.Up {
			answer = "is not usable"
		}
		p.line("machine %s at %s %s", c.Machines[i].Name, m.Endpoint, answer)
		for _, x := range m.Problems {
			p.line("  %s", x.Text)
		}
	}
	for _, l := range found.Loops {
		p.line("loop %s on %s may %s", l.Loop, l.Machine, l.May)
		for _, why := range l.Because {
			p.line("  because %s", why)
		}
	}
	return p.err
}
