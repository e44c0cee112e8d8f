package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/app"
	"offsetbridge/simulators/cell"
	"offsetbridge/simulators/gauge"
)

// demo is one run of the bundled cell with a real daemon beside it.
type demo struct {
	parts  int // 0 = until stopped
	fast   bool
	json   bool
	yours  bool
	log    bool
	seed   uint64
	data   string
	page   string
	faults []string
	cycle  time.Duration
	out    io.Writer
	cell   *cell.Cell
	app    *app.App
	view   *witness
	rings  *gauge.Gauge // the ring station
	years  atomic.Int64 // the calendar is ahead
}

func demoCommand() *cobra.Command {
	d := &demo{}
	var write string
	var freePorts bool
	c := &cobra.Command{
		Use: "demo", Short: "a whole simulated cell on this computer", Args: cobra.NoArgs,
		Long: `demo runs broker, gauges, two machines and the daemon in one process, over real
sockets of this computer only, and tells what happens. A hydraulic valve body is
milled on mill-1 (thread M16x1.5-6H, bore 28 H8), its spool is turned on lathe-2.
Everything is invented; nothing leaves this computer.

Faults on demand: --fault NAME@PART, where NAME is one of
  chip         something under the anvil at one reading
  lost-answer  a register write takes effect but its answer is lost
  setting      the bore gauge is knocked; set before a surprising correction,
               it shows 4 µm as found
  ring-due     the due date of the bore gauge's ring passes
  hand-edit    somebody types another register value at the panel
  swap         a tool is changed and nobody reports it
  wrong-sign   the register acts the other way: the loop has to notice and stop
  server       the lathe's server is away for a while
  broker       the broker is away for a while`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			d.out = cmd.OutOrStdout()
			if write != "" {
				return writeCell(d.out, write, freePorts)
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return d.run(ctx)
		},
	}
	f := c.Flags()
	f.IntVar(&d.parts, "parts", 0, "stop after so many parts, over both machines (0: until interrupted)")
	f.BoolVar(&d.fast, "fast", false, "in lock-step, as fast as it can: the next part waits until everything due is decided")
	f.BoolVar(&d.json, "json", false, "print one JSON object at the end instead of telling")
	f.BoolVar(&d.yours, "your-turn", false, "leave every decision to you, in another terminal")
	f.BoolVar(&d.log, "log", false, "also show the daemon's own log")
	f.Uint64Var(&d.seed, "seed", 1, "seed of the simulated process")
	f.StringVar(&d.page, "page", "127.0.0.1:0", "address of the page on this computer, port 0 for a free one")
	f.StringVar(&d.data, "data", "", "keep the journal in this folder (default: a temporary one, removed at the end)")
	f.DurationVar(&d.cycle, "cycle", 1500*time.Millisecond, "time of one part when not --fast")
	f.StringVar(&write, "write", "", "run nothing, but leave this cell in a folder, to edit and to run against simulators")
	f.BoolVar(&freePorts, "free-ports", false, "with --write: take any free ports, not the usual ones")
	f.StringArrayVar(&d.faults, "fault", nil, "a fault on demand, as NAME@PART")
	return c
}

