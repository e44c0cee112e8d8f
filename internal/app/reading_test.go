package app

import (
	"fmt"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/internal/core"
	"offsetbridge/simulators/gauge"
	"offsetbridge/testdata/peers/shop"
)

// TestBadReadings sends what gauges and gateways send when something is wrong.
// Each is recorded with its reason, said in one sentence, and moves nothing.
func TestBadReadings(t *testing.T) {
	t.Parallel()
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Setup: -2_000}})
	d := start(t, s.Config(t, `mode      = "auto"`, `mode      = "confirm"`))
	d.live(t)
	part(t, s, d)
	good, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	awaits(t, d, "the part is recorded", func(c core.Recorded) bool { return c.Count == good.Count })

	send := func(t *testing.T, r gauge.Reading, faults ...gauge.Fault) uint64 {
		t.Helper()
		if err := s.Gauge.Send(t.Context(), r, faults...); err != nil {
			t.Fatal(err)
		}
		return r.Sequence
	}
	changed := func(f func(*gauge.Reading)) gauge.Reading {
		r := s.Reading(good)
		f(&r)
		return r
	}
	judged := []struct {
		name     string
		sentence string
		code     core.Code
		reading  gauge.Reading
	}{
		{"a part not cut by far", "the machine has not counted that part by far, check the part number", "not-cut", changed(func(r *gauge.Reading) { r.Part = "40000" })},
		{"a part before the first record", "the machine has no record of that cut", "no-record", changed(func(r *gauge.Reading) { r.Part = "0" })},
		{"a test piece", "not a production part, recorded but not used", "not-prod", changed(func(r *gauge.Reading) { r.State = "test" })},
		{"a chip under the anvil", "outside the plausible window, measure again", "odd", changed(func(r *gauge.Reading) { r.Nanometres = 27_850_000 })},
	}
	for _, c := range judged {
		t.Run(c.name, func(t *testing.T) {
			j := d.judged(t, send(t, c.reading))
			if got := firstOf(j.Admit, j.Attribute); got != c.code {
				t.Errorf("judged %q, want %q: %s", got, c.code, core.Encode(j))
			}
			d.hears(t, c.sentence)
		})
	}

	rejected := []struct {
		name     string
		sentence string
		code     core.Code
		payload  []byte
	}{
		{"in another unit", "the value is outside the gauge's range", "p-range", s.Gauge.Payload(s.Reading(good), gauge.WrongUnit)},
		{"a part without a number", "not a whole number in the allowed range", "p-count", s.Gauge.Payload(changed(func(r *gauge.Reading) { r.Part = "A-17" }))},
		{"without a unit", "the message gives no unit", "p-no-unit", s.Gauge.Payload(s.Reading(good), gauge.NoUnit)},
		{"a bare number", "a mapped field is missing", "", s.Gauge.Payload(s.Reading(good), gauge.Bare)},
		{"with an exponent", "the number has an exponent, send plain decimals", "p-exponent", s.Gauge.Payload(s.Reading(good), gauge.Exponent)},
		{"cut off", "the message is not valid JSON", "p-json", s.Gauge.Payload(s.Reading(good), gauge.CutOff)},
		{"the value twice", "a key occurs twice in one object", "p-dup-key", s.Gauge.Payload(s.Reading(good), gauge.SecondKey)},
		{"nothing", "the message is empty", "p-empty", nil},
		{"far too long", "the message is longer than 64 KiB", "p-size", []byte(strings.Repeat("x", 100_000))},
		{"in text", "not valid JSON", "p-json", []byte("bore is fine")},
	}
	for _, c := range rejected {
		t.Run(c.name, func(t *testing.T) {
			before := len(find(d, func(core.Rejected) bool { return true }))
			if err := s.Gauge.SendRaw(t.Context(), c.payload, false); err != nil {
				t.Fatal(err)
			}
			shop.Wait(t, "it is recorded as rejected", func() bool { return len(find(d, func(core.Rejected) bool { return true })) > before })
			r := find(d, func(core.Rejected) bool { return true })[before]
			if c.code != "" && r.Code != c.code || r.Size != min(len(c.payload), 4096) || r.Gauge != shop.Station {
				t.Errorf("recorded as %s, %d bytes of %q", r.Code, r.Size, r.Gauge)
			}
			d.hears(t, "message not used: "+r.Code.Words())
			if c.code != "" && !strings.Contains(r.Code.Words(), c.sentence) {
				t.Errorf("says %q, want %q", r.Code.Words(), c.sentence)
			}
		})
	}

	t.Run("of another characteristic", func(t *testing.T) {
		r := changed(func(r *gauge.Reading) { r.Characteristic = "bore 30 H8" })
		send(t, r)
		u := awaits(t, d, "it waits unassigned", func(u core.Unplaced) bool { return u.Reading.Sequence == r.Sequence })
		if u.Code != codeNotThisMachine {
			t.Errorf("unassigned because %q", u.Code)
		}
		d.hears(t, "the machine named has no characteristic of that name")
	})
	t.Run("twice", func(t *testing.T) { twice(t, s, d) })
	t.Run("retained", func(t *testing.T) {
		n := send(t, s.Reading(good), gauge.Retained)
		d.judged(t, n) // delivered live; what the broker keeps comes with the next subscription
		s.Broker.Restart()
		awaits(t, d, "the replay is recorded", func(j core.Judged) bool { return j.Reading.Sequence == n && j.Admit == "retained" })
		d.hears(t, "the broker replayed a retained message, recorded but not used")
		if err := s.Gauge.SendRaw(t.Context(), nil, true); err != nil { // forgets it
			t.Fatal(err)
		}
	})
	t.Run("out of order", func(t *testing.T) { outOfOrder(t, s, d) })
	t.Run("for a machine nobody configured", func(t *testing.T) {
		publish(t, s, "cell/mill-9/gauge/bore-1/reading", s.Gauge.Payload(s.Reading(good)))
		awaits(t, d, "it waits unassigned", func(u core.Unplaced) bool { return u.Machine == "mill-9" && u.Code == codeNoMachine })
		d.hears(t, "no machine of that name is configured, correct the gauge's mapping")
	})
	t.Run("ahead of the machine's count", func(t *testing.T) { ahead(t, s, d) })

	if at := untouched(t, s); at != 0 {
		t.Errorf("the register holds %v", at)
	}
	st := d.status(t)
	if st.Machines[0].Loops[0].Hold != nil || st.Machines[0].Hold != nil {
		t.Errorf("one of each is no reason to hold: %+v", st.Machines[0])
	}
	if st.Rejected < uint64(len(rejected)) || st.Tray != 2 {
		t.Errorf("status counts %d rejected and %d unassigned", st.Rejected, st.Tray)
	}
	j := part(t, s, d) // and a good one is used as if nothing had been
	if firstOf(j.Admit, j.Attribute) != "" {
		t.Errorf("a good reading is not used any more: %s", core.Encode(j))
	}
}

