package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"offsetbridge/internal/limits"
)

func limitsCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "limits CALLOUT | limits --json -", Short: "limits of size of a thread, a fit or a plain size", Args: cobra.ExactArgs(1),
		Long: `limits prints the limits of size behind a drawing callout: a metric thread
("M16x1.5-6H"), a unified thread ("1/4-20 UNC-2B"), a fit ("28 H8") or a plain
size ("22.000 +0.033 0"). With --json and - it reads one callout a line from
standard input and answers one JSON line each.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			out := cmd.OutOrStdout()
			if asJSON && args[0] == "-" {
				return limits.JSONLines(cmd.InOrStdin(), out)
			}
			callout, err := limits.Parse(args[0])
			if err != nil {
				return answerNo{err}
			}
			if !asJSON {
				return limits.WriteText(out, callout)
			}
			b, err := limits.JSON(callout)
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(out, "%s\n", b)
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON, lengths with the unit in the key")
	return c
}
