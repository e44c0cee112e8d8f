package machine

import (
	"github.com/gopcua/opcua/ua"
)

// compare holds every finding against the options and builds the layout that
// samples are read with.
func (v *survey) compare() {
	l := newLayout(v.o)
	v.layout = l
	tools := map[string]int{}
	for _, f := range v.findings {
		if f.id == nil {
			continue
		}
		if !f.Found {
			v.fault(differs(CodeNode, "%s %s", f.label(), f.ID))
			continue
		}
		if isBox(f.Role) {
			continue
		}
		at := l.add(f.id)
		switch f.Role {
		case "serial":
			l.serial = at
			v.compareSerial(f)
		case "counter":
			l.counter = at
			v.needs(f, "a whole number", func(x *ua.Variant) bool { _, ok := integer(x); return ok })
		case "program":
			l.program = at
			v.needs(f, "text or a whole number", isText)
		case "permitted":
			l.permitted = at
			if len(v.o.Permitted.Equals) > 0 {
				v.needs(f, "a state", isText)
			} else {
				v.needs(f, "true or false", func(x *ua.Variant) bool { return x.Type() == ua.TypeIDBoolean })
			}
		case "part serial":
			l.part = at
			v.needs(f, "text or a whole number", isText)
		case roleOwner:
			l.owner = at
			v.needs(f, "text", func(x *ua.Variant) bool { return x.Type() == ua.TypeIDString && !x.Has(ua.VariantArrayValues) })
		case "tool":
			tools[f.Name] = at
			// Unreadable now is no fault: the sample says -1.
			if x, err := f.now(); err == nil {
				if _, ok := integer(x); !ok {
					v.fault(differs(CodeType, "%s is %s, not a whole number", f.label(), f.Type))
				}
			}
		case "register":
			v.compareRegister(f, at)
		}
	}
	for _, t := range v.o.Tools {
		at, ok := tools[t.Name]
		if !ok {
			at = -1
		}
		l.tools = append(l.tools, at)
	}
	v.compareMailbox()
}

func isText(x *ua.Variant) bool { _, ok := textOf(x); return ok }

// now is the node's value, where it is good.
func (f *Finding) now() (*ua.Variant, error) {
	return value(answer{values: []*ua.DataValue{f.value}}, 0)
}

// usable returns the node's value, or reports why there is none now.
func (v *survey) usable(f *Finding) (*ua.Variant, bool) {
	x, err := f.now()
	if err != nil {
		v.fault(wait(CodeRead, "%s: %v", f.label(), err))
		return nil, false
	}
	return x, true
}

func (v *survey) needs(f *Finding, what string, ok func(*ua.Variant) bool) {
	if x, good := v.usable(f); good && !ok(x) {
		v.fault(differs(CodeType, "%s is %s, not %s", f.label(), f.Type, what))
	}
}

func (v *survey) compareSerial(f *Finding) {
	x, ok := v.usable(f)
	if !ok {
		return
	}
	if text, ok := textOf(x); !ok || text != v.o.Serial {
		v.fault(differs(CodeSerial, "the server says %q, commissioned %q", f.Value, v.o.Serial))
	}
}

// mayWrite reports whether the server lets us write the node, as far as it tells.
func (f *Finding) mayWrite() bool { return f.Writable || f.Access == "" && f.User == "" }

// compareRegister checks type, unit and range. A register that this user may
// not write is no difference: a loop may only observe it.
func (v *survey) compareRegister(f *Finding, at int) {
	r := *f.register
	l := v.layout
	x, ok := v.usable(f)
	if !ok {
		return
	}
	c, err := newCodec(x, r)
	if err != nil {
		v.fault(differs(CodeType, "%s: %v", f.label(), err))
		return
	}
	// Types 1 to 21 are the concrete ones; an abstract or a builder's own type
	// leaves the value's type to decide.
	if d := f.dataType; d != nil && d.Namespace() == 0 && d.IntID() >= 1 && d.IntID() <= 21 && ua.TypeID(d.IntID()) != c.typ {
		v.fault(differs(CodeType, "%s: declared %s, holds %s", f.label(), typeName(ua.TypeID(d.IntID())), f.Type))
		return
	}
	u, text, told := euUnit(f.eu)
	if told && u != r.Unit {
		v.fault(differs(CodeUnit, "%s: the control says %s, configured %s", f.label(), text, r.Unit))
		return
	}
	if f.euRange != nil && !within(r, f.euRange, r.Unit) {
		v.fault(differs(CodeRange, "%s: the control allows %s %s, the band is %s", f.label(), f.Range, r.Unit, r.Band))
		return
	}
	if _, err := c.decode(x); err != nil {
		v.fault(wait(CodeRead, "%s: %v", f.label(), err))
		return
	}
	l.registers = append(l.registers, at)
	l.codecs = append(l.codecs, c)
	l.writable = append(l.writable, f.mayWrite())
}
