package core

import (
	"testing"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// ringed asks the bore's gauge for settings on one ring, well away from the aim.
func ringed(change func(*Trust)) func(*Settings) {
	return func(s *Settings) {
		for i := range s.Loops { // T = 40 µm: as-found limit 4 µm
			c := &s.Loops[i].Characteristics[0]
			c.Limits = length.Range{Low: c.Aim - 20*um, High: c.Aim + 20*um}
			s.Loops[i].Mode = Confirm
		}
		t := Trust{
			Gauge: "g-bore", Repeat: um / 2, Interval: gauge.Interval{Millis: 8 * 3_600_000, Readings: 200, Change: 2000},
			Standards: []Ring{{Name: "R25", Value: 25*length.Millimetre - 60*um}},
		}
		if change != nil {
			change(&t)
		}
		s.Gauges = []Trust{t}
	}
}

func check(asFound length.Length) Check {
	return Check{Gauge: "g-bore", Standard: "R25", AsFound: asFound, Who: setter}
}

// record hands the cell a record of the plant's stream.
func (c *cell) record(n uint64, e Event) []Event { return c.send(FromPlant{Record: n, Event: e}) }

// proposes wears the bore until a proposal is open.
func (c *cell) proposes(t *testing.T) Open {
	t.Helper()
	for range 20 {
		c.drift["bore"] -= 2 * um
		c.part()
		c.measure("bore", c.counter)
		if p := c.s.proposalOf("bore"); p != nil {
			return *p
		}
	}
	t.Fatal("nothing was proposed")
	return Open{}
}

func TestAGaugeThatWasNeverSetSteersNothing(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.part()
	j := only[Judged](c.measure("bore", c.counter))[0]
	if j.Admit != waitNeverSet || c.s.loopView(c.s.Ledger.Settings.Loop("bore")).Waiting != waitNeverSet {
		t.Fatalf("judged %+v", j)
	}
	if c.s.loopView(c.s.Ledger.Settings.Loop("boss")).Waiting != "" {
		t.Fatal("the boss waits for the gauge of the bore")
	}
	c.record(1, Set{check(0)})
	c.part()
	if j := only[Judged](c.measure("bore", c.counter))[0]; j.Admit != "" || j.Attribute != "" {
		t.Fatalf("after the setting: %+v", j)
	}
}

// A setting finds the gauge 4.1 µm off where 4 µm are allowed: the readings since
// the last good setting are named, the open proposal is withdrawn.
func TestAsFoundBeyondTheLimitWithdrawsWhatWasBuiltOnIt(t *testing.T) {
	for _, x := range []struct {
		name    string
		asFound length.Length
		off     bool
	}{{"at the limit", -4 * um, false}, {"beyond it", -4*um - 1, true}, {"beyond it the other way", 4*um + 1, true}} {
		t.Run(x.name, func(t *testing.T) {
			c := cellWith(t, ringed(nil))
			c.record(1, Set{check(0)})
			p := c.proposes(t)
			first, last := uint64(1), c.seq["g-bore"]
			out := c.record(2, Set{check(x.asFound)})
			e := only[Checked](out)[0]
			if e.Limit != 4*um || (e.Verdict == codeAsFound) != x.off {
				t.Fatalf("checked %+v", e)
			}
			voided := only[Voided](out)
			if !x.off {
				if e.Suspect != nil || len(voided) > 0 || c.s.proposalOf("bore") == nil {
					t.Fatalf("found good, and yet %+v, %+v", e, voided)
				}
				return
			}
			if e.Suspect == nil || e.Suspect.From != first || e.Suspect.To != last || e.Suspect.Used != int64(last) ||
				e.Suspect.ToPart != c.counter || e.Suspect.FromPart != c.counter-last+1 {
				t.Fatalf("suspects %+v, want numbers %d to %d", e.Suspect, first, last)
			}
			if len(voided) != 1 || voided[0].Proposal != p.ID || voided[0].Cause != causeAsFound || voided[0].Keys().Gauge != "g-bore" {
				t.Fatalf("withdrawn %+v", voided)
			}
			c.part()
			if j := only[Judged](c.measure("bore", c.counter))[0]; j.Admit != "" {
				t.Fatalf("the gauge was adjusted and still steers nothing: %+v", j)
			}
		})
	}
}

// Twice the repeatability of the check widens the limit where that is more than
// a tenth of the tolerance.
func TestAsFoundLimitKnowsTheRepeatability(t *testing.T) {
	c := cellWith(t, ringed(func(tr *Trust) { tr.Repeat = 3 * um }))
	if e := only[Checked](c.record(1, Set{check(6 * um)}))[0]; e.Limit != 6*um || e.Verdict != "" {
		t.Fatalf("checked %+v", e)
	}
}

// A check that finds the gauge off, and adjusts nothing, stops it until it is set.
func TestARingCheckThatFindsTheGaugeOff(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	c.proposes(t)
	out := c.record(2, RingChecked{check(9 * um)})
	if e := only[Checked](out)[0]; e.Adjusted || e.Verdict != codeAsFound || len(only[Voided](out)) != 1 {
		t.Fatalf("found %+v", out)
	}
	c.part()
	if j := only[Judged](c.measure("bore", c.counter))[0]; j.Admit != waitGaugeOff {
		t.Fatalf("a reading of a gauge that is off: %+v", j)
	}
	used := c.s.known("g-bore").Trust.Since
	e := only[Checked](c.record(3, Set{check(9 * um)}))[0]
	if e.Suspect == nil || *e.Suspect != used { // the same readings are named again, now that it is adjusted
		t.Fatalf("suspects %+v, want %+v", e.Suspect, used)
	}
	c.part()
	if j := only[Judged](c.measure("bore", c.counter))[0]; j.Admit != "" {
		t.Fatalf("set, and still %+v", j)
	}
	// A good check makes what is before it good.
	c.record(4, RingChecked{check(um)})
	if b := c.s.known("g-bore").Trust; b.Since.Used != 0 || !b.Good {
		t.Fatalf("after a good check %+v", b)
	}
}

// What is forwarded again is taken once; what concerns no gauge here is left.
func TestPlantRecordsAreTakenOnce(t *testing.T) {
	c := cellWith(t, ringed(nil))
	if out := c.record(7, Set{check(5 * um)}); len(only[Checked](out)) != 1 {
		t.Fatalf("first %+v", out)
	}
	before := asJSON(t, c.s)
	for _, n := range []uint64{7, 3, 0} {
		if out := c.record(n, Set{check(5 * um)}); len(out) > 0 {
			t.Fatalf("record %d again: %+v", n, out)
		}
	}
	if out := c.record(9, Set{Check{Gauge: "elsewhere", Who: setter}}); len(out) > 0 {
		t.Fatalf("a gauge of somebody else: %+v", out)
	}
	if string(before) != string(asJSON(t, c.s)) {
		t.Fatal("the state moved")
	}
}

// Each reason to set again, at its bound and just beyond.
func TestOverdueSettings(t *testing.T) {
	warm := func(v gauge.Celsius) *gauge.Celsius { return &v }
	for name, x := range map[string]struct {
		change func(*Trust)
		wait   func(*cell)
		temp   *gauge.Celsius
		want   Code
	}{
		"in time":           {nil, func(c *cell) { c.pass(8*3_600_000 - 60_000) }, nil, ""},
		"too old":           {nil, func(c *cell) { c.pass(8*3_600_000 + 1000) }, nil, waitSetTime},
		"too many parts":    {func(tr *Trust) { tr.Interval.Readings = 3 }, func(c *cell) { c.gauged(3) }, nil, waitSetParts},
		"not too many":      {func(tr *Trust) { tr.Interval.Readings = 4 }, func(c *cell) { c.gauged(3) }, nil, ""},
		"as warm as before": {nil, func(*cell) {}, warm(23_000), ""},
		"warmer":            {nil, func(*cell) {}, warm(23_001), waitSetClimate},
		"colder":            {nil, func(*cell) {}, warm(18_999), waitSetClimate},
	} {
		t.Run(name, func(t *testing.T) {
			c := cellWith(t, ringed(x.change))
			k := check(0)
			k.Temp = warm(21_000)
			c.record(1, Set{k})
			x.wait(c)
			c.look()
			c.part()
			r := c.reading("bore", c.counter)
			r.Temp = x.temp
			if j := only[Judged](c.send(r))[0]; j.Admit != x.want {
				t.Fatalf("judged %q, want %q", j.Admit, x.want)
			}
			if x.want == "" {
				return
			}
			c.record(2, Set{k})
			r.Sequence++
			if r.Temp = nil; only[Judged](c.send(r))[0].Admit != "" {
				t.Fatal("set again, and still waiting")
			}
		})
	}
}

func (c *cell) gauged(n int) {
	for range n {
		c.part()
		c.measure("bore", c.counter)
	}
}

// A setting that is told late is as old as it is.
func TestALateSettingKeepsItsAge(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.send(FromPlant{Record: 1, Age: 8*3_600_000 + 60_000, Event: Set{check(0)}})
	if got := c.s.trouble("g-bore", nil); got != waitSetTime {
		t.Fatalf("trouble %q", got)
	}
}

// Due dates come from outside; each clears by itself, and an out-of-date ring
// makes nothing good.
func TestDueDates(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	c.part()
	c.send(Dates{Gauges: []string{"g-bore"}})
	if j := only[Judged](c.measure("bore", c.counter))[0]; j.Admit != waitGaugeDue {
		t.Fatalf("judged %+v", j)
	}
	out := c.send(Dates{Standards: []string{"R25"}})
	if len(out) != 1 || c.s.trouble("g-bore", nil) != waitRingDue {
		t.Fatalf("ring out of date: %+v", out)
	}
	if out := c.send(Dates{Standards: []string{"R25"}}); len(out) > 0 {
		t.Fatalf("no news, and yet %+v", out)
	}
	if e := only[Checked](c.record(2, Set{check(9 * um)}))[0]; e.Verdict != waitRingDue || c.s.trouble("g-bore", nil) != waitRingDue {
		t.Fatalf("set on a ring that is out of date: %+v", e)
	}
	c.send(Dates{})
	if got := c.s.trouble("g-bore", nil); got != "" {
		t.Fatalf("in date again, and still %q", got)
	}
	k := check(0)
	k.Standard = "R26"
	if e := only[Checked](c.record(3, Set{k}))[0]; e.Verdict != codeWrongRing {
		t.Fatalf("set on another ring: %+v", e)
	}
}

// An approved proposal waits for its gauge and goes by itself afterwards.
func TestAProposalWaitsForItsGauge(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	p := c.proposes(t)
	if p.Gauge != "g-bore" {
		t.Fatalf("proposal %+v", p)
	}
	c.send(Dates{Gauges: []string{"g-bore"}})
	c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: engineer})
	if len(c.intents) > 0 || c.s.View().Proposals[0].Waiting != waitGaugeDue {
		t.Fatalf("sent %+v", c.intents)
	}
	c.send(Dates{})
	if len(c.intents) != 1 {
		t.Fatal("the gauge is in date again and nothing was sent")
	}
}

