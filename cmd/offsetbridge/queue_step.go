package main

import (
	"net/url"
	"strings"

	"github.com/spf13/cobra"

	"offsetbridge/internal/web"
)

// queueStep asks for a test step.
func queueStep(d *door) *cobra.Command {
	body := web.StepTestRequest{}
	c := &cobra.Command{
		Use: "step MACHINE/LOOP", Short: "ask for a test step, which shows whether the size answers to the register", Args: cobra.ExactArgs(1),
		Long: `step asks for one deliberate change of a register. It lies on the side that can be
cut again, is as large as shows the direction at the next part, and has to fit inside
the limits whichever way the size answers. It waits in the queue, a setter approves it
like any other proposal, and the readings after it bring the size back to its aim.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			cl, err := d.client()
			if err != nil {
				return err
			}
			machine, loop, _ := strings.Cut(args[0], "/")
			if err := cl.Post(cmd.Context(), "/v1/machines/"+url.PathEscape(machine)+"/loops/"+url.PathEscape(loop)+"/step", body, nil); err != nil {
				return refused(err)
			}
			return d.done(cmd.OutOrStdout(), "a test step of "+loop+" waits in the queue for a setter")
		},
	}
	c.Flags().StringVar(&body.Size, "size", "", `change of size instead, as in "-0.008 mm"`)
	c.Flags().StringVar(&body.Register, "register", "", "of several, the one to move")
	return c
}
