package machine

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// describe reads attributes and properties of the variables, the telling first.
func (v *look) describe(ctx context.Context) {
	slices.SortStableFunc(v.found, func(a, b place) int { return b.rank - a.rank })
	if extra := len(v.found) - v.l.Most; extra > 0 {
		v.out.Left = extra
		v.found = v.found[:v.l.Most]
	}
	for len(v.found) > 0 {
		n := min(browseAtOnce, len(v.found))
		batch := v.found[:n]
		if err := v.attributes(ctx, batch); err != nil {
			v.out.Left += len(v.found)
			v.note("%d variables were not looked at: %v", len(v.found), faultOf(err))
			break
		}
		v.found = v.found[n:]
	}
	slices.SortStableFunc(v.out.Nodes, func(a, b Listed) int { return strings.Compare(a.Path, b.Path) })
}

func (v *look) attributes(ctx context.Context, batch []place) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("the look took longer than %s", v.l.Time)
	}
	var nodes []*ua.ReadValueID
	for _, p := range batch {
		for _, a := range described {
			nodes = append(nodes, attributeOf(p.id, a))
		}
	}
	a, err := v.s.read(ctx, nodes)
	if err != nil {
		return err
	}
	var numeric []*Finding
	var listed []*Listed
	for i, p := range batch {
		f := &Finding{id: p.id}
		f.fill(a.values[i*len(described):][:len(described)])
		n, ok := v.listed(p, f)
		if !ok {
			continue
		}
		listed = append(listed, &n)
		numeric = append(numeric, f)
	}
	if err := v.properties(ctx, listed, numeric); err != nil {
		return err
	}
	for _, n := range listed {
		v.out.Nodes = append(v.out.Nodes, *n)
	}
	return nil
}

// listed keeps scalars of simple types.
func (v *look) listed(p place, f *Finding) (Listed, bool) {
	if f.value == nil || f.value.Value == nil || !isGood(f.value.Status) || f.value.Value.Has(ua.VariantArrayValues) {
		return Listed{}, false
	}
	n := Listed{ID: v.portable(p.id), Path: p.path, Type: f.Type, Value: f.Value, Writable: f.Writable, id: p.id}
	n.Name = p.path[strings.LastIndexByte(p.path, '/')+1:]
	t := f.value.Value.Type()
	n.Numeric = isInteger(t) || t == ua.TypeIDDouble || t == ua.TypeIDFloat
	switch t {
	case ua.TypeIDBoolean, ua.TypeIDString, ua.TypeIDLocalizedText:
	default:
		if !n.Numeric {
			return Listed{}, false
		}
	}
	return n, n.ID != ""
}

// portable names the namespace by URI, "" when it has none.
func (v *look) portable(n *ua.NodeID) string {
	if int(n.Namespace()) >= len(v.table) {
		return ""
	}
	uri := strings.NewReplacer("%", "%25", ";", "%3B").Replace(v.table[n.Namespace()])
	_, rest, found := strings.Cut(n.String(), ";")
	if !found {
		return ""
	}
	return "nsu=" + uri + ";" + rest
}

// properties reads unit, range and resolution of variables that have them.
func (v *look) properties(ctx context.Context, listed []*Listed, found []*Finding) error {
	l, ok := v.s.(lister)
	if !ok || len(listed) == 0 {
		return nil
	}
	var nodes []*ua.ReadValueID
	var owner []int
	var name []string
	for i := 0; i < len(listed); i += v.atOnce {
		part := listed[i:min(i+v.atOnce, len(listed))]
		var ask []*ua.BrowseDescription
		for _, n := range part {
			ask = append(ask, &ua.BrowseDescription{
				NodeID: n.id, BrowseDirection: ua.BrowseDirectionForward, ReferenceTypeID: ua.NewNumericNodeID(0, id.HasProperty),
				IncludeSubtypes: true, ResultMask: uint32(ua.BrowseResultMaskAll),
			})
		}
		results, err := l.list(ctx, ask)
		if err != nil {
			return err
		}
		for k, r := range results {
			for _, x := range properties(r) {
				nodes, owner, name = append(nodes, valueOf(x.NodeID.NodeID)), append(owner, i+k), append(name, x.BrowseName.Name)
			}
		}
	}
	for len(nodes) > 0 {
		n := min(perRead, len(nodes))
		a, err := v.s.read(ctx, nodes[:n])
		if err != nil {
			return err
		}
		for i := range n {
			listed[owner[i]].property(found[owner[i]], a, i, name[i])
		}
		nodes, owner, name = nodes[n:], owner[n:], name[n:]
	}
	return nil
}

// properties returns the references to the properties that are told of.
func properties(r *ua.BrowseResult) []*ua.ReferenceDescription {
	var out []*ua.ReferenceDescription
	if r == nil || isBad(r.StatusCode) {
		return nil
	}
	for _, x := range r.References {
		if x == nil || x.BrowseName == nil || x.NodeID == nil || x.NodeID.NodeID == nil || len(out) >= 8 {
			continue
		}
		switch x.BrowseName.Name {
		case "EngineeringUnits", "EURange", "Resolution":
			out = append(out, x)
		}
	}
	return out
}

func (n *Listed) property(f *Finding, a answer, at int, name string) {
	switch name {
	case "Resolution":
		if x, err := value(a, at); err == nil {
			n.Resolution, _ = x.Value().(float64)
		}
	case "EngineeringUnits":
		f.property(a, at, true)
		n.Unit = f.Unit
		n.Length, _, _ = euUnit(f.eu)
	default:
		f.property(a, at, false)
		if f.euRange != nil {
			n.Range, n.Low, n.High = f.Range, f.euRange.Low, f.euRange.High
		}
	}
}

func (s *uaSession) list(ctx context.Context, nodes []*ua.BrowseDescription) ([]*ua.BrowseResult, error) {
	req := &ua.BrowseRequest{
		View: &ua.ViewDescription{ViewID: ua.NewTwoByteNodeID(0)}, RequestedMaxReferencesPerNode: referencesEach, NodesToBrowse: nodes,
	}
	res, err := call[*ua.BrowseResponse](ctx, s.c, req, s.token, s.o.Request)
	if err != nil {
		return nil, err
	}
	if len(res.Results) != len(nodes) {
		return nil, wait(CodeProtocol, "%d results for %d nodes", len(res.Results), len(nodes))
	}
	return res.Results, nil
}

func (s *uaSession) more(ctx context.Context, points [][]byte, release bool) ([]*ua.BrowseResult, error) {
	req := &ua.BrowseNextRequest{ReleaseContinuationPoints: release, ContinuationPoints: points}
	res, err := call[*ua.BrowseNextResponse](ctx, s.c, req, s.token, s.o.Request)
	if err != nil {
		return nil, err
	}
	if len(res.Results) != len(points) {
		return nil, wait(CodeProtocol, "%d results for %d continuation points", len(res.Results), len(points))
	}
	return res.Results, nil
}
