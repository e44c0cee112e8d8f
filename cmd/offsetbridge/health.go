package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/internal/web"
)

// healthWithin is how long the program may take to answer.
const healthWithin = 5 * time.Second

func healthCommand() *cobra.Command {
	d := &door{}
	c := &cobra.Command{
		Use: "health", Short: "is the running program well? for a container or a monitor", Args: cobra.NoArgs,
		Long: `health asks the running daemon: exit code 0 when every loop answers and the record is
not damaged, 1 when the record is damaged, 2 when nobody answers within 5 s. What needs
no restart, as a hold, a missing broker or a record that is still being checked, is
said and is no illness.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			ctx, cancel := context.WithTimeout(cmd.Context(), healthWithin)
			defer cancel()
			var s web.Status
			if err := cl.Get(ctx, "/v1/status", nil, &s); err != nil {
				return refused(err)
			}
			say, well := healthOf(s)
			if d.json {
				err = printJSON(cmd.OutOrStdout(), map[string]any{"ok": well, "say": say})
			} else if well {
				_, err = fmt.Fprintln(cmd.OutOrStdout(), strings.Join(append([]string{"well"}, say...), "; "))
			}
			if err == nil && !well {
				err = answerNo{errors.New(strings.Join(say, "; "))}
			}
			return err
		},
	}
	d.flags(c)
	return c
}

// healthOf says what is to be said of a program, and whether it is well.
func healthOf(s web.Status) (say []string, well bool) {
	well = true
	held := 0
	for _, m := range s.Machines {
		if m.Hold != nil {
			held++
			if m.Hold.Cause == "journal" {
				return []string{m.Hold.Cause.Words()}, false
			}
		}
		for _, l := range m.Loops {
			if l.Hold != nil {
				held++
			}
		}
	}
	if !s.Journal.Verified {
		say = append(say, "the record is still being checked")
	}
	if !s.Broker.Up {
		say = append(say, "broker: "+s.Broker.Text)
	}
	if s.HoldAll != nil {
		say = append(say, "everything is on hold")
	}
	if held > 0 {
		say = append(say, fmt.Sprintf("%d on hold", held))
	}
	return say, well
}
