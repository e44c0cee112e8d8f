package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"offsetbridge/simulators/cell"
	"offsetbridge/simulators/machine"
)

// fault is one thing that goes wrong on demand, before the part-th part of its
// machine.
type fault struct {
	name string
	part int
}

var faultNames = []string{"chip", "lost-answer", "setting", "ring-due", "hand-edit", "swap", "wrong-sign", "server", "broker"}

func parseFaults(texts []string) ([]fault, error) {
	var out []fault
	for _, t := range texts {
		name, at, ok := strings.Cut(t, "@")
		part, err := strconv.Atoi(at)
		if !ok || err != nil || part < 1 || !slices.Contains(faultNames, name) {
			return nil, fmt.Errorf("fault %q is not known, write NAME@PART with a NAME of %s", t, strings.Join(faultNames, ", "))
		}
		out = append(out, fault{name, part})
	}
	return out, nil
}

// outage is how long a server or the broker is away.
const outage = 3 * time.Second

// strike makes the faults that are due on a machine. The mill's bore is the one
// that suffers, the lathe's server the one that goes away.
func (d *demo) strike(ctx context.Context, u *cell.Unit, part int, faults []fault) {
	mill := u == d.cell.Units()[0]
	const register = "T12-diameter"
	for _, f := range faults {
		if f.name == "ring-due" && mill {
			d.ringDue(ctx, u, part-f.part)
		}
		if f.part != part || (f.name == "server") == mill {
			continue
		}
		switch f.name {
		case "chip":
			d.view.say("%s: a chip sits under the anvil of the bore gauge", u.Machine.Name)
			u.Chip(bore, -40)
		case "lost-answer":
			d.view.say("%s: the answer to the next register write will be lost", u.Machine.Name)
			u.Server.Fault(machine.LoseAnswer, 1)
		case "setting":
			d.view.say("%s: the bore gauge is knocked and nobody notices; the bore's tool gets a new edge, preset small", u.Machine.Name)
			u.Server.SetRegister(register, u.Server.State().Registers[register]+0.016) //nolint:errcheck // inside the control's range
			u.Knock(bore, knocked)
			u.SwapTool(bore, true)
			d.view.doubt(u)
		case "hand-edit":
			v := u.Server.State().Registers[register] + 0.004
			d.view.say("%s: somebody types %+.3f mm into %s at the panel", u.Machine.Name, v, register)
			u.Server.SetRegister(register, v) //nolint:errcheck // inside the control's range
		case "swap":
			d.view.say("%s: the bore's tool is changed and nobody reports it", u.Machine.Name)
			u.SwapTool(bore, false)
		case "wrong-sign":
			d.view.say("%s: somebody has swapped the sign of the bore's offset in the control: what is added now takes away, and nobody knows", u.Machine.Name)
			u.Reverse(bore, true)
			d.view.reversed(u)
		case "server":
			d.view.say("%s: its server is away for %s", u.Machine.Name, outage)
			u.Server.Stop()
			time.AfterFunc(outage, func() { u.Server.Restart() }) //nolint:errcheck // tried again by nobody: a demo
		case "broker":
			d.view.say("the broker is away for %s", outage)
			d.cell.Broker.Stop()
			time.AfterFunc(outage, func() { d.cell.Broker.Restart() }) //nolint:errcheck // as above
		}
	}
}
