package app

import (
	"math"
	"strconv"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/simulators/gauge"
	"offsetbridge/testdata/peers"
	"offsetbridge/testdata/peers/shop"
)

// grooved changes the shop's mill into one that cuts a groove with an insert of
// two numbers: its width between two edges, and where the wall beyond it lies.
var grooved = []string{
	`name = "T12-diameter"
node = "nsu=urn:offsetbridge:simulated-machine:builder;s=Offsets/T12-diameter"
tool = "T12"
kind = "diameter"
unit = "mm"
step = "0.001 mm"
band = "-0.900..0.900 mm"`,
	`name = "T12-front"
node = "nsu=urn:offsetbridge:simulated-machine:builder;s=Offsets/T12-front"
tool = "T12"
kind = "z front edge"
unit = "mm"
step = "0.001 mm"
band = "-0.900..0.900 mm"

[[machine.register]]
name = "T12-chuck"
node = "nsu=urn:offsetbridge:simulated-machine:builder;s=Offsets/T12-chuck"
tool = "T12"
kind = "z chuck edge"
unit = "mm"
step = "0.001 mm"
band = "-0.900..0.900 mm"`,
	`registers = ["T12-diameter"]`, `registers = ["T12-front", "T12-chuck"]`,
	`name      = "bore 28 H8"`, `name      = "width"`,
	`operation = "milled bore"
gauges    = ["bore-1"]`,
	`operation = "groove width"
gauges    = ["bore-1"]

[[loop.characteristic]]
name      = "wall"
limits    = "28.050..28.083 mm"
operation = "groove chuck wall depth"
gauges    = ["bore-1"]`,
}

// TestAGrooveOfTwoNumbers: two sizes by two registers, over the broker and an
// independent machine. The larger set-up error is put to a person with what it
// does to both sizes; the registers are written one after the other, the one that
// narrows the groove first; then both sizes are at their aims.
func TestAGrooveOfTwoNumbers(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Machine: func(o *peers.Options) {
		front, chuck := o.Registers[0], o.Registers[0]
		front.Name, front.Kind, chuck.Name, chuck.Kind = "T12-front", "z front edge", "T12-chuck", "z chuck edge"
		o.Registers = []peers.Register{front, chuck}
	}})
	d := start(t, s.Config(t, grooved...))
	d.live(t)
	aim := map[string]int64{"width": 28_016_500, "wall": 28_066_500}
	next := uint64(0)
	part := func() map[string]int64 {
		t.Helper()
		if err := s.Machine.BeginCycle(); err != nil {
			t.Fatal(err)
		}
		held, err := s.Machine.State()
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Machine.EndCycle(); err != nil {
			t.Fatal(err)
		}
		front, chuck := math.Round(held.Registers["T12-front"]*1e6), math.Round(held.Registers["T12-chuck"]*1e6)
		off := map[string]int64{"width": int64(front-chuck) - 5_000, "wall": int64(-chuck) - 7_000}
		for _, name := range []string{"width", "wall"} {
			next++
			r := gauge.Reading{Sequence: next, Characteristic: name, Nanometres: aim[name] + off[name], Part: strconv.FormatUint(held.Counter+1, 10)}
			if err := s.Gauge.Send(t.Context(), r); err != nil {
				t.Fatal(err)
			}
			d.judged(t, next)
		}
		return off
	}
	part()
	card := d.card(t)
	if len(card.Registers) != 2 || card.Registers[0].Register != "T12-front" || len(card.Sizes) != 2 {
		t.Fatalf("the card %+v", card)
	}
	if err := d.approve(t.Context(), card); err != nil {
		t.Fatal(err)
	}
	shop.Wait(t, "both registers are read back", func() bool {
		return len(find(d, func(c core.Concluded) bool { return c.Result == core.Applied })) == 2
	})
	intents := find(d, func(core.Intended) bool { return true })
	if len(intents) != 2 || intents[0].Group != intents[1].Group || intents[1].Intent.Index != 1 {
		t.Fatalf("intents %+v", intents)
	}
	for name, off := range part() {
		if off < -2_000 || off > 2_000 {
			t.Errorf("%s is %s from its aim after the first correction", name, shop.Micrometres(off))
		}
	}
}
