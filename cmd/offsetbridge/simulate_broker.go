package main

import (
	"context"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/simulators/broker"
)

type simulatedBroker struct {
	console
	listen string
	unsafe bool
	b      *broker.Broker
}

func simulateBrokerCommand() *cobra.Command {
	s := &simulatedBroker{}
	c := &cobra.Command{
		Use: "broker", Short: "an MQTT broker on this computer, in memory", Args: cobra.NoArgs,
		Long: `broker listens where the configuration's [mqtt] broker points and lets anybody in.
It keeps nothing over its own end and is no broker for a plant.`,
		RunE: func(cmd *cobra.Command, _ []string) error { return s.run(cmd) },
	}
	s.verbs = map[string]verb{
		"stop":    {"stop [SECONDS]", "the broker is away for so long (5)", s.stop},
		"publish": {"publish TOPIC TEXT", "a message as if a client had sent it", s.publish},
		"keep":    {"keep TOPIC TEXT", "the same, kept by the broker (retained)", s.keep},
	}
	s.flags(c)
	c.Flags().StringVar(&s.listen, "listen", "", "host:port, port 0 for a free one (default: as configured)")
	c.Flags().BoolVar(&s.unsafe, "unsafe", false, "also listen where other computers reach it: anybody could send readings")
	return c
}

func (s *simulatedBroker) run(cmd *cobra.Command) error {
	cfg, ctx, stop, err := s.open(cmd)
	if err != nil {
		return err
	}
	defer stop()
	if s.listen == "" {
		u, err := url.Parse(cfg.MQTT.Broker)
		if err != nil || u.Scheme != "mqtt" {
			return fmt.Errorf("broker %q is not simulated, as this one speaks mqtt:// only: give --listen host:port", cfg.MQTT.Broker)
		}
		s.listen = hostPort(u, "1883")
	}
	if s.b, err = broker.Start(broker.Options{Address: s.listen, Unsafe: s.unsafe}); err != nil {
		return err
	}
	defer func() { s.b.Stop() }()
	s.tell("ready", "broker at mqtt://%s, for anybody, in memory", s.b.Addr())
	second := time.NewTicker(time.Second)
	defer second.Stop()
	for n := 1; !s.ending; {
		select {
		case <-ctx.Done():
			return nil
		case line := <-s.lines:
			s.do(ctx, line)
		case <-second.C:
			s.when(ctx, n)
			n++
		}
	}
	return nil
}

func hostPort(u *url.URL, port string) string {
	if p := u.Port(); p != "" {
		port = p
	}
	return u.Hostname() + ":" + port
}

func (s *simulatedBroker) stop(ctx context.Context, rest string) error {
	d, err := away(rest)
	if err != nil {
		return err
	}
	s.tell("fault", "the broker is away for %s", d)
	s.b.Stop()
	pause(ctx, d)
	if err := s.b.Restart(); err != nil {
		return err
	}
	s.tell("ready", "the broker is back, with nothing of before")
	return nil
}

// pause waits, at most until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

func (s *simulatedBroker) publish(_ context.Context, rest string) error { return s.send(rest, false) }
func (s *simulatedBroker) keep(_ context.Context, rest string) error    { return s.send(rest, true) }

func (s *simulatedBroker) send(rest string, retained bool) error {
	topic, text, _ := strings.Cut(rest, " ")
	if topic == "" || strings.ContainsAny(topic, "+#") {
		return fmt.Errorf("topic %q is none that can be published to", topic)
	}
	if err := s.b.Publish(topic, []byte(text), retained); err != nil {
		return err
	}
	s.tell("sent", "%s: %q", topic, text)
	return nil
}
