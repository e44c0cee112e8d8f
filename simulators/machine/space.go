package machine

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// Namespace indexes of this server. A client must resolve them by URI.
const (
	nsStandard uint16 = iota
	nsApplication
	nsBuilder
	nsMachineTool
	nsDevices
)

// devicesURI is the namespace of OPC 10000-100, which owns the browse names of
// an identification (from memory).
const devicesURI = "http://opcfoundation.org/UA/DI/"

// units maps a unit to its UNECE Recommendation 20 code, which OPC UA Part 8
// turns into a number byte by byte.
var units = map[string]string{"mm": "MMT", "in": "INH", "µm": "4H"}

func euInformation(unit string) *ua.EUInformation {
	var n int32
	for _, c := range []byte(units[unit]) {
		n = n<<8 | int32(c)
	}
	return &ua.EUInformation{
		NamespaceURI: "http://www.opcfoundation.org/UA/units/un/cefact",
		UnitID:       n,
		DisplayName:  ua.NewLocalizedText(unit),
		Description:  ua.NewLocalizedText(map[string]string{"mm": "millimetre", "in": "inch", "µm": "micrometre"}[unit]),
	}
}

// node is one node of the machine's own address space.
type node struct {
	id       *ua.NodeID
	class    ua.NodeClass
	name     *ua.QualifiedName
	about    string
	typeDef  uint32 // of namespace 0
	dataType uint32 // of namespace 0; variables only
	array    bool   // one dimension
	value    func(*State) any
	register *Register
	put      func(*State, any) bool // of a node that is no register: false for a wrong type
	writable bool                   // over OPC UA
	refs     []ref
}

type ref struct {
	kind    uint32 // reference type of namespace 0
	forward bool
	to      *node
}

// space is the address space: built once, then only read.
type space struct {
	uris  []string
	nodes map[string]*node  // by string identifier in nsBuilder
	base  map[uint32]*node  // by numeric identifier in namespace 0
	names map[string]string // what → string identifier

	request *node // of the mailbox
}

func newSpace(s *Server) *space {
	p := &space{
		uris:  []string{"http://opcfoundation.org/UA/", s.applicationURI(), BuilderURI, MachineToolURI, devicesURI},
		nodes: map[string]*node{},
		base:  map[uint32]*node{},
		names: map[string]string{},
	}
	o := s.o
	objects := p.standardNodes(s)
	machine := p.object(nil, "Machine", nsBuilder, o.Name, "a simulated machine tool")
	link(objects, id.Organizes, machine)

	ident := p.object(machine, "Identification", nsDevices, "Identification", "who this machine is")
	p.variable(ident, "serial", "Identification/SerialNumber", nsDevices, "SerialNumber", "serial number of the simulated machine", id.String, func(*State) any { return o.Serial })
	p.variable(ident, "name", "Identification/Name", nsBuilder, "Name", "name of the simulated machine", id.String, func(*State) any { return o.Name })
	p.variable(ident, "demo", "DemoMark", nsBuilder, "DemoMark", "present on simulated machines only", id.String, func(*State) any { return "simulated machine, cuts no metal" })

	mon := p.object(machine, "Monitoring", nsMachineTool, "Monitoring", "what the machine is doing")
	channel := p.object(mon, "Monitoring/Channel1", nsMachineTool, "Channel1", "the only channel")
	p.variable(channel, "state", "Monitoring/Channel1/ChannelState", nsMachineTool, "ChannelState", "0 active (cutting), 2 reset", id.Int32, func(st *State) any {
		if st.Cutting {
			return int32(0)
		}
		return int32(2)
	})

	prod := p.object(machine, "Production", nsMachineTool, "Production", "what it makes")
	prog := p.object(prod, "Production/ActiveProgram", nsMachineTool, "ActiveProgram", "the program in force")
	p.variable(prog, "program", "Production/ActiveProgram/Name", nsMachineTool, "Name", "name of the active program", id.String, func(st *State) any { return st.Program })
	if !o.NoCounter {
		p.variable(prod, "counter", "Production/PartsCompleted", nsMachineTool, "PartsCompleted", "part counter", id.UInt64, func(st *State) any { return st.Counter })
	}
	p.variable(prod, "part", "Production/PartSerial", nsBuilder, "PartSerial", "serial of the part in the machine, empty when unknown", id.String, func(st *State) any { return st.PartSerial })

	p.variable(prod, "workpiece", "Production/Workpiece", nsBuilder, "Workpiece", "the last part as a simulated gauge finds it, JSON", id.String, func(st *State) any { return st.Workpiece })

	p.tools(machine, o)
	p.offsets(machine, o)
	p.filler(machine, o.Filler)
	if o.Handover {
		p.handover(machine)
	}
	p.writer(machine)
	for _, n := range p.nodes {
		n.writable = n.put != nil || n.register != nil && !o.Handover
	}
	return p
}

