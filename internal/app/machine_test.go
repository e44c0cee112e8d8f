package app

import (
	"strings"
	"testing"

	"offsetbridge/config"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers"
	"offsetbridge/testdata/peers/shop"
)

// differences are mappings that do not fit the machine, each with what is said.
var differences = []struct {
	name     string
	code     core.Code
	sentence string
	change   []string
}{
	{"no such node", "m-node", "a mapped node does not exist at the server", []string{"s=Offsets/T12-diameter", "s=Offsets/T13-diameter"}},
	{"no such namespace", "m-namespace", "a configured namespace is not known to the server", []string{"nsu=urn:offsetbridge:simulated-machine:builder;s=Offsets/T12", "nsu=urn:somebody:else;s=Offsets/T12"}},
	{"a register of another type", "m-type", "a mapped node has another type", []string{"s=Offsets/T12-diameter", "s=Identification/Name"}},
	{"a register in another unit", "m-unit", "a register's unit at the control is not the configured one", []string{`unit = "mm"`, `unit = "in"`}},
	{"a band beyond the control's range", "m-range", "the hard band reaches beyond the range the control allows", []string{"-0.900..0.900 mm", "-1.200..1.200 mm"}},
	{"another machine", "m-serial", "the server belongs to another machine than the commissioned one", []string{"SHOP 1", "SHOP 2"}},
	{"a simulated machine for a real one", "m-demo", "a simulated machine and a real configuration do not go together", []string{`demo            = true`, `demo            = false`, `mode      = "auto"`, `mode      = "confirm"`}},
}

// TestTheMachineDiffers: what was mapped is not what is there. The machine is put
// on hold with the cause, nothing is written, and the check says the same.
func TestTheMachineDiffers(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	for _, c := range differences {
		t.Run(c.name, func(t *testing.T) {
			path := s.Config(t, append(c.change, `directory = "journal"`, `directory = "j-`+string(c.code)+`"`)...)
			cfg, err := config.Load(path)
			if err != nil {
				t.Fatal(err)
			}
			found, err := Inspect(t.Context(), cfg, true)
			if err != nil {
				t.Fatal(err)
			}
			if found.OK() || !found.BrokerUp || found.Loops[0].May != "nothing" || !strings.Contains(strings.Join(found.Loops[0].Because, "\n"), c.sentence) {
				t.Errorf("the check says %+v", found.Loops)
			}

			d := start(t, path)
			d.hears(t, c.sentence)
			h := awaits(t, d, "the machine is on hold", func(core.Held) bool { return true })
			if h.Cause != c.code || h.Loop != "" || h.Clear != core.Engineer {
				t.Errorf("on hold: %+v", h)
			}
			if l := find(d, func(l core.Linked) bool { return l.Up }); len(l) > 0 {
				t.Errorf("a session was used: %+v", l)
			}
			d.end()
			untouched(t, s)
		})
	}
}

// TestTheCheckFindsAGoodMachine and says what the loop may do, in each mode.
func TestTheCheckFindsAGoodMachine(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{})
	for _, c := range []struct {
		change       []string
		may, because string
	}{
		{nil, "write by itself up to 0.0033 mm in size at once", ""},
		{[]string{`mode      = "auto"`, `mode      = "confirm"`}, "write what a person approved", "its mode is confirm"},
		{[]string{`mode      = "auto"`, `mode      = "observe"`}, "compute and record, never write", "its mode is observe"},
		{[]string{
			`mode      = "auto"`, `mode      = "confirm"`,
			`counter        = "nsu=urn:offsetbridge:simulated-machine:builder;s=Production/PartsCompleted"`, "",
		}, "write what a person approved", "the machine exposes no part counter"},
	} {
		cfg, err := config.Load(s.Config(t, c.change...))
		if err != nil {
			t.Fatal(err)
		}
		for _, dial := range []bool{false, true} {
			found, err := Inspect(t.Context(), cfg, dial)
			if err != nil {
				t.Fatal(err)
			}
			p := found.Loops[0]
			if !found.OK() || !strings.HasPrefix(p.May, c.may) || !strings.Contains(strings.Join(p.Because, "\n"), c.because) {
				t.Errorf("dial %v: may %q because %q, machines %+v", dial, p.May, p.Because, found.Machines)
			}
			if dial != (found.Broker == "connected and subscribed") {
				t.Errorf("dial %v: the broker says %q", dial, found.Broker)
			}
		}
	}
	s.Broker.Stop()
	s.Machine.Kill()
	cfg, err := config.Load(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	found, err := Inspect(t.Context(), cfg, true)
	if err != nil {
		t.Fatal(err)
	}
	if found.OK() || found.BrokerUp || !strings.Contains(found.Broker, "the broker cannot be reached") ||
		!strings.Contains(strings.Join(found.Loops[0].Because, "\n"), "the machine's server cannot be reached") {
		t.Errorf("with nobody there: %+v", found)
	}
}

