package series

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

const um = length.Micrometre

// shop records an invented lathe whose tool leaves half a micrometre more a part.
// Readings are without scatter, so that every figure can be worked out by hand.
type shop struct {
	t    *testing.T
	s    core.State
	j    whole
	mono int64
	seq  uint64

	count, read uint64
	reg, wear   length.Length
	tool        int64
}

func settings(mode core.Mode) core.Settings {
	aim := 30 * length.Millimetre
	return core.Settings{
		Machine: "lathe", Identity: "L-1", CountsAt: core.CountsAtEnd, Effective: core.ActsAtOnce,
		Fresh: 300_000, Window: 500, Answer: 1000, Quarantine: 5000, Tools: []string{"T1"},
		Registers: []core.Register{{
			Name: "X1", Node: "n1", Tool: "T1", Kind: "x diameter", Unit: length.MM, Step: um, Band: length.Range{Low: -300 * um, High: 300 * um},
		}},
		Loops: []core.Loop{{
			Name: "seat", Mode: mode, Program: "P", Registers: []string{"X1"}, Effects: [][]core.Effect{{1000}}, Damping: 0.3, MinReadings: 1,
			Characteristics: []core.Characteristic{{
				Name: "d30", Aim: aim, Limits: length.Range{Low: aim - 15*um, High: aim + 15*um},
				Plausible: length.Range{Low: aim - 500*um, High: aim + 500*um},
				Gauges:    []core.GaugeUse{{Gauge: "g", Identity: "counter", Resolution: 100}},
			}},
			Bounds: core.Bounds{AutoStep: 10 * um, OperatorStep: 20 * um, SetterStep: 60 * um, Travel: 600 * um, Expires: 3_600_000, ExpiresParts: 30},
		}},
	}
}

// whole is a journal from which nothing was removed.
type whole struct{ *journal.Memory }

func (whole) First(string) (uint64, error) { return 1, nil }

func newShop(t *testing.T, mode core.Mode) *shop {
	s := &shop{t: t, j: whole{journal.NewMemory()}, tool: 1}
	s.send(core.Started{Version: "test", Epoch: 1})
	s.send(core.Configure{Settings: settings(mode)})
	s.send(core.Verified{OK: true})
	s.send(core.Link{Up: true, Epoch: 1})
	s.look()
	return s
}

func (s *shop) send(f core.Fact) {
	s.t.Helper()
	s.mono++
	at := 1_700_000_000_000 + s.mono
	for _, e := range s.s.Step(core.Input{At: core.Instant{Wall: at, Mono: s.mono}, Fact: f}) {
		s.seq++
		if err := s.j.Append(context.Background(), []journal.Record{{Stream: "machine/lathe", Seq: s.seq, At: at, Kind: e.Kind(), Body: core.Encode(e)}}); err != nil {
			s.t.Fatal(err)
		}
		switch e := e.(type) {
		case core.Intended:
			s.reg = e.New
			s.send(core.Outcome{Intent: e.Intent.ID, Result: core.Applied, Read: e.New})
			s.look()
		case core.Proposed:
			if e.Need != "" {
				s.send(core.Approve{Proposal: e.ID, Digest: e.Digest, Who: core.Person{Principal: "sven", Role: core.Setter, Auth: "test"}})
			}
		}
	}
}

func (s *shop) look() {
	s.send(core.Sample{Epoch: 1, Counter: s.count, Program: "P", Permitted: true, Tools: []int64{s.tool}, Registers: []length.Length{s.reg}})
}

// cut cuts a part and returns the size that it has.
func (s *shop) cut() length.Length {
	s.mono += 90_000
	s.count++
	s.wear += um / 2
	size := 30*length.Millimetre + s.reg + s.wear
	s.look()
	return size
}

func (s *shop) gauge(part uint64, size length.Length) {
	s.read++
	s.send(core.Reading{Gauge: "g", Sequence: s.read, Characteristic: "d30", Part: strconv.FormatUint(part, 10), Value: size})
}

func (s *shop) parts(o Options) ([]Part, *Basis) {
	s.t.Helper()
	o.Characteristic = "d30"
	var out []Part
	b, err := Read(s.j, o, func(p *Part) { out = append(out, *p) })
	if err != nil {
		s.t.Fatal(err)
	}
	return out, b
}

func (s *shop) one() {
	size := s.cut()
	s.gauge(s.count, size)
}

