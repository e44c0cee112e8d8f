package machine

import (
	"context"
	"testing"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	sim "offsetbridge/simulators/machine"
)

// A proven write against the three bare requests it consists of, same server,
// same channel: what the checks around them cost.
func BenchmarkWrite(b *testing.B) {
	s, err := sim.Start(simOptions())
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	o := hurried((&simRig{s: s, o: simOptions()}).options())
	m := Open(o)
	defer m.Close()
	var epoch uint64
	for epoch == 0 {
		if l, ok := (<-m.Events()).(core.Link); ok && l.Up {
			epoch = l.Epoch
		}
	}
	go func() {
		for range m.Events() {
		}
	}()
	m.mu.Lock()
	e := m.current
	m.mu.Unlock()
	b.Run("proven", func(b *testing.B) {
		in := core.Intent{ID: 1, Register: "R1", Old: 10 * step, New: 11 * step, Tool: "T1", Gen: 3, Program: "P1", Epoch: epoch, SendBy: 1 << 50}
		if l, err := e.layout.codecs[0].decode(ua.MustVariant(s.State().Registers["R1"])); err == nil {
			in.Old, in.New = l, 21*step-l
		}
		for b.Loop() {
			if out := m.Write(context.Background(), in, yes); out.Result != core.Applied {
				b.Fatal(out)
			}
			in.Old, in.New = in.New, in.Old
		}
	})
	b.Run("bare", func(b *testing.B) {
		id := e.layout.nodes[e.layout.registers[0]].NodeID
		one := []*ua.ReadValueID{valueOf(id)}
		v := ua.MustVariant(0.010)
		for b.Loop() {
			if _, err := e.s.read(context.Background(), one); err != nil {
				b.Fatal(err)
			}
			if _, err := (direct{}).put(context.Background(), e.s, parcel{node: id, value: v}, o.Answer); err != nil {
				b.Fatal(err)
			}
			if _, err := e.s.read(context.Background(), one); err != nil {
				b.Fatal(err)
			}
		}
	})
}
