package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/report"
)

// chartAsked is what was asked of report chart.
type chartAsked struct {
	from, column, unit, kind, rules, value, target, sigma string
	size                                                  int
	lambda, limit, k, h                                   float64
	fast                                                  bool
	record                                                recordAsked
}

func reportChart(o *reportOut) *cobra.Command {
	a := &chartAsked{}
	c := &cobra.Command{
		Use: "chart", Short: "did the process change, when, and by how much?", Args: cobra.NoArgs,
		Long: `chart draws a control chart: individuals (with moving ranges), mean-range, mean-s,
ewma or cusum. It says how likely its signals are by chance, where a change began and
how large it is, what the chart's alarms cost, and what it may overlook.

Of a journal it charts what each part differs by from the size that was expected of it:
the sizes of a corrected process would show the loop's work, not the process. With
--value aim it charts the sizes from their aim, for a loop that only observes.

A table needs a header line and a column of sizes in the order in which they came.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			d, err := a.document(cmd)
			if err != nil {
				return err
			}
			return o.write(cmd, d)
		},
	}
	a.record.flags(c)
	f := c.Flags()
	f.StringVar(&a.from, "from", "", "a table with a header line, - for standard input, instead of a journal")
	f.StringVar(&a.column, "column", "size", "its column of sizes")
	f.StringVar(&a.unit, "unit", "mm", "of the column and of the answer")
	f.StringVar(&a.kind, "kind", string(report.IndividualsChart), "individuals, mean-range, mean-s, ewma or cusum")
	f.IntVar(&a.size, "subgroup", 5, "so many in a row form a subgroup of mean-range and mean-s")
	f.StringVar(&a.value, "value", string(report.Forecast), "of a journal: forecast (from what was expected) or aim")
	f.StringVar(&a.rules, "rules", "1,4", "of individuals and means: 1 one beyond 3σ, 2 two of three beyond 2σ, 3 four of five beyond 1σ, 4 eight on one side")
	f.Float64Var(&a.lambda, "lambda", 0.1, "of ewma: weight of the newest")
	f.Float64Var(&a.limit, "limit", 2.814, "of ewma: limits in standard deviations of the average")
	f.Float64Var(&a.k, "k", 0.5, "of cusum: half of the shift to be found, in standard deviations")
	f.Float64Var(&a.h, "h", 5, "of cusum: the limit, in standard deviations")
	f.BoolVar(&a.fast, "fir", false, "of cusum: fast initial response, begin at half the limit")
	f.StringVar(&a.target, "target", "", "the centre (default: of a journal none off, of a table its mean)")
	f.StringVar(&a.sigma, "sigma", "", "the standard deviation of one, where it is known (default: from neighbours)")
	return c
}

// options reads and checks what was asked.
func (a *chartAsked) options() (o report.ChartOptions, err error) {
	var wrong []error
	say := func(form string, args ...any) { wrong = append(wrong, fmt.Errorf(form, args...)) }
	o = report.ChartOptions{Kind: report.ChartKind(a.kind), Lambda: a.lambda, L: a.limit, K: a.k, H: a.h, Fast: a.fast, Target: math.NaN()}
	if a.from == "" && a.value == string(report.Forecast) {
		o.Target = 0
	}
	if !slices.Contains(report.ChartKinds, o.Kind) {
		say("--kind %q is not known, use one of %v", a.kind, report.ChartKinds)
	}
	if o.Rules, err = capability.ParseRules(a.rules); err != nil {
		say("--rules: %w", err)
	}
	if !(a.lambda >= 0.01 && a.lambda <= 1) || !(a.limit >= 1 && a.limit <= 6) {
		say("--lambda %g with --limit %g make no chart, use 0.01 to 1 and 1 to 6", a.lambda, a.limit)
	}
	if !(a.k >= 0.05 && a.k <= 3) || !(a.h >= 0.5 && a.h <= 20) {
		say("--k %g with --h %g make no chart, use 0.05 to 3 and 0.5 to 20", a.k, a.h)
	}
	if a.size < 2 || a.size > 25 {
		say("--subgroup %d is no size, use 2 to 25", a.size)
	}
	unit, err := unitOf(a.unit, nil)
	if err != nil {
		return o, errors.Join(append(wrong, err)...)
	}
	for flag, v := range map[string]struct {
		text string
		to   *float64
	}{"--target": {a.target, &o.Target}, "--sigma": {a.sigma, &o.Sigma}} {
		l, err := optional(flag, v.text, unit)
		if err != nil {
			say("%w", err)
		} else if l != nil {
			*v.to = l.Float(unit)
		}
	}
	if o.Sigma < 0 || a.sigma != "" && o.Sigma == 0 {
		say("--sigma %s is no standard deviation", a.sigma)
	}
	return o, errors.Join(wrong...)
}

// subgroup is how many form a point.
func (a *chartAsked) subgroup() int {
	if k := report.ChartKind(a.kind); k == report.MeanRangeChart || k == report.MeanSChart {
		return a.size
	}
	return 1
}

func (a *chartAsked) document(cmd *cobra.Command) (*report.Document, error) {
	o, err := a.options()
	if err != nil {
		return nil, err
	}
	unit, err := unitOf(a.unit, nil)
	if err != nil {
		return nil, err
	}
	if a.from != "" {
		r, err := input(cmd, a.from)
		if err != nil {
			return nil, err
		}
		defer r.Close() //nolint:errcheck // only read from
		return a.table(r, &report.Subject{Name: a.column, Unit: unit}, o)
	}
	j, parts, err := a.record.open(cmd.Context())
	if err != nil {
		return nil, err
	}
	defer j.Close() //nolint:errcheck // only read from
	if err := a.record.choose(j, &parts); err != nil {
		return nil, err
	}
	d, err := report.ChartOfRecord(j, report.RecordCharted{Series: parts, What: report.What(a.value), Unit: unit, Size: a.subgroup(), Chart: o})
	return d, damageIsNo(err)
}

// table charts a column.
func (a *chartAsked) table(r io.Reader, s *report.Subject, o report.ChartOptions) (*report.Document, error) {
	t, err := report.NewColumns(r)
	if err != nil {
		return nil, err
	}
	column, err := t.Find(a.column)
	if err != nil {
		return nil, err
	}
	c, missing := &report.Charted{Size: a.subgroup()}, 0
	for {
		more, err := t.Next()
		if err != nil {
			return nil, err
		}
		if !more {
			break
		}
		v, ok, err := t.Float(column)
		if err != nil {
			return nil, err
		}
		if !ok {
			missing++
			continue
		}
		c.Add(v, "", false)
	}
	s.Basis = tableBasis(a.from, "column "+a.column, missing)
	return report.Control(s, c, o), nil
}
