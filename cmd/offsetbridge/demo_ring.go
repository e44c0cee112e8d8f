package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/cell"
	"offsetbridge/simulators/gauge"
)

// The gauge that is set in the demo, and how far off it is after a knock, µm.
const (
	boreLoop  = "spool bore"
	boreGauge = "bore-1"
	bore      = "bore 28 H8"
	knocked   = 4
)

// openRings brings the ring station up and sets the bore gauge, where a fault
// needs it.
func (d *demo) openRings(ctx context.Context, faults []fault) (err error) {
	if !slices.ContainsFunc(faults, func(f fault) bool { return f.name == "setting" || f.name == "ring-due" }) {
		return nil
	}
	d.rings, err = gauge.Dial(ctx, gauge.Options{Broker: d.cell.Broker.URL(), Station: "ring-station", Topic: "cell/ring-station/set"})
	if err != nil {
		return fmt.Errorf("the simulated ring station does not start: %w", err)
	}
	if err := d.view.waitUp(ctx, d.cell.Units()); err != nil {
		return err
	}
	d.view.await(ctx, outage, func() bool { return d.view.broker })
	d.set(ctx, d.cell.Units()[0], "ring 28 A", 0.2)
	return nil
}

// set puts the bore gauge on a ring, adjusts it, and waits until the daemon knows.
func (d *demo) set(ctx context.Context, u *cell.Unit, ring string, asFound float64) {
	m := d.view.machine(u)
	d.view.mu.Lock()
	before := m.checks
	d.view.mu.Unlock()
	payload := fmt.Sprintf(`{"gauge":%q,"standard":%q,"as_found":%.4f,"unit":"mm","person":"S. Etter","time":%q}`,
		boreGauge, ring, asFound/1000, time.Now().UTC().Format(time.RFC3339Nano))
	if err := d.rings.SendRaw(ctx, []byte(payload), false); err != nil {
		d.view.say("the ring station could not send: %v", err)
		return
	}
	u.Knock(bore, 0)
	d.view.await(ctx, d.patience(), func() bool { return m.checks > before })
}

// doubt makes the setter set the gauge before the next correction of the bore.
func (w *witness) doubt(u *cell.Unit) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.wary = u
}

// setFirst is what a careful setter does with a surprising correction.
func (d *demo) setFirst(ctx context.Context, u *cell.Unit) {
	d.view.say("%s: before deciding, the setter puts the bore gauge on its ring", u.Machine.Name)
	d.set(ctx, u, "ring 28 A", knocked)
}

// ringDue lets the ring's due date pass; some parts later the gauge is set on
// another ring.
func (d *demo) ringDue(ctx context.Context, u *cell.Unit, since int) {
	const years, parts = 66, 3
	switch since {
	case 0:
		d.years.Store(years)
		if err := d.app.LookAtDates(ctx); err == nil {
			d.view.say("%s: the due date of ring 28 A has passed", u.Machine.Name)
		}
	case parts:
		d.view.say("%s: the bore gauge is set on ring 28 B, which is in date", u.Machine.Name)
		d.set(ctx, u, "ring 28 B", 0.1)
	}
}

// calendar is the date by which things fall due.
func (d *demo) calendar() time.Time { return time.Now().AddDate(int(d.years.Load()), 0, 0) }

// found tells what a check found.
func found(e core.Checked) string {
	s := fmt.Sprintf("%s on %s: found %s off (limit %s)", e.Check.Gauge, e.Check.Standard, e.Check.AsFound.Signed(length.MM, 4), e.Limit.Text(length.MM, 4))
	switch {
	case e.Verdict == "":
		s += ", good"
	case e.Suspect != nil:
		s += fmt.Sprintf(": the %d readings of parts %d to %d are suspect, numbers %d to %d of the gauge",
			e.Suspect.Used, e.Suspect.FromPart, e.Suspect.ToPart, e.Suspect.From, e.Suspect.To)
	default:
		s += ": " + e.Verdict.Words()
	}
	if e.Adjusted {
		s += "; it was adjusted"
	}
	return s
}
