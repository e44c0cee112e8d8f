package main

import (
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/comparison"
	"offsetbridge/internal/report"
)

// compareAsked is what was asked of report compare.
type compareAsked struct {
	from, column, group, unit string
	confidence                float64
	parts                     partsAsked
}

func reportCompare(o *reportOut) *cobra.Command {
	a := &compareAsked{}
	c := &cobra.Command{
		Use: "compare", Short: "do machines, tools, shifts differ, and by how much?", Args: cobra.NoArgs,
		Long: `compare tells whether groups differ in location (Welch) and in spread (Brown and
Forsythe, Bonett), with intervals, corrected for how many looks were taken (Holm).

Of a journal it compares the parts of one characteristic --by machine, tool (its
lives), gauge, shift, before-after (--at MOMENT) or mode (observed, corrected), at the
same ages of their tools, by what came out (--value aim) or by what nobody could
expect (--value forecast), which is the scatter of machine and gauge themselves.

A table needs a header line, a column of sizes, and one that names the group of each.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := a.check(); err != nil {
				return err
			}
			d, err := a.document(cmd)
			if err != nil {
				return err
			}
			return o.write(cmd, d)
		},
	}
	a.parts.flags(c)
	f := c.Flags()
	f.StringVar(&a.from, "from", "", "a table with a header line, - for standard input, instead of a journal")
	f.StringVar(&a.column, "column", "size", "its column of sizes")
	f.StringVar(&a.group, "group", "machine", "its column that names the group")
	f.StringVar(&a.unit, "unit", "mm", "of the column and of the answer")
	f.Float64Var(&a.confidence, "confidence", capability.Confidence, "of all intervals together")
	return c
}

func (a *compareAsked) check() error {
	if !(a.confidence > 0.5 && a.confidence < 1) {
		return fmt.Errorf("--confidence %g is none, give a share between 0.5 and 1, as 0.95", a.confidence)
	}
	return nil
}

func (a *compareAsked) document(cmd *cobra.Command) (*report.Document, error) {
	if a.from == "" {
		return a.parts.document(cmd, a.unit, a.confidence)
	}
	r, err := input(cmd, a.from)
	if err != nil {
		return nil, err
	}
	defer r.Close() //nolint:errcheck // only read from
	return a.table(r)
}

// mostReadings bounds a table that is kept whole.
const mostReadings = 5_000_000

// table compares the groups of a table.
func (a *compareAsked) table(r io.Reader) (*report.Document, error) {
	t, err := report.NewColumns(r)
	if err != nil {
		return nil, err
	}
	column, err := t.Find(a.column)
	if err != nil {
		return nil, err
	}
	by, err := t.Find(a.group)
	if err != nil {
		return nil, err
	}
	var groups []comparison.Group
	kept, missing := 0, 0
	for {
		more, err := t.Next()
		if err != nil {
			return nil, err
		}
		if !more {
			break
		}
		v, ok, err := t.Float(column)
		name := t.Text(by)
		switch {
		case err != nil:
			return nil, err
		case !ok || name == "":
			missing++
			continue
		case kept == mostReadings:
			return nil, fmt.Errorf("the table has more than %d readings, compare a part of it", mostReadings)
		}
		i := slices.IndexFunc(groups, func(g comparison.Group) bool { return g.Name == name })
		if i < 0 {
			if len(groups) == comparison.MostGroups {
				return nil, fmt.Errorf("column %q names more than %d groups, is it the right one?", a.group, comparison.MostGroups)
			}
			i = len(groups)
			groups = append(groups, comparison.Group{Name: name})
		}
		groups[i].Values = append(groups[i].Values, v)
		kept++
	}
	s := &report.Compared{
		Name: a.column, By: a.group, Unit: a.unit, Basis: tableBasis(a.from, "columns "+a.column+" and "+a.group, missing),
		Notes: []string{"Whether the samples are fair (the same feature, the same tool age, the same gauge) the table does not say."},
	}
	return report.Compare(s, groups, a.confidence)
}

// tableBasis says which table a report is of.
func tableBasis(from, columns string, missing int) []report.Fact {
	if from == "-" {
		from = "standard input"
	}
	out := []report.Fact{{Name: "table", Value: from + ", " + columns}}
	if missing > 0 {
		out = append(out, report.Fact{Name: "lines without a reading", Value: fmt.Sprint(missing)})
	}
	return out
}
