// Package app puts the program together: it is the only package that knows
// every edge. New opens what must be there to run at all (journal, socket),
// Run keeps it going until the context ends or the journal fails, Close takes
// it down in the reverse order. Brokers and machines may be away at any time:
// they never stop the program.
package app

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/account"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/machine"
	"offsetbridge/internal/metrics"
	"offsetbridge/internal/web"
)

// Options of a running program.
type Options struct {
	Config  *config.Config
	Digest  string // of the configuration's bytes
	Version string
	Log     *zap.Logger
	Watch   func(bridge.Released) // sees everything that is released; must not block
	Wall    func() time.Time      // the calendar for due dates; nil is time.Now

	Supervisor *Supervisor // told how the program is; nil: nobody
}

// ErrJournal is wrapped by Run's error when the journal failed: nothing is
// acknowledged or written any more, and the program has to be put together anew.
var ErrJournal = errors.New("the journal cannot be written")

// App is one running program.
type App struct {
	o        Options
	log      *zap.Logger
	started  time.Time
	journal  *journal.Journal
	writer   *journal.Writer
	plant    *bridge.Runner
	machines []*unit
	byName   map[string]*unit
	chars    map[string][]string // machines by characteristic
	intake   *intake.Intake
	socket   *web.Socket
	code     string            // of the first person
	page     *web.Listener     // nil where none is configured
	metrics  *metrics.Listener // nil where none are
	closers  []func()

	stopped  atomic.Bool  // hold-all
	asking   atomic.Int32 // hold-alls that were asked for and are not on record yet
	holding  sync.Mutex   // a hold-all and its end go on record one after the other
	verified atomic.Bool
	free     atomic.Uint64 // of the disk, in ten-thousandths
	watchers watchers

	installation string // our name at the machines
	forwarding   forwarding
}

// unit is one machine with its runner.
type unit struct {
	name   string
	port   *machine.Machine // nil of a machine by hand
	runner *bridge.Runner
	gauges map[string]bool // that serve it
}

// New opens journal, machines, broker and socket. What is opened is closed again
// when something fails.
func New(ctx context.Context, o Options) (_ *App, err error) {
	a := &App{o: o, log: o.Log, started: time.Now(), byName: map[string]*unit{}, chars: map[string][]string{}}
	a.free.Store(10_000)
	defer func() {
		if err != nil {
			a.Close()
		}
	}()
	a.watchers.add(a.say)
	if o.Watch != nil {
		a.watchers.add(o.Watch)
	}
	steps := []func(context.Context) error{a.openJournal, a.openPlant, a.openMachines, a.openTrust, a.openMetrics, a.openIntake, a.openDoors}
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	return a, nil
}

func (a *App) onClose(f func()) { a.closers = append(a.closers, f) }

// Close takes everything down: first the doors, then the loops, then the journal.
func (a *App) Close() {
	for i := len(a.closers) - 1; i >= 0; i-- {
		a.closers[i]()
	}
	a.closers = nil
}

// now is the time of an input: the wall clock to record, the monotonic one to
// decide by.
func (a *App) now() core.Instant {
	return core.Instant{Wall: time.Now().UnixMilli(), Mono: a.mono()}
}

func (a *App) mono() int64 { return time.Since(a.started).Milliseconds() }

func (a *App) openJournal(ctx context.Context) error {
	c := a.o.Config.Journal
	j, err := journal.Open(ctx, c.Directory, journal.Options{KeepFor: c.Keep, Reserve: reserve})
	if err != nil {
		return err
	}
	if a.installation, err = instance(c.Directory); err != nil {
		return errors.Join(err, j.Close())
	}
	a.journal = j
	a.writer = journal.NewWriter(j, journal.WriterOptions{})
	a.onClose(func() {
		a.writer.Close() //nolint:errcheck // its cause was reported when it happened
		if err := j.Close(); err != nil {
			a.log.Error("journal not closed cleanly", zap.Error(err))
		}
	})
	return nil
}

// port lets a bridge write through the group writer and read from the store.
type port struct {
	*journal.Writer
	*journal.Journal
}

func (p port) Close() error { return nil }