// twice: the same message two times is used once.
func twice(t *testing.T, s *shop.Shop, d *daemon) {
	p, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.Measure(t.Context(), p, gauge.Twice)
	if err != nil {
		t.Fatal(err)
	}
	of := func(again bool) int { // the first may still wait for the record of its cut when the second comes
		return len(find(d, func(j core.Judged) bool { return j.Reading.Sequence == n && (j.Admit == "repeated") == again }))
	}
	shop.Wait(t, "both are recorded", func() bool { return of(false) > 0 && of(true) > 0 })
	if of(false) != 1 || of(true) != 1 {
		t.Errorf("taken %d times, recorded as a repetition %d times", of(false), of(true))
	}
	used(t, find(d, func(j core.Judged) bool { return j.Reading.Sequence == n && j.Admit == "" })[0])
	d.hears(t, "the same reading came twice, used once")
}

// outOfOrder: the later reading comes first.
func outOfOrder(t *testing.T, s *shop.Shop, d *daemon) {
	first, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	late, err := s.Measure(t.Context(), first, gauge.Late)
	if err != nil {
		t.Fatal(err)
	}
	second, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.Measure(t.Context(), second)
	if err != nil {
		t.Fatal(err)
	}
	if j := d.judged(t, n); firstOf(j.Admit, j.Attribute) != "" {
		t.Errorf("the one in time is not used: %s", core.Encode(j))
	}
	if j := d.judged(t, late); j.Admit != "late" {
		t.Errorf("the late one is judged %q", j.Admit)
	}
	d.hears(t, "the reading is older than one already used, recorded but not used")
}

// ahead: the reading comes before the machine has counted its part, and waits.
func ahead(t *testing.T, s *shop.Shop, d *daemon) {
	held, err := s.Machine.State()
	if err != nil {
		t.Fatal(err)
	}
	n, err := s.Measure(t.Context(), shop.Part{Count: held.Counter + 1, Size: shop.Aim - 2_000})
	if err != nil {
		t.Fatal(err)
	}
	awaits(t, d, "it waits", func(w core.Waits) bool { return w.Reading.Sequence == n })
	if _, err := s.Cut(); err != nil {
		t.Fatal(err)
	}
	if j := d.judged(t, n); !j.Waited || firstOf(j.Admit, j.Attribute) != "" {
		t.Errorf("judged after its cut: %s", core.Encode(j))
	}
}

// publish sends a message on any topic.
func publish(t *testing.T, s *shop.Shop, topic string, payload []byte) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(s.Broker.URL()).SetClientID(fmt.Sprintf("stranger-%d", time.Now().UnixNano())))
	done := func(token mqtt.Token) {
		if !token.WaitTimeout(time.Minute) || token.Error() != nil {
			t.Fatalf("the broker does not take it: %v", token.Error())
		}
	}
	done(c.Connect())
	done(c.Publish(topic, 1, false, payload))
	c.Disconnect(100)
}
