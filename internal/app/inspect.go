package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/machine"
)

// Inspection says what every loop would be allowed to do, and why not more.
type Inspection struct {
	Broker   string           `json:"broker,omitempty"` // what the broker said; empty when not asked
	BrokerUp bool             `json:"broker_up"`
	Machines []machine.Report `json:"machines,omitempty"`
	Loops    []Permission     `json:"loops"`
}

// OK reports whether everything that was asked answered as configured.
func (i Inspection) OK() bool {
	for _, m := range i.Machines {
		if !m.Up {
			return false
		}
	}
	return (i.Broker == "" || i.BrokerUp) && !slices.ContainsFunc(i.Loops, func(p Permission) bool { return p.Closed })
}

// Permission is what one loop may do.
type Permission struct {
	Machine string    `json:"machine"`
	Loop    string    `json:"loop"`
	Mode    core.Mode `json:"mode"`
	May     string    `json:"may"`
	Because []string  `json:"because,omitempty"` // why not more
	Closed  bool      `json:"closed,omitempty"`  // by its mode it would write, and the machine does not let us

	Prompts *core.Expected `json:"prompts,omitempty"` // how often it will ask; nil where it proposes nothing
}

// Inspect works out what the loops of a configuration may do; with dial it also
// asks the broker and every machine.
func Inspect(ctx context.Context, c *config.Config, dial bool) (Inspection, error) {
	var out Inspection
	reports := make([]machine.Report, len(c.Machines))
	if dial {
		var all sync.WaitGroup
		for i := range c.Machines {
			if c.Machines[i].ByHand {
				reports[i] = machine.Report{Up: true, Endpoint: "no address"}
				continue
			}
			o, err := machineOptions(&c.Machines[i], monotonic(), zap.NewNop())
			if err != nil {
				return out, err
			}
			all.Go(func() { reports[i] = machine.Inspect(ctx, o) })
		}
		var err error
		out.Broker, out.BrokerUp, err = askBroker(ctx, c)
		all.Wait()
		if err != nil {
			return out, err
		}
		out.Machines = reports
	}
	for i := range c.Machines {
		s := c.Settings(c.Machines[i].Name)
		for k := range s.Loops {
			out.Loops = append(out.Loops, permission(&s, &s.Loops[k], dial, &reports[i]))
		}
	}
	return out, nil
}

func monotonic() func() int64 {
	start := time.Now()
	return func() int64 { return time.Since(start).Milliseconds() }
}

// permission says what a loop may do, from its mode down to what is missing.
func permission(s *core.Settings, l *core.Loop, dialled bool, r *machine.Report) Permission {
	p := Permission{Machine: s.Machine, Loop: l.Name, Mode: l.Mode, Prompts: s.Expect(l)}
	if dialled && !r.Up {
		p.May = "nothing"
		for _, x := range r.Problems {
			p.Because = append(p.Because, x.Text)
		}
		return p
	}
	lacking := map[string]string{
		"counter": "the machine exposes no part counter, so a reading cannot be tied to the register in force at its cut",
		"tool":    "the machine exposes no tool generation, so a tool change would go unseen",
		"state":   "the machine does not tell whether it is cutting",
	}
	for _, what := range s.Lacks {
		p.Because = append(p.Because, lacking[what])
	}
	for _, c := range l.Characteristics {
		for _, g := range c.Gauges {
			if g.Identity != "counter" && g.Identity != "serial" {
				p.Because = append(p.Because, fmt.Sprintf("gauge %s says whose part it measures only by %s", g.Gauge, g.Identity))
			}
		}
	}
	for _, name := range r.Closed {
		if slices.Contains(l.Registers, name) && l.Mode != core.Observe {
			p.Closed, p.Because = true, append(p.Because, fmt.Sprintf("the machine's server does not let our user change register %s", name))
		}
	}
	if s.ByHand {
		p.Because = []string{"its machine is by hand"}
	}
	zero := slices.ContainsFunc(l.Effects, func(row []core.Effect) bool { return slices.Contains(row, 0) })
	switch {
	case l.Mode == core.Observe:
		p.May, p.Because = "compute and record, never write", append(p.Because, "its mode is observe")
	case zero:
		p.May, p.Because = "advise, never write", append(p.Because, "the register does not change this size")
	case p.Closed:
		p.May = "propose, never write"
	case s.ByHand:
		p.May = "say what to type"
	case l.Mode == core.Confirm:
		p.May, p.Because = "write what a person approved", append(p.Because, "its mode is confirm")
	case len(p.Because) > 0:
		p.May = "write what a person approved"
	default:
		p.May = fmt.Sprintf("write by itself up to %s in size at once and %s a tool life, beyond that what a person approved",
			l.Bounds.AutoStep, l.Bounds.Travel)
	}
	return p
}

// askBroker connects briefly and returns what there was to say.
func askBroker(ctx context.Context, c *config.Config) (say string, up bool, err error) {
	if len(c.Gauges) == 0 {
		return "", true, nil
	}
	o, err := intakeOptions(c, zap.NewNop())
	if err != nil {
		return "", false, err
	}
	o.ClientID += "-check" // the daemon's session stays its own
	in, err := intake.Open(ctx, o)
	if err != nil {
		return "", false, err
	}
	defer in.Close()
	deadline := time.NewTimer(5 * time.Second)
	defer deadline.Stop()
	var seen []string
	for {
		select {
		case s := <-in.Status():
			if s.Up {
				return "connected and subscribed", true, nil
			}
			if s.Text != "" && !slices.Contains(seen, s.Text) {
				seen = append(seen, s.Text)
			}
		case <-in.Messages(): // not ours to acknowledge: the next session of this name gets it again
		case <-deadline.C:
			if len(seen) == 0 {
				seen = []string{"no answer within 5 s, check the address"}
			}
			return strings.Join(seen, "; "), false, nil
		}
	}
}
