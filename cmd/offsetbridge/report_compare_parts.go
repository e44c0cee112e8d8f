package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/internal/journal"
	"offsetbridge/internal/report"
	"offsetbridge/internal/series"
)

// partsAsked says which parts of a journal are compared, and how.
type partsAsked struct {
	record                    recordAsked
	characteristics           []string
	by, value, at, zone, from string
	bin                       int
}

func (a *partsAsked) flags(c *cobra.Command) {
	a.record.place(c)
	f := c.Flags()
	f.StringArrayVar(&a.characteristics, "characteristic", nil, "what was measured; more than one compares features")
	f.StringVar(&a.by, "by", string(report.ByMachine), "machine, tool, gauge, shift, before-after or mode")
	f.StringVar(&a.value, "value", string(report.FromAim), "aim (from aim, corrections included) or forecast (from what was expected)")
	f.StringVar(&a.at, "at", "", "the moment of --by before-after, as 2026-03-01T06:00 (UTC)")
	f.StringVar(&a.from, "shifts", "", "when the shifts of --by shift begin, as 06:00,14:00,22:00")
	f.StringVar(&a.zone, "zone", "UTC", "whose clock the shifts go by, as Europe/Paris, or Local")
	f.IntVar(&a.bin, "same-age", report.UsualBin, "parts of tool age that count as the same age; 0 compares all ages")
}

func (a *partsAsked) asked(unit string) (*report.PartsAsked, error) {
	u, err := unitOf(unit, nil)
	out := &report.PartsAsked{By: report.By(a.by), What: report.What(a.value), Bin: a.bin, Unit: u}
	at, wrong := moment("--at", a.at)
	err = errors.Join(err, wrong)
	if a.at != "" {
		out.At = time.UnixMilli(at)
	}
	if a.from != "" {
		for _, s := range strings.Split(a.from, ",") {
			t, wrong := time.Parse("15:04", strings.TrimSpace(s))
			if wrong != nil {
				err = errors.Join(err, fmt.Errorf("--shifts %q is no time of a day, write 06:00,14:00,22:00", s))
				continue
			}
			out.Shifts = append(out.Shifts, time.Duration(t.Hour())*time.Hour+time.Duration(t.Minute())*time.Minute)
		}
	}
	if out.Zone, wrong = time.LoadLocation(a.zone); wrong != nil {
		err = errors.Join(err, fmt.Errorf("--zone %q is not known, write UTC, Local, or a place as Europe/Paris: %w", a.zone, wrong))
	}
	return out, err
}

func (a *partsAsked) document(cmd *cobra.Command, unit string, confidence float64) (*report.Document, error) {
	asked, err := a.asked(unit)
	if err != nil {
		return nil, err
	}
	j, o, err := a.record.open(cmd.Context())
	if err != nil {
		return nil, err
	}
	defer j.Close() //nolint:errcheck // only read from
	if asked.Select, err = a.selected(j, o); err != nil {
		return nil, damageIsNo(err)
	}
	d, err := report.CompareParts(j, asked, confidence)
	return d, damageIsNo(err)
}

// selected finds at which machines the characteristics are measured.
func (a *partsAsked) selected(j *journal.Journal, o series.Options) (out []series.Options, err error) {
	wanted := a.characteristics
	if len(wanted) == 0 {
		if err := a.record.choose(j, &o); err != nil {
			return nil, err
		}
		wanted = []string{o.Characteristic}
	}
	for _, c := range wanted {
		machines, err := series.Find(j, c, o.Known)
		if err != nil {
			return nil, err
		}
		for _, m := range machines {
			if o.Machine == "" || m == o.Machine {
				one := o
				one.Machine, one.Characteristic = m, c
				out = append(out, one)
			}
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s is not measured at %s", strings.Join(wanted, " and "), o.Machine)
	}
	if a.by == string(report.ByMachine) && !slices.ContainsFunc(out, func(s series.Options) bool { return s.Machine != out[0].Machine }) {
		return nil, fmt.Errorf("%s measures that alone: compare --by tool, gauge, shift, before-after or mode, or name a second --characteristic", out[0].Machine)
	}
	return out, nil
}