func (d *demo) run(ctx context.Context) error {
	began := time.Now()
	faults, err := parseFaults(d.faults)
	if err != nil {
		return err
	}
	if d.data == "" {
		dir, err := os.MkdirTemp("", "offsetbridge-demo-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir) //nolint:errcheck // a temporary folder
		d.data = dir
	}
	if d.cell, err = cell.Start(ctx, cell.Options{Machines: cell.Valve(), Topic: cell.Topic, Seed: d.seed}); err != nil {
		return fmt.Errorf("the simulated cell does not start: %w", err)
	}
	defer d.cell.Close()
	cfg, err := d.config()
	if err != nil {
		return err
	}
	d.view = newWitness(d)
	log := zap.NewNop() // the story tells what matters
	if d.log {
		log = newLog(false)
	}
	d.app, err = app.New(ctx, app.Options{Config: cfg, Digest: "demo", Version: programVersion(), Log: log, Watch: d.view.released, Wall: d.calendar})
	if err != nil {
		return err
	}
	defer d.app.Close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var running sync.WaitGroup
	running.Go(func() {
		if err := d.app.Run(ctx); err != nil {
			d.view.say("%v", err)
		}
	})
	running.Go(func() { d.view.decide(ctx, d.app) })
	d.greet(cfg, time.Since(began))
	if err := d.openRings(ctx, faults); err != nil {
		return err
	}
	err = d.produce(ctx, faults)
	cancel()
	running.Wait()
	if err != nil {
		return err
	}
	return d.report(time.Since(began))
}

// config is the shipped configuration with the addresses of this run.
func (d *demo) config() (*config.Config, error) {
	c, err := config.Parse("demo.toml", config.Demo)
	if err != nil {
		return nil, err
	}
	c.Journal.Directory = filepath.Join(d.data, "journal")
	c.Page.Listen = d.page
	c.Socket.Path = filepath.Join(d.data, "offsetbridge.sock")
	c.MQTT.Broker = d.cell.Broker.URL()
	for i, u := range d.cell.Units() {
		c.Machines[i].Endpoint = u.Server.Endpoint()
		if d.fast {
			c.Machines[i].Poll = fastPoll
		}
	}
	return c, nil
}

// fastPoll is how often a machine is looked at in lock-step: its cycles take a
// few milliseconds there.
const fastPoll = 2 * time.Millisecond

// demoPINs belong to the people of the demonstration, who decide for nobody but
// simulated machines.
var demoPINs = map[string]string{"demo-1": "715294", "demo-2": "402817", "demo-3": "639152"}

func (d *demo) greet(c *config.Config, ready time.Duration) {
	if d.json {
		return
	}
	d.view.say("A simulated cell is running on this computer: mill-1 (thread and bore of a valve body), lathe-2 (its spool).")
	d.view.say("Ready after %.1f s. Sizes steer the process; they accept no part. This is no safety function.", ready.Seconds())
	d.view.say("The page: %s", d.app.PageURL())
	for _, p := range c.People {
		d.view.say("  %s (%s), PIN %s", p.Name, p.Role, demoPINs[p.ID])
	}
	d.view.say("In another terminal: offsetbridge status --socket %s", c.Socket.Path)
	if d.yours {
		d.view.say("Decisions are yours: offsetbridge queue list --socket %s", c.Socket.Path)
	}
	d.view.say("")
}

// produce runs both machines until the parts are made or the context ends.
func (d *demo) produce(ctx context.Context, faults []fault) error {
	if err := d.view.waitUp(ctx, d.cell.Units()); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var all sync.WaitGroup
	units := d.cell.Units()
	for i, u := range units {
		share := 0
		if d.parts > 0 {
			share = (d.parts + len(units) - 1 - i) / len(units)
			if share == 0 {
				continue
			}
		}
		all.Go(func() { d.shift(ctx, u, share, faults) })
	}
	all.Wait()
	return nil
}

// shift makes parts on one machine, one after the other.
func (d *demo) shift(ctx context.Context, u *cell.Unit, parts int, faults []fault) {
	for n := 1; (parts == 0 || n <= parts) && ctx.Err() == nil; n++ {
		d.strike(ctx, u, n, faults)
		for _, tool := range u.Prepare() {
			d.view.say("%s: tool %s gets a new edge, the control reports it", u.Machine.Name, tool)
			d.view.await(ctx, d.patience(), func() bool { return d.view.machine(u).tools[tool] == u.Server.State().Tools[tool].Generation })
		}
		made := u.Cut(func() { d.rest(ctx, d.cycle/2) })
		d.view.await(ctx, d.patience(), func() bool { return d.view.machine(u).counted >= made.Count })
		sent, err := u.Measure(ctx, made)
		if err != nil && ctx.Err() == nil {
			d.view.say("%s: part %d could not be gauged: %v", u.Machine.Name, made.Count, err)
		}
		d.view.await(ctx, d.patience(), func() bool { return d.view.settled(u, sent) })
		d.rest(ctx, d.cycle/2)
	}
}

// patience is how long a part waits for what is due. Beyond it production goes
// on, as it would in a shop.
func (d *demo) patience() time.Duration {
	if d.fast {
		return 10 * time.Second
	}
	return d.cycle
}

func (d *demo) rest(ctx context.Context, t time.Duration) {
	if d.fast {
		return
	}
	select {
	case <-ctx.Done():
	case <-time.After(t):
	}
}
