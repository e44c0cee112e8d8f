package faultsim

import (
	"errors"
	"io"
	"math"
	"slices"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/length"
)

const (
	simURI   = "urn:faultsim:control"
	otherURI = "urn:faultsim:other"
)

// mostFields is how many nodes of a mailbox are read together; a read of everything has
// more.
const mostFields = 6

// conn is one connection of the daemon to a machine's server: a machine.Server.
type conn struct {
	m        *iron
	p        *process
	shifted  bool // the namespace table as it was when the connection began
	broken   bool
	writing  bool  // a write of the daemon uses it now
	readOp   int64 // operation of the last complete read
	readAt   int64 // true time of it
	permit   bool  // what it showed
	count    uint64
	tools    []int64
	program  string
	stranger bool
}

func (c *conn) dead() bool { return c.broken || c.p.dead || !c.m.reachable || c.m.conn != c }

// index is the place of a namespace in the server's table.
func (c *conn) index(uri string) uint16 {
	if (uri == simURI) != c.shifted {
		return 1
	}
	return 2
}

// Read answers with what holds at one instant.
func (c *conn) Read(nodes []*ua.ReadValueID) ([]*ua.DataValue, time.Time, error) {
	w := c.m.w
	if c.writing {
		w.meanwhile(c.m, "before read")
	}
	if c.dead() {
		return nil, time.Time{}, io.EOF
	}
	out := make([]*ua.DataValue, len(nodes))
	for i, n := range nodes {
		out[i] = c.attribute(n)
	}
	if len(nodes) > mostFields {
		c.readOp, c.readAt, c.permit, c.program, c.count = w.op(), w.now, !c.m.cutting, c.m.program, c.m.counter
		c.tools = append(c.tools[:0], c.m.tools...)
		c.m.unseen = false
		for i := range c.m.regs {
			c.m.regs[i].shown = c.m.regs[i].value
		}
	}
	w.now += int64(w.r.IntN(3))
	if c.writing {
		w.meanwhile(c.m, "after read")
		if c.dead() {
			return nil, time.Time{}, io.EOF
		}
	}
	return out, w.clock(), nil
}

func bad(st ua.StatusCode) *ua.DataValue {
	return &ua.DataValue{EncodingMask: ua.DataValueStatusCode, Status: st}
}

func good(v any) *ua.DataValue {
	return &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)}
}

// Types of the standard (OPC 10000-6).
const (
	typeDouble = 11
	typeText   = 12
	typeCount  = 9
	typeWord   = 7
	typeBool   = 1
)

func (c *conn) attribute(r *ua.ReadValueID) *ua.DataValue {
	m := c.m
	if r.NodeID.Namespace() == 0 {
		switch r.NodeID.IntID() {
		case 2255:
			table := []string{"http://opcfoundation.org/UA/", simURI, otherURI}
			if c.shifted {
				table[1], table[2] = table[2], table[1]
			}
			return good(table)
		case 2259:
			return good(int32(0))
		}
		return bad(ua.StatusBadNodeIDUnknown)
	}
	name := r.NodeID.StringID()
	v, kind := c.value(name, r.NodeID.Namespace() == c.index(simURI))
	if v == nil {
		return bad(ua.StatusBadNodeIDUnknown)
	}
	switch r.AttributeID {
	case ua.AttributeIDNodeClass:
		return good(int32(2))
	case ua.AttributeIDDataType:
		return good(ua.NewNumericNodeID(0, kind))
	case ua.AttributeIDAccessLevel, ua.AttributeIDUserAccessLevel:
		return good(byte(3))
	}
	if m.deaf && name == "T1" {
		return bad(ua.StatusBadNotReadable)
	}
	i := register(m, name)
	if old, ok := m.told[name]; ok && old.v == v && kind != 887 && (i < 0 || old.source == m.regs[i].source) {
		return old.d
	}
	d := good(v)
	now := told{v: v, d: d}
	if i >= 0 {
		now.source = m.regs[i].source
		d.SourceTimestamp = epoch.Add(time.Duration(now.source) * time.Millisecond)
	}
	if kind != 887 {
		m.told[name] = now
	}
	return d
}

// told is what a node last answered; nothing changes an answer that was given.
type told struct {
	v      any
	source int64
	d      *ua.DataValue
}

// value is what a node holds; the same names in the other namespace are decoys.
func (c *conn) value(name string, ours bool) (v any, kind uint32) {
	m := c.m
	switch name {
	case "serial":
		if c.stranger || !ours {
			return "S-STRANGER", typeText
		}
		return m.serial, typeText
	case "counter":
		return m.counter, typeCount
	case "program":
		return m.program, typeText
	case "permitted":
		return !m.cutting, typeBool
	case "unit":
		return ua.NewExtensionObject(unitOf(m.inches)), 887
	}
	if len(name) == 2 && name[0] == 'T' {
		if t := int(name[1] - '1'); t < len(m.tools) {
			return uint32(m.tools[t]), typeWord
		}
	}
	if m.box != nil && m.box.holds[name] != nil && ours {
		kind = typeDouble
		if slices.Contains(boxCounts, name) {
			kind = typeWord
		}
		return m.box.holds[name], kind
	}
	if i := register(m, name); i >= 0 {
		if !ours {
			return 1.0, typeDouble
		}
		return float64(m.regs[i].value) / float64(length.Millimetre), typeDouble
	}
	return nil, 0
}

