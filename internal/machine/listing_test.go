package machine

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/length"
	sim "offsetbridge/simulators/machine"
	"offsetbridge/testdata/peers"
)

func listedOf(l Listing, end string) *Listed {
	i := slices.IndexFunc(l.Nodes, func(n Listed) bool { return strings.HasSuffix(n.Path, end) })
	if i < 0 {
		return nil
	}
	return &l.Nodes[i]
}

func looked(t *testing.T, endpoint string, o ListOptions) Listing {
	t.Helper()
	l, err := List(context.Background(), Options{Endpoint: endpoint, Request: 20 * time.Second}, o) // a busy computer
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func bigSim(t *testing.T, change func(*sim.Options)) *sim.Server {
	t.Helper()
	o := simOptions()
	change(&o)
	s, err := sim.Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// A server with 200,000 nodes is passed whole, but only so many are read, those
// with telling names first.
func TestALargeServerIsListed(t *testing.T) {
	s := bigSim(t, func(o *sim.Options) { o.Filler = 200_000 })
	l := looked(t, s.Endpoint(), ListOptions{Most: 100, Time: time.Minute})
	if l.Seen < 200_000 || len(l.Nodes) > 100 || l.Left < 199_900 || len(l.Notes) != 0 || !l.Demo {
		t.Fatalf("%d seen, %d listed, %d left, %v", l.Seen, len(l.Nodes), l.Left, l.Notes)
	}
	r := listedOf(l, "Offsets/R1")
	if r == nil || !r.Writable || r.Length != length.MM || r.Low >= r.High || !r.Numeric {
		t.Errorf("%+v", r)
	}
	if n := listedOf(l, "PartsCompleted"); n == nil || n.Writable || n.Type != "UInt64" {
		t.Errorf("%+v", n)
	}
	short := looked(t, s.Endpoint(), ListOptions{Nodes: 1000, Most: 10})
	if short.Seen != 1000 || len(short.Notes) != 1 || !strings.Contains(short.Notes[0], "more than 1000 nodes") {
		t.Errorf("%d seen, %v", short.Seen, short.Notes)
	}
}

// A server that lists a folder in one answer, however long, costs that folder and
// nothing else.
func TestAServerWithoutLimitsIsListed(t *testing.T) {
	s := bigSim(t, func(o *sim.Options) {
		o.Filler, o.NoLimits, o.NoCounter = 60_000, true, true
		o.Registers[0].AsText = true
	})
	l := looked(t, s.Endpoint(), ListOptions{})
	if len(l.Notes) != 1 || !strings.Contains(l.Notes[0], "Parameters1") || !strings.Contains(l.Notes[0], "--from") {
		t.Errorf("%v", l.Notes)
	}
	r := listedOf(l, "Offsets/R1")
	if r == nil || r.Numeric || r.Type != "String" || !r.Writable || r.Length != length.MM {
		t.Errorf("%+v", r)
	}
	if listedOf(l, "PartsCompleted") != nil {
		t.Error("there is no counter")
	}
	below := looked(t, s.Endpoint(), ListOptions{From: "nsu=" + sim.BuilderURI + ";s=Offsets"})
	if below.Seen == 0 || len(below.Notes) != 0 || listedOf(below, "R1") == nil {
		t.Errorf("%d seen, %v", below.Seen, below.Notes)
	}
}

// What goes wrong is said in one sentence.
func TestALookThatFails(t *testing.T) {
	s := bigSim(t, func(*sim.Options) {})
	s.Stop()
	if _, err := List(context.Background(), Options{Endpoint: s.Endpoint()}, ListOptions{}); err == nil || !strings.Contains(err.Error(), "cannot be reached") {
		t.Errorf("%v", err)
	}
}

// The independent server tells the same, under other namespace indexes.
func TestTheIndependentServerIsListed(t *testing.T) {
	m := peers.StartMachine(t, peers.Options{
		Serial: "P 1", Name: "peer", Program: "O1", Tools: []peers.Tool{{Name: "T1"}},
		Registers: []peers.Register{{Name: "T1 wear", Tool: "T1", Unit: "in", Kind: "radius", Resolution: 0.0001, Min: -0.1, Max: 0.1}},
	})
	l := looked(t, m.Endpoint, ListOptions{})
	r := listedOf(l, "Offsets/T1 wear")
	if r == nil || !r.Writable || r.Length != length.IN || r.High != 0.1 || r.ID != "nsu="+sim.BuilderURI+";s=Offsets/T1 wear" {
		t.Fatalf("%+v of %d, %v", r, len(l.Nodes), l.Notes)
	}
	if n := listedOf(l, "SerialNumber"); n == nil || n.Value != "P 1" || n.Writable {
		t.Errorf("%+v", n)
	}
}
