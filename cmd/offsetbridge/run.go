package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"offsetbridge/config"
	"offsetbridge/internal/app"
)

func runCommand() *cobra.Command {
	var path string
	var jsonLog bool
	c := &cobra.Command{
		Use: "run", Short: "run the daemon", Args: cobra.NoArgs,
		Long: `run connects to the broker and the machines of the configuration and works until
it is told to stop (SIGINT, SIGTERM). SIGUSR1 puts everything on hold, and so
does a file named "hold" beside the journal. SIGUSR2, and SIGHUP where it runs without
a terminal, lets it take its configuration anew, as "offsetbridge reload" does.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return daemon(cmd.Context(), path, newLog(jsonLog))
		},
	}
	configFlag(c, &path)
	c.Flags().BoolVar(&jsonLog, "json", false, "write the log as JSON lines")
	return c
}

func configFlag(c *cobra.Command, path *string) {
	c.Flags().StringVarP(path, "config", "c", "cell.toml", "configuration file")
	c.MarkFlagFilename("config", "toml") //nolint:errcheck // the flag exists
}

// newLog returns the program's log on standard error.
func newLog(json bool) *zap.Logger {
	e := zap.NewProductionEncoderConfig()
	e.EncodeTime = zapcore.ISO8601TimeEncoder
	e.ConsoleSeparator = "  "
	e.EncodeDuration = zapcore.StringDurationEncoder
	encoder := zapcore.NewConsoleEncoder(e)
	if json {
		encoder = zapcore.NewJSONEncoder(e)
	}
	return zap.New(zapcore.NewCore(encoder, zapcore.Lock(os.Stderr), zap.InfoLevel))
}

// loadConfig reads a configuration and checks the files it names.
func loadConfig(path string) (*config.Config, string, error) {
	files, err := config.ReadFiles(path)
	if err != nil {
		return nil, "", err
	}
	c, err := config.ParseFiles(files)
	return c, config.Digest(files), err
}

// again is how long the daemon waits before it opens a failed journal anew.
const again = 3 * time.Second

// daemon runs the program until it is told to stop. When the journal fails,
// nothing is written to any machine; the program is put together anew from the
// file, so that a disk that has room again needs no hand.
func daemon(ctx context.Context, path string, log *zap.Logger) error {
	c, digest, err := loadConfig(path)
	if err != nil {
		return err
	}
	if err := app.CheckFiles(c); err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM)
	defer stop()
	hold := make(chan os.Signal, 1) // also between two tries: the next one begins with it
	onHoldSignal(hold)
	defer signal.Stop(hold)
	supervisor, err := app.FindSupervisor(os.Getenv, os.Getpid())
	if err != nil {
		return err
	}
	context.AfterFunc(ctx, func() { supervisor.Tell("STOPPING=1") }) //nolint:errcheck // it stops either way
	reload := make(chan os.Signal, 1)
	onReloadSignal(reload)
	defer signal.Stop(reload)
	var before *app.Options // what ran until a reload, while the new one has not run yet
	options := app.Options{Config: c, Digest: digest, Version: programVersion(), Log: log, Supervisor: supervisor}
	for first := true; ; first = false {
		next, err := once(ctx, options, path, hold, reload)
		old := before
		before = nil
		switch {
		case ctx.Err() != nil:
			log.Info("stopped")
			return nil
		case next != nil:
			ran := options
			before, options = &ran, *next
			continue
		case old != nil && errors.As(err, new(notBegun)):
			log.Error("the new configuration does not run, the old one is taken back", zap.Error(err))
			options = *old
			continue
		case err != nil && first && !errors.Is(err, app.ErrJournal):
			return err
		}
		log.Error("nothing is written to any machine; trying again", zap.Error(err), zap.Duration("in", again))
		if err := supervisor.Tell("WATCHDOG=1", "STATUS=nothing is written to any machine: "+err.Error()); err != nil {
			log.Warn(err.Error())
		}
		select {
		case <-ctx.Done():
		case <-time.After(again):
		}
	}
}

// notBegun is why the program could not be put together.
type notBegun struct{ error }

func (e notBegun) Unwrap() error { return e.error }

// once runs the program until it ends, or until another configuration is to be run.
func once(ctx context.Context, o app.Options, path string, hold, reload <-chan os.Signal) (*app.Options, error) {
	a, err := app.New(ctx, o)
	if err != nil {
		return nil, notBegun{err}
	}
	defer a.Close()
	o.Log.Info("running", zap.String("version", o.Version), zap.Int("machines", len(o.Config.Machines)),
		zap.Int("loops", len(o.Config.Loops)), zap.String("socket", o.Config.Socket.Path))
	if code := a.FirstCode(); code != "" {
		fmt.Fprintf(os.Stderr, "\nNobody is known yet. Open %s and type this code there, within 30 minutes: %s\n\n", a.PageURL(), code)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var next *app.Options
	var listening sync.WaitGroup
	listening.Go(func() {
		for {
			select {
			case <-hold:
				a.HoldBySignal(ctx)
			case <-reload:
				c, digest, err := reread(path, o.Config)
				if err != nil {
					o.Log.Error("the configuration stays as it was", zap.Error(err))
					continue
				}
				o.Log.Info("another configuration is taken: every connection is made anew", zap.String("digest", digest))
				o.Supervisor.Tell("RELOADING=1") //nolint:errcheck // it reloads either way
				o.Config, o.Digest = c, digest
				next = &o
				cancel()
				return
			case <-ctx.Done():
				return
			}
		}
	})
	err = a.Run(ctx)
	cancel()
	listening.Wait()
	return next, err
}
