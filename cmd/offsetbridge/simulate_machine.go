package main

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/simulators/cell"
	"offsetbridge/simulators/machine"
)

type simulatedMachine struct {
	console
	name, listen string
	unsafe       bool
	poor         []string
	filler       int
	noLimits     bool
	cycle        time.Duration
	parts        int
	seed         uint64
	unit         *cell.Unit
	made         int
}

// poverty is what a poor server does not offer.
var poverty = map[string]func(*machine.Options){
	"counter":    func(o *machine.Options) { o.NoCounter = true },
	"generation": func(o *machine.Options) { o.NoGeneration = true },
	"permitted":  func(o *machine.Options) { o.NoPermitted = true },
	"units":      func(o *machine.Options) { o.NoUnits = true },
	"numbers": func(o *machine.Options) {
		for i := range o.Registers {
			o.Registers[i].AsText = true
		}
	},
}

func simulateMachineCommand() *cobra.Command {
	s := &simulatedMachine{}
	c := &cobra.Command{
		Use: "machine [NAME]", Short: "a machine tool with its offset table, on OPC UA", Args: cobra.MaximumNArgs(1),
		Long: `machine serves one machine of the configuration at its endpoint: serial, counter,
program, tools and the registers that the file maps, and a process behind them that
wears. Parts come by themselves every --cycle, or with the command "cut"; a
simulated gauge finds their sizes at the machine's server.

A poor server: --without counter,generation,permitted,units,numbers leaves that
out (without numbers the registers are text), --filler N adds so many numeric nodes
of no meaning, and --no-limits tells no operation limits.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				s.name = args[0]
			}
			return s.run(cmd)
		},
	}
	s.verbs = s.commands()
	s.flags(c)
	f := c.Flags()
	f.StringVar(&s.listen, "listen", "", "host:port, port 0 for a free one (default: as configured)")
	f.BoolVar(&s.unsafe, "unsafe", false, "also listen where other computers reach it")
	f.StringSliceVar(&s.poor, "without", nil, "what the server does not offer: counter, generation, permitted, units, numbers")
	f.IntVar(&s.filler, "filler", 0, "so many numeric nodes of no meaning beside the others")
	f.BoolVar(&s.noLimits, "no-limits", false, "tell no operation limits, and list any folder in one answer")
	f.DurationVar(&s.cycle, "cycle", 10*time.Second, `time of one part; 0: only with the command "cut"`)
	f.IntVar(&s.parts, "parts", 0, "stand still after so many parts by itself (0: never)")
	f.Uint64Var(&s.seed, "seed", 1, "seed of the simulated process")
	return c
}

func (s *simulatedMachine) run(cmd *cobra.Command) error {
	cfg, ctx, stop, err := s.open(cmd)
	if err != nil {
		return err
	}
	defer stop()
	m, err := demoMachine(cfg, s.name)
	if err != nil {
		return err
	}
	described, o, err := simulated(cfg, m)
	if err != nil {
		return err
	}
	for _, p := range s.poor {
		leave, ok := poverty[p]
		if !ok {
			return fmt.Errorf("--without %q is not known, write counter, generation, permitted, units or numbers", p)
		}
		leave(&o)
	}
	o.Filler, o.NoLimits, o.AllowNonLoopback, o.Addr = s.filler, s.noLimits, s.unsafe, s.listen
	if o.Addr == "" {
		u, err := url.Parse(m.Endpoint)
		if err != nil {
			return fmt.Errorf("endpoint %q is no address: %w", m.Endpoint, err)
		}
		o.Addr = hostPort(u, "4840")
	}
	if s.unit, err = cell.Alone(described, o, s.seed); err != nil {
		return err
	}
	defer s.unit.Server.Close() //nolint:errcheck // a simulator
	s.unit.Server.OnEffect(func(e machine.Effect) {
		s.tell("written", "%s: %v → %v, by %s", e.Register, e.Old, e.New, e.Session)
	})
	s.tell("ready", "machine %s (%s) at %s, simulated, cuts no metal", m.Name, m.Serial, s.unit.Server.Endpoint())
	s.serve(ctx)
	return nil
}

// serve makes parts and does what is typed until it is told to end.
func (s *simulatedMachine) serve(ctx context.Context) {
	for !s.ending {
		var next <-chan time.Time
		if s.cycle > 0 && (s.parts == 0 || s.made < s.parts) {
			next = time.After(s.cycle / 2)
		}
		select {
		case <-ctx.Done():
			return
		case line := <-s.lines:
			s.do(ctx, line)
		case <-next:
			s.cut(ctx)
		}
	}
}

// cut makes one part; half of the cycle is cutting, the other half standing.
func (s *simulatedMachine) cut(ctx context.Context) {
	s.made++
	s.when(ctx, s.made)
	made, tools := s.unit.Make(func() { pause(ctx, s.cycle/2) })
	for _, t := range tools {
		s.tell("tool", "tool %s got a new edge before part %d", t, made.Count)
	}
	var sizes []string
	for _, f := range made.Features {
		sizes = append(sizes, fmt.Sprintf("%s %.4f mm", f.Name, f.True))
	}
	s.tell("part", "part %d: %s", made.Count, strings.Join(sizes, ", "))
}

func (s *simulatedMachine) commands() map[string]verb {
	return map[string]verb{
		"cut":     {"cut [N]", "make a part now, or N", s.doCut},
		"cycle":   {"cycle SECONDS", "parts come by themselves so often; 0: no more", s.doCycle},
		"set":     {"set VALUE REGISTER", "type a register value at the panel", s.doSet},
		"tool":    {"tool NAME [unreported]", "put a new edge in", s.doTool},
		"counter": {"counter N | +N | -N", "the part counter is set, jumps or goes back", s.doCounter},
		"program": {"program NAME", "another program is selected", s.doProgram},
		"serial":  {"serial TEXT", "serial of the part in the machine", s.doSerial},
		"stop":    {"stop [SECONDS]", "the server is away for so long (5)", s.doStop},
		"fault":   {"fault NAME [N]", "the next N requests go wrong: " + strings.Join(faultWords(), ", "), s.doFault},
		"show":    {"show", "counter, program, tools and registers", s.doShow},
	}
}

func (s *simulatedMachine) doCut(ctx context.Context, rest string) error {
	n := 1
	if rest != "" {
		k, err := strconv.Atoi(rest)
		if err != nil || k < 1 || k > 1000 {
			return fmt.Errorf("%q is no number of parts from 1 to 1000", rest)
		}
		n = k
	}
	for range n {
		s.cut(ctx)
		pause(ctx, min(s.cycle/2, time.Second))
	}
	return nil
}

func (s *simulatedMachine) doCycle(_ context.Context, rest string) error {
	n, err := strconv.ParseFloat(rest, 64)
	if err != nil || n < 0 || n > 3600 {
		return fmt.Errorf("%q is no number of seconds from 0 to 3600", rest)
	}
	s.cycle = time.Duration(n * float64(time.Second))
	return nil
}

func (s *simulatedMachine) doSet(_ context.Context, rest string) error {
	number, name, _ := strings.Cut(rest, " ")
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return fmt.Errorf("%q is no number, write: set VALUE REGISTER", number)
	}
	if err := s.unit.Server.SetRegister(strings.TrimSpace(name), v); err != nil {
		return err
	}
	s.tell("panel", "somebody typed %v into %s", v, name)
	return nil
}

func (s *simulatedMachine) doTool(_ context.Context, rest string) error {
	name, how, _ := strings.Cut(rest, " ")
	if _, ok := s.unit.Server.State().Tools[name]; !ok || how != "" && how != "unreported" {
		return fmt.Errorf("tool %q is not known, or %q is not \"unreported\"", name, how)
	}
	for _, f := range s.unit.Machine.Features {
		if f.Tool == name {
			s.unit.SwapTool(f.Name, false) // reported below, at once
		}
	}
	s.unit.Server.ChangeTool(name, how == "")
	s.tell("tool", "tool %s gets a new edge, %s", name, map[bool]string{true: "reported", false: "and nobody reports it"}[how == ""])
	return nil
}

func (s *simulatedMachine) doCounter(_ context.Context, rest string) error {
	n, err := strconv.ParseInt(rest, 10, 63)
	if err != nil {
		return fmt.Errorf("%q is no whole number", rest)
	}
	jump := strings.HasPrefix(rest, "+") || n < 0
	s.unit.Server.Update(func(st *machine.State) {
		if jump {
			st.Counter = uint64(max(int64(st.Counter)+n, 0))
		} else {
			st.Counter = uint64(n)
		}
	})
	s.tell("fault", "the part counter shows %d", s.unit.Server.State().Counter)
	return nil
}

func (s *simulatedMachine) doProgram(_ context.Context, rest string) error {
	s.unit.Server.Update(func(st *machine.State) { st.Program = rest })
	return nil
}

func (s *simulatedMachine) doSerial(_ context.Context, rest string) error {
	s.unit.Server.Update(func(st *machine.State) { st.PartSerial = rest })
	return nil
}

func (s *simulatedMachine) doStop(ctx context.Context, rest string) error {
	d, err := away(rest)
	if err != nil {
		return err
	}
	s.tell("fault", "the server is away for %s", d)
	s.unit.Server.Stop()
	pause(ctx, d)
	return s.unit.Server.Restart()
}

// machineFaults are the faults of requests, by what is typed.
var machineFaults = map[string]machine.Fault{
	"lost-request": machine.LoseRequest, "lost-answer": machine.LoseAnswer, "late-effect": machine.LateEffect(3 * time.Second),
	"good-not-applied": machine.GoodNotApplied, "clipped": machine.ClipValue, "uncertain": machine.UncertainAnswer,
	"refused": machine.RefuseWrite, "drop-before": machine.DropOnWrite, "drop-after": machine.DropAfterWrite,
	"ignore-handover": machine.IgnoreHandover, "late-handover": machine.LateHandover(time.Second),
	"refuse-handover": machine.RefuseHandover(9), "another-handover": machine.AnotherHandover, "false-handover": machine.FalseHandover,
	"drop": machine.DropConnection, "slow-read": machine.SlowRead(time.Second), "frozen-read": machine.FrozenRead, "bad-read": machine.BadRead,
}

func faultWords() []string {
	var words []string
	for w := range machineFaults {
		words = append(words, w)
	}
	slices.Sort(words)
	return words
}

func (s *simulatedMachine) doFault(_ context.Context, rest string) error {
	name, n, err := times(rest)
	if err != nil {
		return err
	}
	f, ok := machineFaults[name]
	if !ok {
		return noFault(name, faultWords())
	}
	s.unit.Server.Fault(f, n)
	s.tell("fault", "%s, for the next %d such requests", name, n)
	return nil
}

func (s *simulatedMachine) doShow(context.Context, string) error {
	st := s.unit.Server.State()
	s.tell("show", "counter %d, program %s, part %q", st.Counter, st.Program, st.PartSerial)
	for _, t := range s.unit.Machine.Features {
		s.tell("show", "%s: %s %v, tool %s generation %d", t.Name, t.Register, st.Registers[t.Register], t.Tool, st.Tools[t.Tool].Generation)
	}
	return nil
}
