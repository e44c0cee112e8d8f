package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/app"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/web"
)

func reloadCommand() *cobra.Command {
	var path string
	c := &cobra.Command{
		Use: "reload", Short: "let the running daemon take its configuration anew", Args: cobra.NoArgs,
		Long: `reload checks the configuration and then tells the daemon that runs under it to take
it, as SIGHUP does. Where anything is wrong with it, or a machine or a loop that
runs is missing from it, all stays as it was. Otherwise every connection is made anew,
which takes about as long as a start: a part that is cut meanwhile steers nothing.
Holds and budgets stay; whoever is signed in on the page signs in again.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, digest, err := loadConfig(path)
			if err != nil {
				return answerNo{err}
			}
			if err := app.CheckFiles(cfg); err != nil {
				return answerNo{err}
			}
			return reload(cmd.Context(), cfg, digest, func(format string, args ...any) {
				fmt.Fprintf(cmd.OutOrStdout(), format+"\n", args...) //nolint:errcheck // only told
			})
		},
	}
	configFlag(c, &path)
	return c
}

// reloadWithin is how long a daemon may take to run under another configuration.
const reloadWithin = 30 * time.Second

// reload signals the daemon and waits until it recorded the configuration.
func reload(ctx context.Context, cfg *config.Config, digest string, say func(string, ...any)) error {
	cl := web.NewClient(cfg.Socket.Path)
	var st web.Status
	if err := cl.Get(ctx, "/v1/status", nil, &st); err != nil {
		return refused(err)
	}
	running := map[string][]string{}
	for _, m := range st.Machines {
		running[m.Machine] = []string{}
		for _, l := range m.Loops {
			running[m.Machine] = append(running[m.Machine], l.Name)
		}
	}
	if err := missing(running, cfg); err != nil {
		return answerNo{err}
	}
	pid, err := journal.Holder(cfg.Journal.Directory)
	if err != nil {
		return err
	}
	before, err := begun(ctx, cl)
	if err != nil {
		return err
	}
	if err := tellReload(pid); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, reloadWithin)
	defer cancel()
	var was beginning
	for same := 0; ctx.Err() == nil; {
		time.Sleep(100 * time.Millisecond)
		now, err := begun(ctx, cl)
		if err != nil || now.start == before.start || now != was { // while it begins anew it does not answer, or not for long
			same, was = 0, now
			continue
		}
		if same++; same < 5 {
			continue
		}
		if now.digest != digest {
			return answerNo{errors.New("the daemon took its old configuration back, its log says why the new one does not run")}
		}
		say("%d machines and %d loops run under it now", len(cfg.Machines), len(cfg.Loops))
		return nil
	}
	return answerNo{fmt.Errorf("the daemon did not take the configuration within %v, its log says why", reloadWithin)}
}

// beginning is the newest start on record, and the configuration in force.
type beginning struct{ start, digest string }

func begun(ctx context.Context, cl *web.Client) (b beginning, err error) {
	newest := func(kind string) (e web.Entry, err error) {
		var h web.HistoryView
		err = cl.Get(ctx, "/v1/history", url.Values{"kinds": {kind}, "limit": {"1"}}, &h)
		if err == nil && len(h.Events) > 0 {
			e = h.Events[0]
		}
		return e, err
	}
	start, err := newest(core.Begun{}.Kind())
	if err != nil {
		return b, err
	}
	configured, err := newest(core.Loaded{}.Kind())
	if err != nil || configured.Seq == 0 {
		return b, err
	}
	var e core.Loaded
	err = json.Unmarshal(configured.Event, &e)
	return beginning{fmt.Sprintf("%s %d", start.Stream, start.Seq), e.Digest}, err
}

// missing says which machine or loop that runs a configuration no longer has. A file
// that is only half written looks like that; to take one away, start anew.
func missing(running map[string][]string, c *config.Config) error {
	for _, name := range slices.Sorted(maps.Keys(running)) {
		if c.Machine(name) == nil {
			return fmt.Errorf("machine %q runs and is not in the configuration: a reload takes nothing away, stop and start the daemon for that", name)
		}
		s := c.Settings(name)
		for _, loop := range running[name] {
			if !slices.ContainsFunc(s.Loops, func(l core.Loop) bool { return l.Name == loop }) {
				return fmt.Errorf("loop %q of %s runs and is not in the configuration: a reload takes nothing away, stop and start the daemon for that", loop, name)
			}
		}
	}
	return nil
}

// still is how long a file has to stay as it is before it is believed.
const still = 300 * time.Millisecond

// reread takes the configuration of a running daemon anew, or says why it stays as it
// was.
func reread(path string, old *config.Config) (*config.Config, string, error) {
	files, err := config.ReadFiles(path)
	if err != nil {
		return nil, "", err
	}
	time.Sleep(still)
	if now, err := config.ReadFiles(path); err != nil || config.Digest(now) != config.Digest(files) {
		return nil, "", errors.Join(fmt.Errorf("%s is being written, reload once it is finished", path), err)
	}
	c, err := config.ParseFiles(files)
	if err != nil {
		return nil, "", err
	}
	if err := app.CheckFiles(c); err != nil {
		return nil, "", err
	}
	running := map[string][]string{}
	for _, m := range old.Machines {
		running[m.Name] = nil
	}
	for _, l := range old.Loops {
		running[l.Machine] = append(running[l.Machine], l.Name)
	}
	if err := missing(running, c); err != nil {
		return nil, "", err
	}
	if c.Journal.Directory != old.Journal.Directory || c.Socket.Path != old.Socket.Path {
		return nil, "", errors.New("journal.directory or socket.path is another one: stop and start the daemon for that")
	}
	return c, config.Digest(files), nil
}
