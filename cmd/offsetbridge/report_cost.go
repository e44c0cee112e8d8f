package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/BurntSushi/toml"
	"github.com/spf13/cobra"

	"offsetbridge/internal/report"
)

// mostFigures bounds a file of figures, in bytes.
const mostFigures = 64 << 10

func reportCost(o *reportOut) *cobra.Command {
	var from string
	c := &cobra.Command{
		Use: "cost", Short: "what GO/NO-GO gauges cost in a year, beside measuring ones", Args: cobra.NoArgs,
		Long: `cost sets two ways of checking beside each other, from the shop's own figures of a
year (--from FILE, TOML), with its arithmetic. Nothing is assumed: what is not given is 0.

  currency = "EUR"
  parts = 40000      # made in a year
  hour = 60          # an hour of the person who checks
  part = 9.5         # a scrapped part
  recut = 2          # a part cut again
  [go_no_go]
  sizes = 6          # that need gauges of their own
  gauges = 2         # a size, spare ones included
  price = 140        # of one
  life = 8000        # checks until it is worn, or years = …
  calibration = 38   # of one
  months = 6         # between two calibrations
  share = 20         # of the parts that are checked, %
  minutes = 0.9      # for one check
  scrapped = 0.9     # of the parts, %
  again = 2.5        # of the parts, %
  [measuring]
  years = 8          # the same keys, and:
  standards = 6      # setting rings, of all sizes
  standard = 210     # price of one
  settings = 500     # a year
  setting = 2        # minutes for one`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if from == "" {
				return errors.New("name a file of figures by --from FILE, or - for standard input")
			}
			r, err := input(cmd, from)
			if err != nil {
				return err
			}
			defer r.Close() //nolint:errcheck // only read from
			figures, err := readCosts(r)
			if err != nil {
				return fmt.Errorf("%s: %w", from, err)
			}
			d, err := report.Cost(figures, []report.Fact{{Name: "figures", Value: from}})
			if err != nil {
				return err
			}
			return o.write(cmd, d)
		},
	}
	c.Flags().StringVar(&from, "from", "", "the shop's figures, - for standard input")
	return c
}

// readCosts reads figures; a key that is not known is refused, as it may be a
// figure that would be missing.
func readCosts(r io.Reader) (*report.Costs, error) {
	text, err := io.ReadAll(io.LimitReader(r, mostFigures+1))
	if err != nil {
		return nil, err
	}
	if len(text) > mostFigures {
		return nil, fmt.Errorf("more than %d bytes are no file of figures", mostFigures)
	}
	var c report.Costs
	meta, err := toml.Decode(string(text), &c)
	if err != nil {
		return nil, err
	}
	var wrong []error
	for _, key := range meta.Undecoded() {
		wrong = append(wrong, fmt.Errorf("%s is not known, see report cost --help", key))
	}
	return &c, errors.Join(wrong...)
}
