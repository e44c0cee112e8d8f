package bridge

import (
	"encoding/json"
	"strconv"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

const (
	um     = length.Micrometre
	stream = "machine/lathe"
)

// settings is an invented lathe with one loop: a turned diameter.
func settings() core.Settings {
	aim := 30 * length.Millimetre
	return core.Settings{
		Machine: "lathe", Identity: "serial-1", CountsAt: core.CountsAtEnd, Effective: core.ActsAtOnce,
		Fresh: 60_000, Window: 500, Answer: 1000, Quarantine: 5000, Tools: []string{"T1"},
		Registers: []core.Register{{
			Name: "X1", Node: "x1", Tool: "T1", Kind: "x diameter", Unit: length.MM, Step: um,
			Band: length.Range{Low: -200 * um, High: 200 * um},
		}},
		Loops: []core.Loop{{
			Name: "seat", Mode: core.Auto, Registers: []string{"X1"}, Effects: [][]core.Effect{{1000}}, Damping: 0.3, MinReadings: 1,
			Characteristics: []core.Characteristic{{
				Name: "seat", Aim: aim, Limits: length.Range{Low: aim - 20*um, High: aim + 20*um},
				Plausible: length.Range{Low: aim - 1000*um, High: aim + 1000*um},
				Gauges:    []core.GaugeUse{{Gauge: "g", Identity: "counter"}},
			}},
			Bounds: core.Bounds{
				AutoStep: 8 * um, OperatorStep: 10 * um, SetterStep: 20 * um, Travel: 200 * um, Expires: 600_000,
			},
		}},
	}
}

var engineer = core.Person{Principal: "erna", Role: core.Engineer, Auth: "test"}

func fresh() Decider { return &core.State{} }

// script is a fixed run: a start, parts that wear, their readings, and a person
// who approves nothing. It decides some writes by itself.
type script struct {
	at      int64
	counter uint64
	order   uint64
	epoch   uint64
	drift   length.Length
	reg     length.Length
	ref     uint64
}

func (s *script) input(f core.Fact) core.Input {
	s.at += 10
	s.ref++
	return core.Input{At: core.Instant{Wall: s.at, Mono: s.at}, Ref: s.ref, Fact: f}
}

func (s *script) start(epoch uint64) []core.Input {
	s.epoch, s.order = 1, 0
	return append([]core.Input{
		s.input(core.Started{Version: "test", Epoch: epoch}),
		s.input(core.Configure{Settings: settings(), Who: engineer}),
		s.input(core.Verified{OK: true}),
		s.input(core.Link{Up: true, Epoch: s.epoch}),
		s.input(s.sample()),
	}, s.part(0)...) // at its aim: what follows is no first part, which is a person's
}

func (s *script) sample() core.Sample {
	s.order++
	return core.Sample{
		Epoch: s.epoch, Order: s.order, Counter: s.counter, Permitted: true,
		Tools: []int64{1}, Registers: []length.Length{s.reg},
	}
}

// part is one part and its reading. The register of this machine moves when the
// intents it is given say so.
func (s *script) part(wear length.Length) []core.Input {
	s.counter++
	s.drift += wear
	sample := s.input(s.sample())
	return []core.Input{sample, s.input(core.Reading{
		Gauge: "g", Sequence: s.counter, Characteristic: "seat", Part: strconv.FormatUint(s.counter, 10),
		Value: 30*length.Millimetre + s.drift + s.reg,
	})}
}

// answer carries out an intent.
func (s *script) answer(in core.Intent) core.Input {
	o := core.Outcome{Intent: in.ID, Result: core.NotSent, Code: "m-old", Read: s.reg}
	if s.reg == in.Old {
		s.reg = in.New
		o = core.Outcome{Intent: in.ID, Result: core.Applied, Read: in.New}
	}
	m := s.sample()
	o.Sample = &m
	return s.input(o)
}

func body(t testing.TB, d Decider) string {
	t.Helper()
	b, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// refold folds the stream of a store from its first record, without snapshots.
func refold(t testing.TB, j journal.Store) *core.State {
	t.Helper()
	s := &core.State{}
	err := j.Read(stream, 1, func(r journal.Record) error {
		e, err := core.Decode(r.Kind, r.Body)
		if err == nil {
			s.Apply(e)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func open(t testing.TB, j journal.Store) *Bridge {
	t.Helper()
	b, err := Open(j, stream, "1", fresh)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func intents(released []Released) []core.Intended {
	var out []core.Intended
	for _, r := range released {
		for _, e := range r.Events {
			if in, ok := e.(core.Intended); ok {
				out = append(out, in)
			}
		}
	}
	return out
}

func encode(d Decider) string {
	b, err := json.Marshal(d)
	if err != nil {
		return err.Error()
	}
	return string(b)
}
