package app

import (
	"testing"

	"offsetbridge/internal/core"
	"offsetbridge/internal/intake"
)

// TestAFloodIsCounted: one record stands for all that a gauge sent too fast, and
// each of them counts as refused.
func TestAFloodIsCounted(t *testing.T) {
	t.Parallel()
	a, p := &App{}, &core.Plant{}
	for _, n := range []int{1, 7, 19_980} {
		_, fact := a.place(intake.Message{Gauge: "bore-1", Topic: "t", Rejected: intake.Flood, Count: n})
		before := p.Rejected
		events := p.Step(core.Input{Fact: fact})
		if len(events) != 1 || p.Rejected-before != uint64(n) {
			t.Errorf("%d messages: %d events, %d refused", n, len(events), p.Rejected-before)
		}
	}
}
