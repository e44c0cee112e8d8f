package core

import (
	"strconv"
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

func TestSerialReadFromTheMachine(t *testing.T) {
	c := cellWith(t, identity(identitySerial))
	c.serial = "A"
	c.part()
	c.serial = "B"
	c.part()
	c.serial = "C"
	c.look()
	r := c.reading("bore", c.counter-1)
	r.Part = "A"
	if j := c.judged(c.send(r)); j.Attribute != "" || j.Count != 101 {
		t.Fatalf("judged %+v", j)
	}
	r = c.reading("bore", c.counter)
	r.Part = "B"
	if j := c.judged(c.send(r)); j.Attribute != "" || j.Count != 102 {
		t.Fatalf("judged %+v", j)
	}
	r = c.reading("bore", c.counter)
	r.Part = "Z"
	if j := c.judged(c.send(r)); j.Attribute != codeNoRecord {
		t.Fatalf("judged %+v", j)
	}
}

func TestSerialAnnounced(t *testing.T) {
	c := cellWith(t, identity(identitySerial))
	c.send(Pair{Serial: "A"})
	r := c.reading("boss", c.counter)
	r.Characteristic, r.Gauge, r.Part, r.Value = "bore", "g-bore", "A", 25*length.Millimetre
	one[Waits](t, c.send(r)) // announced, not cut yet
	out := c.part()
	if j := c.judged(out); j.Attribute != "" || j.Count != 101 {
		t.Fatalf("judged %+v", j)
	}
}

// Two serials announced for one part: nobody knows which of them it is.
func TestTwoSerialsForOnePart(t *testing.T) {
	c := cellWith(t, identity(identitySerial))
	c.send(Pair{Serial: "A"})
	c.send(Pair{Serial: "B"})
	c.part()
	for _, serial := range []string{"A", "B"} {
		r := c.reading("bore", c.counter)
		r.Part = serial
		if j := c.judged(c.send(r)); j.Attribute != codeNoRecord {
			t.Fatalf("%s: judged %+v", serial, j)
		}
	}
}

// A serial seen twice is a part that was cut again: the reading without a cut
// number is of the latest, and it steers no level.
func TestRecut(t *testing.T) {
	c := cellWith(t, identity(identitySerial))
	for range 2 {
		c.send(Pair{Serial: "A"})
		c.part()
	}
	r := c.reading("bore", c.counter)
	r.Part = "A"
	if j := c.judged(c.send(r)); j.Count != 102 || !j.Recut || j.Estimate != codeIgnored {
		t.Fatalf("judged %+v", j)
	}
	r = c.reading("bore", c.counter-1)
	r.Part, r.Cut = "A", 1
	if j := c.judged(c.send(r)); j.Count != 101 || j.Recut {
		t.Fatalf("judged %+v", j)
	}
}

// Without any number the oldest part that was not measured is meant, and a
// person decides.
func TestOrder(t *testing.T) {
	c := cellWith(t, identity(identityOrder))
	c.begin()
	c.send(Link{Epoch: c.epoch, Cause: "m-lost"})
	c.cutting = false
	c.counter++
	c.finish()
	c.connect() // the first part is in doubt
	c.part()
	c.part()
	for n := uint64(101); n <= 103; n++ {
		r := c.reading("bore", n)
		r.Part, r.Sequence = "", 0
		j := c.judged(c.send(r))
		if j.Count != n || !j.NoIdent || (n == 101) != (j.Attribute == doubtGap) {
			t.Fatalf("reading of part %d: %+v", n, j)
		}
	}
	r := c.reading("bore", 103)
	r.Part = ""
	if j := c.judged(c.send(r)); j.Attribute != codeNoRecord {
		t.Fatalf("one more: %+v", j)
	}
}

func TestOrderNeverWritesByItself(t *testing.T) {
	c := cellWith(t, identity(identityOrder))
	for range 8 {
		c.off("bore", -8*um)
		c.part()
		r := c.reading("bore", c.counter)
		r.Part = ""
		c.send(r)
	}
	if len(c.intents) != 0 {
		t.Fatal("an automatic write on readings nobody tied to a part")
	}
	c.card()
}

func TestMeasuringTask(t *testing.T) {
	c := cellWith(t, identity(identityTask))
	c.part()
	c.part()
	bare := func() Reading { r := c.reading("bore", 101); r.Part = "only a number"; return r }
	if j := c.judged(c.send(bare())); j.Attribute != codeNoTask {
		t.Fatalf("without a task: %+v", j)
	}
	c.send(Task{Gauge: "g-bore", Characteristic: "bore", Part: "101", For: 60_000, Who: operator})
	if j := c.judged(c.send(bare())); j.Attribute != "" || j.Count != 101 || !j.NoIdent {
		t.Fatalf("with a task: %+v", j)
	}
	c.declined(Task{Gauge: "g-bore", Characteristic: "boss", Part: "102", For: 60_000, Who: operator}, codeWrongGauge)
	c.declined(Task{Gauge: "g-bore", Characteristic: "keyway", Part: "102", For: 60_000, Who: operator}, codeNoCharacteristic)
	c.declined(Task{Gauge: "g-bore", Characteristic: "bore", Then: []string{""}, Part: "102", For: 60_000, Who: operator}, codeNoCharacteristic)
	c.declined(Task{Gauge: "g-bore", Characteristic: "bore", Then: make33("bore"), Part: "102", For: 60_000, Who: operator}, codeLongTask)
	if len(c.s.Ledger.Tasks) != 1 {
		t.Fatal("what was refused ended the task that was open")
	}
	c.send(Task{Gauge: "g-bore", Part: "102", For: 60_000, Who: operator})
	c.mono += 61_000
	if j := c.judged(c.send(bare())); j.Attribute != codeNoTask {
		t.Fatalf("with a task that has expired: %+v", j)
	}
	c.send(Task{Gauge: "g-bore", Part: "102", For: 60_000, Who: operator})
	c.restart()
	c.connect()
	if j := c.judged(c.send(bare())); j.Attribute != codeNoTask {
		t.Fatalf("with a task from before the start: %+v", j)
	}
	c.send(Task{Gauge: "g-bore", Part: "102", For: 60_000, Who: operator})
	c.send(Task{Gauge: "g-bore", Who: operator})
	if len(c.s.Ledger.Tasks) != 0 {
		t.Fatalf("closed, and still there: %+v", c.s.Ledger.Tasks)
	}
}

// A ring looks like a perfect part: while the gauge is on one, nothing it says
// steers a loop, whatever else the message claims.
func TestRingIsNoPart(t *testing.T) {
	c := cellWith(t, nil)
	c.part()
	c.send(Task{Gauge: "g-bore", Ring: "ring 25", For: 60_000, Who: operator})
	if j := c.judged(c.measure("bore", c.counter)); j.Admit != codeRingUnknown {
		t.Fatalf("judged %+v", j)
	}
}

func TestRegauge(t *testing.T) {
	c := cellWith(t, nil)
	c.part()
	c.measure("bore", c.counter)
	if j := c.judged(c.measure("bore", c.counter)); !j.Regauge || j.Attribute != "" {
		t.Fatalf("judged %+v", j)
	}
	r := c.reading("bore", c.counter)
	r.Sequence = 0
	if j := c.judged(c.send(r)); j.Attribute != codeRepeated {
		t.Fatalf("without a number: %+v", j)
	}
}

func TestReadingsThatAreNotUsed(t *testing.T) {
	cases := []struct {
		name   string
		change func(*Reading)
		want   Code
	}{
		{"another characteristic", func(r *Reading) { r.Characteristic = "slot" }, codeNoCharacteristic},
		{"a gauge of another characteristic", func(r *Reading) { r.Gauge = "g-boss" }, codeWrongGauge},
		{"retained", func(r *Reading) { r.Retained = true }, codeRetained},
		{"a test piece", func(r *Reading) { r.State = "test" }, codeNotProduction},
		{"inch taken for mm", func(r *Reading) { r.Value *= 25 }, codeImplausible},
		{"the same number again", func(r *Reading) { r.Sequence-- }, codeRepeated},
		{"an older number", func(r *Reading) { r.Sequence -= 2 }, codeLate},
	}
	for _, k := range cases {
		t.Run(k.name, func(t *testing.T) {
			c := cellWith(t, nil)
			c.part()
			c.measure("bore", c.counter)
			c.measure("bore", c.counter)
			c.part()
			before := asJSON(t, c.s.Estimates)
			r := c.reading("bore", c.counter)
			k.change(&r)
			if j := c.judged(c.send(r)); j.Admit != k.want {
				t.Fatalf("judged %+v", j)
			}
			if string(before) != string(asJSON(t, c.s.Estimates)) {
				t.Fatal("the estimate took it")
			}
		})
	}
}

func TestPartsThatAreNotOurs(t *testing.T) {
	c := cellWith(t, nil)
	c.part()
	for part, want := range map[string]Code{
		"101": "", "1": codeNoRecord, "100": codeNoRecord, "100000": codeNotCutYet,
		"": codeNoPart, "x101": codeNoPart, "-1": codeNoPart, strings.Repeat("9", 300): codeNoPart,
	} {
		r := c.reading("bore", 101)
		r.Part = part
		if j := c.judged(c.send(r)); j.Attribute != want {
			t.Fatalf("part %.20q: judged %q, want %q", part, j.Attribute, want)
		}
	}
}

func TestThreeImplausibleInARowHold(t *testing.T) {
	c := cellWith(t, nil)
	odd := func() {
		r := c.reading("bore", c.counter)
		r.Value += 2 * length.Millimetre
		c.send(r)
	}
	c.part()
	odd()
	odd()
	c.measure("bore", c.counter) // a good one between
	odd()
	odd()
	c.free("bore")
	odd()
	c.held("bore", causeImplausible)
	c.free("boss")
}

func TestReadingAheadOfItsRecordWaits(t *testing.T) {
	c := cellWith(t, nil)
	c.sizes[101] = map[string]length.Length{"bore": 25*length.Millimetre - 3*um}
	r := c.reading("bore", 101)
	one[Waits](t, c.send(r))
	if j := c.judged(c.send(r)); j.Admit != codeRepeated {
		t.Fatalf("sent again: %+v", j)
	}
	c.restart()
	c.connect()
	if j := c.judged(c.part()); j.Attribute != "" || j.Count != 101 {
		t.Fatalf("judged %+v", j)
	}
	if len(c.s.Ledger.Waiting) != 0 {
		t.Fatal("still waiting")
	}
}

// The tray of waiting readings is bounded, and what falls out of it is said.
func TestWaitingIsBoundedAndNothingIsLost(t *testing.T) {
	c := cellWith(t, nil)
	for range 3 * maxWaiting {
		r := c.reading("bore", 101)
		r.Value = 25 * length.Millimetre
		c.send(r)
	}
	if n := len(c.s.Ledger.Waiting); n != maxWaiting {
		t.Fatalf("%d readings wait", n)
	}
	if n := len(only[Judged](c.events)); n != 2*maxWaiting {
		t.Fatalf("%d of %d were said to find no record", n, 2*maxWaiting)
	}
}

// However many names a flood of readings has, the state does not grow with it.
func TestUnlistedGaugesLeaveNothingBehind(t *testing.T) {
	c := cellWith(t, nil)
	c.part()
	for i := range 200 {
		r := c.reading("bore", c.counter)
		r.Gauge = "forged " + strconv.Itoa(i)
		c.send(r)
	}
	if n := len(c.s.Ledger.Gauges); n != 0 {
		t.Fatalf("%d gauges that no characteristic lists are kept", n)
	}
	c.s.Ledger.Gauges, c.f.Ledger.Gauges = many(maxGauges), many(maxGauges)
	r := c.reading("bore", c.counter)
	r.Gauge, r.Manual = "typed", &operator
	c.send(r)
	if n := len(c.s.Ledger.Gauges); n > maxGauges {
		t.Fatalf("%d gauges are kept", n)
	}
}

func many(n int) []GaugeBook {
	var g []GaugeBook
	for i := range n {
		g = append(g, GaugeBook{Gauge: "g-" + strconv.Itoa(10_000+i), Last: 1})
	}
	return g
}

// Texts of any length and any bytes stay apart from each other and fold to what
// was decided from.
func TestGarbledTexts(t *testing.T) {
	c := cellWith(t, func(s *Settings) {
		s.Loops[0].Characteristics[0].Gauges[0].Identity = identitySerial
		s.Loops[0].Program = ""
	})
	long := strings.Repeat("é", 400)
	for i, serial := range []string{"\xff\xfe", "\xff\xfd", long + "a", long + "b"} {
		c.serial, c.program = serial, serial
		c.look()
		c.part()
		r := c.reading("bore", c.counter)
		r.Part = serial
		if j := c.judged(c.send(r)); j.Attribute != "" || j.Count != uint64(101+i) || j.Recut {
			t.Fatalf("serial %d: judged %+v", i, j)
		}
	}
	c.send(Hold{Note: long + "\xff", Loop: "bore", Who: Person{Principal: "\xff", Role: Operator, Auth: long}})
	for _, e := range c.events {
		if n := len(Encode(e)); n > 4096 {
			t.Fatalf("event %s has %d bytes", e.Kind(), n)
		}
	}
}

func make33(name string) (all []string) {
	for range mostThen + 1 {
		all = append(all, name)
	}
	return all
}
