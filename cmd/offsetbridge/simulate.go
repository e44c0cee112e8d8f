package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"offsetbridge/config"
)

func simulateCommand() *cobra.Command {
	c := &cobra.Command{
		Use: "simulate", Short: "one simulator alone: machine, gauge, broker",
		Long: `simulate runs one part of a cell, each in a terminal of its own, so that two
people can test against each other and everything can be tried without iron. What
is simulated comes from a configuration whose machines say demo = true (without
-c: the cell of demo), so that ` + "`offsetbridge run`" + ` with the same file finds it.

Each simulator takes commands, one a line, on its standard input ("help" lists
them), and with --at "N: COMMAND" before its N-th part, reading or second.
Everything listens on this computer only and cuts no metal.`,
	}
	c.AddCommand(simulateBrokerCommand(), simulateMachineCommand(), simulateGaugeCommand())
	return c
}

// console is what every simulator has: a configuration, lines of command, and a
// way to tell.
type console struct {
	path   string
	json   bool
	at     []string
	out    io.Writer
	in     io.Reader
	mu     sync.Mutex
	due    map[int][]string
	lines  chan string
	verbs  map[string]verb
	ending bool
}

// verb is one command of a simulator.
type verb struct {
	usage, about string
	do           func(ctx context.Context, rest string) error
}

func (s *console) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVarP(&s.path, "config", "c", "", "configuration with demo machines (default: the cell of demo)")
	f.BoolVar(&s.json, "json", false, "tell in JSON lines")
	f.StringArrayVar(&s.at, "at", nil, `a command at a certain part, reading or second, as "N: COMMAND"`)
	c.MarkFlagFilename("config", "toml") //nolint:errcheck // the flag exists
}

// open readies the console; the context ends with an interrupt.
func (s *console) open(cmd *cobra.Command) (*config.Config, context.Context, context.CancelFunc, error) {
	s.out, s.in = cmd.OutOrStdout(), cmd.InOrStdin()
	s.due, s.lines = map[int][]string{}, make(chan string)
	for _, text := range s.at {
		n, line, ok := strings.Cut(text, ":")
		k, err := strconv.Atoi(strings.TrimSpace(n))
		if !ok || err != nil || k < 1 {
			return nil, nil, nil, fmt.Errorf(`--at %q is not understood, write "N: COMMAND" with a whole number above 0`, text)
		}
		word, _, _ := strings.Cut(strings.TrimSpace(line), " ")
		if _, known := s.verbs[word]; !known {
			return nil, nil, nil, s.unknown(word)
		}
		s.due[k] = append(s.due[k], line)
	}
	cfg, err := s.load()
	if err != nil {
		return nil, nil, nil, err
	}
	ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
	go s.read(ctx)
	return cfg, ctx, stop, nil
}

func (s *console) load() (*config.Config, error) {
	if s.path == "" {
		return config.Parse("demo.toml", config.Demo)
	}
	return config.Load(s.path)
}

// read passes on what is typed. The end of the input ends nothing: a simulator
// in the background has none.
func (s *console) read(ctx context.Context) {
	lines := bufio.NewScanner(s.in)
	for lines.Scan() {
		select {
		case s.lines <- lines.Text():
		case <-ctx.Done():
			return
		}
	}
}

// when does what is due before the n-th part, reading or second.
func (s *console) when(ctx context.Context, n int) {
	for _, line := range s.due[n] {
		s.do(ctx, line)
	}
}

// do runs one line; what is wrong with it is told.
func (s *console) do(ctx context.Context, line string) {
	word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	var err error
	switch v, ok := s.verbs[word]; {
	case word == "":
	case word == "help":
		s.help()
	case word == "quit":
		s.ending = true
	case !ok:
		err = s.unknown(word)
	default:
		err = v.do(ctx, strings.TrimSpace(rest))
	}
	if err != nil {
		s.tell("wrong", "%v", err)
	}
}

func (s *console) words() []string {
	words := []string{"help", "quit"}
	for w := range s.verbs {
		words = append(words, w)
	}
	slices.Sort(words)
	return words
}

func (s *console) unknown(word string) error {
	return fmt.Errorf("command %q is not known, write one of %s", word, strings.Join(s.words(), ", "))
}

func (s *console) help() {
	for _, w := range s.words() {
		if v, ok := s.verbs[w]; ok {
			s.tell("help", "%-28s %s", v.usage, v.about)
		}
	}
	s.tell("help", "%-28s %s", "quit", "end")
}

// tell prints one line: what happened, in words.
func (s *console) tell(kind, format string, a ...any) {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := fmt.Sprintf(format, a...)
	if !s.json {
		fmt.Fprintln(s.out, text) //nolint:errcheck // a terminal
		return
	}
	b, err := json.Marshal(map[string]string{"at": time.Now().UTC().Format("2006-01-02T15:04:05.000Z"), "kind": kind, "say": text})
	if err == nil {
		fmt.Fprintln(s.out, string(b)) //nolint:errcheck // a terminal
	}
}

// fail returns what a fault verb says about a name that it does not know.
func noFault(name string, have []string) error {
	return fmt.Errorf("fault %q is not known, write one of %s", name, strings.Join(have, ", "))
}

// times reads "NAME [N]".
func times(rest string) (name string, n int, err error) {
	n = 1
	if i := strings.LastIndexByte(rest, ' '); i >= 0 {
		if k, err := strconv.Atoi(rest[i+1:]); err == nil {
			rest, n = strings.TrimSpace(rest[:i]), k
		}
	}
	if n < 1 || n > 1000 {
		return "", 0, fmt.Errorf("%d times is not 1 to 1000", n)
	}
	return rest, n, nil
}

// away reads the seconds of an outage.
func away(rest string) (time.Duration, error) {
	if rest == "" {
		return 5 * time.Second, nil
	}
	if n, err := strconv.ParseFloat(rest, 64); err == nil {
		rest = strconv.FormatFloat(n, 'f', -1, 64) + "s"
	}
	d, err := time.ParseDuration(rest)
	if err != nil || d <= 0 || d > time.Hour {
		return 0, fmt.Errorf("%q is no time up to an hour, write seconds", rest)
	}
	return d, nil
}
