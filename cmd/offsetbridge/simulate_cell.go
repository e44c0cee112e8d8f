package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"offsetbridge/config"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/cell"
	"offsetbridge/simulators/machine"
	"offsetbridge/simulators/plant"
)

// demoMachine finds the machine to simulate; without a name there must be one only.
func demoMachine(c *config.Config, name string) (*config.Machine, error) {
	var names []string
	for i := range c.Machines {
		if c.Machines[i].Demo {
			names = append(names, c.Machines[i].Name)
		}
	}
	if name == "" && len(names) == 1 {
		name = names[0]
	}
	m := c.Machine(name)
	switch {
	case len(names) == 0:
		return nil, fmt.Errorf("no machine of the configuration says demo = true, and only such a one is simulated")
	case m == nil:
		return nil, fmt.Errorf("machine %q is not simulated, write one of %s", name, strings.Join(names, ", "))
	case !m.Demo:
		return nil, fmt.Errorf("machine %q is real, only one with demo = true is simulated", name)
	case m.Security.Mode != "None":
		return nil, fmt.Errorf("machine %q has security_mode %q, a simulator alone serves None", name, m.Security.Mode)
	}
	return m, nil
}

// Where a simulated machine keeps registers and tools.
const (
	registerNode = "nsu=" + machine.BuilderURI + ";s=Offsets/"
	toolNode     = "nsu=" + machine.BuilderURI + ";s=Equipment/Tools/"
	boxNode      = "nsu=" + machine.BuilderURI + ";s=Handover/"
)

// panel is the input range of a simulated control, beyond every sensible band.
const panel = 2.0 // mm

// simulated turns a machine of the configuration into one that can be served. Node
// ids decide what the server calls a thing.
func simulated(c *config.Config, m *config.Machine) (cell.Machine, machine.Options, error) {
	out, o := cell.Machine{Name: m.Name, Serial: m.Serial, Program: "DEMO"}, machine.Options{CountAtStart: m.CountsAt == "start"}
	served := map[string]string{} // configured register → name at the server
	tools := map[string]string{}
	for _, t := range m.Tools {
		at, ok := strings.CutPrefix(strings.TrimSuffix(t.Generation, "/Generation"), toolNode)
		if !ok {
			at = t.Name
		}
		tools[t.Name] = at
		o.Tools = append(o.Tools, machine.Tool{Name: at})
	}
	for _, r := range m.Registers {
		at, ok := strings.CutPrefix(r.Node, registerNode)
		if !ok {
			return out, o, fmt.Errorf("register %q has node %q, a simulated machine has its registers at %q", r.Name, r.Node, registerNode+"NAME")
		}
		served[r.Name] = at
		kind, _, _ := strings.Cut(r.Kind, " ")
		scale := 1 / r.Unit.Size().Float(length.MM)
		unit := string(r.Unit)
		if unit != "mm" && unit != "in" && unit != "µm" {
			return out, o, fmt.Errorf("register %q is in %s, a simulated machine has mm, µm or in", r.Name, unit)
		}
		step := r.Step.Float(r.Unit)
		far := math.Round(panel*scale/step) * step
		o.Registers = append(o.Registers, machine.Register{
			Name: at, Tool: tools[r.Tool], Unit: unit, Kind: kind, Resolution: step, Min: -far, Max: far, AsText: r.Text,
		})
	}
	if err := boxed(m, &o); err != nil {
		return out, o, err
	}
	for i := range c.Loops {
		if l := &c.Loops[i]; l.Machine == m.Name {
			if l.Program != "" {
				out.Program = l.Program
			}
			for k := range l.Characteristics {
				if f, ok := behind(m, l, k, served, tools); ok {
					out.Features = append(out.Features, f)
				}
			}
		}
	}
	return out, o, nil
}

// boxed gives a simulated machine the mailbox that the configuration maps.
func boxed(m *config.Machine, o *machine.Options) error {
	h := m.Handover
	if h == nil {
		return nil
	}
	o.Handover = true
	for name, node := range map[string]string{
		"Request": h.Request, "Register": h.Register, "Old": h.Old, "New": h.New, "Check": h.Check,
		"Acknowledged": h.Acknowledged, "Result": h.Result,
	} {
		if want := boxNode + name; node != want {
			return fmt.Errorf("handover.%s is %q, a simulated machine has it at %q", strings.ToLower(name), node, want)
		}
	}
	for i, r := range m.Registers {
		if r.Number != int64(i+1) {
			return fmt.Errorf("register %q has number %d, a simulated machine counts its registers: write %d", r.Name, r.Number, i+1)
		}
	}
	return nil
}

// behind returns the process behind a characteristic: the bundled one where the
// bundled cell has it, else one that wears over its tolerance in some 120 parts.
func behind(m *config.Machine, l *config.Loop, k int, served, tools map[string]string) (cell.Feature, bool) {
	ch := l.Characteristics[k]
	if len(l.Registers) == 0 {
		return cell.Feature{}, false
	}
	j := 0
	for i, e := range l.Effects[k] {
		if e != 0 {
			j = i
			break
		}
	}
	r := m.Registers[slices.IndexFunc(m.Registers, func(r config.Register) bool { return r.Name == l.Registers[j] })]
	f := cell.Feature{
		Name: ch.Name, Tool: tools[r.Tool], Register: served[r.Name], Aim: ch.Aim.Float(length.MM), Decimals: 4,
		Limits: [2]float64{ch.Limits.Low.Float(length.MM), ch.Limits.High.Float(length.MM)},
	}
	for _, known := range cell.Valve() {
		for _, x := range known.Features {
			if known.Name == m.Name && x.Name == ch.Name && x.Register == f.Register && x.Process.Effect == l.Effects[k][j].Float() {
				f.Process, f.Decimals = x.Process, x.Decimals
				return f, true
			}
		}
	}
	half := ch.Tolerance().Float(length.UM) / 2
	wear := half / 120
	if ch.Internal {
		wear = -wear
	}
	f.Process = plant.Params{
		HalfTolerance: half, CycleMinutes: 1, GaugeEvery: 1, SigmaProcess: half / 15, SigmaGauge: half / 40, Walk: half / 150,
		SetupFirst: half / 2, SetupLater: half / 4, WearRate: wear, ToolSpread: 0.2, Life: 200,
		Effect: l.Effects[k][j].Float() * r.Unit.Size().Float(length.MM), EffectRatio: 1, Step: r.Step.Float(length.UM),
	}
	return f, true
}
