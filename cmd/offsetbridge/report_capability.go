package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/length"
	"offsetbridge/internal/report"
)

// capabilityAsked is what was asked of report capability.
type capabilityAsked struct {
	from, column, lower, upper, target, unit string
	subgroup, way, method                    string
	confidence                               float64
	corrected, run, parts                    bool
	record                                   recordAsked
}

func reportCapability(o *reportOut) *cobra.Command {
	a := &capabilityAsked{}
	c := &cobra.Command{
		Use: "capability", Short: "Cp, Cpk, Pp, Ppk, Cpm with their intervals", Args: cobra.NoArgs,
		Long: `capability judges sizes against their limits (ISO 22514-2), with confidence intervals.
It tests whether the sizes are normal and says which method it used. Cp and Cpk need a
process that nobody corrects and that does not drift: where it does, they are refused.

Of a journal it takes the last size of every part, judges whole tool lives, and adds
what the corrections were worth and whether the loop's forecasts were good. Machine
performance (Pm, Pmk; ISO 22514-3) needs 30 parts in a row with the loop off.

A table needs a header line. Neighbours form subgroups by a column "subgroup" or
"sample", by another column that you name, or by so many lines at a time; otherwise
the spread within is that of moving ranges.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if a.from == "" {
				d, err := a.ofRecord(cmd)
				if err != nil {
					return err
				}
				return o.write(cmd, d)
			}
			r, err := input(cmd, a.from)
			if err != nil {
				return err
			}
			defer r.Close() //nolint:errcheck // only read from
			d, err := a.table(r)
			if err != nil {
				return err
			}
			return o.write(cmd, d)
		},
	}
	f := c.Flags()
	a.record.flags(c)
	f.StringVar(&a.from, "from", "", "a table with a header line, - for standard input, instead of a journal")
	f.StringVar(&a.column, "column", "size", "its column of sizes")
	f.StringVar(&a.lower, "lower", "", "lower limit of size")
	f.StringVar(&a.upper, "upper", "", "upper limit of size")
	f.StringVar(&a.target, "target", "", "the size aimed at (default: the middle of the limits)")
	f.StringVar(&a.unit, "unit", "mm", "of the column and the limits")
	f.StringVar(&a.subgroup, "subgroup", "", "a column, or so many lines at a time; 1 for individuals")
	f.StringVar(&a.way, "within", "", "how subgroups are judged: range, s or pooled (default: by their size)")
	f.StringVar(&a.method, "method", "", "normal, percentile or johnson (default: what fits)")
	f.Float64Var(&a.confidence, "confidence", capability.Confidence, "of the intervals")
	f.BoolVar(&a.corrected, "corrected", false, "of a table: the process was corrected between the readings")
	f.BoolVar(&a.run, "run", false, "of a table: it is one run in a row, uncorrected, by one tool; also machine performance")
	f.BoolVar(&a.parts, "all-parts", false, "of a journal: also parts of tool lives that are not whole")
	return c
}

// subject reads limits and unit.
func (a *capabilityAsked) subject() (*report.Subject, error) {
	unit, err := length.ParseUnit(a.unit)
	if err != nil {
		return nil, err
	}
	s := &report.Subject{Name: a.column, Unit: unit}
	var problems []error
	get := func(flag, text string) *length.Length {
		l, err := optional(flag, text, unit)
		problems = append(problems, err)
		return l
	}
	s.Lower, s.Upper, s.Target = get("--lower", a.lower), get("--upper", a.upper), get("--target", a.target)
	if a.from != "" && s.Lower == nil && s.Upper == nil {
		problems = append(problems, errors.New("give at least one limit, --lower or --upper"))
	}
	if s.Lower != nil && s.Upper != nil && *s.Lower >= *s.Upper {
		problems = append(problems, fmt.Errorf("the lower limit %s is not below the upper limit %s", s.Lower, s.Upper))
	}
	return s, errors.Join(problems...)
}

func (a *capabilityAsked) options() (o capability.Options, way capability.Way, err error) {
	o.Confidence = a.confidence
	if !(o.Confidence > 0.5 && o.Confidence < 1) {
		err = fmt.Errorf("--confidence %g is none, give a share between 0.5 and 1, as 0.95", a.confidence)
	}
	if a.corrected {
		o.Kind = capability.Corrected
	}
	o.Method = capability.Method(a.method)
	if !slices.Contains([]capability.Method{capability.Auto, capability.Normal, capability.Percentile, capability.Fitted}, o.Method) {
		err = errors.Join(err, fmt.Errorf("--method %q is not known, use normal, percentile or johnson", a.method))
	}
	way, known := map[string]capability.Way{"": "", "range": capability.MeanRange, "s": capability.MeanDeviate, "pooled": capability.PooledWithin}[a.way]
	if !known {
		err = errors.Join(err, fmt.Errorf("--within %q is not known, use range, s or pooled", a.way))
	}
	return o, way, err
}

// ofRecord makes the report of a journal.
func (a *capabilityAsked) ofRecord(cmd *cobra.Command) (*report.Document, error) {
	s, err := a.subject()
	o, _, wrong := a.options()
	if err = errors.Join(err, wrong); err != nil {
		return nil, err
	}
	j, parts, err := a.record.open(cmd.Context())
	if err != nil {
		return nil, err
	}
	defer j.Close() //nolint:errcheck // only read from
	if err := a.record.choose(j, &parts); err != nil {
		return nil, err
	}
	d, err := report.CapabilityOfRecord(j, report.RecordOptions{
		Series: parts, Unit: s.Unit, Parts: a.parts, Lower: s.Lower, Upper: s.Upper, Target: s.Target, Options: o,
	})
	return d, damageIsNo(err)
}

// table makes the report of a table.
func (a *capabilityAsked) table(r io.Reader) (*report.Document, error) {
	s, err := a.subject()
	o, way, wrong := a.options()
	if err = errors.Join(err, wrong); err != nil {
		return nil, err
	}
	t, err := report.NewColumns(r)
	if err != nil {
		return nil, err
	}
	column, err := t.Find(a.column)
	if err != nil {
		return nil, err
	}
	size, group, err := a.groups(t)
	if err != nil {
		return nil, err
	}
	sample := report.Collect(size, way)
	missing, last := 0, ""
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
		if group >= 0 {
			if g := t.Text(group); g != last {
				sample.Sample.Ranges.End()
				last = g
			}
		}
		sample.Add(v)
	}
	if group >= 0 {
		sample.Sample.Ranges.End()
	}
	s.Basis = a.basis(s, missing)
	return report.Capability(s, sample, o, a.run), nil
}

// groups finds how neighbours form subgroups: a size, or a column (−1: none).
func (a *capabilityAsked) groups(t *report.Columns) (size, column int, err error) {
	if n, err := strconv.Atoi(a.subgroup); err == nil {
		if n < 1 || n > 1000 {
			return 0, -1, fmt.Errorf("--subgroup %d is no size, use 1 to 1000", n)
		}
		return n, -1, nil
	}
	if a.subgroup != "" {
		column, err = t.Find(a.subgroup)
		return 0, column, err
	}
	for _, name := range []string{"subgroup", "sample"} {
		if column, err := t.Find(name); err == nil {
			return 0, column, nil
		}
	}
	return 1, -1, nil
}

func (a *capabilityAsked) basis(s *report.Subject, missing int) []report.Fact {
	from := a.from
	if from == "-" {
		from = "standard input"
	}
	out := []report.Fact{{Name: "table", Value: from + ", column " + a.column}}
	limit := func(name string, l *length.Length) {
		if l != nil {
			out = append(out, report.Fact{Name: name, Value: l.In(s.Unit) + " " + string(s.Unit)})
		}
	}
	limit("lower limit", s.Lower)
	limit("upper limit", s.Upper)
	limit("target", s.Target)
	if missing > 0 {
		out = append(out, report.Fact{Name: "lines without a size", Value: fmt.Sprint(missing)})
	}
	return out
}
