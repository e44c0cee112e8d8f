package main

import (
	"cmp"
	"context"
	"fmt"
	"math/rand/v2"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/config"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/cell"
	"offsetbridge/simulators/gauge"
)

type simulatedGauge struct {
	console
	name, broker, machine string
	only                  []string
	every                 time.Duration
	seed                  uint64

	cfg      *config.Config
	of       *config.Gauge
	features []string
	g        *gauge.Gauge
	noise    *rand.Rand
	zero     float64 // µm
	sequence uint64
	sent     int
	faults   []gauge.Fault
	parts    chan cell.Workpiece
	last     cell.Workpiece
}

// gaugeFaults are what gauges and gateways do wrong, by what is typed.
var gaugeFaults = map[string]gauge.Fault{
	"twice": gauge.Twice, "retained": gauge.Retained, "wrong-unit": gauge.WrongUnit, "no-unit": gauge.NoUnit, "late": gauge.Late,
	"bare": gauge.Bare, "exponent": gauge.Exponent, "cut-off": gauge.CutOff, "comma": gauge.Comma, "empty": gauge.Empty,
	"nothing": gauge.Nothing, "renumber": gauge.Renumber, "reused": gauge.Reused,
}

func simulateGaugeCommand() *cobra.Command {
	s := &simulatedGauge{}
	c := &cobra.Command{
		Use: "gauge NAME", Short: "a gauge that measures what a simulated machine makes", Args: cobra.ExactArgs(1),
		Long: `gauge plays one gauge of the configuration: it publishes by that gauge's topic and
mapping, or the number alone where the mapping says so. It measures every part that
the simulated machine makes, as far as a loop lets it measure that characteristic,
and whatever is typed.`,
		RunE: func(cmd *cobra.Command, args []string) error {
			s.name = args[0]
			return s.run(cmd)
		},
	}
	var names []string
	for n := range gaugeFaults {
		names = append(names, n)
	}
	slices.Sort(names)
	s.verbs = map[string]verb{
		"again": {"again", "measure the last part once more", func(ctx context.Context, _ string) error { return s.measure(ctx, s.last) }},
		"send":  {"send VALUE CHARACTERISTIC", "a value in mm, of the last part", s.send},
		"ring":  {"ring STANDARD", "measure a setting ring by mistake", s.ring},
		"raw":   {"raw TEXT", "these bytes, as they are", s.raw},
		"zero":  {"zero UM", "the gauge is knocked: its zero is off by so many µm", s.knock},
		"fault": {"fault NAME [N]", "the next N readings go wrong: " + strings.Join(names, ", "), func(_ context.Context, rest string) error {
			return s.arm(rest, names)
		}},
	}
	s.flags(c)
	f := c.Flags()
	f.StringVar(&s.broker, "broker", "", "mqtt://host:port (default: as configured)")
	f.StringVar(&s.machine, "machine", "", "opc.tcp://host:port of the simulated machine (default: as configured)")
	f.StringSliceVar(&s.only, "only", nil, "only these characteristics")
	f.DurationVar(&s.every, "pause", 0, "from the part to its reading, and between readings")
	f.Uint64Var(&s.seed, "seed", 1, "seed of its scatter")
	return c
}

func (s *simulatedGauge) run(cmd *cobra.Command) error {
	cfg, ctx, stop, err := s.open(cmd)
	if err != nil {
		return err
	}
	defer stop()
	s.cfg, s.of = cfg, cfg.Gauge(s.name)
	if s.of == nil {
		return fmt.Errorf("gauge %q is not in the configuration", s.name)
	}
	m, err := s.serves()
	if err != nil {
		return err
	}
	if s.machine == "" {
		s.machine = m.Endpoint
	}
	if s.broker == "" {
		s.broker = cfg.MQTT.Broker
	}
	u, err := url.Parse(s.broker)
	if err != nil || u.Scheme != "mqtt" && u.Scheme != "tcp" {
		return fmt.Errorf("broker %q is no mqtt://host:port, which is all a simulated gauge speaks", s.broker)
	}
	if s.g, err = gauge.Dial(ctx, s.options(m.Name, u)); err != nil {
		return err
	}
	defer s.g.Close()
	s.noise = rand.New(rand.NewPCG(s.seed, 7))
	s.parts = make(chan cell.Workpiece, 64)
	go cell.Watch(ctx, s.machine, func(text string) { s.tell("waits", "%s", text) }, func(w cell.Workpiece) {
		select {
		case s.parts <- w:
		case <-ctx.Done():
		}
	})
	s.tell("ready", "gauge %s measures %s of %s and publishes at %s", s.name, strings.Join(s.features, ", "), m.Name, s.broker)
	for !s.ending {
		select {
		case <-ctx.Done():
			return nil
		case line := <-s.lines:
			s.do(ctx, line)
		case w := <-s.parts:
			if err := s.measure(ctx, w); err != nil && ctx.Err() == nil {
				s.tell("wrong", "%v", err)
			}
		}
	}
	return nil
}

// serves finds the machine and the characteristics that the gauge may measure.
func (s *simulatedGauge) serves() (*config.Machine, error) {
	var m *config.Machine
	for i := range s.cfg.Loops {
		l := &s.cfg.Loops[i]
		for _, ch := range l.Characteristics {
			for _, use := range ch.Gauges {
				if use.Gauge != s.name || len(s.only) > 0 && !slices.Contains(s.only, ch.Name) {
					continue
				}
				if m == nil {
					m = s.cfg.Machine(l.Machine)
				}
				if m.Name == l.Machine {
					s.features = append(s.features, ch.Name)
				}
			}
		}
	}
	switch {
	case m == nil:
		return nil, fmt.Errorf("gauge %q measures no characteristic of a loop, name it in gauges of one", s.name)
	case !m.Demo:
		return nil, fmt.Errorf("gauge %q serves machine %q, which is real: readings are invented for simulated machines only", s.name, m.Name)
	}
	return m, nil
}

