package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
)

func holdCommand() *cobra.Command {
	d := &door{}
	var note string
	c := &cobra.Command{
		Use: "hold [MACHINE[/LOOP]]", Short: "stop writing at once: everything, a machine, or one loop", Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			s := scope(args)
			s.Note = note
			if err := cl.Post(cmd.Context(), "/v1/hold", s, nil); err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "on hold: "+scopeName(s)+", registers keep their values")
		},
	}
	d.flags(c)
	c.Flags().StringVar(&note, "note", "", "why, for the record")
	return c
}

func resumeCommand() *cobra.Command {
	d := &door{}
	var note, cause string
	c := &cobra.Command{
		Use: "resume [MACHINE[/LOOP]] --cause CODE --note TEXT", Short: "clear a hold after its cause was looked at",
		Args: cobra.MaximumNArgs(1),
		Long: `resume clears one hold. It names the cause it clears, as status shows it, so that
nothing is cleared unseen.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			s := scope(args)
			s.Note, s.Cause = note, core.Code(cause)
			if s.Machine != "" && cause == "" {
				return errors.New("no cause is named, add --cause with the code that offsetbridge status shows")
			}
			cl, err := d.client()
			if err != nil {
				return err
			}
			if err := cl.Post(cmd.Context(), "/v1/resume", s, nil); err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "resumed: "+scopeName(s))
		},
	}
	d.flags(c)
	c.Flags().StringVar(&note, "note", "", "what was found, for the record")
	c.Flags().StringVar(&cause, "cause", "", "code of the hold")
	c.MarkFlagRequired("note") //nolint:errcheck // the flag exists
	return c
}

func scopeName(s web.Scope) string {
	switch {
	case s.Machine == "":
		return "everything"
	case s.Loop == "":
		return s.Machine
	}
	return s.Machine + "/" + s.Loop
}

func statusCommand() *cobra.Command {
	d := &door{}
	c := &cobra.Command{
		Use: "status", Short: "what every loop is doing, and why", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			var s web.Status
			if err := cl.Get(cmd.Context(), "/v1/status", nil, &s); err != nil {
				return refused(err)
			}
			if d.json {
				return printJSON(cmd.OutOrStdout(), s)
			}
			return printStatus(cmd.OutOrStdout(), s)
		},
	}
	d.flags(c)
	return c
}

func printStatus(w io.Writer, s web.Status) error {
	p := &printer{w: w}
	if s.HoldAll != nil {
		p.line("EVERYTHING IS ON HOLD since a person or a file said so: %s", s.HoldAll.Text)
	}
	if s.Broker.Up {
		p.line("broker connected")
	} else {
		p.line("broker not connected: %s", s.Broker.Text)
	}
	for _, m := range s.Machines {
		p.line("%s: %s", m.Machine, machineSays(m))
		for _, r := range m.Requests {
			p.line("  %s", requestSays(r))
		}
		for _, r := range m.Registers {
			p.line("  register %s %s", r.Name, registerSays(r))
		}
		for _, l := range m.Loops {
			p.line("  loop %s (%s): %s", l.Name, l.Mode, loopSays(l))
			if l.Prompts != nil {
				p.line("    %s", l.Prompts.Say)
			}
			for _, x := range l.Measured {
				p.line("    %s part %s: %s", x.Characteristic, x.Part, x.Say)
				for _, how := range x.How {
					p.line("      %s", how)
				}
			}
			for _, x := range l.Gathering {
				p.line("    %s part %s: %d of %d readings of one measurement", x.Characteristic, x.Part, x.Have, x.Of)
			}
			for _, x := range l.Sizes {
				p.line("    %s: part %d was %s from aim", x.Characteristic, x.LastPart, x.FromAim.Signed("mm", 4))
			}
		}
	}
	if s.Rejected > 0 || s.Tray > 0 {
		p.line("%d messages were not understood, %d readings wait unassigned", s.Rejected, s.Tray)
	}
	return p.err
}

type printer struct {
	w   io.Writer
	err error
}

func (p *printer) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

func machineSays(m core.View) string {
	switch {
	case m.Hold != nil:
		return fmt.Sprintf("ON HOLD [%s] %s", m.Hold.Cause, m.Hold.Cause.Words())
	case m.FirstPart:
		return fmt.Sprintf("by hand, part %d, which part is the first after the last change is to be declared", m.Counter)
	case m.ByHand:
		return fmt.Sprintf("by hand, part %d", m.Counter)
	case !m.Up && m.Link != "":
		return "not connected: " + m.Link.Words()
	case !m.Up:
		return "not connected yet"
	}
	state := "cutting"
	if m.Permitted {
		state = "standing still"
	}
	return fmt.Sprintf("part %d, program %s, %s", m.Counter, m.Program, state)
}

func requestSays(r core.RequestView) string {
	return fmt.Sprintf("%s (%d parts or %d min left, then the parts that follow decide)", r.Say, r.Parts, (r.Left+59_999)/60_000)
}

func registerSays(r core.RegisterView) string {
	if !r.Known {
		return "not seen yet"
	}
	s := r.Value.Signed(r.Unit, r.Unit.Digits(r.Step))
	if r.Graduation > 0 {
		s = web.GraduatedText(r.Value, r.Graduation)
	}
	if r.Pending {
		s += ", a write is under way"
	}
	return s
}

func loopSays(l core.LoopView) string {
	if l.Hold != nil {
		return fmt.Sprintf("ON HOLD [%s] %s", l.Hold.Cause, l.Hold.Cause.Words())
	}
	s := "no reading yet"
	if l.Readings > 0 {
		s = fmt.Sprintf("part %d was %s from aim, %d readings", l.LastPart, l.FromAim.Signed("mm", 4), l.Readings)
	}
	if due := web.English().Due(l.Due); due != "" {
		s += ", " + due
	}
	if l.Waiting != "" {
		s += ", " + l.Waiting.Words()
	}
	return s
}