func (p *space) tools(machine *node, o Options) {
	equipment := p.object(machine, "Equipment", nsMachineTool, "Equipment", "what it works with")
	tools := p.object(equipment, "Equipment/Tools", nsMachineTool, "Tools", "the tool table")
	for _, t := range o.Tools {
		name, base := t.Name, "Equipment/Tools/"+t.Name
		tool := p.object(tools, base, nsBuilder, name, "a tool")
		if o.NoGeneration {
			continue
		}
		p.variable(tool, "tool/"+name+"/generation", base+"/Generation", nsBuilder, "Generation", "rises with every reported change of the tool", id.UInt64, func(st *State) any { return st.Tools[name].Generation })
		p.variable(tool, "tool/"+name+"/life", base+"/ToolLife", nsBuilder, "ToolLife", "parts cut since the last reported change", id.UInt32, func(st *State) any { return uint32(max(st.Tools[name].Life, 0)) })
		p.variable(tool, "tool/"+name+"/active", base+"/Active", nsBuilder, "Active", "the tool is in use, not a waiting sister tool", id.Boolean, func(st *State) any { return !st.Tools[name].Idle })
	}
}

func (p *space) offsets(machine *node, o Options) {
	offsets := p.object(machine, "Offsets", nsBuilder, "Offsets", "the offset table")
	if !o.NoPermitted {
		p.permitted(offsets)
	}
	p.variable(offsets, "revision", "Offsets/OffsetRevision", nsBuilder, "OffsetRevision", "rises with every change of a register, whoever made it", id.UInt64, func(st *State) any { return st.Revision })
	for i := range o.Registers {
		r := &o.Registers[i]
		base := "Offsets/" + r.Name
		dataType, value := uint32(id.Double), func(st *State) any { return st.Registers[r.Name] }
		if r.AsText {
			dataType, value = id.String, func(st *State) any { return r.text(st.Registers[r.Name]) }
		}
		n := p.variable(offsets, "register/"+r.Name, base, nsBuilder, r.Name, "offset register", dataType, value)
		n.register = r
		if !r.AsText {
			n.typeDef = id.AnalogItemType
		}
		if o.NoUnits {
			continue
		}
		p.property(n, base+"/EURange", nsStandard, "EURange", id.Range, ua.NewExtensionObject(&ua.Range{Low: r.Min, High: r.Max}))
		p.property(n, base+"/EngineeringUnits", nsStandard, "EngineeringUnits", id.EUInformation, ua.NewExtensionObject(euInformation(r.Unit)))
		p.property(n, base+"/Resolution", nsBuilder, "Resolution", id.Double, r.Resolution)
		p.property(n, base+"/Tool", nsBuilder, "Tool", id.String, r.Tool)
		p.property(n, base+"/Kind", nsBuilder, "Kind", id.String, r.Kind)
	}
}

func (p *space) permitted(offsets *node) {
	p.variable(offsets, "permitted", "Offsets/WritePermitted", nsBuilder, "WritePermitted", "the machine is not cutting", id.Boolean, func(st *State) any { return !st.Cutting })
}

// mostOwner bounds the owner's mark.
const mostOwner = 256

// writer is where whoever writes to the machine says so.
func (p *space) writer(machine *node) {
	o := p.object(machine, "Writer", nsBuilder, "Writer", "who may write to this machine")
	p.variable(o, "owner", "Writer/Owner", nsBuilder, "Owner", "who writes to this machine, in the words of whoever does; empty: nobody", id.String, func(st *State) any { return st.Owner }).
		put = func(st *State, v any) bool {
		text, ok := v.(string)
		if ok = ok && len(text) <= mostOwner; ok {
			st.Owner = text
		}
		return ok
	}
}

// maxFiller and perFolder bound the nodes of no meaning.
const (
	maxFiller = 500_000
	perFolder = 100_000
)

// filler stands for the thousands of parameters that a large control offers.
func (p *space) filler(machine *node, n int) {
	var folder *node
	for i := range n {
		if i%perFolder == 0 {
			name := fmt.Sprintf("Parameters%d", i/perFolder+1)
			folder = p.object(machine, name, nsBuilder, name, "parameters of no meaning")
		}
		v := float64(i)
		sid := "Parameter/" + strconv.Itoa(i)
		p.add(&node{
			id: ua.NewStringNodeID(nsBuilder, sid), class: ua.NodeClassVariable,
			name:    &ua.QualifiedName{NamespaceIndex: nsBuilder, Name: "P" + strconv.Itoa(i)},
			typeDef: id.BaseDataVariableType, dataType: id.Double, value: func(*State) any { return v },
		}, folder, id.HasComponent)
	}
}

