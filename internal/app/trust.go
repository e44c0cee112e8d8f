package app

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
)

// forwarding hands records of the plant's stream to the machines they concern.
// What a machine has taken is in its own stream, so that after a start, or after
// anything went wrong, whatever is missing is handed over again.
type forwarding struct {
	mu   sync.Mutex
	at   map[*unit]uint64 // newest record looked at
	wake chan struct{}

	ringMu sync.Mutex
	rings  map[string]bool // machines whose streams hold rings the plant may not have taken
}

// handedOver are the kinds of records that machines take.
var handedOver = []string{core.Set{}.Kind(), core.RingChecked{}.Kind(), core.Assigned{}.Kind()}

// forwardMost bounds how far back a machine is told what it missed.
const forwardMost = 10_000

// openTrust hands over what machines missed and says what is out of date, before
// the first reading comes in.
func (a *App) openTrust(ctx context.Context) error {
	f := &a.forwarding
	f.at, f.wake, f.rings = map[*unit]uint64{}, make(chan struct{}, 1), map[string]bool{}
	for _, u := range a.machines {
		f.rings[u.name] = true
		err := u.runner.Look(ctx, func(d bridge.Decider) { f.at[u] = d.(*core.State).Ledger.Plant })
		if err != nil {
			return err
		}
	}
	if err := a.takeRings(ctx); err != nil {
		return err
	}
	f.mu.Lock()
	_, err := a.forward(ctx)
	f.mu.Unlock()
	if err != nil {
		return err
	}
	if err := a.tellDates(ctx); err != nil {
		return err
	}
	stop := a.watchers.add(func(rel bridge.Released) {
		if rel.Stream == plantStream && slices.ContainsFunc(rel.Events, func(e core.Event) bool { return slices.Contains(handedOver, e.Kind()) }) || f.rang(rel) {
			f.again()
		}
	})
	a.onClose(stop)
	return nil
}

const plantStream = "plant"

func (f *forwarding) again() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// keepForwarding hands records over as they come, until the context ends.
func (a *App) keepForwarding(ctx context.Context) {
	f := &a.forwarding
	retry := time.NewTicker(time.Second)
	defer retry.Stop()
	behind := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-f.wake:
		case <-retry.C:
			if !behind {
				continue
			}
		}
		err := a.takeRings(ctx)
		f.mu.Lock()
		_, forwarded := a.forward(ctx)
		f.mu.Unlock()
		err = errors.Join(err, forwarded)
		if behind = err != nil; behind && ctx.Err() == nil {
			a.log.Warn("a setting or ring check has not been handed over yet, trying again", zap.Error(err))
		}
	}
}

// handed is what a machine made of one record.
type handed struct {
	unit   *unit
	record uint64
	bridge.Released
}

// forward hands over everything that is new, in its order. The lock is held.
func (a *App) forward(ctx context.Context) ([]handed, error) {
	f := &a.forwarding
	if len(a.machines) == 0 || ctx.Err() != nil {
		return nil, ctx.Err()
	}
	least := f.at[a.machines[0]]
	for _, u := range a.machines {
		least = min(least, f.at[u])
	}
	records, err := a.newer(journal.Filter{Stream: plantStream, Kinds: handedOver, Limit: 200}, least)
	if err != nil {
		return nil, err
	}
	var out []handed
	for _, r := range slices.Backward(records) {
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return out, fmt.Errorf("record %d of the plant: %w", r.Seq, err)
		}
		for _, u := range a.machines {
			if r.Seq <= f.at[u] {
				continue
			}
			if u.concerns(e) {
				rel, err := u.runner.Call(ctx, core.FromPlant{Record: r.Seq, Age: max(0, time.Now().UnixMilli()-r.At), Event: e})
				if err != nil {
					return out, fmt.Errorf("record %d of the plant to %s: %w", r.Seq, u.name, err)
				}
				out = append(out, handed{u, r.Seq, rel})
			}
			f.at[u] = r.Seq
		}
	}
	return out, nil
}

