package machine

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"github.com/gopcua/opcua/ua"
	"go.uber.org/zap"

	"offsetbridge/internal/length"
)

// Standard nodes every server has (OPC 10000-6, NodeIds).
const (
	nodeNamespaces = 2255
	nodeState      = 2259
)

// perRead bounds how many attributes are asked for at once.
const perRead = 120

// Finding is what the server tells about one mapped node.
type Finding struct {
	Role     string `json:"role"` // "serial", "counter", "program", "permitted", "part serial", "owner", "tool", "register", "hand-over …"
	Name     string `json:"name,omitempty"`
	ID       string `json:"id"`
	Found    bool   `json:"found"`
	Type     string `json:"type,omitempty"`
	Unit     string `json:"unit,omitempty"`  // as told; empty when not told
	Range    string `json:"range,omitempty"` // EURange, in Unit
	Access   string `json:"access,omitempty"`
	User     string `json:"user_access,omitempty"`
	Writable bool   `json:"writable"`
	Value    string `json:"value,omitempty"`

	node     Node
	register *Register
	id       *ua.NodeID
	value    *ua.DataValue
	dataType *ua.NodeID
	eu       *ua.EUInformation
	euRange  *ua.Range
}

// survey is everything compared with what was commissioned, before a session
// counts as up.
type survey struct {
	o        *Options
	s        session
	table    []string
	demo     bool
	findings []*Finding
	layout   *layout
	digest   string
	faults   []*fault
}

func (v *survey) fault(f *fault) { v.faults = append(v.faults, f) }

// take reads and compares. It returns an error when reading itself failed; what
// differs is in faults.
func take(ctx context.Context, s session, o *Options) (*survey, error) {
	v := &survey{o: o, s: s}
	for _, step := range []func(context.Context) error{v.server, v.mark, v.resolve, v.describe, v.properties} {
		if err := step(ctx); err != nil {
			return v, err
		}
	}
	v.compare()
	v.digest = v.sum()
	if o.Metadata != "" && o.Metadata != v.digest && len(v.faults) == 0 {
		v.fault(differs(CodeMetadata, "commissioned %q, now %q", o.Metadata, v.digest))
	}
	return v, nil
}

// first returns the fault that decides: a difference before anything that
// clears itself.
func (v *survey) first() *fault {
	var pick *fault
	for _, f := range v.faults {
		if pick == nil || f.bad && !pick.bad {
			pick = f
		}
	}
	if pick != nil && len(v.faults) > 1 {
		more := *pick
		more.text = fmt.Sprintf("%s (and %d more)", pick.text, len(v.faults)-1)
		return &more
	}
	return pick
}

// server reads the state and the namespace table.
func (v *survey) server(ctx context.Context) error {
	a, err := v.s.read(ctx, []*ua.ReadValueID{
		valueOf(ua.NewNumericNodeID(0, nodeState)),
		valueOf(ua.NewNumericNodeID(0, nodeNamespaces)),
	})
	if err != nil {
		return err
	}
	if err := running(a, 0); err != nil {
		return err
	}
	if v.table, err = stringsAt(a, 1); err != nil {
		return wait(CodeProtocol, "namespace table: %v", err)
	}
	return nil
}

// running reports a server whose state is not Running.
func running(a answer, at int) error {
	state, err := value(a, at)
	if err != nil {
		return wait(CodeState, "%v", err)
	}
	if n, ok := integer(state); !ok || n != int64(ua.ServerStateRunning) {
		return wait(CodeState, "it says %s", strings.TrimPrefix(ua.ServerState(n).String(), "ServerState"))
	}
	return nil
}

func stringsAt(a answer, at int) ([]string, error) {
	if at >= len(a.values) || a.values[at] == nil || a.values[at].Value == nil {
		return nil, errors.New("no value")
	}
	table, ok := a.values[at].Value.Value().([]string)
	if !ok {
		return nil, fmt.Errorf("it is %s", variantName(a.values[at].Value))
	}
	return table, nil
}

