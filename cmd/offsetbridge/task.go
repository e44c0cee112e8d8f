package main

import (
	"fmt"
	"net/url"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
)

func taskCommand() *cobra.Command {
	d := &door{}
	c := &cobra.Command{
		Use: "task", Short: "measuring tasks: what the next reading of a gauge is of",
		Long: `task says what a gauge measures next, for gauges whose messages do not: a part, or a
ring of its own. A reading that comes takes its place from the task that is open then;
one that comes without a task waits in the tray. A task ends when it expires, when the
next one is set, or when its ring was read.`,
	}
	d.flags(c)
	c.AddCommand(taskList(d), taskSet(d), taskEnd(d))
	return c
}

func taskList(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "list MACHINE", Short: "the measuring tasks that are open at a machine", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			var in core.Inside
			if err := cl.Get(cmd.Context(), "/v1/machines/"+url.PathEscape(args[0])+"/inside", nil, &in); err != nil {
				return refused(err)
			}
			out := cmd.OutOrStdout()
			if d.json {
				return printJSON(out, in.Tasks)
			}
			if len(in.Tasks) == 0 {
				_, err := fmt.Fprintf(out, "no measuring task is open at %s\n", args[0])
				return err
			}
			w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
			for _, t := range in.Tasks {
				what := "part " + t.Part
				if t.Ring != "" {
					what = t.Ring
				}
				next := t.Characteristic
				for _, name := range t.Then {
					next += ", then " + name
				}
				fmt.Fprintf(w, "%s\t%s\t%s\tfor another %s\n", t.Gauge, what, next, (time.Duration(t.Left) * time.Millisecond).Round(time.Second)) //nolint:errcheck // Flush tells
			}
			return w.Flush()
		},
	}
}

func taskSet(d *door) *cobra.Command {
	var q web.TaskRequest
	c := &cobra.Command{
		Use: "set MACHINE GAUGE (--part PART | --ring RING)", Short: "say what a gauge measures next", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			if (q.Part == "") == (q.Ring == "") {
				return fmt.Errorf("a gauge measures a part or a ring: write --part or --ring, one of them")
			}
			q.Gauge = args[1]
			what := "part " + q.Part
			if q.Ring != "" {
				what = q.Ring
			}
			return d.task(cmd, args[0], q, fmt.Sprintf("%s measures %s next", args[1], what))
		},
	}
	f := c.Flags()
	f.StringVar(&q.Part, "part", "", "count or serial of the part")
	f.IntVar(&q.Cut, "cut", 0, "which cut of it, where it was cut again (default: the newest)")
	f.StringVar(&q.Characteristic, "characteristic", "", "what is measured, where the gauge measures several")
	f.StringArrayVar(&q.Then, "then", nil, "what is measured of the part after that; may be given several times")
	f.StringVar(&q.Ring, "ring", "", "a standard of the gauge instead: its reading is a ring check")
	f.IntVar(&q.Minutes, "minutes", 0, "until it expires (default: 10)")
	return c
}

func taskEnd(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "end MACHINE GAUGE", Short: "end the measuring task of a gauge", Args: cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			return d.task(cmd, args[0], web.TaskRequest{Gauge: args[1]}, args[1]+" has no measuring task")
		},
	}
}

func (d *door) task(cmd *cobra.Command, machine string, q web.TaskRequest, say string) error {
	cl, err := d.client()
	if err != nil {
		return err
	}
	if err := cl.Post(cmd.Context(), "/v1/machines/"+url.PathEscape(machine)+"/tasks", q, nil); err != nil {
		return refused(err)
	}
	return d.done(cmd.OutOrStdout(), say)
}