func (a *App) openPlant(ctx context.Context) error {
	b, err := bridge.Open(a.journal, "plant", bridge.SnapshotVersion, func() bridge.Decider { return &core.Plant{} })
	if err != nil {
		return err
	}
	p := b.State().(*core.Plant)
	a.stopped.Store(len(p.Holds) > 0)
	epoch := p.Epoch + 1
	a.plant = bridge.Run(b, bridge.Options{
		Stream: "plant", Journal: port{a.writer, a.journal}, Now: a.now, Log: a.log, Released: a.watchers.tell,
	})
	a.onClose(a.plant.Close)
	if _, err := a.plant.Call(ctx, core.Started{Version: a.o.Version, Epoch: epoch}); err != nil {
		return fmt.Errorf("the start cannot be recorded: %w", err)
	}
	loaded := core.Loaded{Digest: a.o.Digest}
	for _, m := range a.o.Config.Machines {
		loaded.Machines = append(loaded.Machines, m.Name)
	}
	_, err = a.plant.Call(ctx, loaded)
	return err
}

func (a *App) openMachines(ctx context.Context) error {
	for i := range a.o.Config.Machines {
		if err := a.openMachine(ctx, &a.o.Config.Machines[i]); err != nil {
			return err
		}
	}
	return nil
}

func (a *App) openMachine(ctx context.Context, m *config.Machine) error {
	stream := "machine/" + m.Name
	b, err := bridge.Open(a.journal, stream, bridge.SnapshotVersion, func() bridge.Decider { return &core.State{} })
	if err != nil {
		return err
	}
	epoch := b.State().(*core.State).Ledger.Epoch + 1
	settings := a.o.Config.Settings(m.Name)
	first := []core.Fact{
		core.Started{Version: a.o.Version, Epoch: epoch, Pause: a.pause(stream)},
		core.Configure{Settings: settings, Who: core.Person{Principal: "configuration", Role: core.Engineer, Auth: "file"}},
	}
	u := &unit{name: m.Name, gauges: map[string]bool{}}
	runs := bridge.Options{
		Stream: stream, Journal: port{a.writer, a.journal}, First: first, Now: a.now,
		Tick: time.Second, Log: a.log.With(zap.String("machine", m.Name)), Released: a.watchers.tell,
		Open: a.mayWrite,
	}
	if !m.ByHand { // nothing is sent to a machine by hand
		options, err := machineOptions(m, a.mono, a.log)
		if err != nil {
			return err
		}
		if writes(&settings) {
			options.Installation = a.installation
		}
		u.port = machine.Open(options)
		runs.Machine = u.port
	}
	u.runner = bridge.Run(b, runs)
	a.onClose(func() {
		u.runner.Close()
		if u.port != nil {
			u.port.Close() //nolint:errcheck // the session ends either way
		}
	})
	a.machines = append(a.machines, u)
	a.byName[m.Name] = u
	for _, l := range settings.Loops {
		for _, c := range l.Characteristics {
			a.chars[c.Name] = append(a.chars[c.Name], m.Name)
			for _, g := range c.Gauges {
				u.gauges[g.Gauge] = true
			}
		}
	}
	// Looked at, the state is durable: the start is on record.
	if err := u.runner.Look(ctx, func(bridge.Decider) {}); err != nil {
		return fmt.Errorf("the start of %s cannot be recorded: %w", m.Name, errors.Join(err, u.runner.Err()))
	}
	return nil
}

// mayWrite is the plant-wide gate: closed by a hold-all, and once the journal took
// no more, whichever machine's commit it was that failed.
func (a *App) mayWrite() bool {
	return !a.stopped.Load() && a.asking.Load() == 0 && a.writer.Failed() == nil && !a.journal.Spent()
}

// pause returns how long ago a stream was written, by the wall clock; negative where that went back.
func (a *App) pause(stream string) int64 {
	last, err := a.journal.Query(journal.Filter{Stream: stream, Limit: 1})
	if err != nil || len(last) == 0 {
		return 0
	}
	return time.Now().UnixMilli() - last[0].At
}

func (a *App) openIntake(ctx context.Context) error {
	if len(a.o.Config.Gauges) == 0 {
		return nil
	}
	options, err := intakeOptions(a.o.Config, a.log)
	if err != nil {
		return err
	}
	options.Known = a.plantEpoch(ctx) > 1
	a.intake, err = intake.Open(context.WithoutCancel(ctx), options)
	if err != nil {
		return err
	}
	unpublished := func() {}
	if a.o.Config.MQTT.Requests != "" {
		unpublished = a.watchers.add(a.publishRequests)
	}
	silent := a.openPublisher()
	var done sync.WaitGroup
	done.Go(a.route)
	done.Go(a.brokerStatus)
	a.onClose(func() {
		unpublished()
		silent()
		a.intake.Close()
		done.Wait()
	})
	return nil
}