// newer returns the records that a query finds above a number, newest first.
func (a *App) newer(q journal.Filter, than uint64) ([]journal.Record, error) {
	var all []journal.Record
	for len(all) < forwardMost {
		page, err := a.journal.Query(q)
		if err != nil {
			return nil, err
		}
		for _, r := range page {
			if r.Seq <= than {
				return all, nil
			}
			all = append(all, r)
		}
		if len(page) == 0 {
			return all, nil
		}
		q.Before = page[len(page)-1].Seq
	}
	return all, nil
}

// concerns reports whether a record of the plant is for this machine.
func (u *unit) concerns(e core.Event) bool {
	switch e := e.(type) {
	case core.Set:
		return u.gauges[e.Gauge]
	case core.RingChecked:
		return u.gauges[e.Gauge]
	case core.Assigned:
		return e.Machine == u.name
	}
	return false
}

// tellDates says to every machine what of its gauges and standards is out of
// date by the wall clock.
func (a *App) tellDates(ctx context.Context) error {
	for _, u := range a.machines {
		if _, err := u.runner.Call(ctx, a.o.Config.PastDue(u.name, a.wall())); err != nil {
			return fmt.Errorf("due dates of %s: %w", u.name, err)
		}
	}
	return nil
}

func (a *App) wall() time.Time {
	if a.o.Wall != nil {
		return a.o.Wall()
	}
	return time.Now()
}

// keepDates looks at the calendar every minute.
func (a *App) keepDates(ctx context.Context) {
	t := time.NewTicker(time.Minute)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		if err := a.tellDates(ctx); err != nil && ctx.Err() == nil {
			a.log.Warn("due dates were not told, trying again", zap.Error(err))
		}
	}
}

// LookAtDates tells the machines at once what is out of date.
func (a *App) LookAtDates(ctx context.Context) error { return a.tellDates(ctx) }

// sayTrust tells what concerns whether readings can be believed.
func sayTrust(log *zap.Logger, e core.Event) {
	switch e := e.(type) {
	case core.Checked:
		about := []zap.Field{
			zap.String("gauge", e.Check.Gauge), zap.String("standard", e.Check.Standard), zap.Stringer("as found", e.Check.AsFound),
			zap.Stringer("limit", e.Limit), zap.String("by", e.Check.Who.Principal),
		}
		if s := e.Suspect; s != nil {
			about = append(about, zap.Int64("suspect readings", s.Used), zap.Uint64("from part", s.FromPart), zap.Uint64("to part", s.ToPart))
		}
		if e.Verdict == "" {
			log.Info("gauge found good on its standard", about...)
		} else {
			log.Warn("gauge on its standard: "+e.Verdict.Words(), about...)
		}
	case core.Dated:
		if len(e.Gauges)+len(e.Standards) > 0 {
			log.Warn("out of date", zap.Strings("gauges", e.Gauges), zap.Strings("standards", e.Standards))
		} else {
			log.Info("gauges and standards are in date")
		}
	case core.RingRead:
		log.Info("the gauge read its standard, as a task had said", zap.String("gauge", e.Reading.Gauge), zap.String("standard", e.Ring),
			zap.Stringer("as found", e.AsFound), zap.String("by", e.Who))
	case core.Unfinished:
		log.Warn("a measurement of several readings has ended unfinished: "+e.Cause.Words(), zap.String("characteristic", e.Characteristic),
			zap.String("part", e.Part), zap.Int("readings", e.Have), zap.Int("of", e.Of))
	case core.Plugged:
		if e.Advice != "" {
			log.Warn(e.Advice.Words(), zap.String("characteristic", e.Name), zap.String("part", e.Part))
		}
	}
}

// codeNoStandard says that a setting or ring check cannot be one.
const codeNoStandard core.Code = "no-std"

