// Package cell is a whole simulated cell: a broker, machine tools with their
// offset tables, gauges, and the process that makes sizes out of registers. It
// speaks MQTT and OPC UA over real loopback sockets and knows nothing of who is
// on the other side.
//
// The same seed gives the same sizes for the same registers, whatever the time.
// For every feature a twin runs beside it whose register nobody ever touches:
// what the sizes would have been without correction.
package cell

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"offsetbridge/simulators/broker"
	"offsetbridge/simulators/gauge"
	"offsetbridge/simulators/machine"
	"offsetbridge/simulators/plant"
)

// Feature is one characteristic: cut by one tool, steered by one register,
// measured by one gauge.
type Feature struct {
	Name     string // of the characteristic
	Gauge    string
	Tool     string
	Register string
	Kind     string  // of the register, see machine.Register
	Range    float64 // the control's own input limits, ± mm
	Aim      float64 // mm
	Limits   [2]float64
	Decimals int // the gauge shows so many
	Process  plant.Params
}

// Machine is one machine tool with what it cuts.
type Machine struct {
	Name, Serial, Program string
	Features              []Feature
	Handover              bool // its control takes changes over from a mailbox; else registers are written
}

// Options of a cell.
type Options struct {
	Machines []Machine
	Topic    string // with {machine} and {gauge}
	Seed     uint64
	Now      func() time.Time // for time stamps; nil is time.Now
}

// Cell is a running cell.
type Cell struct {
	Broker *broker.Broker
	units  []*Unit
}

// Unit is one machine of the cell. Its methods may be called by one goroutine at
// a time; different units are independent.
type Unit struct {
	Machine Machine
	Server  *machine.Server
	made    []*feature
	now     func() time.Time
}

type feature struct {
	Feature
	gauge    *gauge.Gauge
	plant    *plant.Plant
	twin     *plant.Plant
	sequence uint64
	mu       sync.Mutex
	tally    Tally
	zero     float64 // of the gauge, µm
	reversed bool    // what is added to the register beyond pivot acts the other way
	pivot    float64 // mm
}

// Tally sums up what a feature's parts came out as.
type Tally struct {
	Parts, Out  int     // out: beyond the limits of size, by their true size
	Squares     float64 // Σ (true size − aim)², µm²
	TwinSquares float64 // the same had nobody corrected
	TwinOut     int
}

// RMS returns the root mean square deviation from the aim, µm.
func (t Tally) RMS() (with, without float64) {
	if t.Parts == 0 {
		return 0, 0
	}
	n := float64(t.Parts)
	return math.Sqrt(t.Squares / n), math.Sqrt(t.TwinSquares / n)
}

// Add sums two tallies.
func (t Tally) Add(o Tally) Tally {
	return Tally{t.Parts + o.Parts, t.Out + o.Out, t.Squares + o.Squares, t.TwinSquares + o.TwinSquares, t.TwinOut + o.TwinOut}
}

// Start brings a cell up.
func Start(ctx context.Context, o Options) (c *Cell, err error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	c = &Cell{}
	defer func() {
		if err != nil {
			c.Close()
		}
	}()
	if c.Broker, err = broker.Start(broker.Options{}); err != nil {
		return nil, err
	}
	for i, m := range o.Machines {
		u, err := startUnit(m, machine.Options{Now: o.Now})
		if err != nil {
			return nil, fmt.Errorf("machine %s: %w", m.Name, err)
		}
		c.units = append(c.units, u)
		for k, f := range m.Features {
			made := u.process(f, o.Seed+uint64(i)*101+uint64(k)*17)
			topic := strings.NewReplacer("{machine}", m.Name, "{gauge}", f.Gauge).Replace(o.Topic)
			made.gauge, err = gauge.Dial(ctx, gauge.Options{
				Broker: c.Broker.URL(), ClientID: "gauge-" + f.Gauge, Station: f.Gauge, Topic: topic, Decimals: f.Decimals,
			})
			if err != nil {
				return nil, fmt.Errorf("gauge %s: %w", f.Gauge, err)
			}
		}
	}
	return c, nil
}

// process puts the process of a feature behind a machine.
func (u *Unit) process(f Feature, seed uint64) *feature {
	made := &feature{Feature: f, plant: plant.New(f.Process, seed), twin: plant.New(f.Process, seed)}
	u.made = append(u.made, made)
	return made
}

// startUnit starts a machine's server. Registers that the options do not list
// come from the features.
func startUnit(m Machine, o machine.Options) (*Unit, error) {
	o.Serial, o.Name, o.Program, o.Handover = m.Serial, m.Name, m.Program, o.Handover || m.Handover
	if len(o.Registers) == 0 {
		tools := map[string]bool{}
		for _, f := range m.Features {
			if !tools[f.Tool] {
				tools[f.Tool] = true
				o.Tools = append(o.Tools, machine.Tool{Name: f.Tool})
			}
			o.Registers = append(o.Registers, machine.Register{
				Name: f.Register, Tool: f.Tool, Unit: "mm", Kind: f.Kind, Resolution: f.Process.Step / 1000, Min: -f.Range, Max: f.Range,
			})
		}
	}
	s, err := machine.Start(o)
	if err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Unit{Machine: m, Server: s, now: o.Now}, nil
}

