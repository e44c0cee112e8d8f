package series

import (
	"context"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/length"
)

// TestTheRecordOfAGauge: visits of that gauge in that time, and cuts that it read twice.
func TestTheRecordOfAGauge(t *testing.T) {
	s := newShop(t, core.Observe)
	var seq uint64
	put := func(at int64, e core.Event) {
		seq++
		if err := s.j.Append(context.Background(), []journal.Record{{Stream: "plant", Seq: seq, At: at, Kind: e.Kind(), Body: core.Encode(e)}}); err != nil {
			t.Fatal(err)
		}
	}
	put(1000, core.Set{Check: core.Check{Gauge: "g", Standard: "ring", AsFound: 300}})
	put(2000, core.RingChecked{Check: core.Check{Gauge: "g", Standard: "ring", AsFound: -200}})
	put(3000, core.Set{Check: core.Check{Gauge: "h", Standard: "ring", AsFound: 900}})
	for range 3 {
		size := s.cut()
		s.gauge(s.count, size)
		if s.count != 2 {
			s.gauge(s.count, size+um)
		}
	}
	g, err := ReadGauge(s.j, "g", 0, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(g.Visits) != 2 || !g.Visits[0].Adjusted || g.Visits[1].Adjusted || g.Visits[1].AsFound != -200 || g.Visits[1].At != 2000 {
		t.Errorf("visits: %+v", g.Visits)
	}
	if g.Readings != 5 || len(g.Repeats) != 2 || g.Repeats[1].Count != 3 || g.Repeats[1].Sizes[1]-g.Repeats[1].Sizes[0] != um || g.Repeats[0].Machine != "lathe" {
		t.Errorf("%d readings, %+v", g.Readings, g.Repeats)
	}
	if len(g.Heads) != 2 {
		t.Errorf("heads: %+v", g.Heads)
	}
	if g, err := ReadGauge(s.j, "g", 1500, 2500, []core.Settings{{Gauges: []core.Trust{{Gauge: "g", Repeat: 400}}}}); err != nil || len(g.Visits) != 1 || g.Readings != 0 || g.Trust == nil {
		t.Errorf("in a time: %+v, %v", g, err)
	}
}

// TestRepeatsAreBounded: of a long record the newest cuts wait for another reading.
func TestRepeatsAreBounded(t *testing.T) {
	x := &repeats{g: &GaugeRecord{Gauge: "g"}, machine: "m", count: map[uint64]int{}}
	read := func(count uint64, size length.Length) {
		x.judged(&core.Judged{Reading: core.Reading{Gauge: "g", Value: size}, Count: count})
	}
	for c := uint64(1); c <= remembered+5; c++ {
		read(c, length.Length(c))
	}
	read(3, 9)            // left long ago: a cut that is read once, now
	read(remembered+5, 7) // there
	for range 2 * mostAgain {
		read(remembered+4, 7)
	}
	x.end()
	if len(x.recent) != remembered || len(x.count) != remembered || len(x.g.Repeats) != 2 || len(x.g.Repeats[0].Sizes) != mostAgain {
		t.Errorf("%d cuts kept, %d indexed, repeats %d", len(x.recent), len(x.count), len(x.g.Repeats))
	}
}