func unitOf(inches bool) *ua.EUInformation {
	if inches {
		return &ua.EUInformation{UnitID: 'I'<<16 | 'N'<<8 | 'H', DisplayName: ua.NewLocalizedText("in"), Description: ua.NewLocalizedText("inch")}
	}
	return &ua.EUInformation{UnitID: 'M'<<16 | 'M'<<8 | 'T', DisplayName: ua.NewLocalizedText("mm"), Description: ua.NewLocalizedText("millimetre")}
}

func register(m *iron, node string) int {
	for i := range m.regs {
		if m.regs[i].node == node {
			return i
		}
	}
	return -1
}

// Browse tells every register's unit.
func (c *conn) Browse(id *ua.NodeID) ([]*ua.ReferenceDescription, error) {
	if c.dead() {
		return nil, io.EOF
	}
	if register(c.m, id.StringID()) < 0 {
		return nil, nil
	}
	return []*ua.ReferenceDescription{{
		BrowseName: &ua.QualifiedName{Name: "EngineeringUnits"},
		NodeID:     &ua.ExpandedNodeID{NodeID: ua.NewStringNodeID(c.index(simURI), "unit")},
	}}, nil
}

// Drop ends the connection.
func (c *conn) Drop(bool) { c.broken = true }

// Write takes a request and lets any mishap befall it.
func (c *conn) Write(v *ua.WriteValue, wait time.Duration) (ua.StatusCode, error) {
	w := c.m.w
	if c.dead() {
		return 0, io.EOF
	}
	ours, name := v.NodeID.Namespace() == c.index(simURI), v.NodeID.StringID()
	if b := c.m.box; b != nil && ours && b.holds[name] != nil {
		return b.write(c, name, v.Value.Value.Value(), wait)
	}
	f, _ := v.Value.Value.Value().(float64)
	if c.m.box != nil {
		w.violate("I9", "%s: %s is written and not handed over", c.m.name, name)
	}
	req := w.o.sent(c, ours, name, length.Length(math.Round(f*1e6)))
	w.meanwhile(c.m, "under way")
	w.now += int64(w.r.IntN(4))
	if req.reg < 0 {
		return ua.StatusBadNodeIDUnknown, nil
	}
	return c.carryOut(req, wait)
}

func (c *conn) carryOut(req *request, wait time.Duration) (ua.StatusCode, error) {
	m, w := c.m, c.m.w
	silent := func(kind string) (ua.StatusCode, error) {
		w.n.add("fault/" + kind)
		w.pause(wait)
		if c.dead() {
			return 0, io.EOF
		}
		return 0, ua.StatusBadTimeout
	}
	if m.stranger || !m.reachable {
		return 0, io.EOF
	}
	switch w.mishap(11) {
	case 1:
		return silent("request lost")
	case 2:
		m.effect(req, req.value)
		return silent("answer lost")
	case 3:
		m.late = append(m.late, late{w.now + wait.Milliseconds() + int64(w.r.IntN(latest)), req})
		return silent("late effect")
	case 4:
		w.n.add("fault/good but not applied")
		return ua.StatusOK, nil
	case 5:
		w.n.add("fault/good, late effect")
		m.late = append(m.late, late{w.now + int64(w.r.IntN(latest)), req})
		return ua.StatusOK, nil
	case 6:
		w.n.add("fault/clipped")
		m.effect(req, req.value-(req.value-m.regs[req.reg].value)/2)
		return ua.StatusGoodClamped, nil
	case 7:
		w.n.add("fault/refused by the machine")
		return ua.StatusBadOutOfRange, nil
	case 8:
		w.n.add("fault/uncertain answer")
		if w.r.IntN(2) == 0 {
			m.effect(req, req.value)
		}
		return ua.StatusUncertain, nil
	case 9:
		w.n.add("fault/connection lost before the effect")
		c.broken = true
		return 0, errors.New("connection reset")
	case 10:
		w.n.add("fault/connection lost after the effect")
		m.effect(req, req.value)
		c.broken = true
		return 0, io.EOF
	case 11:
		w.n.add("fault/refused after the effect")
		m.effect(req, req.value)
		return ua.StatusBadInvalidState, nil
	}
	m.effect(req, req.value)
	w.meanwhile(m, "acted")
	return ua.StatusOK, nil
}