func (a *App) plantEpoch(ctx context.Context) (epoch uint64) {
	a.plant.Look(ctx, func(d bridge.Decider) { epoch = d.(*core.Plant).Epoch }) //nolint:errcheck // 0 then
	return epoch
}

// CheckFiles looks at what a configuration names beside itself, as the user who is
// running: files, variables of the environment, and the page's texts.
func CheckFiles(c *config.Config) error {
	if err := c.CheckFiles(); err != nil {
		return err
	}
	return readsOf(c.Page).Check()
}

func readsOf(p config.Page) web.ReadsOptions {
	return web.ReadsOptions{Language: p.Language, Unit: p.Unit, Texts: p.Texts}
}

// openDoors opens the local socket, and the page where one is configured.
func (a *App) openDoors(context.Context) error {
	m, err := Manual()
	if err != nil {
		return err
	}
	server := web.New(web.Options{Plant: a, Trust: a, Manual: m, Log: a.log})
	s, err := web.ListenSocket(a.o.Config.Socket.Path, server.Handler())
	if err != nil {
		return err
	}
	a.socket = s
	a.onClose(s.Close)
	c := a.o.Config.Page
	if c.Listen == "" {
		return nil
	}
	house, err := a.house()
	if err != nil {
		return err
	}
	page, err := server.ListenPage(web.PageOptions{
		Listen: c.Listen, CertFile: c.CertFile, KeyFile: c.KeyFile, OwnFile: a.o.Config.OwnCertificate(), Watch: c.Watch,
		House: house,
		Reads: readsOf(c),
	})
	if err != nil {
		return err
	}
	a.page = page
	a.onClose(page.Close)
	a.log.Info("the page is open", zap.String("address", page.URL()))
	a.code = house.Begin()
	return nil
}

// house knows the people of the configuration, or who came in with a one-time
// code where none are named.
func (a *App) house() (*account.House, error) {
	c := a.o.Config
	people := c.People
	if len(people) == 0 {
		var err error
		if people, err = account.ReadKept(c.FirstPerson()); err != nil {
			return nil, err
		}
	}
	return account.New(account.Options{People: people, Tokens: c.Tokens, Idle: c.Page.Idle, Keep: account.KeepFirst(c.FirstPerson())}), nil
}

// FirstCode is the one-time code with which the first person comes in on the
// page, "" where people are known. It stands in no log.
func (a *App) FirstCode() string { return a.code }

// PageURL is where the page can be opened on this computer, "" without one.
func (a *App) PageURL() string {
	if a.page == nil {
		return ""
	}
	return a.page.URL()
}

// HoldFile is the name of the file beside the journal that puts everything on
// hold while it exists.
const HoldFile = "hold"

// Run returns when the context ends, or with ErrJournal.
func (a *App) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	var background sync.WaitGroup
	defer background.Wait()
	defer cancel()
	background.Go(func() { a.verify(ctx) })
	background.Go(func() { a.housekeeping(ctx) })
	background.Go(func() { a.keepForwarding(ctx) })
	background.Go(func() { a.keepDates(ctx) })
	a.tell("READY=1", fmt.Sprintf("STATUS=%d machines, %d loops", len(a.machines), len(a.o.Config.Loops)))
	background.Go(func() { a.keepSupervised(ctx) })
	file := filepath.Join(a.o.Config.Journal.Directory, HoldFile)
	background.Go(func() { a.watchHoldFile(ctx, file) })
	failed := make(chan error, 2+len(a.machines))
	background.Go(func() { a.watchReserve(ctx, failed) })
	for _, r := range a.runners() {
		background.Go(func() {
			select {
			case <-r.Done():
				failed <- r.Err()
			case <-ctx.Done():
			}
		})
	}
	select {
	case <-ctx.Done():
		return nil
	case err := <-failed:
		return fmt.Errorf("%w: %w", ErrJournal, err)
	}
}

func (a *App) runners() []*bridge.Runner {
	all := []*bridge.Runner{a.plant}
	for _, u := range a.machines {
		all = append(all, u.runner)
	}
	return all
}