// mark tells a simulated machine from a real one.
func (v *survey) mark(ctx context.Context) error {
	where, err := parseAddress(v.o.DemoMark)
	if err != nil {
		return differs(CodeConfig, "demo mark: %v", err)
	}
	id, err := where.resolve(v.table)
	switch {
	case errors.Is(err, errNamespace):
	case err != nil:
		return differs(CodeConfig, "demo mark: %v", err)
	default:
		a, err := v.s.read(ctx, []*ua.ReadValueID{attributeOf(id, ua.AttributeIDNodeClass)})
		if err != nil {
			return err
		}
		d := a.values[0]
		v.demo = d != nil && isGood(d.Status)
		if !v.demo && d != nil && d.Status != ua.StatusBadNodeIDUnknown && d.Status != ua.StatusBadNodeIDInvalid {
			return wait(CodeRead, "demo mark: %s", statusText(d.Status))
		}
	}
	switch {
	case v.demo && !v.o.Demo:
		v.fault(differs(CodeDemo, "the server is a simulated machine"))
	case !v.demo && v.o.Demo:
		v.fault(differs(CodeDemo, "the server is no simulated machine"))
	}
	return nil
}

// resolve lists what is mapped, in the order of a sample, with ids of this
// session.
func (v *survey) resolve(context.Context) error {
	o := v.o
	add := func(role, name string, n Node, r *Register) {
		if n.ID == "" {
			return
		}
		f := &Finding{Role: role, Name: name, ID: n.ID, node: n, register: r}
		v.findings = append(v.findings, f)
		where, err := parseAddress(n.ID)
		if err == nil {
			f.id, err = where.resolve(v.table)
		}
		if errors.Is(err, errNamespace) {
			v.fault(differs(CodeNamespace, "%s: %v", f.label(), err))
		} else if err != nil {
			v.fault(differs(CodeConfig, "%s: %v", f.label(), err))
		}
	}
	add("serial", "", Node{ID: o.SerialNode}, nil)
	add("counter", "", o.Counter, nil)
	add("program", "", o.Program, nil)
	add("permitted", "", o.Permitted, nil)
	add("part serial", "", o.PartSerial, nil)
	add(roleOwner, "", o.Owner, nil)
	for _, t := range o.Tools {
		add("tool", t.Name, t.Generation, nil)
	}
	for i := range o.Registers {
		add("register", o.Registers[i].Name, o.Registers[i].Node, &o.Registers[i])
	}
	if o.Handover != nil {
		for _, n := range o.Handover.nodes() {
			add(n.role, "", n.node, nil)
		}
	}
	return nil
}

func (f *Finding) label() string {
	if f.Name == "" {
		return f.Role
	}
	return fmt.Sprintf("%s %q", f.Role, clip(f.Name))
}

var described = []ua.AttributeID{
	ua.AttributeIDNodeClass, ua.AttributeIDDataType, ua.AttributeIDAccessLevel,
	ua.AttributeIDUserAccessLevel, ua.AttributeIDValue,
}

// describe reads the attributes of every mapped node.
func (v *survey) describe(ctx context.Context) error {
	const batch = perRead / 5
	var known []*Finding
	for _, f := range v.findings {
		if f.id != nil {
			known = append(known, f)
		}
	}
	for len(known) > 0 {
		n := min(batch, len(known))
		var nodes []*ua.ReadValueID
		for _, f := range known[:n] {
			for _, attribute := range described {
				nodes = append(nodes, attributeOf(f.id, attribute))
			}
		}
		a, err := v.s.read(ctx, nodes)
		if err != nil {
			return err
		}
		for i, f := range known[:n] {
			f.fill(a.values[i*len(described):][:len(described)])
		}
		known = known[n:]
	}
	return nil
}

