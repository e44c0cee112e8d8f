package core

import (
	"strconv"
	"testing"
)

// The figures of a realistic run: one register, a reading of every part, a
// correction now and then.
func TestEventsStaySmall(t *testing.T) {
	c := cellWith(t, nil)
	c.quick = true
	for i := range 600 {
		c.drift["bore"] -= 200
		c.drift["boss"] += 200
		if i%20 == 0 {
			c.drift["bore"] -= 8 * um
		}
		c.part()
		c.measure("bore", c.counter)
		c.measure("boss", c.counter)
		for _, p := range c.s.Ledger.Proposals {
			if p.Status == Pending {
				c.send(Approve{Proposal: p.ID, Digest: p.Digest, Who: setter})
			}
		}
		if i%200 == 199 {
			c.tools[0]++
			c.look()
		}
		for _, h := range c.s.Ledger.Holds {
			c.send(Resume{Loop: h.Loop, Cause: h.Cause, Note: "looked", Who: engineer})
		}
	}
	bytes, count := map[string]int{}, map[string]int{}
	total := 0
	for _, e := range c.events {
		n := len(Encode(e))
		bytes[e.Kind()] += n
		count[e.Kind()]++
		total += n
	}
	for _, kind := range []string{"seen", "cut", "read", "prop", "intent", "outcome", "approve", "void", "moved", "tool", "hold", "resume", "config"} {
		if count[kind] > 0 {
			t.Logf("%-8s %5d × %4d bytes", kind, count[kind], bytes[kind]/count[kind])
		}
	}
	mean := total / len(c.events)
	t.Logf("mean %d bytes over %d events, %s", mean, len(c.events), strconv.Itoa(total/600)+" bytes a part")
	if mean > 400 {
		t.Fatalf("%d bytes an event on average, at most 400 wanted", mean)
	}
}