func TestAFrozenGaugeHoldsItsLoop(t *testing.T) {
	c := cellWith(t, ringed(func(tr *Trust) { tr.Frozen = 5 }))
	c.record(1, Set{check(0)})
	send := func() Judged {
		c.part()
		r := c.reading("bore", c.counter)
		r.Value = 25*length.Millimetre + um
		out := c.send(r)
		c.send(r) // delivered twice: the same reading, not another one
		return only[Judged](out)[0]
	}
	for i := range 4 {
		if j := send(); j.Admit != "" {
			t.Fatalf("reading %d: %+v", i+1, j)
		}
	}
	if j := send(); j.Admit != codeFrozen || c.s.hold("bore") == nil || c.s.hold("bore").Cause != causeFrozen {
		t.Fatalf("the fifth: %+v, holds %+v", j, c.s.Ledger.Holds)
	}
	c.send(Resume{Loop: "bore", Cause: causeFrozen, Note: "cable", Who: setter})
	if j := send(); j.Admit != "" {
		t.Fatalf("resumed, and yet %+v", j)
	}
}

func TestAReadingOutsideTheHeads(t *testing.T) {
	c := cellWith(t, ringed(func(tr *Trust) {
		tr.Heads = []length.Range{{Low: 20 * length.Millimetre, High: 25*length.Millimetre + 30*um}}
	}))
	c.record(1, Set{check(0)})
	for off, want := range map[length.Length]Code{30 * um: "", 30*um + 1: codeHead} {
		c.part()
		r := c.reading("bore", c.counter)
		r.Value = 25*length.Millimetre + off
		if j := only[Judged](c.send(r))[0]; j.Admit != want {
			t.Fatalf("%s: judged %q, want %q", off, j.Admit, want)
		}
	}
}