// options says the gauge's mapping in the simulator's words.
func (s *simulatedGauge) options(machine string, broker *url.URL) gauge.Options {
	g := s.of
	m := g.Message
	o := gauge.Options{
		Broker: "tcp://" + hostPort(broker, "1883"), Station: g.Name, Text: g.DecimalComma,
		Topic: strings.NewReplacer("{machine}", machine, "{gauge}", g.Name).Replace(g.Topic),
		Form:  &gauge.Form{Bare: g.BareNumber, Comma: g.DecimalComma, Pointers: map[string]string{}, Times: g.TimeFormat, Machine: machine},
	}
	parts := strings.Split(o.Topic, "/")
	for i, p := range parts {
		if strings.HasPrefix(p, "{") || p == "+" || p == "#" {
			parts[i] = "x"
		}
	}
	o.Topic = strings.Join(parts, "/")
	for field, f := range map[string]config.Field{
		"value": m.Value, "unit": m.Unit, "sequence": m.Sequence, "time": m.Time, "characteristic": m.Characteristic,
		"machine": m.Machine, "part": m.Part, "cut": m.Cut, "state": m.State,
	} {
		if f.Kind == config.Pointer {
			o.Form.Pointers[field] = f.Text
		}
	}
	if m.Unit.Kind == config.Constant {
		if u, err := length.ParseUnit(m.Unit.Text); err == nil && (u == length.IN || u == length.UM) {
			o.Unit = string(u)
		}
	}
	o.Decimals = min(g.MaxDecimals, length.Unit(cmp.Or(o.Unit, string(length.MM))).Digits(g.Resolution)) // it shows no more than it resolves
	return o
}

// measure gauges every feature of a part.
func (s *simulatedGauge) measure(ctx context.Context, w cell.Workpiece) error {
	if w.Sizes == nil {
		return fmt.Errorf("no part has been made yet")
	}
	s.last = w
	for _, name := range s.features {
		size, ok := w.Sizes[name]
		if !ok {
			continue
		}
		if s.every > 0 {
			pause(ctx, s.every)
		}
		if err := s.publish(ctx, name, size*1e6); err != nil {
			return err
		}
	}
	return nil
}

// publish sends one reading of a true size in nanometres.
func (s *simulatedGauge) publish(ctx context.Context, feature string, nm float64) error {
	s.sent++
	n := s.sent
	s.when(ctx, n)
	s.sequence++
	sigma := max(float64(s.of.Trust.Instrument.Repeatability), float64(s.of.Resolution)/2)
	r := gauge.Reading{
		Sequence: s.sequence, Time: time.Now(), Characteristic: feature, Part: strconv.FormatUint(s.last.Count, 10),
		Nanometres: int64(nm + s.zero*1000 + sigma*s.noise.NormFloat64()),
	}
	if s.of.Identity == "serial" {
		r.Part = s.last.Serial
	}
	var faults []gauge.Fault
	if len(s.faults) > 0 {
		faults, s.faults = s.faults[:1], s.faults[1:]
		if faults[0] == gauge.Renumber {
			s.sequence = 1
		}
	}
	payload := s.g.Payload(r, faults...)
	if err := s.g.Send(ctx, r, faults...); err != nil {
		return err
	}
	said := ""
	if len(faults) > 0 {
		said = fmt.Sprintf(", fault %s", faults[0])
	}
	s.tell("reading", "reading %d of part %s: %q%s", n, r.Part, payload, said)
	return nil
}

func (s *simulatedGauge) send(ctx context.Context, rest string) error {
	number, feature, _ := strings.Cut(rest, " ")
	v, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return fmt.Errorf("%q is no number, write: send VALUE CHARACTERISTIC", number)
	}
	if feature == "" {
		feature = s.features[0]
	}
	return s.publish(ctx, feature, v*1e6)
}

func (s *simulatedGauge) ring(ctx context.Context, rest string) error {
	for _, x := range s.cfg.Standards {
		if x.Name == rest {
			return s.publish(ctx, s.features[0], float64(x.Value))
		}
	}
	return fmt.Errorf("standard %q is not in the configuration", rest)
}

func (s *simulatedGauge) raw(ctx context.Context, rest string) error {
	if err := s.g.SendRaw(ctx, []byte(rest), false); err != nil {
		return err
	}
	s.tell("reading", "raw %q", rest)
	return nil
}

func (s *simulatedGauge) knock(_ context.Context, rest string) error {
	v, err := strconv.ParseFloat(rest, 64)
	if err != nil || v < -1000 || v > 1000 {
		return fmt.Errorf("%q is no number of µm from -1000 to 1000", rest)
	}
	s.zero = v
	s.tell("fault", "the zero is off by %v µm", v)
	return nil
}

func (s *simulatedGauge) arm(rest string, names []string) error {
	name, n, err := times(rest)
	if err != nil {
		return err
	}
	f, ok := gaugeFaults[name]
	if !ok {
		return noFault(name, names)
	}
	for range n {
		s.faults = append(s.faults, f)
	}
	s.tell("fault", "%s, for the next %d readings", name, n)
	return nil
}
