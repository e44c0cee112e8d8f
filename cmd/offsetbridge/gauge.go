package main

import (
	"errors"
	"fmt"
	"io"
	"net/url"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
)

func gaugeCommand() *cobra.Command {
	d := &door{}
	c := &cobra.Command{
		Use: "gauge", Short: "gauges and their standards: what is due, settings, ring checks",
		Long: `gauge says whether the readings of each gauge can be believed, and records what a
gauge read on its setting standard: set when it was adjusted afterwards, check when
it was left as it was. The deviation is what the gauge read minus the certified
value, before anybody adjusted.`,
	}
	d.flags(c)
	c.AddCommand(gaugeList(d), gaugeCheck(d, true), gaugeCheck(d, false))
	return c
}

func gaugeList(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "list", Short: "every gauge, its standards and whether it is in order", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			var all struct {
				Gauges []web.GaugeStatus `json:"gauges"`
			}
			if err := cl.Get(cmd.Context(), "/v1/gauges", nil, &all); err != nil {
				return refused(err)
			}
			if d.json {
				return printJSON(cmd.OutOrStdout(), all.Gauges)
			}
			return printGauges(cmd.OutOrStdout(), all.Gauges)
		},
	}
}

func printGauges(out io.Writer, all []web.GaugeStatus) error {
	p := &printer{w: out}
	for _, g := range all {
		p.line("%s%s", g.Gauge, goodUntil(", calibration", g.Due))
		if g.Last != nil {
			done := "checked"
			if g.Last.Adjusted {
				done = "set"
			}
			p.line("  last %s on %s by %s, as found %s", done, g.Last.Standard, g.Last.Who, g.Last.AsFound.Signed(length.MM, 4))
		}
		for _, s := range g.Standards {
			p.line("  standard %s: %s%s", s.Name, s.Value.Text(length.MM, 4), goodUntil(", certificate", s.Due))
		}
		for _, m := range g.Machines {
			p.line("  for %s: %s, %d readings used since it was good", m.Machine, m.Say, m.Since)
			if m.Blind != "" {
				p.line("    %s", m.Blind)
			}
		}
	}
	return p.err
}

// goodUntil names the last good day of a due date.
func goodUntil(what string, due int64) string {
	if due == 0 {
		return ""
	}
	return what + " good to " + time.UnixMilli(due-1).UTC().Format(time.DateOnly)
}

func gaugeCheck(d *door, adjusted bool) *cobra.Command {
	var q web.CheckRequest
	var celsius float64
	use, short := "check", "record a ring check: the gauge was left as it was"
	if adjusted {
		use, short = "set", "record a setting: the gauge was adjusted to its standard"
	}
	c := &cobra.Command{
		Use: use + " GAUGE --standard NAME --as-found DEVIATION", Short: short, Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			if q.Adjusted = adjusted; cmd.Flags().Changed("temperature") {
				q.Celsius = &celsius
			}
			var r web.CheckResult
			if err := cl.Post(cmd.Context(), "/v1/gauges/"+url.PathEscape(args[0])+"/check", q, &r); err != nil {
				return refused(err)
			}
			if d.json {
				return printJSON(cmd.OutOrStdout(), r)
			}
			return printCheck(cmd.OutOrStdout(), args[0], r)
		},
	}
	c.Flags().StringVar(&q.Standard, "standard", "", "the ring or plug it was put on")
	c.Flags().StringVar(&q.AsFound, "as-found", "", "what it read minus the certified value, before adjusting, as in \"-0.004 mm\"")
	c.Flags().Float64Var(&celsius, "temperature", 0, "of gauge and standard, in °C")
	c.MarkFlagRequired("standard") //nolint:errcheck // the flag exists
	c.MarkFlagRequired("as-found") //nolint:errcheck // the flag exists
	return c
}

func printCheck(out io.Writer, gauge string, r web.CheckResult) error {
	p := &printer{w: out}
	p.line("recorded for %s", gauge)
	for _, m := range r.Machines {
		p.line("  %s: %s (limit %s)", m.Machine, m.Say, m.Limit.Text(length.MM, 4))
		if s := m.Suspect; s != nil {
			p.line("    suspect: %d readings, numbers %d to %d, of parts %d to %d", s.Used, s.From, s.To, s.FromPart, s.ToPart)
		}
		for _, w := range m.Withdrawn {
			p.line("    withdrawn: proposal %s/%d of loop %s", m.Machine, w.Proposal, w.Loop)
		}
	}
	return p.err
}