// checkedFact refuses a setting or ring check by message that cannot be one.
func (a *App) checkedFact(m intake.Message, f core.Fact, c core.Check) core.Fact {
	if err := a.o.Config.Refuse(c.Gauge, c.Standard); err != nil {
		return core.Rejected{
			Gauge: m.Gauge, Topic: m.Topic, Code: codeNoStandard, Why: err.Error(), Size: len(m.Payload), Payload: m.Payload,
		}
	}
	return f
}

// Check records that a gauge was put on its standard, and what that means for
// every machine it serves.
func (a *App) Check(ctx context.Context, c core.Check, adjusted bool) (web.CheckResult, error) {
	var out web.CheckResult
	if err := a.o.Config.Refuse(c.Gauge, c.Standard); err != nil {
		return out, &web.RefusedError{Code: string(codeNoStandard), Message: err.Error()}
	}
	var fact core.Fact = core.RingChecked{Check: c}
	if adjusted {
		fact = core.Set{Check: c}
	}
	rel, all, err := a.callAndForward(ctx, fact)
	if err != nil || rel.Declined() != "" {
		out.Declined = rel.Declined()
		return out, err
	}
	for _, h := range all {
		out.Machines = append(out.Machines, checkedOn(h))
	}
	return out, nil
}

// callAndForward gives the plant an input and returns what the machines made of
// what it recorded.
func (a *App) callAndForward(ctx context.Context, fact core.Fact) (bridge.Released, []handed, error) {
	a.forwarding.mu.Lock()
	defer a.forwarding.mu.Unlock()
	rel, err := a.plant.Call(ctx, fact)
	if err != nil || rel.Declined() != "" {
		return rel, nil, err
	}
	all, err := a.forward(ctx)
	if err != nil {
		a.forwarding.again() // it is recorded; the machines are told later
		a.log.Warn("a machine has not been told of its gauges yet, trying again", zap.Error(err))
	}
	last := rel.First + uint64(len(rel.Events))
	return rel, slices.DeleteFunc(all, func(h handed) bool { return h.record < rel.First || h.record >= last }), nil
}

func checkedOn(h handed) web.CheckedOn {
	on := web.CheckedOn{Machine: h.unit.name}
	for _, e := range h.Events {
		switch e := e.(type) {
		case core.Checked:
			on.Limit, on.Verdict, on.Suspect = e.Limit, e.Verdict, e.Suspect
		case core.Voided:
			on.Withdrawn = append(on.Withdrawn, web.Withdrawn{Proposal: e.Proposal, Loop: e.Loop})
		}
	}
	return on
}

// Gauges lists every gauge with what is known of its state.
func (a *App) Gauges(ctx context.Context) ([]web.GaugeStatus, error) {
	last := map[string]core.PlantGauge{}
	err := a.plant.Look(ctx, func(d bridge.Decider) {
		for _, g := range d.(*core.Plant).Gauges {
			last[g.Gauge] = g
		}
	})
	if err != nil {
		return nil, err
	}
	register := a.o.Config.Register()
	out := []web.GaugeStatus{}
	for i := range register.Instruments {
		in := &register.Instruments[i]
		s := web.GaugeStatus{Gauge: in.Name, Due: int64(in.Due), Machines: []core.GaugeView{}}
		for _, name := range in.Standards {
			if r := register.Standard(name); r != nil {
				s.Standards = append(s.Standards, web.StandardStatus{Name: r.Name, Value: r.Value, Due: int64(r.Due), Certificate: r.Certificate})
			}
		}
		if g, ok := last[in.Name]; ok {
			s.Last = &g
		}
		for _, u := range a.machines {
			if !u.gauges[in.Name] {
				continue
			}
			err := u.runner.Look(ctx, func(d bridge.Decider) { s.Machines = append(s.Machines, d.(*core.State).GaugeView(in.Name)) })
			if err != nil {
				return nil, err
			}
		}
		out = append(out, s)
	}
	return out, nil
}

