package report

import (
	"strings"
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/series"
)

// The bore shrinks by 5 µm a part; limits ± 15 µm. The gauge read 6 µm too little, so
// part 4, read at −20, was at −14: worked out by hand.
func TestLookback(t *testing.T) {
	c := newCell(t, core.Observe)
	c.wear, c.scatter = -5, 0
	c.make(6, false)
	by := func(id uint64, gauge string) {
		c.put(core.Proposed{Proposal: core.Proposal{ID: id, Loop: "bore", Gauge: gauge, Part: "6"}})
	}
	move := func(id, proposal uint64) {
		c.put(core.Intended{Intent: core.Intent{ID: id, Proposal: proposal, Loop: "bore", Register: "D1", New: 5 * um}})
	}
	by(1, "g")
	move(2, 1)
	c.put(core.Concluded{Outcome: core.Outcome{Intent: 2, Result: core.Applied}, Loop: "bore", Register: "D1"})
	by(3, "another")
	move(4, 3)
	by(5, "g")
	c.put(core.Voided{Proposal: 5, Loop: "bore"})
	by(6, "g")
	move(7, 6)
	off := -6 * um
	d, err := Lookback(c, &Doubt{Gauge: "g", Off: &off, Unit: length.MM})
	if err != nil {
		t.Fatal(err)
	}
	n := d.Data.(*lookbackData)
	if n.Measured != 6 || n.Otherwise != 1 || n.Outside != 2 || n.Corrections != 2 {
		t.Errorf("%+v", n)
	}
	if p := n.Parts[3]; p.Part != "4" || p.Read != "27.9960 mm" || p.Size != "28.0020 mm" || p.Was != "below" || p.Is != "inside" {
		t.Errorf("%+v", p)
	}
	if n.Moves[0].Result != "applied" || n.Moves[1].Result != "unknown" || n.Moves[0].Part != "6" {
		t.Errorf("%+v", n.Moves)
	}
	text := written(t, d, Text)
	for _, want := range []string{"6 parts and 2 corrections rested on gauge g", "2 lie outside their limits. Judged otherwise than before: 1.", "by: −0.0060 mm\n", "accepts no part"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	none, err := Lookback(c, &Doubt{Gauge: "h", Unit: length.MM})
	if err != nil || !strings.Contains(none.Summary, "0 parts and 0 corrections") {
		t.Errorf("%v %v", none, err)
	}
	late, err := Lookback(c, &Doubt{Gauge: "g", Unit: length.MM, Series: series.Options{From: c.at}})
	if err != nil || late.Data.(*lookbackData).Measured != 0 || late.Data.(*lookbackData).Corrections != 1 {
		t.Errorf("of the last moment alone: %+v %v", late.Data, err)
	}
}
