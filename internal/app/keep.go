package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
)

// verify reads the whole journal back in the background. Nothing is written
// automatically until it is done, and nothing at all where it is damaged.
func (a *App) verify(ctx context.Context) {
	err := errors.Join(a.journal.Damage()...) // found while opening: no need to wait
	if err == nil {
		err = a.journal.Verify(ctx, "", 0)
	}
	if ctx.Err() != nil {
		return
	}
	v := core.Verified{OK: err == nil}
	if err != nil {
		v.Text = err.Error()
		a.log.Error("the journal is damaged, nothing is written automatically", zap.Error(err))
	}
	a.verified.Store(err == nil)
	for _, u := range a.machines {
		u.runner.Submit(v, nil) //nolint:errcheck // stopping
	}
}

// housekeeping looks at the disk every minute and removes what may go.
func (a *App) housekeeping(ctx context.Context) {
	t := time.NewTicker(time.Minute)
	defer t.Stop()
	low := false
	for {
		_, fraction := a.journal.Free()
		a.free.Store(uint64(max(0, fraction) * 10_000))
		was := low
		if low = fraction < lowDisk; low && !was {
			a.log.Warn("the journal's disk is nearly full, make room: nothing is written once it is full",
				zap.String("free", fmt.Sprintf("%.0f %%", 100*fraction)))
		}
		if gone, err := a.journal.Retain(ctx); err != nil && ctx.Err() == nil {
			a.log.Warn("old parts of the journal were not removed", zap.Error(err))
		} else if len(gone) > 0 {
			a.log.Info("old parts of the journal were removed, as configured", zap.Int("segments", len(gone)))
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// reserve is kept free for the record of a full disk: when it had to be given up,
// nothing is written to any machine, but what happens is still recorded.
const reserve = 16 << 20

// watchReserve says when the reserve is gone, and ends the program's run once
// there is room to make it anew.
func (a *App) watchReserve(ctx context.Context, failed chan<- error) {
	t := time.NewTicker(500 * time.Millisecond)
	defer t.Stop()
	said := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		if !a.journal.Spent() {
			continue
		}
		if !said {
			said = true
			a.log.Error("the journal's disk is full: nothing is written to any machine until there is room again")
		}
		if free, _ := a.journal.Free(); free > 4*reserve {
			failed <- errRoom
			return
		}
	}
}

var errRoom = errors.New("the disk was full and has room again")

// lowDisk is the free fraction of the disk below which it is said.
const lowDisk = 0.20

func (a *App) holdFile() string { return filepath.Join(a.o.Config.Journal.Directory, HoldFile) }

// watchHoldFile puts everything on hold when the file appears. Removing it
// resumes nothing: a person does that.
func (a *App) watchHoldFile(ctx context.Context, file string) {
	t := time.NewTicker(250 * time.Millisecond)
	defer t.Stop()
	for {
		if _, err := os.Stat(file); err == nil && !a.stopped.Load() {
			who := core.Person{Principal: "hold file", Role: core.Operator, Auth: "file"}
			if err := a.HoldAll(ctx, core.Hold{Note: "the file " + HoldFile + " exists", Who: who}); err != nil {
				a.log.Error("hold-all is not recorded yet, but nothing is written", zap.Error(err))
			}
		} else if err != nil && !errors.Is(err, os.ErrNotExist) && ctx.Err() == nil {
			a.log.Warn("the hold file cannot be looked for", zap.Error(err))
		}
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
	}
}

// HoldBySignal puts everything on hold: the process was told to.
func (a *App) HoldBySignal(ctx context.Context) {
	who := core.Person{Principal: "signal", Role: core.Operator, Auth: "signal"}
	if err := a.HoldAll(ctx, core.Hold{Note: "signal to the process", Who: who}); err != nil {
		a.log.Error("hold-all is not recorded yet, but nothing is written", zap.Error(err))
	}
}
