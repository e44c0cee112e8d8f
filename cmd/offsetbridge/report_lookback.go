package main

import (
	"errors"

	"github.com/spf13/cobra"

	"offsetbridge/internal/length"
	"offsetbridge/internal/report"
)

func reportLookback(o *reportOut) *cobra.Command {
	a, d := &recordAsked{}, &report.Doubt{}
	var off, unit string
	c := &cobra.Command{
		Use: "lookback", Short: "which parts and corrections rested on a gauge?", Args: cobra.NoArgs,
		Long: `lookback lists what rested on a gauge in a time, when a check has found it off: the
parts whose last size it gave and the corrections that were made by it, at every
machine of the journal. With --off SIZE, what it read too much, the sizes are judged anew.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var err error
			if d.Gauge == "" {
				err = errors.New("name the gauge by --gauge")
			}
			if d.Unit, err = unitOf(unit, err); err == nil {
				d.Off, err = optional("--off", off, d.Unit)
			}
			if err != nil {
				return err
			}
			j, parts, err := a.open(cmd.Context())
			if err != nil {
				return err
			}
			defer j.Close() //nolint:errcheck // only read from
			d.Series = parts
			doc, err := report.Lookback(j, d)
			if err != nil {
				return damageIsNo(err)
			}
			return o.write(cmd, doc)
		},
	}
	a.place(c)
	f := c.Flags()
	f.StringVar(&d.Gauge, "gauge", "", "the gauge that was found off")
	f.StringVar(&off, "off", "", "what it read too much, as 0.003 or -0.003")
	f.StringVar(&unit, "unit", "mm", "of sizes and --off")
	return c
}

// unitOf reads a unit of the command line, with what was wrong before.
func unitOf(text string, before error) (length.Unit, error) {
	u, err := length.ParseUnit(text)
	return u, errors.Join(before, err)
}