// A hand entry for a serial or a count is used, and asks a person at most.
func TestAHandEntry(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	c.part()
	r := c.reading("bore", c.counter)
	r.Sequence, r.Manual, r.Reason, r.Gauge = 0, &operator, "gateway down", "by hand"
	if j := only[Judged](c.send(r))[0]; j.Admit != "" || j.Attribute != "" || !j.NoIdent {
		t.Fatalf("entered %+v", j)
	}
	r.Part = "no such part"
	if j := only[Judged](c.send(r))[0]; j.Attribute != codeNoRecord {
		t.Fatalf("entered %+v", j)
	}
}

// A hand entry for a gauge that is out of order is no way round it.
func TestAHandEntryOfAGaugeOutOfOrder(t *testing.T) {
	c := cellWith(t, ringed(nil))
	c.part()
	r := c.reading("bore", c.counter)
	r.Sequence, r.Manual = 0, &operator
	if j := only[Judged](c.send(r))[0]; j.Admit != waitNeverSet {
		t.Fatalf("entered %+v", j)
	}
}

func TestEveryTrustCodeHasWords(t *testing.T) {
	for _, c := range []Code{
		codeHead, codeFrozen, codeRing, codeAsFound, codeWrongRing, causeFrozen, causeAsFound, declineNoItem, declineNoMachine,
		waitGaugeDue, waitRingDue, waitGaugeOff, waitNeverSet, waitSetTime, waitSetParts, waitSetClimate,
	} {
		if c.Words() == string(c) {
			t.Errorf("code %q has no words", c)
		}
	}
}

