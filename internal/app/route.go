package app

import (
	"errors"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
)

// route hands every message to the machine it belongs to, or to the plant when
// it belongs to none, and acknowledges it once what became of it is durable.
func (a *App) route() {
	for m := range a.intake.Messages() {
		runner, fact := a.place(m)
		for !a.submit(runner, fact, m) {
			time.Sleep(5 * time.Millisecond) // the journal is behind; the intake's own bound takes it from here
		}
	}
}

// submit reports false when the runner is full. A message that cannot be
// recorded is not acknowledged: the broker sends it again.
func (a *App) submit(r *bridge.Runner, f core.Fact, m intake.Message) bool {
	err := r.Submit(f, func(_ bridge.Released, err error) {
		if err == nil {
			m.Ack()
		}
	})
	return !errors.Is(err, bridge.ErrFull)
}

// place decides whose message it is.
func (a *App) place(m intake.Message) (*bridge.Runner, core.Fact) {
	switch f := m.Fact.(type) {
	case core.Reading:
		if u, why := a.machineOf(m.Machine, f.Characteristic); u != nil {
			f.Machine = u.name
			return u.runner, f
		} else {
			return a.plant, core.Unplaced{Reading: f, Machine: m.Machine, Code: why}
		}
	case core.Set:
		return a.plant, a.checkedFact(m, f, f.Check)
	case core.RingChecked:
		return a.plant, a.checkedFact(m, f, f.Check)
	case core.Pair:
		if u := a.byName[m.Machine]; u != nil {
			return u.runner, f
		}
	case core.Task:
		if u, _ := a.machineOf(m.Machine, f.Characteristic); u != nil {
			return u.runner, f
		}
	}
	code := m.Rejected
	if code == "" {
		code = codeNoMachine
	}
	r := core.Rejected{Gauge: m.Gauge, Topic: m.Topic, Code: code, Why: m.Why, Size: len(m.Payload), Payload: m.Payload}
	if m.Count > 1 {
		r.Count = uint64(m.Count)
	}
	return a.plant, r
}

// Why a reading waits in the unassigned tray.
const (
	codeNoMachine      core.Code = "no-mach"
	codeNowhere        core.Code = "nowhere"
	codeSeveral        core.Code = "several"
	codeNotThisMachine core.Code = "not-here"
	codeNotItsGauge    core.Code = "not-its-gauge" // said of a look at the broker; of a reading the core says it
)

// Words are the sentences of this package's codes.
var Words = map[core.Code]string{
	codeHoldFile:       "the hold file is still there, remove it first",
	codeNoMachine:      "no machine of that name is configured, correct the gauge's mapping",
	codeNowhere:        "no machine has a characteristic of that name, correct the gauge's mapping or add the characteristic",
	codeSeveral:        "several machines have a characteristic of that name, let the message or its topic name the machine",
	codeNotItsGauge:    "no loop lets this gauge measure that characteristic, name the gauge there",
	codeNoStandard:     "the gauge or the standard is not known, or they do not belong together, correct the message or the configuration",
	codeNotThisMachine: "the machine named has no characteristic of that name, correct the gauge's mapping or add the characteristic",
}

func (a *App) machineOf(name, characteristic string) (*unit, core.Code) {
	has := a.chars[characteristic]
	switch {
	case name != "" && a.byName[name] == nil:
		return nil, codeNoMachine
	case name != "":
		for _, n := range has {
			if n == name {
				return a.byName[name], ""
			}
		}
		if characteristic == "" {
			return a.byName[name], ""
		}
		return nil, codeNotThisMachine
	case len(has) == 0:
		return nil, codeNowhere
	case len(has) > 1:
		return nil, codeSeveral
	}
	return a.byName[has[0]], ""
}

// brokerStatus records every change of the connection to the broker.
func (a *App) brokerStatus() {
	for s := range a.intake.Status() {
		if s.Code == intake.Closed {
			return
		}
		if s.Gauge != "" {
			continue // said in the log; a silent gauge is no event of the broker
		}
		a.plant.Submit(core.Broker{Up: s.Up, Code: s.Code, Text: s.Text}, nil) //nolint:errcheck // stopping
	}
}