func (f *Finding) fill(d []*ua.DataValue) {
	got := func(i int) any {
		if d[i] == nil || !isGood(d[i].Status) || d[i].Value == nil {
			return nil
		}
		return d[i].Value.Value()
	}
	f.Found = d[0] != nil && isGood(d[0].Status)
	if !f.Found && d[4] != nil && isGood(d[4].Status) {
		f.Found = true // a server that tells values only
	}
	f.dataType, _ = got(1).(*ua.NodeID)
	if level, ok := got(2).(byte); ok {
		f.Access = accessText(level)
		f.Writable = level&accessWrite != 0
	}
	if level, ok := got(3).(byte); ok {
		f.User = accessText(level)
		f.Writable = f.Writable && level&accessWrite != 0
	}
	f.value = d[4]
	if f.value != nil && f.value.Value != nil {
		f.Type = variantName(f.value.Value)
		f.Value = clip(fmt.Sprint(f.value.Value.Value()))
		if text, ok := textOf(f.value.Value); ok {
			f.Value = text
		}
	}
}

// Bits of AccessLevel (OPC 10000-3).
const (
	accessRead  = 1
	accessWrite = 2
)

func accessText(level byte) string {
	switch level & (accessRead | accessWrite) {
	case accessRead | accessWrite:
		return "read, write"
	case accessRead:
		return "read"
	case accessWrite:
		return "write"
	}
	return "none"
}

// properties reads unit and range of every register that tells them.
func (v *survey) properties(ctx context.Context) error {
	type want struct {
		f    *Finding
		unit bool
	}
	var wants []want
	var nodes []*ua.ReadValueID
	for _, f := range v.findings {
		if f.register == nil || !f.Found {
			continue
		}
		refs, err := v.s.browse(ctx, f.id)
		if st, ok := status(err); ok && st != ua.StatusBadTimeout {
			v.o.Log.Debug("unit and range are not told", zap.String("register", f.Name), zap.String("status", statusText(st)))
			continue
		}
		if err != nil {
			return err
		}
		for _, r := range refs {
			if r == nil || r.BrowseName == nil || r.NodeID == nil || r.NodeID.NodeID == nil {
				continue
			}
			if name := r.BrowseName.Name; name == "EngineeringUnits" || name == "EURange" {
				wants = append(wants, want{f, name == "EngineeringUnits"})
				nodes = append(nodes, valueOf(r.NodeID.NodeID))
			}
		}
	}
	for len(nodes) > 0 {
		n := min(perRead, len(nodes))
		a, err := v.s.read(ctx, nodes[:n])
		if err != nil {
			return err
		}
		for i, w := range wants[:n] {
			w.f.property(a, i, w.unit)
		}
		nodes, wants = nodes[n:], wants[n:]
	}
	return nil
}

func (f *Finding) property(a answer, at int, unit bool) {
	v, err := value(a, at)
	if err != nil {
		return
	}
	e, ok := v.Value().(*ua.ExtensionObject)
	if !ok || e == nil {
		return
	}
	if unit {
		f.eu, _ = e.Value.(*ua.EUInformation)
		_, f.Unit, _ = euUnit(f.eu)
		return
	}
	if r, ok := e.Value.(*ua.Range); ok && r.Low < r.High {
		f.euRange = r
		f.Range = fmt.Sprintf("%v..%v", r.Low, r.High)
	}
}

// sum is the metadata digest: name, node, type, unit and range of each node.
func (v *survey) sum() string {
	h := sha256.New()
	for _, f := range v.findings {
		fmt.Fprintf(h, "%q\n", []string{f.Role, f.Name, f.ID, f.Type, f.Unit, f.Range})
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// within reports whether the hard band lies in the server's range.
func within(r Register, e *ua.Range, u length.Unit) bool {
	low, okLow := length.FromFloat(e.Low, u)
	high, okHigh := length.FromFloat(e.High, u)
	// A range beyond every length bounds nothing on that side.
	return (!okLow || low <= r.Band.Low) && (!okHigh || r.Band.High <= high)
}
