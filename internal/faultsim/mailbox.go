package faultsim

import (
	"io"
	"math"
	"slices"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
)

// mailbox is how a machine's control takes changes over: the nodes, and its own
// program, which does what machine.Handover asks of it. Nothing in it knows of the
// daemon.
type mailbox struct {
	m     *iron
	holds map[string]any // by node
	ask   *request       // that Request stands for
	taken *request       // that the program is at
	copy  map[string]any // of the fields as they were taken
	done  int64          // when it will be done with it
	late  []arrival
	lazy  int            // it looks at one of so many chances
	slow  int            // and takes its time for one of so many requests
	said  map[string]any // what was written last, whether it arrived or not
}

// arrival is a field that is written later.
type arrival struct {
	at    int64
	name  string
	value any
	req   *request
}

// The mailbox's nodes: counts and lengths.
var (
	boxCounts  = []string{"ask", "number", "ack", "result"}
	boxLengths = []string{"old", "new", "check"}
)

func newMailbox(m *iron) *mailbox {
	b := &mailbox{m: m, holds: map[string]any{}, said: map[string]any{}, lazy: pick(m.w.r, 1, 2, 12, 60), slow: pick(m.w.r, 1, 2, 4, 16)}
	for _, n := range boxCounts {
		b.holds[n] = uint32(0)
	}
	for _, n := range boxLengths {
		b.holds[n] = 0.0
	}
	return b
}

func (b *mailbox) count(name string) uint32 { return b.holds[name].(uint32) }

// mapped is the mailbox as the daemon's configuration names it.
func (b *mailbox) mapped(at func(string) machine.Node) *machine.Handover {
	return &machine.Handover{
		Request: at("ask"), Register: at("number"), Old: at("old"), New: at("new"), Check: at("check"),
		Acknowledged: at("ack"), Result: at("result"),
	}
}

// write takes a field, and lets any mishap befall it. Request alone has an effect: the
// oracle sees it leave as it sees a request for a register's own node.
func (b *mailbox) write(c *conn, name string, v any, wait time.Duration) (ua.StatusCode, error) {
	m, w := c.m, c.m.w
	var req *request
	b.said[name] = v
	if name == "ask" && v != uint32(0) {
		number, _ := b.said["number"].(uint32)
		node := "none"
		if 0 < number && int(number) <= len(m.regs) {
			node = m.regs[number-1].node
		}
		if req = w.o.sent(c, true, node, inMillimetres(b.said["new"])); req.reg < 0 {
			return ua.StatusBadNodeIDUnknown, nil
		}
	}
	w.meanwhile(m, "under way")
	w.now += int64(w.r.IntN(4))
	silent := func(kind string) (ua.StatusCode, error) {
		w.n.add("fault/hand-over " + kind)
		w.pause(wait)
		if c.dead() {
			return 0, io.EOF
		}
		return 0, ua.StatusBadTimeout
	}
	if m.stranger || !m.reachable {
		return 0, io.EOF
	}
	switch w.mishap(7) {
	case 1:
		return silent("field lost")
	case 2:
		b.put(name, v, req)
		return silent("answer lost")
	case 3:
		b.late = append(b.late, arrival{w.now + wait.Milliseconds() + int64(w.r.IntN(latest)), name, v, req})
		return silent("field late")
	case 4:
		w.n.add("fault/hand-over good but not written")
		return ua.StatusOK, nil
	case 5:
		w.n.add("fault/hand-over field refused")
		return ua.StatusBadOutOfRange, nil
	case 6:
		w.n.add("fault/hand-over connection lost before")
		c.broken = true
		return 0, io.EOF
	case 7:
		w.n.add("fault/hand-over connection lost after")
		b.put(name, v, req)
		c.broken = true
		return 0, io.EOF
	}
	b.put(name, v, req)
	return ua.StatusOK, nil
}

func inMillimetres(v any) length.Length {
	f, _ := v.(float64)
	return length.Length(math.Round(f * float64(length.Millimetre)))
}

func (b *mailbox) put(name string, v any, req *request) {
	b.holds[name] = v
	if name == "ask" {
		b.ask = req
	}
	b.m.w.op()
}

// runs is the control's program: it looks now and then, and takes its time.
func (b *mailbox) runs() {
	w := b.m.w
	b.arrive()
	if b.taken != nil && w.now >= b.done {
		b.finish()
	}
	if b.taken != nil || b.m.cutting || !b.waits() || !w.calm && w.r.IntN(b.lazy) > 0 {
		return
	}
	b.take()
	if w.calm || w.r.IntN(b.slow) > 0 {
		b.finish()
		return
	}
	w.n.add("fault/hand-over takes long")
	b.done = w.now + int64(w.r.IntN(quarantine-100))
}

// starts is the control's program at the start of a cycle: another place where a
// register may change. It is one after the other, so it cuts nothing while it is at a
// request.
func (b *mailbox) starts() {
	b.arrive()
	if b.taken == nil && b.waits() && b.m.w.r.IntN(2) == 0 {
		b.m.w.n.add("fault/hand-over at the start of a cycle")
		b.take()
	}
	if b.taken != nil {
		b.finish()
	}
}

func (b *mailbox) waits() bool { return b.count("ask") != 0 && b.count("ask") != b.count("ack") }

func (b *mailbox) arrive() {
	for i := 0; i < len(b.late); i++ {
		if a := b.late[i]; a.at <= b.m.w.now {
			b.late = slices.Delete(b.late, i, i+1)
			b.put(a.name, a.value, a.req)
			i = -1
		}
	}
}

func (b *mailbox) take() {
	b.taken, b.copy = b.ask, map[string]any{}
	for n, v := range b.holds {
		b.copy[n] = v
	}
}

// finish carries a request out or refuses it, and acknowledges it.
func (b *mailbox) finish() {
	m, w, req := b.m, b.m.w, b.taken
	number, old, new_ := b.copy["number"].(uint32), inMillimetres(b.copy["old"]), inMillimetres(b.copy["new"])
	sum := float64(b.copy["ask"].(uint32)+number) + b.copy["old"].(float64) + b.copy["new"].(float64)
	result := uint32(1)
	switch {
	case math.Abs(sum-b.copy["check"].(float64)) > 0.0005:
		result = 5
	case number == 0 || int(number) > len(m.regs):
		result = 4
	case m.regs[number-1].value != old:
		result = 2
	case new_.Abs() > 400*um:
		result = 3
	case w.mishap(4) == 1:
		result = 77
	}
	w.n.add([]string{1: "work/handed over", 2: "guard/hand-over over another value refused", 3: "guard/hand-over beyond the control's limits",
		4: "guard/hand-over for no register", 5: "guard/hand-over of fields that do not belong together", 77: "fault/hand-over refused"}[result])
	if result == 1 && req == nil {
		w.violate("I9", "%s: the control takes over what nobody asked for", m.name)
	} else if result == 1 {
		if int(number-1) != req.reg || new_ != req.value {
			w.violate("I4", "%s: intent %d is taken over as register %d := %d", m.name, req.rec.Intent.ID, number, new_)
		}
		m.effect(req, new_)
	}
	b.holds["ack"], b.holds["result"] = b.copy["ask"], result
	b.taken = nil
	w.op()
}

// open are the requests that may still act on their own.
func (b *mailbox) open() []*request {
	var out []*request
	for _, a := range b.late {
		if a.req != nil {
			out = append(out, a.req)
		}
	}
	if b.taken != nil {
		out = append(out, b.taken)
	} else if b.waits() && b.ask != nil {
		out = append(out, b.ask)
	}
	return out
}