// A gauge that serves two characteristics is held to the narrower one; what rests
// on the wider one is withdrawn by its own limit only.
func TestOneGaugeForTwoCharacteristics(t *testing.T) {
	for _, swap := range []bool{false, true} {
		c := cellWith(t, func(s *Settings) {
			ringed(nil)(s)
			s.Loops[1].Characteristics[0].Gauges = []GaugeUse{{Gauge: "g-bore", Identity: identityCounter, Resolution: um}}
			boss := &s.Loops[1].Characteristics[0]
			boss.Limits = length.Range{Low: boss.Aim - 100*um, High: boss.Aim + 100*um} // 20 µm as found
			if swap {
				s.Loops[0], s.Loops[1] = s.Loops[1], s.Loops[0]
			}
		})
		c.record(1, Set{check(0)})
		c.drift["boss"] += 60 * um
		c.proposes(t)
		for range 5 {
			c.part()
			r := c.reading("boss", c.counter)
			c.seq["g-bore"]++
			r.Gauge, r.Sequence = "g-bore", c.seq["g-bore"]
			c.send(r)
		}
		if c.s.proposalOf("boss") == nil || c.s.proposalOf("bore") == nil {
			t.Fatalf("open %+v", c.s.Ledger.Proposals)
		}
		out := c.record(2, Set{check(5 * um)})
		e := only[Checked](out)[0]
		v := only[Voided](out)
		if e.Limit != 4*um || e.Verdict != codeAsFound || len(v) != 1 || v[0].Loop != "bore" {
			t.Fatalf("checked %+v, withdrawn %+v", e, v)
		}
	}
}

// The filters of what a gauge measures are told that its zero was moved, and
// only theirs; a check that moves nothing tells them nothing.
func TestASettingIsToldToTheEstimate(t *testing.T) {
	filters := func(c *cell) (bore, boss string) {
		return string(asJSON(t, c.s.estimateOf("bore", 0))), string(asJSON(t, c.s.estimateOf("boss", 0)))
	}
	c := cellWith(t, ringed(nil))
	c.record(1, Set{check(0)})
	c.gauged(5)
	bore, boss := filters(c)
	c.record(2, RingChecked{check(3 * um)})
	if a, b := filters(c); a != bore || b != boss {
		t.Error("a check told the filters something")
	}
	c.record(3, Set{check(3 * um)})
	if a, b := filters(c); a == bore || b != boss {
		t.Error("a setting told the wrong filters")
	}
}
