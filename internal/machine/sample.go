package machine

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/gopcua/opcua/ua"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// layout is what one session reads as one sample: node ids resolved in this
// session, in a fixed order. Places are -1 for what is not mapped.
type layout struct {
	o         *Options
	nodes     []*ua.ReadValueID
	serial    int
	counter   int
	program   int
	permitted int
	part      int
	owner     int
	tools     []int
	registers []int
	codecs    []codec
	writable  []bool

	box                   *mailbox // nil: registers are written directly
	request, acknowledged int      // places
}

// writer is how registers are written in this session.
func (l *layout) writer() writer {
	if l.box == nil {
		return direct{}
	}
	return l.box
}

func newLayout(o *Options) *layout {
	return &layout{o: o, serial: -1, counter: -1, program: -1, permitted: -1, part: -1, owner: -1}
}

func (l *layout) add(id *ua.NodeID) int {
	if id == nil {
		return -1
	}
	l.nodes = append(l.nodes, valueOf(id))
	return len(l.nodes) - 1
}

// ids returns what a subscription watches: everything but the serial.
func (l *layout) ids() []*ua.NodeID {
	var ids []*ua.NodeID
	for i, n := range l.nodes {
		if i != l.serial {
			ids = append(ids, n.NodeID)
		}
	}
	return ids
}

// snapshot is one Read of everything, understood.
type snapshot struct {
	core.Sample
	at      time.Time   // server's time of the answer, zero when not told
	sources []time.Time // per register: when the source set it, zero when not told

	owner                 string // the mark, where there is one
	request, acknowledged int64  // of the mailbox, where there is one
}

// decode understands one Read. Whatever is not a good value of the right type
// is a fault; only a tool generation may be unreadable.
func (l *layout) decode(a answer) (*snapshot, error) {
	if len(a.values) != len(l.nodes) {
		return nil, wait(CodeProtocol, "%d values for %d nodes", len(a.values), len(l.nodes))
	}
	s := &snapshot{at: a.at}
	s.Permitted = true
	if err := l.decodeState(a, s); err != nil {
		return nil, err
	}
	if l.box != nil {
		var err, err2 error
		s.request, err = countAt(a, l.request)
		s.acknowledged, err2 = countAt(a, l.acknowledged)
		if err = errors.Join(err, err2); err != nil {
			return nil, wait(CodeRead, "mailbox: %v", err)
		}
	}
	s.Tools = make([]int64, len(l.tools))
	for i, at := range l.tools {
		s.Tools[i] = -1
		if v, err := value(a, at); err == nil {
			if n, ok := integer(v); ok && n >= 0 {
				s.Tools[i] = n
			}
		}
	}
	s.Registers = make([]length.Length, len(l.registers))
	s.sources = make([]time.Time, len(l.registers))
	for i, at := range l.registers {
		v, err := value(a, at)
		if err == nil {
			s.Registers[i], err = l.codecs[i].decode(v)
		}
		if err != nil {
			return nil, wait(CodeRead, "register %q: %v", l.o.Registers[i].Name, err)
		}
		s.sources[i] = a.values[at].SourceTimestamp
	}
	return s, nil
}

func (l *layout) decodeState(a answer, s *snapshot) error {
	if l.serial >= 0 {
		text, err := textAt(a, l.serial)
		if err != nil {
			return wait(CodeRead, "machine serial: %v", err)
		}
		if text != l.o.Serial {
			return differs(CodeSerial, "the server says %q, commissioned %q", text, l.o.Serial)
		}
	}
	if l.counter >= 0 {
		v, err := value(a, l.counter)
		if err != nil {
			return wait(CodeRead, "counter: %v", err)
		}
		n, ok := integer(v)
		if !ok || n < 0 {
			return wait(CodeRead, "counter: %s is no count", variantName(v))
		}
		s.Counter = uint64(n)
	}
	var err error
	if l.program >= 0 {
		if s.Program, err = textAt(a, l.program); err != nil {
			return wait(CodeRead, "program: %v", err)
		}
	}
	if l.part >= 0 {
		if s.Serial, err = textAt(a, l.part); err != nil {
			return wait(CodeRead, "part serial: %v", err)
		}
	}
	if l.owner >= 0 {
		if s.owner, err = textAt(a, l.owner); err != nil {
			return wait(CodeRead, "owner mark: %v", err)
		}
	}
	if l.permitted >= 0 {
		if s.Permitted, err = permitted(a, l.permitted, l.o.Permitted); err != nil {
			return wait(CodeRead, "permitted: %v", err)
		}
	}
	return nil
}

func permitted(a answer, at int, n Node) (bool, error) {
	v, err := value(a, at)
	if err != nil {
		return false, err
	}
	if len(n.Equals) > 0 {
		text, ok := textOf(v)
		if !ok {
			return false, fmt.Errorf("%s is no state", variantName(v))
		}
		return slices.Contains(n.Equals, text) != n.Invert, nil
	}
	b, ok := v.Value().(bool)
	if !ok {
		return false, fmt.Errorf("%s is not true or false, list the states that permit", variantName(v))
	}
	return b != n.Invert, nil
}

func textAt(a answer, at int) (string, error) {
	v, err := value(a, at)
	if err != nil {
		return "", err
	}
	text, ok := textOf(v)
	if !ok {
		return "", fmt.Errorf("%s is no text", variantName(v))
	}
	return text, nil
}

// value returns a value whose status is good. "Uncertain" is not: it may be the
// last one the server remembers.
func value(a answer, at int) (*ua.Variant, error) {
	if at < 0 || at >= len(a.values) || a.values[at] == nil {
		return nil, fmt.Errorf("no value")
	}
	d := a.values[at]
	if !isGood(d.Status) {
		return nil, fmt.Errorf("%s", statusText(d.Status))
	}
	if d.Value == nil || d.Value.Type() == ua.TypeIDNull {
		return nil, fmt.Errorf("no value")
	}
	return d.Value, nil
}

// same reports whether two samples differ in nothing that may become an event.
func same(a, b core.Sample) bool {
	return a.Epoch == b.Epoch && a.Counter == b.Counter && a.Program == b.Program && a.Serial == b.Serial &&
		slices.Equal(a.Tools, b.Tools) && slices.Equal(a.Registers, b.Registers)
}
