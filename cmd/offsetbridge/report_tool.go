package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"offsetbridge/internal/capability"
	"offsetbridge/internal/report"
)

// toolAsked is what was asked of report tool.
type toolAsked struct {
	from, column, life, age, command, until, unit string
	confidence                                    float64
	record                                        recordAsked
}

func reportTool(o *reportOut) *cobra.Command {
	a := &toolAsked{}
	c := &cobra.Command{
		Use: "tool", Short: "how does a tool wear, and when is its insert spent?", Args: cobra.NoArgs,
		Long: `tool tells the wear of a part, running in, and how inserts differ, and how many parts
the one in use has left, with an interval: until the hard band of its register or the
loop's travel is used up, or until it is changed as those before it were.

A table needs a header line and sizes in the order in which they were cut. A column
that names the insert (--life), the age in parts (--age) and what registers had added
to each size (--command) are used where they are there; --spent-at names the size at which
an insert is spent.`,
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
	f.StringVar(&a.life, "life", "life", "its column that names the insert; without one all lines are of one")
	f.StringVar(&a.age, "age", "age", "its column of parts since the insert was changed; without one lines are counted")
	f.StringVar(&a.command, "command", "command", "its column of what registers had added to the size; without one nothing was corrected")
	f.StringVar(&a.until, "spent-at", "", "of a table: the size at which an insert is spent")
	f.StringVar(&a.unit, "unit", "mm", "of the columns and of the answer")
	f.Float64Var(&a.confidence, "confidence", capability.Confidence, "of the intervals")
	return c
}

func (a *toolAsked) document(cmd *cobra.Command) (*report.Document, error) {
	unit, err := unitOf(a.unit, nil)
	if !(a.confidence > 0.5 && a.confidence < 1) {
		err = errors.Join(err, fmt.Errorf("--confidence %g is none, give a share between 0.5 and 1, as 0.95", a.confidence))
	}
	until, wrong := optional("--spent-at", a.until, unit)
	if err = errors.Join(err, wrong); err != nil {
		return nil, err
	}
	if a.from == "" {
		j, parts, err := a.record.open(cmd.Context())
		if err != nil {
			return nil, err
		}
		defer j.Close() //nolint:errcheck // only read from
		if err := a.record.choose(j, &parts); err != nil {
			return nil, err
		}
		d, err := report.ToolOfRecord(j, report.ToolAsked{Series: parts, Unit: unit, Confidence: a.confidence})
		return d, damageIsNo(err)
	}
	r, err := input(cmd, a.from)
	if err != nil {
		return nil, err
	}
	defer r.Close() //nolint:errcheck // only read from
	s, err := a.table(r)
	if err != nil {
		return nil, err
	}
	if until != nil {
		level := until.Float(unit)
		s.Ends = func(w *capability.Wear) []report.ToolEnd {
			now, _, _ := w.Now()
			left, ok := w.Until(level, level > now)
			if !ok {
				return nil
			}
			return []report.ToolEnd{{What: "the size " + a.until + " " + a.unit + " is reached", Level: level, Left: left}}
		}
	}
	return report.Tool(s, a.confidence), nil
}

// table reads inserts.
func (a *toolAsked) table(r io.Reader) (*report.Tooled, error) {
	t, err := report.NewColumns(r)
	if err != nil {
		return nil, err
	}
	size, err := t.Find(a.column)
	if err != nil {
		return nil, err
	}
	find := func(name string) int {
		if at, err := t.Find(name); err == nil {
			return at
		}
		return -1
	}
	life, age, command := find(a.life), find(a.age), find(a.command)
	s := &report.Tooled{Name: "the tool of " + a.column, Unit: a.unit}
	number, parts, missing, last := 0, 0, 0, ""
	for {
		more, err := t.Next()
		if err != nil {
			return nil, err
		}
		if !more {
			break
		}
		x, ok, err := t.Float(size)
		if err != nil {
			return nil, err
		}
		if name := ""; number == 0 || life >= 0 {
			if life >= 0 {
				name = t.Text(life)
			}
			if number == 0 || name != last {
				number, parts, last = number+1, 0, name
			}
		}
		parts++
		at := float64(parts)
		if age >= 0 {
			var known bool
			if at, known, err = t.Float(age); err != nil {
				return nil, err
			}
			ok = ok && known
		}
		if command >= 0 {
			by, known, err := t.Float(command)
			if err != nil {
				return nil, err
			}
			x, ok = x-by, ok && known
		}
		if !ok {
			missing++
			continue
		}
		s.Inserts.Add(number, int(at), x)
	}
	s.Basis = tableBasis(a.from, "column "+a.column, missing)
	return s, nil
}