// TestEveryPartIsTiedToWhatItWasCutWith: less the register in force, the sizes show
// the tool's wear alone, whatever the loop corrected meanwhile.
func TestEveryPartIsTiedToWhatItWasCutWith(t *testing.T) {
	s := newShop(t, core.Auto)
	for range 60 {
		s.one()
	}
	parts, b := s.parts(Options{})
	if len(parts) != 60 || b.Parts != 60 || b.Machine != "lathe" || b.Loop != "seat" || b.Gauges["g"] != 60 || b.Corrections < 3 || b.Configs != 1 {
		t.Fatalf("%d parts, %+v", len(parts), b)
	}
	for i, p := range parts {
		own := p.Size - p.Aim - p.Command
		if want := um / 2 * length.Length(i+1); own != want || !p.Tied || p.Age != i+1 || p.Life != 1 || p.Off {
			t.Fatalf("part %d: its own %v, want %v: %+v", i+1, own, want, p)
		}
		if p.Next != (i > 0) {
			t.Fatalf("part %d is a neighbour: %v", i+1, p.Next)
		}
		if i > 30 && (!p.Expect || p.Error.Abs() > um/2) {
			t.Fatalf("part %d was forecast %v off", i+1, p.Error)
		}
	}
}

// TestTheLastSizeOfAPartCounts: it was measured again, and one was left out.
func TestTheLastSizeOfAPartCounts(t *testing.T) {
	s := newShop(t, core.Observe)
	size := s.cut()
	s.gauge(1, size+3*um)
	s.gauge(1, size)
	s.cut() // not measured
	s.one()
	s.gauge(99, size) // not cut yet
	parts, b := s.parts(Options{})
	if len(parts) != 2 || parts[0].Size != size || b.Again != 1 || parts[1].Count != 3 || parts[1].Next {
		t.Fatalf("%+v, %+v", parts, b)
	}
	if !parts[0].Off || b.Corrections != 0 {
		t.Errorf("a loop that observes: %+v", parts[0])
	}
}

// TestLivesOfTools: by the control, and by a person's word.
func TestLivesOfTools(t *testing.T) {
	s := newShop(t, core.Observe)
	for range 3 {
		s.one()
	}
	s.tool = 2
	s.look()
	for range 4 {
		s.one()
	}
	s.send(core.Renew{Tool: "T1", Who: core.Person{Principal: "sven", Role: core.Setter, Auth: "test"}})
	s.one()
	parts, b := s.parts(Options{})
	var got []string
	for _, p := range parts {
		got = append(got, fmt.Sprintf("%d.%d", p.Life, p.Age))
	}
	if want := "1.1 1.2 1.3 2.1 2.2 2.3 2.4 3.1"; strings.Join(got, " ") != want || b.Lives != 3 {
		t.Errorf("%v, want %s", got, want)
	}
}

func TestATimeAndAChangeOfSettings(t *testing.T) {
	s := newShop(t, core.Observe)
	for range 10 {
		s.one()
	}
	all, _ := s.parts(Options{})
	set := settings(core.Observe)
	set.Loops[0].Characteristics[0].Limits.High += um
	s.send(core.Configure{Settings: set})
	s.one()
	parts, b := s.parts(Options{From: all[4].At})
	if len(parts) != 7 || b.Configs != 2 || parts[6].Limits.High-parts[5].Limits.High != um || b.First != all[4].At {
		t.Fatalf("%d parts, %+v", len(parts), b)
	}
	if parts, _ = s.parts(Options{From: all[4].At, To: all[6].At}); len(parts) != 2 {
		t.Errorf("%d parts between two moments", len(parts))
	}
}

// TestReadingsThatAreNoSize are counted by their reason.
func TestReadingsThatAreNoSize(t *testing.T) {
	s := newShop(t, core.Observe)
	s.one()
	s.gauge(1, 40*length.Millimetre)
	s.send(core.Reading{Gauge: "g", Sequence: s.read + 5, Characteristic: "d30", Part: "1", State: "test", Value: 30 * length.Millimetre})
	_, b := s.parts(Options{})
	if len(b.Left) != 2 || b.Parts != 1 {
		t.Errorf("left out: %v", b.Left)
	}
}

func TestWhatIsNotThere(t *testing.T) {
	s := newShop(t, core.Observe)
	s.one()
	if _, err := Read(s.j, Options{Characteristic: "nose"}, nil); !errors.Is(err, ErrCharacteristic) || !strings.Contains(err.Error(), `"d30"`) {
		t.Errorf("an unknown characteristic: %v", err)
	}
	if _, err := Read(s.j, Options{Machine: "mill", Characteristic: "d30"}, nil); !errors.Is(err, ErrSettings) {
		t.Errorf("an unknown machine: %v", err)
	}
}
