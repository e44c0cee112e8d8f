package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/gaugestudy"
	"offsetbridge/internal/length"
	"offsetbridge/internal/report"
)

// gaugeAsked is what was asked of report gauge.
type gaugeAsked struct {
	from, column, part, operator, reference string
	standard, tolerance, unit, head, pool   string
	share, span, confidence                 float64
	gauge                                   string
	record                                  recordAsked
}

func reportGauge(o *reportOut) *cobra.Command {
	a := &gaugeAsked{}
	c := &cobra.Command{
		Use: "gauge", Short: "how much of a reading is the gauge?", Args: cobra.NoArgs,
		Long: `gauge analyses a gauge study. Of a journal it takes the settings and ring checks of
--gauge NAME (how steady it is) and the parts that it measured more than once (how it
repeats): to collect a study, simply measure. Of a table it finds by the columns which one:

  part, operator, trial, value   operators and parts, by analysis of variance
  reference, value               linearity and bias over a range of known sizes
  value, with --standard SIZE    bias and repeatability on one standard (Cg, Cgk)

It says what a study with that head cannot show.`,
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
	a.flags(c)
	return c
}

func (a *gaugeAsked) document(cmd *cobra.Command) (*report.Document, error) {
	if a.from == "" {
		return a.ofRecord(cmd)
	}
	r, err := input(cmd, a.from)
	if err != nil {
		return nil, err
	}
	defer r.Close() //nolint:errcheck // only read from
	return a.table(r)
}

// ofRecord judges a gauge by the journal.
func (a *gaugeAsked) ofRecord(cmd *cobra.Command) (*report.Document, error) {
	unit, err := unitOf(a.unit, nil)
	if err != nil {
		return nil, err
	}
	j, o, err := a.record.open(cmd.Context())
	if err != nil {
		return nil, err
	}
	defer j.Close() //nolint:errcheck // only read from
	d, err := report.GaugeOfRecord(j, report.GaugeAsked{
		Gauge: a.gauge, From: o.From, To: o.To, Known: o.Known, Unit: unit, Head: gaugestudy.Head(a.head), Confidence: a.confidence,
	})
	return d, damageIsNo(err)
}

func (a *gaugeAsked) flags(c *cobra.Command) {
	a.record.journalFlags(c)
	f := c.Flags()
	f.StringVar(&a.gauge, "gauge", "", "of a journal: the gauge")
	f.StringVar(&a.from, "from", "", "a table with a header line, - for standard input, instead of a journal")
	f.StringVar(&a.column, "column", "value", "its column of readings")
	f.StringVar(&a.part, "part", "part", "its column of parts")
	f.StringVar(&a.operator, "operator", "operator", "its column of operators")
	f.StringVar(&a.reference, "reference", "reference", "its column of known sizes")
	f.StringVar(&a.standard, "standard", "", "certified size of the standard that was read")
	f.StringVar(&a.tolerance, "tolerance", "", "full width of the tolerance that the gauge is used for")
	f.StringVar(&a.unit, "unit", "mm", "of the readings")
	f.StringVar(&a.head, "head", "", "three-point or two-point: what it cannot see is said")
	f.StringVar(&a.pool, "pool", string(gaugestudy.PoolAuto), fmt.Sprintf("the interaction into repeatability: auto (where its p is above %g), always, never", gaugestudy.PoolAbove))
	f.Float64Var(&a.share, "share", gaugestudy.Share, "of the tolerance, in Cg and Cgk")
	f.Float64Var(&a.span, "span", gaugestudy.Span, "in standard deviations, in Cg and Cgk")
	f.Float64Var(&a.confidence, "confidence", capability.Confidence, "of the intervals")
}

func (a *gaugeAsked) check() error {
	var wrong []error
	say := func(form string, args ...any) { wrong = append(wrong, fmt.Errorf(form, args...)) }
	if a.from == "" && a.gauge == "" {
		say("name a gauge of the journal by --gauge, or a table by --from FILE, - for standard input")
	}
	if !(a.confidence > 0.5 && a.confidence < 1) {
		say("--confidence %g is none, give a share between 0.5 and 1, as 0.95", a.confidence)
	}
	switch gaugestudy.Pooling(a.pool) {
	case gaugestudy.PoolAuto, gaugestudy.PoolAlways, gaugestudy.PoolNever:
	default:
		say("--pool %q is not known, use auto, always or never", a.pool)
	}
	switch gaugestudy.Head(a.head) {
	case gaugestudy.ThreePoint, gaugestudy.TwoPoint, gaugestudy.Other:
	default:
		say("--head %q is not known, use three-point or two-point, or leave it out", a.head)
	}
	if !(a.share > 0 && a.share <= 1) || !(a.span > 0 && a.span <= 12) {
		say("--share %g and --span %g make no index, 0.2 and 6 are usual", a.share, a.span)
	}
	return errors.Join(wrong...)
}

// size reads an optional size of the command line in the unit of the readings.
func (a *gaugeAsked) size(flag, text string) (float64, error) {
	unit, err := length.ParseUnit(a.unit)
	if err != nil {
		return 0, err
	}
	l, err := optional(flag, text, unit)
	if err != nil || l == nil {
		return 0, err
	}
	return l.Float(unit), nil
}

// studyRow is a line of a study's table.
type studyRow struct {
	part, operator   string
	reference, value float64
}

// rows reads the columns that there are.
func (a *gaugeAsked) rows(r io.Reader) (rows []studyRow, crossed, ranged bool, missing int, err error) {
	t, err := report.NewColumns(r)
	if err != nil {
		return nil, false, false, 0, err
	}
	value, err := t.Find(a.column)
	if err != nil {
		return nil, false, false, 0, err
	}
	find := func(name string) int {
		at, err := t.Find(name)
		if err != nil {
			return -1
		}
		return at
	}
	part, operator, reference := find(a.part), find(a.operator), find(a.reference)
	crossed, ranged = part >= 0 && a.standard == "", reference >= 0 && a.standard == ""
	for {
		more, err := t.Next()
		if err != nil || !more {
			return rows, crossed, ranged, missing, err
		}
		var row studyRow
		ok, known := false, true
		if row.value, ok, err = t.Float(value); err != nil {
			return nil, false, false, 0, err
		}
		if ranged {
			if row.reference, known, err = t.Float(reference); err != nil {
				return nil, false, false, 0, err
			}
		}
		if !ok || !known {
			missing++
			continue
		}
		if len(rows) == mostStudy {
			return nil, false, false, 0, fmt.Errorf("the table has more than %d readings, which is no study", mostStudy)
		}
		if part >= 0 {
			row.part = t.Text(part)
		}
		if operator >= 0 {
			row.operator = t.Text(operator)
		}
		rows = append(rows, row)
	}
}

// mostStudy bounds the readings of a study.
const mostStudy = 200_000

// table analyses the study in a table.
func (a *gaugeAsked) table(r io.Reader) (*report.Document, error) {
	standard, err := a.size("--standard", a.standard)
	tolerance, wrong := a.size("--tolerance", a.tolerance)
	if err = errors.Join(err, wrong); err != nil {
		return nil, err
	}
	rows, crossed, ranged, missing, err := a.rows(r)
	if err != nil {
		return nil, err
	}
	s := &report.Studied{Name: a.column, Unit: a.unit, Head: gaugestudy.Head(a.head), Basis: tableBasis(a.from, "column "+a.column, missing)}
	switch {
	case ranged:
		var known []gaugestudy.AtReference
		for _, row := range rows {
			known = append(known, gaugestudy.AtReference{Reference: row.reference, Value: row.value})
		}
		return report.Linearity(s, known, a.confidence)
	case crossed:
		var readings []gaugestudy.Reading
		for _, row := range rows {
			readings = append(readings, gaugestudy.Reading{Part: row.part, Operator: row.operator, Value: row.value})
		}
		return report.Crossed(s, readings, gaugestudy.Options{Pool: gaugestudy.Pooling(a.pool), Tolerance: tolerance, Confidence: a.confidence})
	case a.standard != "":
		var x []float64
		for _, row := range rows {
			x = append(x, row.value)
		}
		s.Basis = append(s.Basis, report.Fact{Name: "standard", Value: a.standard + " " + a.unit})
		return report.OnStandard(s, x, standard, tolerance, a.share, a.span, a.confidence)
	}
	return nil, fmt.Errorf("the table has neither parts (%q) nor known sizes (%q): name its columns, or the standard by --standard", a.part, a.reference)
}