// Close takes the cell down.
func (c *Cell) Close() {
	for _, u := range c.units {
		for _, f := range u.made {
			if f.gauge != nil {
				f.gauge.Close()
			}
		}
		u.Server.Close() //nolint:errcheck // a simulator
	}
	if c.Broker != nil {
		c.Broker.Stop()
	}
}

// Units returns the machines in their order.
func (c *Cell) Units() []*Unit { return c.units }

// Made is one part just cut, with what its gauges will say.
type Made struct {
	Count    uint64
	Features []Size
}

// Size is one feature of a part.
type Size struct {
	Name     string
	True     float64 // mm; hidden from everybody but the tally
	FromAim  float64 // µm
	Twin     float64 // µm from aim, had nobody corrected
	Out      bool
	Register float64 // mm, in force while it was cut
	part     plant.Part
}

// Prepare makes what is due before the next part while the machine stands still
// and returns the tools that were changed and reported.
func (u *Unit) Prepare() (tools []string) {
	for _, f := range u.made {
		coming := f.plant.Await()
		f.twin.Await()
		if coming.NewTool && coming.Index > 0 {
			u.Server.ChangeTool(f.Tool, coming.Reported)
			if coming.Reported {
				tools = append(tools, f.Tool)
			}
		}
	}
	return tools
}

// Cut makes the next part: the registers in force when the cycle begins decide
// its sizes. during, where given, runs while the machine cuts.
func (u *Unit) Cut(during func()) Made {
	state := u.Server.State()
	u.Server.BeginCycle()
	if during != nil {
		during()
	}
	var m Made
	for _, f := range u.made {
		register := state.Registers[f.Register]
		part := f.plant.Cut(f.acts(register) * 1000 * f.Process.Effect)
		left := f.twin.Cut(0)
		s := Size{
			Name: f.Name, True: f.Aim + part.True/1000, FromAim: part.True, Twin: left.True, Register: register, part: part,
		}
		s.Out = s.True < f.Limits[0] || s.True > f.Limits[1]
		f.count(s)
		m.Features = append(m.Features, s)
	}
	u.Server.EndCycle()
	m.Count = u.Server.State().Counter
	return m
}

func (f *feature) count(s Size) {
	twin := f.Aim + s.Twin/1000
	f.mu.Lock()
	defer f.mu.Unlock()
	f.tally.Parts++
	f.tally.Squares += s.FromAim * s.FromAim
	f.tally.TwinSquares += s.Twin * s.Twin
	if s.Out {
		f.tally.Out++
	}
	if twin < f.Limits[0] || twin > f.Limits[1] {
		f.tally.TwinOut++
	}
}

// Sent is one reading on its way to the broker.
type Sent struct {
	Gauge    string
	Sequence uint64
	Value    float64 // mm, as shown
}

// Measure gauges every feature of a part that the plan wants gauged, and
// publishes the readings.
func (u *Unit) Measure(ctx context.Context, m Made, faults ...gauge.Fault) ([]Sent, error) {
	var sent []Sent
	var errs []error
	for i, f := range u.made {
		part := m.Features[i].part
		if !part.Gauged {
			continue
		}
		f.sequence++
		value := f.Aim + (f.plant.Read(part).Value+f.off())/1000
		err := f.gauge.Send(ctx, gauge.Reading{
			Sequence: f.sequence, Time: u.now(), Characteristic: f.Name, Part: strconv.FormatUint(m.Count, 10),
			Nanometres: int64(math.Round(value * 1e6)),
		}, faults...)
		if err != nil {
			errs = append(errs, fmt.Errorf("gauge %s: %w", f.Gauge, err))
			continue
		}
		sent = append(sent, Sent{f.Gauge, f.sequence, value})
	}
	return sent, errors.Join(errs...)
}

// Tally returns what the parts of a feature came out as.
func (u *Unit) Tally(name string) Tally {
	for _, f := range u.made {
		if f.Name == name {
			f.mu.Lock()
			defer f.mu.Unlock()
			return f.tally
		}
	}
	return Tally{}
}

// Chip puts something under the anvil: the next reading of that feature is off
// by so many µm.
func (u *Unit) Chip(name string, off float64) { u.each(name, func(f *feature) { f.plant.Drop(off) }) }

// Knock moves the zero of a feature's gauge to so many µm: 0 is set well. It may
// be called from any goroutine.
func (u *Unit) Knock(name string, off float64) {
	u.each(name, func(f *feature) {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.zero = off
	})
}

// Reverse makes every further change of a feature's register act the other way, as
// after somebody swapped its sign in the control, or puts that right again. It may be
// called from any goroutine.
func (u *Unit) Reverse(name string, reversed bool) {
	u.each(name, func(f *feature) {
		held := u.Server.State().Registers[f.Register]
		f.mu.Lock()
		defer f.mu.Unlock()
		f.reversed, f.pivot = reversed, held
	})
}

// acts returns the register as the machine makes use of it.
func (f *feature) acts(register float64) float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.reversed {
		return 2*f.pivot - register
	}
	return register
}

func (f *feature) off() float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.zero
}

// SwapTool puts a fresh edge in before the next part.
func (u *Unit) SwapTool(name string, reported bool) {
	u.each(name, func(f *feature) {
		f.plant.ChangeTool(reported)
		f.twin.ChangeTool(reported)
	})
}

func (u *Unit) each(name string, do func(*feature)) {
	for _, f := range u.made {
		if f.Name == name {
			do(f)
		}
	}
}