// TestAUnitPutRight: the control showed inches; once it shows millimetres again
// an engineer resumes, and nobody restarts anything.
func TestAUnitPutRight(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{
		Metal:   shop.Metal{Setup: -2_000},
		Machine: func(o *peers.Options) { o.Registers[0].Unit = "in" },
	})
	d := start(t, s.Config(t))
	awaits(t, d, "the machine is on hold", func(h core.Held) bool { return h.Cause == "m-unit" })
	s.Machine.Change(func(o *peers.Options) { o.Registers[0].Unit = "mm" })
	s.Machine.Restart(t)
	d.live(t)
	j := part(t, s, d)
	used(t, j)
	if len(find(d, func(core.Intended) bool { return true })) > 0 {
		t.Error("written while on hold")
	}
	resume := func(cause core.Code, note string) error {
		return d.client.Post(t.Context(), "/v1/resume", web.Scope{Machine: shop.Mill, Cause: cause, Note: note}, nil)
	}
	if c := refusal(resume("m-node", "looked")); c != "cause" {
		t.Errorf("another cause is answered with %q", c)
	}
	if c := refusal(resume("m-unit", "")); c != "reason" {
		t.Errorf("no note is answered with %q", c)
	}
	if err := resume("m-unit", "the control is metric again"); err != nil {
		t.Fatal(err)
	}
	d.hears(t, "resumed: a register's unit at the control is not the configured one")
	used(t, part(t, s, d))
	if st := d.status(t); st.Machines[0].Hold != nil {
		t.Errorf("still on hold: %+v", st.Machines[0].Hold)
	}
}

// TestAHandAtThePanel: somebody types a value while a change waits. The change
// is void, its card cannot be approved any more, and the loop goes on from what
// was typed.
func TestAHandAtThePanel(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -9_000}})
	d := start(t, s.Config(t))
	d.live(t)
	part(t, s, d)
	card := d.card(t)
	if err := s.Machine.SetRegister(shop.Register, 0.002); err != nil {
		t.Fatal(err)
	}
	awaits(t, d, "the proposal is void", func(v core.Voided) bool { return v.Cause == "foreign" })
	d.hears(t, "somebody else changed a register, the loop goes on from there")
	if c := refusal(d.approve(t.Context(), card)); c != "gone" {
		t.Errorf("the stale card is answered with %q", c)
	}

	// Approved, but the machine is cutting: the hand comes between decision and write.
	part(t, s, d)
	card = d.card(t)
	if card.Registers[0].OldNM != 2_000 {
		t.Errorf("the loop does not go on from what was typed: %+v", card.Registers)
	}
	if err := s.Machine.BeginCycle(); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the machine is seen cutting", func() bool { return !d.status(t).Machines[0].Permitted })
	if err := d.approve(t.Context(), card); err != nil {
		t.Fatal(err)
	}
	if err := s.Machine.SetRegister(shop.Register, 0.004); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the approved change is void", func() bool {
		return len(find(d, func(v core.Voided) bool { return v.Cause == "foreign" })) == 2
	})
	if err := s.Machine.EndCycle(); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "the machine stands still", func() bool { return d.status(t).Machines[0].Permitted })
	part(t, s, d)
	if at := untouched(t, s); at != 0.004 {
		t.Errorf("the register holds %v, typed was 0.004", at)
	}
}