func (p *space) add(n *node, parent *node, kind uint32) *node {
	p.nodes[n.id.StringID()] = n
	link(parent, kind, n)
	return n
}

func link(parent *node, kind uint32, n *node) {
	if parent == nil {
		return
	}
	parent.refs = append(parent.refs, ref{kind, true, n})
	n.refs = append(n.refs, ref{kind, false, parent})
}

func (p *space) object(parent *node, sid string, ns uint16, name, about string) *node {
	return p.add(&node{
		id: ua.NewStringNodeID(nsBuilder, sid), class: ua.NodeClassObject,
		name: &ua.QualifiedName{NamespaceIndex: ns, Name: name}, about: about, typeDef: id.BaseObjectType,
	}, parent, id.HasComponent)
}

func (p *space) variable(parent *node, what, sid string, ns uint16, name, about string, dataType uint32, value func(*State) any) *node {
	p.names[what] = sid
	return p.add(&node{
		id: ua.NewStringNodeID(nsBuilder, sid), class: ua.NodeClassVariable,
		name: &ua.QualifiedName{NamespaceIndex: ns, Name: name}, about: about,
		typeDef: id.BaseDataVariableType, dataType: dataType, value: value,
	}, parent, id.HasComponent)
}

func (p *space) property(parent *node, sid string, ns uint16, name string, dataType uint32, value any) {
	p.add(&node{
		id: ua.NewStringNodeID(nsBuilder, sid), class: ua.NodeClassVariable,
		name:    &ua.QualifiedName{NamespaceIndex: ns, Name: name},
		typeDef: id.PropertyType, dataType: dataType, value: func(*State) any { return value },
	}, parent, id.HasProperty)
}

// find returns the node with that identifier, or nil.
func (p *space) find(nid *ua.NodeID) *node {
	if nid == nil {
		return nil
	}
	switch nid.Type() {
	case ua.NodeIDTypeString:
		if nid.Namespace() == nsBuilder {
			return p.nodes[nid.StringID()]
		}
	case ua.NodeIDTypeTwoByte, ua.NodeIDTypeFourByte, ua.NodeIDTypeNumeric:
		if nid.Namespace() == nsStandard {
			return p.base[nid.IntID()]
		}
	}
	return nil
}

// attribute returns a.attribute of n; the value is nil when n has none such.
func (n *node) attribute(a ua.AttributeID, st *State) any {
	switch a {
	case ua.AttributeIDNodeID:
		return n.id
	case ua.AttributeIDNodeClass:
		return int32(n.class)
	case ua.AttributeIDBrowseName:
		return n.name
	case ua.AttributeIDDisplayName:
		return ua.NewLocalizedText(n.name.Name)
	case ua.AttributeIDDescription:
		return ua.NewLocalizedText(n.about)
	case ua.AttributeIDWriteMask, ua.AttributeIDUserWriteMask:
		return uint32(0)
	}
	if n.class == ua.NodeClassObject {
		if a == ua.AttributeIDEventNotifier {
			return byte(0)
		}
		return nil
	}
	switch a {
	case ua.AttributeIDValue:
		return n.value(st)
	case ua.AttributeIDDataType:
		return ua.NewNumericNodeID(nsStandard, n.dataType)
	case ua.AttributeIDValueRank:
		if n.array {
			return int32(1)
		}
		return int32(-1)
	case ua.AttributeIDArrayDimensions:
		if n.array {
			return []uint32{0}
		}
		return nil
	case ua.AttributeIDAccessLevel, ua.AttributeIDUserAccessLevel:
		level := byte(ua.AccessLevelTypeCurrentRead)
		if n.writable {
			level |= byte(ua.AccessLevelTypeCurrentWrite)
		}
		return level
	case ua.AttributeIDMinimumSamplingInterval:
		return float64(0)
	case ua.AttributeIDHistorizing:
		return false
	}
	return nil
}

// plain reports whether text is a plain decimal number: digits, at most one
// point between digits, an optional minus. No exponent, blank, plus or comma.
func plain(text string) bool {
	whole, frac, point := strings.Cut(strings.TrimPrefix(text, "-"), ".")
	digits := func(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }
	return len(text) <= 32 && digits(whole) && (!point || digits(frac))
}
