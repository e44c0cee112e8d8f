package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/signal"
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
does a file named "hold" beside the journal.`,
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
	c, err := config.Load(path)
	if err != nil {
		return nil, "", err
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, "", err
	}
	sum := sha256.Sum256(data)
	return c, hex.EncodeToString(sum[:8]), nil
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
	if err := c.CheckFiles(); err != nil {
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
	options := app.Options{Config: c, Digest: digest, Version: programVersion(), Log: log, Supervisor: supervisor}
	for first := true; ; first = false {
		err := once(ctx, options, hold)
		switch {
		case ctx.Err() != nil:
			log.Info("stopped")
			return nil
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

func once(ctx context.Context, o app.Options, hold <-chan os.Signal) error {
	a, err := app.New(ctx, o)
	if err != nil {
		return err
	}
	defer a.Close()
	o.Log.Info("running", zap.String("version", o.Version), zap.Int("machines", len(o.Config.Machines)),
		zap.Int("loops", len(o.Config.Loops)), zap.String("socket", o.Config.Socket.Path))
	if code := a.FirstCode(); code != "" {
		fmt.Fprintf(os.Stderr, "\nNobody is known yet. Open %s and type this code there, within 30 minutes: %s\n\n", a.PageURL(), code)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		for {
			select {
			case <-hold:
				a.HoldBySignal(ctx)
			case <-ctx.Done():
				return
			}
		}
	}()
	return a.Run(ctx)
}