func trayCommand() *cobra.Command {
	d := &door{}
	c := &cobra.Command{Use: "tray", Short: "readings that wait for somebody to say what they are"}
	d.flags(c)
	c.AddCommand(trayList(d), trayAssign(d), trayDiscard(d))
	return c
}

func trayList(d *door) *cobra.Command {
	return &cobra.Command{
		Use: "list", Short: "list the readings that wait unassigned", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			var all struct {
				Readings []web.TrayItem `json:"readings"`
			}
			if err := cl.Get(cmd.Context(), "/v1/tray", nil, &all); err != nil {
				return refused(err)
			}
			out := cmd.OutOrStdout()
			if d.json {
				return printJSON(out, all.Readings)
			}
			if len(all.Readings) == 0 {
				_, err := fmt.Fprintln(out, "no reading waits unassigned")
				return err
			}
			w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
			for _, i := range all.Readings {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\tpart %s\t%s\n", i.ID, i.Gauge, i.Characteristic, i.Value, i.Part, i.Because) //nolint:errcheck // Flush tells
			}
			return w.Flush()
		},
	}
}

func trayAssign(d *door) *cobra.Command {
	var q web.AssignRequest
	c := &cobra.Command{
		Use: "assign ITEM --part PART --reason TEXT", Short: "say which part a reading is of", Args: cobra.ExactArgs(1),
		Long: `assign makes a waiting reading one of a part. It is marked as placed by you, with
your reason, and whatever follows from it needs a person's yes.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			return d.place(cmd, "/v1/tray/"+itemPath(args[0])+"/assign", q)
		},
	}
	c.Flags().StringVar(&q.Part, "part", "", "count or serial of the part")
	c.Flags().StringVar(&q.Machine, "machine", "", "the machine that cut it, where the message named none")
	c.Flags().StringVar(&q.Characteristic, "characteristic", "", "what was measured, where the message named another")
	c.Flags().StringVar(&q.Reason, "reason", "", "how you know, for the record")
	c.MarkFlagRequired("part")   //nolint:errcheck // the flag exists
	c.MarkFlagRequired("reason") //nolint:errcheck // the flag exists
	return c
}

func trayDiscard(d *door) *cobra.Command {
	var reason string
	c := &cobra.Command{
		Use: "discard ITEM --reason TEXT", Short: "say that a reading is of no part; the record keeps it", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			err = cl.Post(cmd.Context(), "/v1/tray/"+itemPath(args[0])+"/discard", map[string]string{"reason": reason}, nil)
			if err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "discarded: the record keeps it")
		},
	}
	c.Flags().StringVar(&reason, "reason", "", "why, for the record")
	c.MarkFlagRequired("reason") //nolint:errcheck // the flag exists
	return c
}

// itemPath keeps the one slash of an item and nothing else that has a meaning.
func itemPath(item string) string {
	for i := len(item) - 1; i >= 0; i-- {
		if item[i] == '/' {
			return url.PathEscape(item[:i]) + "/" + url.PathEscape(item[i+1:])
		}
	}
	return "-/" + url.PathEscape(item)
}

// place sends a reading that a person places and tells what became of it.
func (d *door) place(cmd *cobra.Command, path string, body any) error {
	cl, err := d.client()
	if err != nil {
		return err
	}
	var r web.ReadingResult
	if err := cl.Post(cmd.Context(), path, body, &r); err != nil {
		return refused(err)
	}
	if d.json {
		return printJSON(cmd.OutOrStdout(), r)
	}
	p := &printer{w: cmd.OutOrStdout()}
	p.line("recorded: %s", r.Say)
	for _, more := range append([]string{r.Decision}, r.How...) {
		if more != "" {
			p.line("  %s", more)
		}
	}
	return p.err
}

func enterCommand() *cobra.Command {
	d := &door{}
	var q web.EnterRequest
	var goes, noGo string
	numbers := map[string]*struct {
		in    **float64
		out   float64
		usage string
	}{
		"temperature":          {in: &q.Celsius, usage: "of the part, in °C"},
		"gauge-temperature":    {in: &q.Frame, usage: "of the gauge's own frame, in °C"},
		"standard-temperature": {in: &q.Standard, usage: "of the standard, in °C, where it is not as at the setting"},
		"orientation":          {in: &q.Degrees, usage: "about the axis, in degrees"},
	}
	c := &cobra.Command{
		Use: "enter MACHINE CHARACTERISTIC --part PART (--value SIZE --reason TEXT | --go ok|refused | --no-go ok|refused)", Short: "enter a measured size, or a GO or NO-GO result, by hand", Args: cobra.ExactArgs(2),
		Long: `enter records a size that you measured, under your name and with your reason. Enter
the measured size: the deviation and its sign are worked out for you. What follows
from it needs a person's yes. A size steers the process, it accepts no part.

--go ok says that the GO gauge entered, --go refused that it did not; --no-go ok says
that the NO-GO gauge entered, which it must not. A GO gauge that is refused inside the
limits shows how much of them the form takes: the answer advises an aim, the limits
stay.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if q.Characteristic = args[1]; goes != "" || noGo != "" {
				return d.plugs(cmd, args[0], q, goes, noGo)
			}
			for name, to := range numbers {
				if cmd.Flags().Changed(name) {
					*to.in = &to.out
				}
			}
			if q.Value == "" || q.Reason == "" {
				return errors.New("a size needs --value and a --reason why it is entered by hand, or give --go or --no-go")
			}
			return d.place(cmd, "/v1/machines/"+url.PathEscape(args[0])+"/readings", q)
		},
	}
	d.flags(c)
	c.Flags().StringVar(&q.Part, "part", "", "count or serial of the part")
	c.Flags().IntVar(&q.Cut, "cut", 0, "which cut of it (default: the latest)")
	c.Flags().StringVar(&q.Value, "value", "", "the size with its unit, as in \"28.0123 mm\"")
	c.Flags().StringVar(&q.Gauge, "gauge", "", "the gauge it was measured with (default: by hand)")
	c.Flags().StringVar(&q.Reason, "reason", "", "why by hand, for the record")
	for name, to := range numbers {
		c.Flags().Float64Var(&to.out, name, 0, to.usage)
	}
	c.Flags().StringVar(&q.Depth, "depth", "", "how deep it was measured, from the mouth, as in \"15 mm\"")
	c.Flags().StringVar(&goes, "go", "", "result of the GO gauge: ok or refused")
	c.Flags().StringVar(&noGo, "no-go", "", "result of the NO-GO gauge: ok (it entered) or refused (as it should be)")
	c.MarkFlagRequired("part") //nolint:errcheck // the flag exists
	c.MarkFlagsMutuallyExclusive("value", "go")
	c.MarkFlagsMutuallyExclusive("value", "no-go")
	return c
}

