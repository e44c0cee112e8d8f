package app

import (
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
	"offsetbridge/internal/web"
	"offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers/shop"
)

// TestWritesThatGoWrong: the bundled machine loses, delays, refuses or bends a
// write. Each is told, the register is proven by reading and never written
// twice, and the loop goes on by itself where nothing is amiss, or holds.
func TestWritesThatGoWrong(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name     string
		fault    machine.Fault
		effects  int
		result   core.Result // in the end
		late     bool        // found by reading after the quarantine
		hold     core.Code
		sentence string
	}{
		{"the answer is lost", machine.LoseAnswer, 1, core.Applied, true, "", "the write whose outcome was unknown took effect"},
		{"the request is lost", machine.LoseRequest, 0, core.NotSent, true, "", "the write whose outcome was unknown did not take effect"},
		{"it takes effect late", machine.LateEffect(1300 * time.Millisecond), 1, core.Applied, true, "", "the write whose outcome was unknown took effect"},
		{"the connection ends after the effect", machine.DropAfterWrite, 1, core.Applied, true, "", "the outcome of a write is unknown, it is not sent again"},
		{"good, and nothing changed", machine.GoodNotApplied, 0, core.NotSent, true, "", "the write whose outcome was unknown did not take effect"},
		{"good, and another value", machine.ClipValue, 1, core.Differs, false, "differs", "the register reads neither the old nor the new value"},
		{"refused", machine.RefuseWrite, 0, core.Refused, false, "write-refused", "the machine refused the write"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			sim, s, d := simulated(t)
			sim.Fault(c.fault, 1)
			correctSim(t, sim, s, d)
			intent := awaits(t, d, "an intent", func(core.Intended) bool { return true }).Intent
			end := awaits(t, d, "what became of it", func(o core.Concluded) bool { return o.Outcome.Intent == intent.ID && o.Result != core.Unknown })
			if end.Result != c.result || end.Late != c.late {
				t.Errorf("ended %s, late %v: %s", end.Result, end.Late, core.Encode(end))
			}
			d.hears(t, c.sentence)
			if got := len(sim.Effects()); got != c.effects {
				t.Errorf("%d effects, want %d: %+v", got, c.effects, sim.Effects())
			}
			if holds := sim.State().Registers[shop.Register]; mm(holds) != end.Read {
				t.Errorf("the register holds %v, the journal says %s", holds, end.Read)
			}
			if c.hold != "" {
				awaits(t, d, "the loop is on hold", func(h core.Held) bool { return h.Loop == shop.Loop && h.Cause == c.hold })
				measureSim(t, sim, s, d)
				if n := len(find(d, func(core.Intended) bool { return true })); n != 1 {
					t.Errorf("%d intents while on hold", n)
				}
				return
			}
			if h := find(d, func(core.Held) bool { return true }); len(h) > 0 {
				t.Errorf("on hold: %+v", h)
			}
			shop.Wait(t, "the loop goes on by itself", func() bool {
				correctSim(t, sim, s, d)
				return len(find(d, func(o core.Concluded) bool { return o.Result == core.Applied && !o.Late })) > 0
			})
		})
	}
}

func mm(v float64) length.Length {
	l, _ := length.FromFloat(v, length.MM)
	return l
}

// simulated starts the bundled machine in place of the independent one.
func simulated(t *testing.T) (*machine.Server, *shop.Shop, *daemon) {
	t.Helper()
	s := shop.Open(t, shop.Options{Without: true})
	sim, d := simulate(t, s)
	return sim, s, d
}

func simulate(t *testing.T, s *shop.Shop, changes ...string) (*machine.Server, *daemon) {
	t.Helper()
	sim, err := machine.Start(machine.Options{
		Serial: "SHOP 1", Name: shop.Mill, Program: shop.Program, Tools: []machine.Tool{{Name: shop.Tool}},
		Registers: []machine.Register{{
			Name: shop.Register, Tool: shop.Tool, Unit: "mm", Kind: "diameter", Resolution: 0.001, Min: -1, Max: 1,
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { sim.Close() })
	d := start(t, s.Config(t, append(changes, "ENDPOINT", sim.Endpoint())...))
	d.live(t)
	return sim, d
}

// measureSim cuts a part on the bundled machine, 3 µm too small at first, and
// waits until its reading is judged.
func measureSim(t *testing.T, sim *machine.Server, s *shop.Shop, d *daemon) {
	t.Helper()
	sim.BeginCycle()
	st := sim.State()
	sim.EndCycle()
	drift := 3_000 + 500*int64(st.Counter)
	n, err := s.Measure(t.Context(), shop.Part{Count: st.Counter + 1, Size: shop.Aim - drift - int64(mm(st.Registers[shop.Register]))})
	if err != nil {
		t.Fatal(err)
	}
	d.judged(t, n)
}

// correctSim does the same, and agrees to what is asked: a first part is a person's.
func correctSim(t *testing.T, sim *machine.Server, s *shop.Shop, d *daemon) {
	t.Helper()
	measureSim(t, sim, s, d)
	d.agrees(t)
}

// TestTheClockGoesBack: the record of an earlier run is dated tomorrow, as after
// a clock that was set back. Deciding goes by count and monotonic time; the wall
// clock is only written down.
func TestTheClockGoesBack(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Without: true})
	tomorrow := time.Now().Add(26 * time.Hour).UnixMilli()
	j, err := journal.Open(t.Context(), s.Journal(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	begun := core.Begun{Version: "test", Epoch: 1}
	for _, stream := range []string{"plant", "machine/" + shop.Mill} {
		r := journal.Record{Stream: stream, Seq: 1, At: tomorrow, Kind: begun.Kind(), Body: core.Encode(begun)}
		if err := j.Append(t.Context(), []journal.Record{r}); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	sim, d := simulate(t, s)
	shop.Wait(t, "the loop writes", func() bool {
		correctSim(t, sim, s, d)
		return len(find(d, func(o core.Concluded) bool { return o.Result == core.Applied })) > 0
	})
	if h := find(d, func(core.Held) bool { return true }); len(h) > 0 {
		t.Errorf("on hold: %+v", h)
	}
	if b := find(d, func(core.Begun) bool { return true }); len(b) != 2 || b[1].Minute != 0 {
		t.Errorf("machine time did not go on from where it was: %+v", b)
	}
	all, err := d.History(t.Context(), web.HistoryQuery{Machine: shop.Mill, Limit: 1000})
	if err != nil || len(all) < 5 {
		t.Fatalf("%d records: %v", len(all), err)
	}
	if oldest := all[len(all)-1]; oldest.Seq != 1 || !all[0].At.Before(oldest.At) {
		t.Errorf("the records are not in the order in which they were made: %v … %v", oldest, all[0])
	}
}
