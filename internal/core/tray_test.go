package core

import (
	"slices"
	"testing"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// A ring measured by mistake must not pass for a part. It waits in the tray until
// a person says whose it is, and then asks a person again.
func TestAReadingNearARingWaitsInTheTray(t *testing.T) {
	ring := 25*length.Millimetre - 60*um
	for name, x := range map[string]struct {
		value  length.Length
		change func(*Trust)
		task   bool
		want   Code
	}{
		"on it":            {ring, nil, false, codeRing},
		"at the window":    {ring + 5*um, nil, false, codeRing}, // 5 steps of 1 µm are more than T/10 = 4 µm
		"beyond it":        {ring + 5*um + 1, nil, false, ""},
		"a task is open":   {ring, nil, true, ""},
		"switched off":     {ring, func(t *Trust) { t.Window = new(length.Length) }, false, ""},
		"a narrower one":   {ring + 3*um, func(t *Trust) { w := 2 * um; t.Window = &w }, false, ""},
		"below the window": {ring - 5*um - 1, nil, false, ""},
	} {
		t.Run(name, func(t *testing.T) {
			c := cellWith(t, ringed(x.change))
			c.record(1, Set{check(0)})
			c.part()
			r := c.reading("bore", c.counter)
			r.Value = x.value
			if x.task {
				c.send(Task{Gauge: "g-bore", Characteristic: "bore", Part: r.Part, For: 60_000, Who: operator})
			}
			out := c.send(r)
			if j := only[Judged](out)[0]; j.Admit != x.want {
				t.Fatalf("judged %q, want %q", j.Admit, x.want)
			}
			if tray := c.s.Ledger.Tray; len(tray) != len(only[Unplaced](out)) || (len(tray) == 1) != (x.want == codeRing) {
				t.Fatalf("tray %+v", tray)
			}
		})
	}
}

func TestTheTrayIsSortedByAPerson(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	var parts []string
	for range 3 {
		c.part()
		r := c.reading("bore", c.counter)
		r.Value = 25*length.Millimetre - 60*um
		c.send(r)
		parts = append(parts, r.Part)
	}
	for _, x := range []struct {
		f    Fact
		want Code
	}{
		{Assign{Item: 9, Part: parts[0], Reason: "r", Who: operator}, declineNoItem},
		{Assign{Item: 1, Part: parts[0], Who: operator}, declineReason},
		{Assign{Item: 1, Reason: "r", Who: operator}, codeNoPart},
		{Assign{Item: 1, Part: parts[0], Reason: "r", Who: Person{Role: Viewer}}, declineRole},
		{Discard{Item: 1, Who: operator}, declineReason},
		{Discard{Item: 1, Reason: "r"}, declineRole},
	} {
		if d := only[Declined](c.send(x.f)); len(d) != 1 || d[0].Cause != x.want {
			t.Fatalf("%+v was answered with %+v, want %q", x.f, d, x.want)
		}
	}
	out := c.send(Assign{Item: 1, Part: parts[0], Reason: "saw it", Who: operator})
	j := only[Judged](out)
	if len(j) != 1 || j[0].Admit != "" || j[0].Attribute != "" || !j[0].NoIdent || j[0].Reading.Manual == nil || j[0].Reading.Reason != "saw it" || j[0].Reading.Sequence != 0 {
		t.Fatalf("assigned %+v", out)
	}
	c.send(Discard{Item: 2, Reason: "the ring", Who: operator})
	if tray := c.s.Ledger.Tray; len(tray) != 1 || tray[0].ID != 3 {
		t.Fatalf("left %+v", tray)
	}
}

// The tray is bounded, and the numbers of what was dropped do not come again.
func TestTheTrayIsBounded(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.quick = true
	c.record(1, Set{check(0)})
	for range maxMachineTray + 5 {
		c.part()
		r := c.reading("bore", c.counter)
		r.Value = 25*length.Millimetre - 60*um
		c.send(r)
	}
	if n := len(c.s.Ledger.Tray); n != maxMachineTray || c.s.Ledger.Tray[0].ID != 6 || c.s.Ledger.LastTray != maxMachineTray+5 {
		t.Fatalf("%d in the tray from %d to %d", n, c.s.Ledger.Tray[0].ID, c.s.Ledger.LastTray)
	}
	c.compare()
}

// The plant's own stream.

func plantSends(p *Plant, fold *Plant, t *testing.T, f Fact) []Event {
	t.Helper()
	out := p.Step(Input{Fact: f})
	for _, e := range out {
		d, err := Decode(e.Kind(), Encode(e))
		if err != nil {
			t.Fatal(err)
		}
		fold.Apply(d)
	}
	if live, folded := asJSON(t, p), asJSON(t, fold); string(live) != string(folded) {
		t.Fatalf("the fold differs\nlive   %s\nfolded %s", live, folded)
	}
	return out
}

func TestThePlantKeepsSettings(t *testing.T) {
	p, fold := &Plant{}, &Plant{}
	warm := gauge.Celsius(21_500)
	c := check(4 * um)
	c.Temp, c.Source = &warm, 1000
	if out := plantSends(p, fold, t, Set{c}); len(out) != 1 || out[0].Kind() != "set" || out[0].Keys().Gauge != "g-bore" {
		t.Fatalf("set %+v", out)
	}
	again := warm
	c.Temp = &again
	if out := plantSends(p, fold, t, Set{c}); len(out) != 0 {
		t.Fatalf("the same message again: %+v", out)
	}
	if out := plantSends(p, fold, t, RingChecked{c}); len(out) != 1 || out[0].Kind() != "ring" {
		t.Fatalf("checked after it: %+v", out)
	}
	c.Source, c.Sequence = 0, 0 // nothing tells whether it is the same
	for range 2 {
		if out := plantSends(p, fold, t, Set{c}); len(out) != 1 {
			t.Fatalf("without a number: %+v", out)
		}
	}
	c.Who = Person{Principal: "v", Role: Viewer}
	if out := plantSends(p, fold, t, Set{c}); len(only[Declined](out)) != 1 {
		t.Fatalf("a viewer sets a gauge: %+v", out)
	}
	c.Who = Person{Principal: "badge 7", Auth: ByMessage}
	if out := plantSends(p, fold, t, Set{c}); len(only[Set](out)) != 1 {
		t.Fatalf("a message sets a gauge: %+v", out)
	}
	if len(p.Gauges) != 1 || p.Gauges[0].Who != "badge 7" || p.Gauges[0].Standard != "R25" {
		t.Fatalf("remembered %+v", p.Gauges)
	}
	for i := range maxGauges + 3 {
		p.Step(Input{Fact: Set{Check{Gauge: "g" + string(rune('0'+i%10)) + partName("", uint64(i)), Who: setter}}})
	}
	names := func(g PlantGauge) string { return g.Gauge }
	var all []string
	for _, g := range p.Gauges {
		all = append(all, names(g))
	}
	if len(all) != maxGauges || !slices.IsSorted(all) {
		t.Fatalf("%d gauges remembered", len(all))
	}
}

func TestThePlantHandsAReadingOver(t *testing.T) {
	p, fold := &Plant{}, &Plant{}
	r := Reading{Gauge: "g-bore", Sequence: 4, Characteristic: "bor", Part: "x", Value: 25*length.Millimetre + um}
	plantSends(p, fold, t, Unplaced{Reading: r, Code: "nowhere"})
	plantSends(p, fold, t, Unplaced{Reading: r, Code: "nowhere"})
	f := Assign{Item: 2, Machine: "mill", Characteristic: "bore", Part: "101", Reason: "typing error", Who: operator}
	none := f
	none.Machine = ""
	if d := only[Declined](plantSends(p, fold, t, none)); len(d) != 1 || d[0].Cause != declineNoMachine {
		t.Fatalf("to nowhere: %+v", d)
	}
	out := plantSends(p, fold, t, f)
	a := only[Assigned](out)
	if len(a) != 1 || len(p.Tray) != 1 || p.Tray[0].ID != 1 || a[0].Keys().Gauge != "g-bore" {
		t.Fatalf("assigned %+v, left %+v", out, p.Tray)
	}
	plantSends(p, fold, t, Discard{Item: 1, Reason: "test piece", Who: operator})
	if d := only[Declined](plantSends(p, fold, t, f)); len(d) != 1 || d[0].Cause != declineNoItem || len(p.Tray) != 0 {
		t.Fatalf("twice: %+v", d)
	}

	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	c.part()
	moved := a[0]
	moved.Reading.Part = partName("", c.counter)
	got := c.record(5, moved)
	if j := only[Judged](got); len(j) != 1 || j[0].Admit != "" || j[0].Attribute != "" || !j[0].NoIdent || j[0].Reading.Reason != "typing error" {
		t.Fatalf("handed over: %+v", got)
	}
	if again := c.record(5, moved); len(again) > 0 {
		t.Fatalf("handed over twice: %+v", again)
	}
}