// plugs sends the result of a GO gauge, of a NO-GO gauge, or of both.
func (d *door) plugs(cmd *cobra.Command, machine string, q web.EnterRequest, goes, noGo string) error {
	cl, err := d.client()
	if err != nil {
		return err
	}
	var all []web.PlugResult
	for _, x := range []struct{ plug, flag, said string }{{core.PlugGO, "--go", goes}, {core.PlugNOGO, "--no-go", noGo}} {
		switch x.said {
		case "":
			continue
		case "ok", "refused":
		default:
			return fmt.Errorf("%s %q is no result, write ok or refused", x.flag, x.said)
		}
		var r web.PlugResult
		err := cl.Post(cmd.Context(), "/v1/machines/"+url.PathEscape(machine)+"/plugs", web.PlugRequest{
			Characteristic: q.Characteristic, Part: q.Part, Gauge: q.Gauge, Plug: x.plug, Enters: x.said == "ok", Reason: q.Reason,
		}, &r)
		if err != nil {
			return refused(err)
		}
		all = append(all, r)
	}
	if d.json {
		return printJSON(cmd.OutOrStdout(), all)
	}
	p := &printer{w: cmd.OutOrStdout()}
	for _, r := range all {
		p.line("recorded: %s", r.Say)
	}
	return p.err
}
