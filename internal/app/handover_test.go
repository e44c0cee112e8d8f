package app

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers"
	"offsetbridge/testdata/peers/shop"
)

// handingOver maps the mailbox that both simulated machines have.
var handingOver = []string{
	"[[machine.tool]]", mailboxTable + "\n[[machine.tool]]",
	`band = "-0.900..0.900 mm"`, "band = \"-0.900..0.900 mm\"\nnumber = 1",
}

var mailboxTable = func() string {
	table := "[machine.handover]\n"
	for _, name := range []string{"Request", "Register", "Old", "New", "Check", "Acknowledged", "Result"} {
		table += strings.ToLower(name) + ` = "nsu=` + machine.BuilderURI + ";s=Handover/" + name + "\"\n"
	}
	return table
}()

// boxed is the bundled machine with a mailbox, and a program that hands over.
func boxed(t *testing.T, takes time.Duration) (*machine.Server, *shop.Shop, *daemon) {
	t.Helper()
	s := shop.Open(t, shop.Options{Without: true})
	sim, err := machine.Start(machine.Options{
		Serial: "SHOP 1", Name: shop.Mill, Program: shop.Program, Tools: []machine.Tool{{Name: shop.Tool}},
		Handover: true, HandoverTakes: takes,
		Registers: []machine.Register{{
			Name: shop.Register, Tool: shop.Tool, Unit: "mm", Kind: "diameter", Resolution: 0.001, Min: -1, Max: 1,
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { sim.Close() })
	d := start(t, s.Config(t, append(handingOver, "ENDPOINT", sim.Endpoint())...))
	d.live(t)
	return sim, s, d
}

// ended waits for what became of the first intent.
func ended(t *testing.T, d *daemon) (core.Intent, core.Concluded) {
	t.Helper()
	in := awaits(t, d, "an intent", func(core.Intended) bool { return true }).Intent
	return in, awaits(t, d, "what became of it", func(c core.Concluded) bool {
		return c.Outcome.Intent == in.ID && c.Result != core.Unknown
	})
}

// TestHandoversThatGoWrong: the control's program ignores, refuses or belies a
// request. Nothing is asked twice, nothing acts after it was withdrawn, and the
// register is what the record says.
func TestHandoversThatGoWrong(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name     string
		fault    *machine.Fault
		effects  int
		result   core.Result
		late     bool
		hold     core.Code
		sentence string
	}{
		{"taken over", nil, 1, core.Applied, false, "", ""},
		{"not taken up", &machine.IgnoreHandover, 0, core.NotSent, true, "", "the write whose outcome was unknown did not take effect"},
		{"found too late", late(2 * time.Second), 0, core.NotSent, true, "", "the write whose outcome was unknown did not take effect"},
		{"refused with a reason of its own", refuse(9), 0, core.Refused, false, "write-refused", "the machine refused the write"},
		{"another request acknowledged", &machine.AnotherHandover, 0, core.NotSent, true, "", "the write whose outcome was unknown did not take effect"},
		{"acknowledged and not carried out", &machine.FalseHandover, 0, core.NotSent, true, "", "the write whose outcome was unknown did not take effect"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			sim, s, d := boxed(t, 0)
			if c.fault != nil {
				sim.Fault(*c.fault, 1)
			}
			correctSim(t, sim, s, d)
			in, end := ended(t, d)
			if end.Result != c.result || end.Late != c.late {
				t.Errorf("ended %s, late %v: %s", end.Result, end.Late, core.Encode(end))
			}
			if c.sentence != "" {
				d.hears(t, c.sentence)
			}
			if n := len(sim.Effects()); n != c.effects || mm(sim.State().Registers[shop.Register]) != end.Read {
				t.Errorf("%d effects, want %d; the register holds %v, on record is %s", n, c.effects, sim.State().Registers[shop.Register], end.Read)
			}
			if c.hold != "" {
				awaits(t, d, "the loop is on hold", func(h core.Held) bool { return h.Loop == shop.Loop && h.Cause == c.hold })
				return
			}
			shop.Wait(t, "the loop goes on by itself", func() bool {
				correctSim(t, sim, s, d)
				return len(find(d, func(o core.Concluded) bool { return o.Result == core.Applied && o.Outcome.Intent > in.ID })) > 0
			})
			if h := find(d, func(core.Held) bool { return true }); len(h) > 0 {
				t.Errorf("on hold: %+v", h)
			}
		})
	}
}

func late(d time.Duration) *machine.Fault { f := machine.LateHandover(d); return &f }

func refuse(result int32) *machine.Fault { f := machine.RefuseHandover(result); return &f }

// TestAHandBeforeTheHandover: a hand at the panel between the request and its
// effect, where a write from outside would overwrite what was typed: the control
// compares and refuses, and what was typed stays.
func TestAHandBeforeTheHandover(t *testing.T) {
	t.Parallel()
	sim, s, d := boxed(t, 300*time.Millisecond)
	measureSim(t, sim, s, d)
	card := d.card(t)
	if err := d.approve(t.Context(), card); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the request is in the mailbox", func() bool { return sim.State().Mailbox.Request != 0 })
	if err := sim.SetRegister(shop.Register, 0.0140); err != nil {
		t.Fatal(err)
	}
	_, end := ended(t, d)
	if end.Result != core.Refused || end.Read != mm(0.0140) {
		t.Errorf("ended %s", core.Encode(end))
	}
	if n := len(sim.Effects()); n != 0 || sim.State().Registers[shop.Register] != 0.0140 {
		t.Errorf("%d effects, what was typed became %v", n, sim.State().Registers[shop.Register])
	}
}

// TestAHandoverDuringTheCut waits: the control's program finds the request when
// the machine stands. Nothing acts while cutting, whenever it was asked.
func TestAHandoverDuringTheCut(t *testing.T) {
	t.Parallel()
	sim, s, d := boxed(t, 100*time.Millisecond)
	var cutting bool
	sim.OnEffect(func(machine.Effect) { cutting = cutting || sim.State().Cutting })
	measureSim(t, sim, s, d)
	if err := d.approve(t.Context(), d.card(t)); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the request is in the mailbox", func() bool { return sim.State().Mailbox.Request != 0 })
	sim.BeginCycle()
	if n := len(sim.Effects()); n != 0 {
		t.Fatal("it was taken over before the cycle began: the test proves nothing")
	}
	awaits(t, d, "it is withdrawn", func(c core.Concluded) bool { return c.Result == core.Unknown })
	sim.EndCycle()
	_, end := ended(t, d)
	if end.Result != core.NotSent || !end.Late || len(sim.Effects()) != 0 || cutting {
		t.Errorf("ended %s, effects %+v, while cutting %v", core.Encode(end), sim.Effects(), cutting)
	}
}

// TestHandoverOnTheIndependentMachine: from readings to proven registers by the
// mailbox of a machine that shares no code with us and lets nobody but its own
// program write a register; and the check says who writes.
func TestHandoverOnTheIndependentMachine(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -3_000, Wear: 1_500}, Machine: func(o *peers.Options) { o.Handover = true }})
	path := s.Config(t, handingOver...)
	c, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	found, err := Inspect(t.Context(), c, true)
	if err != nil || !found.OK() || found.Machines[0].Writes != "hand-over" {
		t.Fatalf("the check says %+v, %v", found.Machines, err)
	}
	d := start(t, path)
	d.live(t)
	for n := 0; len(find(d, func(c core.Concluded) bool { return c.Result == core.Applied })) < 2; n++ {
		if n == 40 {
			t.Fatal("40 parts without two corrections")
		}
		part(t, s, d)
		for end := time.Now().Add(150 * time.Millisecond); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			d.agrees(t)
		}
	}
	var held peers.State
	var applied []core.Concluded
	shop.Wait(t, "what the machine took is on record as applied", func() bool { // a third may be on its way
		applied = find(d, func(c core.Concluded) bool { return c.Result == core.Applied })
		held, err = s.Machine.State()
		return err == nil && len(held.Log) == len(applied)
	})
	if mm(held.Log[len(applied)-1].New) != applied[len(applied)-1].Read {
		t.Errorf("the machine took %+v, on record as applied are %d", held.Log, len(applied))
	}
	if h := find(d, func(core.Held) bool { return true }); len(h) > 0 {
		t.Errorf("on hold: %+v", h)
	}
}

// TestDirectWritesAreClosed: without its mailbox mapped, a machine that lets only
// its own program write is found out by the check, and stays untouched.
func TestDirectWritesAreClosed(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -3_000}, Machine: func(o *peers.Options) { o.Handover = true }})
	c, err := config.Load(s.Config(t))
	if err != nil {
		t.Fatal(err)
	}
	found, err := Inspect(t.Context(), c, true)
	if err != nil || found.OK() || len(found.Machines[0].Problems) != 1 || found.Machines[0].Problems[0].Code != "m-read-only" ||
		found.Loops[0].May != "propose, never write" {
		t.Fatalf("the check says %+v, %v", found, err)
	}
	d := start(t, filepath.Join(s.Dir, "cell.toml"))
	d.live(t)
	part(t, s, d)
	if err := d.approve(t.Context(), d.card(t)); err != nil {
		t.Fatal(err)
	}
	_, end := ended(t, d)
	if end.Result != core.NotSent || end.Code != "m-read-only" {
		t.Errorf("ended %s", core.Encode(end))
	}
	untouched(t, s)
}
