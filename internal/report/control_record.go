package report

import (
	"fmt"

	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// RecordCharted says which parts of a record are charted, and how.
type RecordCharted struct {
	Series series.Options
	What   What // forecast errors, or sizes from their aim
	Unit   length.Unit
	Size   int // of subgroups; 1: single parts
	Chart  ChartOptions
}

// whyForecasts says why the sizes of a corrected process are not charted.
const whyForecasts = "The sizes of a corrected process are not charted: the loop moves them, so limits drawn from neighbours would show its work, and a change that it has made good would not be seen. What each part differs by from the size that was expected of it, corrections included, is chance alone as long as nothing changes, so it is charted. The loop learns: a lasting change of the process shows here for some parts only, and its size as far as the loop had not yet followed."

// whySizes says what becomes of a chart of corrected sizes.
const whySizes = "the loop corrected between these parts: its corrections are in the sizes and in their limits, and what it made good does not show; chart the forecast errors instead"

// ChartOfRecord charts the parts of one characteristic as the journal holds them.
// Subgroups end where the tool or the settings change.
func ChartOfRecord(j series.Source, o RecordCharted) (*Document, error) {
	c := &Charted{Size: max(1, o.Size)}
	if o.What != FromAim && o.What != Forecast {
		return nil, fmt.Errorf("%w: value %q is not known, use %s or %s", ErrAsked, o.What, FromAim, Forecast)
	}
	var last series.Part
	some, moved, breaks, left := false, false, true, 0
	b, err := series.Read(j, o.Series, func(p *series.Part) {
		breaks = breaks || p.Life != last.Life || p.Config != last.Config
		moved = moved || some && (p.Command != last.Command || !p.Tied)
		some, last = true, *p
		x := (p.Size - p.Aim).Float(o.Unit)
		if o.What == Forecast {
			x = p.Error.Float(o.Unit)
			if !p.Expect { // a break stays until the next one that is charted
				left++
				return
			}
		}
		c.Add(x, p.Name, breaks)
		breaks = false
	})
	if err != nil {
		return nil, err
	}
	c.whole(c.Size)
	what := "what was not expected of "
	if o.What == FromAim {
		what = "the deviation from aim of "
	}
	s := &Subject{Name: what + b.Characteristic + " at " + b.Machine, Unit: o.Unit, Basis: factsOf(b, o.Unit)}
	d := Control(s, c, o.Chart)
	d.Heads = []Head{HeadOf(b.Head)}
	d.Notes = append(notesOf(b), d.Notes...)
	if o.What == Forecast {
		d.Notes = append(d.Notes, whyForecasts)
	} else if moved {
		d.Notes = append(d.Notes, whySizes)
	}
	if left > 0 {
		d.Notes = append(d.Notes, fmt.Sprintf("of %s nothing was expected yet: not charted", count(left, "part")))
	}
	return d, nil
}

// whole drops what a break leaves of a subgroup, so that no subgroup holds parts of two
// tools.
func (c *Charted) whole(size int) {
	if size < 2 || len(c.Breaks) == 0 {
		return
	}
	kept := Charted{Size: c.Size, Left: c.Left}
	named := len(c.Names) == len(c.Values)
	for from := 0; from < len(c.Values); {
		to := from + 1
		for to < len(c.Values) && !c.Breaks[to] {
			to++
		}
		for i := from; i < from+(to-from)/size*size; i++ {
			name := ""
			if named {
				name = c.Names[i]
			}
			kept.Add(c.Values[i], name, i == from)
		}
		from = to
	}
	*c = kept
}
