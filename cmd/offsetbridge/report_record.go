package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/series"
)

// recordAsked says which part of which journal a report is of.
type recordAsked struct {
	config, dir, machine, characteristic, since, until string
}

func (a *recordAsked) flags(c *cobra.Command) {
	a.place(c)
	c.Flags().StringVar(&a.characteristic, "characteristic", "", "what was measured")
}

// place are the flags that name a journal, a machine and a time.
func (a *recordAsked) place(c *cobra.Command) {
	a.journalFlags(c)
	c.Flags().StringVar(&a.machine, "machine", "", "only this machine")
}

// journalFlags name a journal and a time.
func (a *recordAsked) journalFlags(c *cobra.Command) {
	f := c.Flags()
	f.StringVarP(&a.config, "config", "c", "cell.toml", "configuration that names the journal's folder")
	f.StringVar(&a.dir, "journal", "", "the folder itself, instead of a configuration")
	f.StringVar(&a.since, "since", "", "first moment, as 2026-03-01 or 2026-03-01T06:00 (UTC)")
	f.StringVar(&a.until, "until", "", "first moment that no longer counts")
	c.MarkFlagFilename("config", "toml") //nolint:errcheck // the flag exists
	c.MarkFlagDirname("journal")         //nolint:errcheck // as above
}

// open opens the journal for looking only, and reads the settings that its beginning
// may no longer hold where there is a configuration.
func (a *recordAsked) open(ctx context.Context) (*journal.Journal, series.Options, error) {
	o := series.Options{Machine: a.machine, Characteristic: a.characteristic}
	var err, wrong error
	if o.From, err = moment("--since", a.since); err != nil {
		wrong = err
	}
	if o.To, err = moment("--until", a.until); err != nil {
		wrong = errors.Join(wrong, err)
	}
	dir := a.dir
	if _, missing := os.Stat(a.config); dir == "" || missing == nil {
		cfg, err := config.Load(a.config)
		switch {
		case err == nil:
			o.Known = settingsOf(cfg)
			if dir == "" {
				dir = cfg.Journal.Directory
			}
		case dir == "":
			wrong = errors.Join(wrong, err)
		}
	}
	if wrong != nil {
		return nil, o, wrong
	}
	j, err := openRecord(ctx, dir)
	return j, o, damageIsNo(err)
}

func settingsOf(cfg *config.Config) (out []core.Settings) {
	for i := range cfg.Machines {
		out = append(out, cfg.Settings(cfg.Machines[i].Name))
	}
	return out
}

// choose fills in the characteristic where the record has only one.
func (a *recordAsked) choose(j *journal.Journal, o *series.Options) error {
	if o.Characteristic != "" {
		return nil
	}
	var all []string
	for _, m := range series.Machines(j) {
		if o.Machine != "" && o.Machine != m {
			continue
		}
		names, err := series.Characteristics(j, m, o.Known)
		if err != nil {
			return damageIsNo(err)
		}
		for _, n := range names {
			all = append(all, fmt.Sprintf("%q", n))
			o.Characteristic = n
		}
	}
	if len(all) != 1 {
		return fmt.Errorf("name what was measured by --characteristic, one of %s", strings.Join(all, ", "))
	}
	return nil
}