// Tray lists the readings that wait for somebody to say what they are.
func (a *App) Tray(ctx context.Context) ([]web.TrayItem, error) {
	out := []web.TrayItem{}
	err := a.plant.Look(ctx, func(d bridge.Decider) {
		for _, u := range d.(*core.Plant).Tray {
			out = append(out, web.TrayItemOf(plantStream, u))
		}
	})
	if err != nil {
		return nil, err
	}
	for _, m := range a.machines {
		err := m.runner.Look(ctx, func(d bridge.Decider) {
			for _, u := range d.(*core.State).Ledger.Tray {
				out = append(out, web.TrayItemOf(m.name, u))
			}
		})
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// item splits the name of a tray's item.
func (a *App) item(id string) (u *unit, n uint64, err error) {
	i := strings.LastIndex(id, "/")
	n, bad := strconv.ParseUint(id[i+1:], 10, 64)
	if i < 0 || bad != nil {
		return nil, 0, web.ErrNoItem
	}
	if id[:i] == plantStream && a.byName[plantStream] == nil {
		return nil, n, nil
	}
	if u = a.byName[id[:i]]; u == nil {
		return nil, 0, web.ErrNoItem
	}
	return u, n, nil
}

// Assign says whose a reading in the tray is, and returns what became of it.
func (a *App) Assign(ctx context.Context, id string, f core.Assign) (bridge.Released, error) {
	u, n, err := a.item(id)
	if err != nil {
		return bridge.Released{}, err
	}
	if f.Item = n; u != nil {
		return u.runner.Call(ctx, f)
	}
	if f.Machine, err = a.placeByHand(ctx, f); err != nil {
		return bridge.Released{}, err
	}
	rel, all, err := a.callAndForward(ctx, f)
	for _, h := range all {
		rel = h.Released
	}
	return rel, err
}

// placeByHand checks that the machine has the characteristic that a reading of
// the plant's tray is said to be of.
func (a *App) placeByHand(ctx context.Context, f core.Assign) (string, error) {
	name := f.Characteristic
	err := a.plant.Look(ctx, func(d bridge.Decider) {
		for _, u := range d.(*core.Plant).Tray {
			if u.ID == f.Item && name == "" {
				name = u.Reading.Characteristic
			}
		}
	})
	if err != nil {
		return "", err
	}
	u, why := a.machineOf(f.Machine, name)
	if u == nil {
		return "", &web.RefusedError{Code: string(why), Message: why.Words()}
	}
	return u.name, nil
}

// Discard says that a reading in the tray is of no part.
func (a *App) Discard(ctx context.Context, id string, f core.Discard) (bridge.Released, error) {
	u, n, err := a.item(id)
	if err != nil {
		return bridge.Released{}, err
	}
	if f.Item = n; u != nil {
		return u.runner.Call(ctx, f)
	}
	return a.plant.Call(ctx, f)
}

// Plug records a GO or NO-GO result beside the size that was last measured of
// that part.
func (a *App) Plug(ctx context.Context, machine string, f core.Plug) (bridge.Released, error) {
	u := a.byName[machine]
	if u == nil {
		return bridge.Released{}, web.ErrNoMachine
	}
	var err error
	if f.Size, err = a.measured(u, f.Characteristic, f.Part); err != nil {
		return bridge.Released{}, err
	}
	return u.runner.Call(ctx, f)
}

// measured returns the newest size of a part that was used, nil when there is
// none among its last readings.
func (a *App) measured(u *unit, characteristic, part string) (*length.Length, error) {
	if part == "" {
		return nil, nil
	}
	records, err := a.journal.Query(journal.Filter{
		Stream: machineStream(u.name), Kinds: []string{core.Judged{}.Kind()}, Part: part, Limit: 50,
	})
	if err != nil {
		return nil, err
	}
	for _, r := range records {
		e, err := core.Decode(r.Kind, r.Body)
		if err != nil {
			return nil, err
		}
		if j, ok := e.(core.Judged); ok && j.Reading.Characteristic == characteristic && j.Measurement() != nil {
			size := j.Measurement().Steers()
			return &size, nil
		}
	}
	return nil, nil
}

var _ web.Trust = (*App)(nil)
