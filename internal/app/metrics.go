package app

import (
	"context"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/metrics"
)

// openMetrics offers figures where the configuration says so.
func (a *App) openMetrics(context.Context) error {
	c := a.o.Config
	if c.Metrics.Listen == "" {
		return nil
	}
	o := metrics.Options{Version: a.o.Version, Names: map[string][]string{}, State: a.figures}
	for i := range c.Gauges {
		o.Gauges = append(o.Gauges, c.Gauges[i].Name)
	}
	for i := range c.Machines {
		s := c.Settings(c.Machines[i].Name)
		for k := range s.Loops {
			for _, ch := range s.Loops[k].Characteristics {
				name := c.Machines[i].Name + "/" + s.Loops[k].Name
				o.Names[name] = append(o.Names[name], ch.Name)
			}
		}
	}
	m := metrics.New(o)
	l, err := m.Listen(c.Metrics.Listen)
	if err != nil {
		return err
	}
	unwatch := a.watchers.add(m.Observe)
	a.metrics = l
	a.onClose(func() {
		unwatch()
		l.Close()
	})
	a.log.Info("figures are offered", zap.String("address", "http://"+l.Address()+"/metrics"))
	return nil
}

// MetricsURL is where figures are, "" without.
func (a *App) MetricsURL() string {
	if a.metrics == nil {
		return ""
	}
	return "http://" + a.metrics.Address() + "/metrics"
}

// figures are the state for the metrics.
func (a *App) figures(ctx context.Context) (metrics.State, error) {
	s, err := a.Status(ctx)
	if err != nil {
		return metrics.State{}, err
	}
	out := metrics.State{
		Machines: s.Machines, BrokerUp: s.Broker.Up, HoldAll: s.HoldAll != nil, Tray: s.Tray,
		Verified: s.Journal.Verified, Free: s.Journal.Free, Heads: a.journal.Heads(),
	}
	files, err := os.ReadDir(a.o.Config.Journal.Directory)
	if err != nil {
		return out, err
	}
	for _, f := range files {
		if match, _ := filepath.Match("*.db*", f.Name()); !match {
			continue
		}
		if info, err := f.Info(); err == nil { // it may have been removed meanwhile
			out.Bytes += info.Size()
		}
	}
	register := a.o.Config.Register()
	due := func(kind, name string, end gauge.Moment) {
		if end != 0 {
			out.Due = append(out.Due, metrics.Due{Kind: kind, Name: name, Days: time.UnixMilli(int64(end)).Sub(a.wall()).Hours() / 24})
		}
	}
	for i := range register.Instruments {
		due("gauge", register.Instruments[i].Name, register.Instruments[i].Due)
	}
	for i := range register.Standards {
		due("standard", register.Standards[i].Name, register.Standards[i].Due)
	}
	return out, nil
}
