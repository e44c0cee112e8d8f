package web

import (
	"fmt"
	"html"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// read is one size, so far from its aim, of the machine of these tests.
func read(umOff float64, change func(*core.Judged)) bridge.Released {
	j := core.Judged{Reading: core.Reading{Characteristic: "bore"}, Loop: "bore", Deviation: length.Length(math.Round(umOff * 1000))}
	if change != nil {
		change(&j)
	}
	return bridge.Released{Stream: "machine/mill", Events: []core.Event{j}}
}

// The place tells what was measured since the page began: NIST/SEMATECH e-Handbook, 6.1.6, gives
// Cp = (USL−LSL)/6s and Cpk from the nearer limit; the figures below are worked out by hand.
func TestCapabilityOfWhatWasMeasured(t *testing.T) {
	s := open(t, true)
	s.plant.inside.Close = []core.LoopInside{{
		LoopView: core.LoopView{Name: "bore", Mode: core.Confirm},
		Learned: []core.Learned{{Characteristic: core.Characteristic{
			Name: "bore", Aim: 25 * length.Millimetre,
			Limits: length.Range{Low: 25*length.Millimetre - 12*length.Micrometre, High: 25*length.Millimetre + 18*length.Micrometre},
		}}},
	}}
	b := s.browser(t)
	place := func() string {
		t.Helper()
		status, body, _ := b.look("/capability?machine=mill")
		if status != http.StatusOK {
			t.Fatalf("status %d", status)
		}
		return strings.ReplaceAll(html.UnescapeString(body), "\u00a0", " ")
	}
	if !strings.Contains(place(), "from 30 sizes on") {
		t.Error("an index of nothing")
	}
	for s.plant.watchers() == 0 { // the board begins in the background
		time.Sleep(time.Millisecond)
	}
	for i := range 32 { // mean 2, s = 3·√(32/31) = 3.048 µm
		s.plant.tell(read(2+3*float64(1-2*(i%2)), nil))
	}
	for _, no := range []func(*core.Judged){
		func(j *core.Judged) { j.Admit = "odd" }, func(j *core.Judged) { j.Attribute = "gap" },
		func(j *core.Judged) { j.Regauge = true }, func(j *core.Judged) { j.Recut = true }, func(j *core.Judged) { j.Gather = core.Gathers },
	} {
		s.plant.tell(read(900, no))
	}
	s.plant.tell(bridge.Released{Stream: "plant", Events: read(900, nil).Events})
	body := place()
	for _, want := range []string{
		"32 sizes", "+0.0020 mm", "0.0030 mm", "−0.0010 mm to +0.0050 mm", "limits −0.0120 mm to +0.0180 mm",
		fmt.Sprintf("<td>%.2f<br>", 30/(6*3.0480)), fmt.Sprintf("<strong>%.2f</strong>", 14/(3*3.0480)), "asks",
	} {
		if !strings.Contains(body, want) {
			t.Errorf("no %q in %s", want, body)
		}
	}
	s.plant.tell(bridge.Released{Stream: "machine/other", Events: []core.Event{core.Configured{}}})
	if !strings.Contains(place(), "32 sizes") {
		t.Error("another machine's configuration ends it")
	}
	s.plant.tell(bridge.Released{Stream: "machine/mill", Events: []core.Event{core.Configured{}}})
	if !strings.Contains(place(), "0 sizes") {
		t.Error("it goes on under another configuration")
	}
}
