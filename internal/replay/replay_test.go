package replay

import (
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

const um = length.Micrometre

// shop records an invented turning machine whose tool wears by a third of a
// micrometre a part, read with a scatter of one.
type shop struct {
	t       *testing.T
	s       core.State
	j       *journal.Journal
	dir     string
	r       *rand.Rand
	mono    int64
	seq     uint64
	counter uint64
	reg     length.Length
	wear    float64 // µm, so far
	rate    float64 // of it, a part
	walk    float64 // standard deviation of what comes on top, a part
	scatter float64
	asked   int
}

const began = 1_700_000_000_000

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

func newShop(t *testing.T, mode core.Mode) *shop {
	dir := t.TempDir()
	j, err := journal.Open(context.Background(), dir, journal.Options{SegmentRecords: 500, KeepFor: time.Nanosecond, KeepSegments: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	s := &shop{t: t, j: j, dir: dir, r: rand.New(rand.NewPCG(1, 2)), reg: 20 * um, wear: -20, rate: 0.33, scatter: 1}
	s.send(core.Started{Version: "test", Epoch: 1})
	s.send(core.Configure{Settings: settings(mode)})
	s.send(core.Verified{OK: true})
	s.send(core.Link{Up: true, Epoch: 1})
	s.look()
	return s
}

func (s *shop) look() {
	s.send(core.Sample{Epoch: 1, Counter: s.counter, Program: "P", Permitted: true, Tools: []int64{1}, Registers: []length.Length{s.reg}})
}

func (s *shop) send(f core.Fact) {
	s.t.Helper()
	s.mono++
	at := began + s.mono
	events := s.s.Step(core.Input{At: core.Instant{Wall: at, Mono: s.mono}, Fact: f})
	var records []journal.Record
	for _, e := range events {
		s.seq++
		records = append(records, journal.Record{Stream: "machine/lathe", Seq: s.seq, At: at, Kind: e.Kind(), Body: core.Encode(e)})
	}
	if len(records) > 0 {
		if err := s.j.Append(context.Background(), records); err != nil {
			s.t.Fatal(err)
		}
	}
	for _, e := range events {
		switch e := e.(type) {
		case core.Intended:
			s.reg = e.New
			s.send(core.Outcome{Intent: e.Intent.ID, Result: core.Applied, Read: e.New})
			s.look()
		case core.Proposed:
			if e.Need != "" {
				s.asked++
				s.send(core.Approve{Proposal: e.ID, Digest: e.Digest, Who: core.Person{Principal: "sven", Role: core.Setter, Auth: "test"}})
			}
		}
	}
}

// make cuts and measures parts, one in ninety seconds.
func (s *shop) make(parts int) {
	for range parts {
		s.mono += 90_000
		s.counter++
		s.wear += s.rate + s.walk*s.r.NormFloat64()
		s.look()
		off, _ := length.FromMicrometres(s.wear + s.scatter*s.r.NormFloat64())
		s.send(core.Reading{
			Gauge: "g", Sequence: s.counter, Characteristic: "d30", Part: strconv.FormatUint(s.counter, 10),
			Value: 30*length.Millimetre + off + s.reg,
		})
	}
}

func (s *shop) replay(set core.Settings, o Options) Loop {
	s.t.Helper()
	j, err := journal.Open(context.Background(), s.dir, journal.Options{ReadOnly: true})
	if err != nil {
		s.t.Fatal(err)
	}
	defer j.Close()
	r, err := Run(j, []core.Settings{set}, o)
	if err != nil {
		s.t.Fatal(err)
	}
	if len(r.Loops) != 1 || r.Unknown == "" {
		s.t.Fatalf("%+v", r)
	}
	return r.Loops[0]
}

func TestTheSameTuningGivesTheSameFigures(t *testing.T) {
	s := newShop(t, core.Confirm)
	s.make(200)
	l := s.replay(settings(core.Confirm), Options{})
	if l.Same != 200 || l.Judged != 200 || l.Differs != "" || l.Recorded.Prompts() != s.asked || s.asked < 5 {
		t.Fatalf("%+v, %d asked", l, s.asked)
	}
	if l.Sizes[0].Recorded != l.Sizes[0].Replayed {
		t.Fatalf("%+v", l.Sizes)
	}
	a, b := l.Recorded, l.Replayed
	if a.PerShift == nil || b.PerShift == nil || *a.PerShift != *b.PerShift {
		t.Fatalf("%+v\n%+v", a, b)
	}
	a.PerShift, b.PerShift = nil, nil
	if a != b {
		t.Fatalf("recorded %+v\nreplayed %+v", a, b)
	}
	if z := l.Sizes[0].Nothing; z.RMS < 5*l.Sizes[0].Recorded.RMS || z.Parts != 200 || z.Outside < 100 {
		t.Fatalf("left alone %+v", z)
	}
}

// What is asked of people falls with the dead band, and the sizes pay for it; no
// corrections are those of a process left alone.
func TestAnotherTuning(t *testing.T) {
	s := newShop(t, core.Confirm)
	s.make(300)
	wide, auto, watch := settings(core.Confirm), settings(core.Auto), settings(core.Observe)
	wide.Loops[0].DeadBand = 12 * um
	w, a, o := s.replay(wide, Options{}), s.replay(auto, Options{}), s.replay(watch, Options{})
	if w.Replayed.Prompts() == 0 || 2*w.Replayed.Prompts() > w.Recorded.Prompts() || w.Sizes[0].Replayed.RMS <= w.Sizes[0].Recorded.RMS {
		t.Fatalf("a wide dead band: %+v", w)
	}
	if a.Replayed.Corrections <= a.Recorded.Corrections || a.Replayed.Prompts() >= a.Recorded.Prompts() || a.Sizes[0].Replayed.RMS >= a.Sizes[0].Recorded.RMS {
		t.Fatalf("by itself: %+v", a)
	}
	if o.Replayed.Corrections != 0 || o.Sizes[0].Replayed != o.Sizes[0].Nothing {
		t.Fatalf("only watching: %+v", o)
	}
	if want := s.wear; want < 60 || o.Sizes[0].Nothing.Largest < 70*um { // −20 + 300·0.33, and the register
		t.Fatalf("left alone it went %v of %v", o.Sizes[0].Nothing.Largest, want)
	}
	if slow := s.replay(settings(core.Confirm), Options{Answer: 10}); slow.Sizes[0].Replayed != slow.Sizes[0].Recorded {
		t.Fatalf("a person who answered at once in the record was made slow: %+v", slow.Sizes)
	}
	if slow := s.replay(wide, Options{Answer: 10}); slow.Sizes[0].Replayed.RMS <= w.Sizes[0].Replayed.RMS {
		t.Fatalf("a slow person costs nothing: %+v", slow)
	}
}

func TestPartOfTheRecord(t *testing.T) {
	s := newShop(t, core.Auto)
	s.make(60)
	middle := began + s.mono + 1
	s.make(40)
	late := s.replay(settings(core.Auto), Options{From: middle})
	early := s.replay(settings(core.Auto), Options{To: middle})
	if late.Judged != 40 || late.Same != 40 || early.Judged != 60 || early.Same != 60 {
		t.Fatalf("%d of %d, then %d of %d", early.Same, early.Judged, late.Same, late.Judged)
	}
	if early.Parts != 60 || late.Parts != 40 || early.Minutes < 80 || late.Minutes < 55 {
		t.Fatalf("%+v\n%+v", early, late)
	}
	if none := s.replay(settings(core.Auto), Options{From: middle + 1e9}); none.Note == "" || none.Judged != 0 {
		t.Fatalf("%+v", none)
	}
}

// Where retention took the beginning the rest is still good for a comparison.
func TestAfterRetention(t *testing.T) {
	s := newShop(t, core.Auto)
	s.make(300)
	head := s.j.Head("machine/lathe")
	if err := s.j.SaveSnapshot(journal.Snapshot{Stream: head.Stream, Seq: head.Seq, Hash: head.Hash, Version: "test", Body: []byte("{}")}); err != nil {
		t.Fatal(err)
	}
	gone, err := s.j.Retain(context.Background())
	if err != nil || len(gone) == 0 {
		t.Fatalf("%v, %v", gone, err)
	}
	l := s.replay(settings(core.Auto), Options{})
	if l.Judged < 50 || l.Judged >= 300 || l.Same < l.Judged/3 || l.Sizes[0].Replayed.Parts < 50 {
		t.Fatalf("%+v", l)
	}
}

func TestNothingRecorded(t *testing.T) {
	s := newShop(t, core.Auto)
	other := settings(core.Auto)
	other.Machine = "mill"
	if l := s.replay(other, Options{}); !strings.Contains(l.Note, "nothing is recorded") {
		t.Fatalf("%+v", l)
	}
	s.make(3)
	other = settings(core.Auto)
	other.Registers[0].Name, other.Registers[0].Node, other.Loops[0].Registers = "Y", "y", []string{"Y"}
	if l := s.replay(other, Options{}); !strings.Contains(l.Note, "no such register") {
		t.Fatalf("%+v", l)
	}
	other.Loops[0].Registers = []string{"Z"}
	if _, err := Run(s.j, []core.Settings{other}, Options{}); err == nil {
		t.Fatal("unsound settings were replayed")
	}
}

func TestTwiceTheSameBytes(t *testing.T) {
	s := newShop(t, core.Auto)
	s.make(80)
	set := settings(core.Confirm)
	a, err := json.Marshal(s.replay(set, Options{}))
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(s.replay(set, Options{}))
	if err != nil || string(a) != string(b) {
		t.Fatalf("%s\n%s\n%v", a, b, err)
	}
}

// What is said of prompts before there is a record, against the record of a process
// as it is taken for: scatter T/20, wear a tenth of it, a walk of 0.006 of its square.
func TestExpectedPrompts(t *testing.T) {
	for _, mode := range []core.Mode{core.Confirm, core.Auto} {
		s := newShop(t, mode)
		s.scatter, s.rate, s.walk = 1.5, 0.15, 1.5*0.0775
		s.make(500)
		set := settings(mode)
		l := s.replay(set, Options{})
		e := set.Expect(&set.Loops[0])
		counted := 100 * float64(l.Recorded.Corrections) / float64(l.Parts)
		if mode == core.Auto {
			if e.Per100 != 0 || !strings.Contains(e.Say, "go by themselves") || l.Recorded.Per100 > 4 {
				t.Fatalf("%+v, recorded %+v", e, l.Recorded)
			}
			continue
		}
		if ratio := e.Per100 / counted; ratio < 1/1.5 || ratio > 1.5 {
			t.Fatalf("expected %+v, there were %.1f in 100", e, counted)
		}
		seen := s.s.View().Loops[0].Prompts
		if seen.Parts != 500 || seen.Per100 != l.Recorded.Per100 {
			t.Fatalf("the running loop says %+v, the record %+v", seen, l.Recorded)
		}
		if from := core.ExpectFrom(uint64(l.Recorded.Prompts()), uint64(l.Parts), 1.5); from.PerShift == 0 || math.Abs(from.PerShift-*l.Recorded.PerShift) > 1 {
			t.Fatalf("%+v, %v", from, *l.Recorded.PerShift)
		}
	}
}
