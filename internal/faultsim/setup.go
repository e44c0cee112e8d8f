package faultsim

import (
	"context"
	"math/rand/v2"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
)

func (w *world) ctx() context.Context { return context.Background() }

// settingsOf draws the configuration of one machine: a bore by a radius register,
// a boss by a diameter register of another tool, and on the second machine a taper
// of two sizes by two registers.
func settingsOf(r *rand.Rand, name, serial string, taper bool) *core.Settings {
	s := &core.Settings{
		Machine: name, Identity: serial, CountsAt: pick(r, core.CountsAtEnd, core.CountsAtStart),
		Effective: pick(r, core.ActsAtOnce, core.ActsNextCycle), Fresh: fresh, Window: window, Answer: answer, Quarantine: quarantine,
		Tools: []string{"T1", "T2"},
	}
	band := length.Range{Low: -150 * um, High: 150 * um}
	reg := func(node, tool, kind string) core.Register {
		return core.Register{Name: node, Node: node, Tool: tool, Kind: kind, Unit: length.MM, Step: um, Band: band}
	}
	s.Registers = []core.Register{reg("R1", "T1", "radius"), reg("R2", "T2", "diameter")}
	s.Loops = []core.Loop{
		loopOf(r, name, "bore", []string{"R1"}, [][]core.Effect{{-2000}}, feature(r, name, "bore", 25, true)),
		loopOf(r, name, "boss", []string{"R2"}, [][]core.Effect{{1000}}, feature(r, name, "boss", 40, false)),
	}
	if taper {
		s.Tools = append(s.Tools, "T3")
		s.Registers = append(s.Registers, reg("R3", "T3", "x"), reg("R4", "T3", "z"))
		s.Loops = append(s.Loops, loopOf(r, name, "taper", []string{"R3", "R4"}, [][]core.Effect{{1000, 300}, {0, 1000}},
			feature(r, name, "wide", 60, false), feature(r, name, "narrow", 50, false)))
	}
	s.Gauges = []core.Trust{{
		Gauge: "g-" + name + "-bore", Repeat: um / 2, Frozen: 9, Interval: gauge.Interval{Readings: int64(20 + r.IntN(100))},
		Standards: []core.Ring{{Name: "ring", Value: 25*length.Millimetre - 60*um}},
	}}
	return s
}

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

func feature(r *rand.Rand, machine, name string, mm length.Length, internal bool) core.Characteristic {
	aim := mm * length.Millimetre
	half := pick(r, 20*um, 40*um)
	return core.Characteristic{
		Name: name, Limits: length.Range{Low: aim - half, High: aim + half}, Aim: aim, Internal: internal,
		Plausible: length.Range{Low: aim - 500*um, High: aim + 500*um},
		Gauges:    []core.GaugeUse{{Gauge: "g-" + machine + "-" + name, Identity: pick(r, "counter", "counter", "counter", "counter", "order"), Resolution: um / 10}},
	}
}

func loopOf(r *rand.Rand, machine, name string, registers []string, effects [][]core.Effect, cs ...core.Characteristic) core.Loop {
	return core.Loop{
		Name: name, Mode: pick(r, core.Auto, core.Auto, core.Auto, core.Confirm, core.Observe), Program: pick(r, "P1", "P1", ""),
		Characteristics: cs, Registers: registers, Effects: effects, Damping: 0.3, DeadBand: um, MinReadings: 1 + r.IntN(2),
		Bounds: core.Bounds{
			AutoStep: pick(r, 6*um, 10*um), OperatorStep: 15 * um, SetterStep: 40 * um, Travel: pick(r, 30*um, 150*um, 150*um),
			Expires: 300_000, ExpiresParts: 20, ReturnByItself: r.IntN(2) == 0,
		},
	}
}

// optionsOf is how the machine is reached and what it was commissioned as.
func (w *world) optionsOf(m *iron) machine.Options {
	set := w.setup[m.name]
	at := func(s string) machine.Node { return machine.Node{ID: "nsu=" + simURI + ";s=" + s} }
	p := w.p
	o := machine.Options{
		Name: m.name, Endpoint: "opc.tcp://127.0.0.1:1", Serial: m.serial, SerialNode: at("serial").ID,
		Counter: at("counter"), Program: at("program"), Permitted: at("permitted"),
		Answer: answer * time.Millisecond, Window: window * time.Millisecond,
		Now: func() int64 { return w.now - p.started },
	}
	if m.box != nil {
		o.Handover, o.Quarantine = m.box.mapped(at), quarantine*time.Millisecond
	}
	for _, t := range set.Tools {
		o.Tools = append(o.Tools, machine.Tool{Name: t, Generation: at(t)})
	}
	for _, r := range set.Registers {
		o.Registers = append(o.Registers, machine.Register{Name: r.Name, Node: at(r.Node), Unit: r.Unit, Step: r.Step, Band: r.Band, Number: int64(register(m, r.Node) + 1)})
	}
	return o
}

// configure changes what the next start is given: modes, bounds, names. The
// machine stays the same.
func (w *world) configure() {
	w.n.add("fault/configuration changed")
	for _, m := range w.irons {
		old := w.setup[m.name]
		s := *old
		s.Registers = append([]core.Register(nil), old.Registers...)
		s.Loops = append([]core.Loop(nil), old.Loops...)
		rename := w.r.IntN(3) == 0
		for i := range s.Loops {
			l := &s.Loops[i]
			l.Mode = pick(w.r, core.Auto, core.Auto, core.Confirm, core.Observe)
			l.Bounds.Travel = pick(w.r, 30*um, 150*um)
			l.Bounds.AutoStep = pick(w.r, 6*um, 10*um)
			l.Registers = append([]string(nil), l.Registers...)
			for k, name := range l.Registers {
				r := &s.Registers[column(old, name)]
				if rename {
					r.Name = pick(w.r, "X", "Y") + r.Node
				}
				l.Registers[k] = r.Name
			}
		}
		if rename {
			w.n.add("fault/registers renamed")
		}
		w.setup[m.name] = &s
	}
}
