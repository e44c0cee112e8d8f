// Package shop puts independent parts together to one small cell for end-to-end
// tests: the broker of the distribution, the independent OPC UA machine, a
// gauge, and between them metal whose size follows the machine's register. It
// knows nothing of the program under test but the configuration it is given.
package shop

import (
	"context"
	_ "embed"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"offsetbridge/simulators/gauge"
	"offsetbridge/testdata/peers"
	"offsetbridge/testdata/peers/mosquitto"
)

// Names that the configuration and the machine share.
const (
	Mill     = "mill-1"
	Loop     = "bore"
	Register = "T12-diameter"
	Tool     = "T12"
	Program  = "BODY"
	Feature  = "bore 28 H8"
	Station  = "bore-1"
	Topic    = "cell/mill-1/gauge/bore-1/reading"
)

// Aim is the size steered to, the middle of 28 H8, in nanometres.
const Aim = 28_016_500

//go:embed shop.toml
var template string

// Options of a shop.
type Options struct {
	Broker   mosquitto.Options
	Machine  func(*peers.Options) // changes the machine before it starts
	Without  bool                 // no machine: the test brings its own
	User     string               // of the gauge at the broker
	Password string
	Metal    Metal
	Seed     uint64
}

// Metal says how a part comes to size, in nanometres.
type Metal struct {
	Setup   float64 // of the first part, off the aim
	Wear    float64 // each part comes out so much smaller than the one before
	Swing   float64 // amplitude of a slow swing, for a process that never comes to rest
	Scatter float64 // standard deviation
}

// swingParts is the period of Metal.Swing.
const swingParts = 30

// Shop is a running cell. One goroutine cuts and measures.
type Shop struct {
	Broker  *mosquitto.Broker
	Machine *peers.Machine
	Gauge   *gauge.Gauge
	Dir     string // of configuration, journal and socket; short enough for a socket
	Sent    []uint64

	o    Options
	rng  *rand.Rand
	next uint64 // of the gauge
}

// Part is one that was cut.
type Part struct {
	Count uint64
	Size  int64 // nanometres
	At    float64
}

// Open starts broker, machine and gauge.
func Open(t testing.TB, o Options) *Shop {
	t.Helper()
	s := &Shop{o: o, rng: rand.New(rand.NewPCG(o.Seed, 1))}
	dir, err := os.MkdirTemp("", "shop") // a test's own folder has too long a name for a socket
	if err != nil {
		t.Fatal(err)
	}
	s.Dir = dir
	t.Cleanup(func() { os.RemoveAll(dir) })
	s.Broker = mosquitto.Start(t, o.Broker)
	m := peers.Options{
		Serial: "SHOP 1", Name: Mill, Program: Program, Memory: filepath.Join(dir, "machine.json"),
		Tools: []peers.Tool{{Name: Tool}},
		Registers: []peers.Register{{
			Name: Register, Tool: Tool, Unit: "mm", Kind: "diameter", Resolution: 0.001, Min: -1, Max: 1,
		}},
	}
	if o.Machine != nil {
		o.Machine(&m)
	}
	if !o.Without {
		s.Machine = peers.StartMachine(t, m)
	}
	s.Gauge, err = gauge.Dial(context.Background(), gauge.Options{
		Broker: s.Broker.URL(), Station: Station, Topic: Topic, Decimals: 4, User: o.User, Password: o.Password,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Gauge.Close)
	return s
}

// Path is where Config puts the configuration.
func (s *Shop) Path() string { return filepath.Join(s.Dir, "cell.toml") }

// Journal is the folder of the record.
func (s *Shop) Journal() string { return filepath.Join(s.Dir, "journal") }

// Socket is where the program answers.
func (s *Shop) Socket() string { return filepath.Join(s.Dir, "ob.sock") }

// Config writes the configuration with changes, pairs of old and new text, and
// returns its path. An old text that is not there fails the test.
func (s *Shop) Config(t testing.TB, changes ...string) string {
	t.Helper()
	text := strings.ReplaceAll(template, "BROKER", "mqtt://"+s.Broker.Addr())
	if s.Machine != nil {
		text = strings.ReplaceAll(text, "ENDPOINT", s.Machine.Endpoint)
	}
	for i := 0; i < len(changes); i += 2 {
		if !strings.Contains(text, changes[i]) {
			t.Fatalf("the configuration has no %q to change", changes[i])
		}
		text = strings.ReplaceAll(text, changes[i], changes[i+1])
	}
	if err := os.WriteFile(s.Path(), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return s.Path()
}

// Cut makes the next part with the register that the machine holds.
func (s *Shop) Cut() (Part, error) {
	if err := s.Machine.BeginCycle(); err != nil {
		return Part{}, err
	}
	held, err := s.Machine.State()
	if err != nil {
		return Part{}, err
	}
	if err := s.Machine.EndCycle(); err != nil {
		return Part{}, err
	}
	m := s.o.Metal
	at := held.Registers[Register]
	n := float64(held.Counter)
	off := m.Setup - m.Wear*n + m.Swing*math.Sin(2*math.Pi*n/swingParts) + m.Scatter*s.rng.NormFloat64() - at*1e6
	return Part{Count: held.Counter + 1, Size: Aim + int64(off), At: at}, nil
}

// Reading is what the gauge says of a part, with the next sequence.
func (s *Shop) Reading(p Part) gauge.Reading {
	s.next++
	return gauge.Reading{
		Sequence: s.next, Characteristic: Feature, Nanometres: p.Size, Part: strconv.FormatUint(p.Count, 10),
	}
}

// Measure sends the reading of a part and returns its sequence once the broker
// has it.
func (s *Shop) Measure(ctx context.Context, p Part, faults ...gauge.Fault) (uint64, error) {
	r := s.Reading(p)
	s.Sent = append(s.Sent, r.Sequence)
	return r.Sequence, s.Gauge.Send(ctx, r, faults...)
}

// Wait looks until a condition holds, for a minute at most.
func Wait(t testing.TB, what string, holds func() bool) {
	t.Helper()
	const limit = time.Minute
	for end := time.Now().Add(limit); !holds(); {
		if time.Now().After(end) {
			t.Fatalf("not within %v: %s", limit, what)
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// Micrometres shows nanometres for people.
func Micrometres(nm int64) string { return fmt.Sprintf("%.1f µm", float64(nm)/1000) }
