package machine

import (
	"encoding/json"
	"math"
	"slices"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// kinds lists the reference types used here with their supertypes
// (OPC UA Part 5), so that a browse with subtypes needs no look-up.
var kinds = map[uint32][]uint32{
	id.Organizes:         {id.HierarchicalReferences, id.References},
	id.HasComponent:      {id.Aggregates, id.HasChild, id.HierarchicalReferences, id.References},
	id.HasProperty:       {id.Aggregates, id.HasChild, id.HierarchicalReferences, id.References},
	id.HasTypeDefinition: {id.NonHierarchicalReferences, id.References},
}

func follows(kind uint32, asked *ua.NodeID, subtypes bool) bool {
	if asked == nil || (asked.Namespace() == nsStandard && asked.IntID() == 0 && asked.StringID() == "") {
		return true // no filter
	}
	if asked.Namespace() != nsStandard {
		return false
	}
	return asked.IntID() == kind || subtypes && slices.Contains(kinds[kind], asked.IntID())
}

// perAnswer bounds the references of one answer for a node; the rest waits behind
// a continuation point, which is the place in the list and needs no memory.
const perAnswer = 5000

// browse lists references.
func (s *Server) browse(r *ua.BrowseRequest) (ua.Response, ua.StatusCode) {
	switch {
	case len(r.NodesToBrowse) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.NodesToBrowse) > maxNodes:
		return nil, ua.StatusBadTooManyOperations
	}
	resp := &ua.BrowseResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, d := range r.NodesToBrowse {
		resp.Results = append(resp.Results, s.page(d, 0, int(r.RequestedMaxReferencesPerNode)))
	}
	return resp, ua.StatusOK
}

// page returns the references of one node from a place in the list on.
func (s *Server) page(d *ua.BrowseDescription, from, most int) *ua.BrowseResult {
	switch {
	case s.o.NoLimits:
		most = math.MaxInt
	case most <= 0 || most > perAnswer:
		most = perAnswer
	}
	out, more := s.browsePart(d, from, most)
	if more {
		to := from + len(out.References)
		point, err := json.Marshal(place{
			Node: d.NodeID.String(), Kind: kindOf(d.ReferenceTypeID), Sub: d.IncludeSubtypes, Way: uint32(d.BrowseDirection),
			Mask: d.NodeClassMask, At: to, Most: most,
		})
		if err != nil {
			return &ua.BrowseResult{StatusCode: ua.StatusBadNoContinuationPoints}
		}
		out.ContinuationPoint = point
	}
	return out
}

// place is a continuation point: everything needed to go on.
type place struct {
	Node      string
	Kind      uint32
	Sub       bool
	Way, Mask uint32
	At, Most  int
}

func kindOf(n *ua.NodeID) uint32 {
	if n == nil || n.Namespace() != nsStandard {
		return 0
	}
	return n.IntID()
}

// next goes on where an answer ended.
func (s *Server) next(r *ua.BrowseNextRequest) (ua.Response, ua.StatusCode) {
	switch {
	case len(r.ContinuationPoints) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.ContinuationPoints) > maxNodes:
		return nil, ua.StatusBadTooManyOperations
	}
	resp := &ua.BrowseNextResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, point := range r.ContinuationPoints {
		resp.Results = append(resp.Results, s.resume(point, r.ReleaseContinuationPoints))
	}
	return resp, ua.StatusOK
}

func (s *Server) resume(point []byte, release bool) *ua.BrowseResult {
	var p place
	if json.Unmarshal(point, &p) != nil || p.At < 0 {
		return &ua.BrowseResult{StatusCode: ua.StatusBadContinuationPointInvalid}
	}
	n, err := ua.ParseNodeID(p.Node)
	switch {
	case err != nil:
		return &ua.BrowseResult{StatusCode: ua.StatusBadContinuationPointInvalid}
	case release:
		return &ua.BrowseResult{StatusCode: ua.StatusOK}
	}
	return s.page(&ua.BrowseDescription{
		NodeID: n, ReferenceTypeID: ua.NewNumericNodeID(nsStandard, p.Kind), IncludeSubtypes: p.Sub,
		BrowseDirection: ua.BrowseDirection(p.Way), NodeClassMask: p.Mask, ResultMask: uint32(ua.BrowseResultMaskAll),
	}, p.At, p.Most)
}

func (s *Server) browseOne(d *ua.BrowseDescription) *ua.BrowseResult {
	out, _ := s.browsePart(d, 0, math.MaxInt)
	return out
}

// browsePart lists at most so many references from a place on, and says whether
// there are more.
func (s *Server) browsePart(d *ua.BrowseDescription, from, most int) (out *ua.BrowseResult, more bool) {
	switch {
	case d.NodeID == nil:
		return &ua.BrowseResult{StatusCode: ua.StatusBadNodeIDInvalid}, false
	case d.BrowseDirection > ua.BrowseDirectionBoth:
		return &ua.BrowseResult{StatusCode: ua.StatusBadBrowseDirectionInvalid}, false
	}
	n := s.nodes.find(d.NodeID)
	switch {
	case n == nil && d.NodeID.Namespace() == nsStandard:
		return libraryBrowse(d), false
	case n == nil:
		return &ua.BrowseResult{StatusCode: ua.StatusBadNodeIDUnknown}, false
	}
	out = &ua.BrowseResult{StatusCode: ua.StatusOK, References: []*ua.ReferenceDescription{}}
	at := 0
	take := func(x func() *ua.ReferenceDescription) bool {
		switch {
		case at-from >= most:
			more = true
			return false
		case at >= from:
			out.References = append(out.References, x())
		}
		at++
		return true
	}
	forward, inverse := d.BrowseDirection != ua.BrowseDirectionInverse, d.BrowseDirection != ua.BrowseDirectionForward
	if forward && follows(id.HasTypeDefinition, d.ReferenceTypeID, d.IncludeSubtypes) {
		if x := typeReference(n); wanted(d, x.NodeClass) {
			take(func() *ua.ReferenceDescription { return x })
		}
	}
	for _, x := range n.refs {
		if (x.forward && !forward) || (!x.forward && !inverse) || !follows(x.kind, d.ReferenceTypeID, d.IncludeSubtypes) || !wanted(d, x.to.class) {
			continue
		}
		if !take(func() *ua.ReferenceDescription { return describe(x.kind, x.forward, x.to) }) {
			break
		}
	}
	return out, more
}

func wanted(d *ua.BrowseDescription, class ua.NodeClass) bool {
	return d.NodeClassMask == 0 || d.NodeClassMask&uint32(class) != 0
}

func describe(kind uint32, forward bool, to *node) *ua.ReferenceDescription {
	return &ua.ReferenceDescription{
		ReferenceTypeID: ua.NewNumericNodeID(nsStandard, kind),
		IsForward:       forward,
		NodeID:          ua.NewExpandedNodeID(to.id, "", 0),
		BrowseName:      to.name,
		DisplayName:     ua.NewLocalizedText(to.name.Name),
		NodeClass:       to.class,
		TypeDefinition:  ua.NewNumericExpandedNodeID(nsStandard, to.typeDef),
	}
}

func typeReference(n *node) *ua.ReferenceDescription {
	class, name := ua.NodeClassVariableType, map[uint32]string{
		id.BaseDataVariableType: "BaseDataVariableType", id.AnalogItemType: "AnalogItemType",
		id.PropertyType: "PropertyType", id.BaseObjectType: "BaseObjectType", id.FolderType: "FolderType",
		id.ServerType: "ServerType", id.ServerStatusType: "ServerStatusType",
		id.ServerCapabilitiesType: "ServerCapabilitiesType", id.OperationLimitsType: "OperationLimitsType",
	}[n.typeDef]
	if n.class == ua.NodeClassObject {
		class = ua.NodeClassObjectType
	}
	return &ua.ReferenceDescription{
		ReferenceTypeID: ua.NewNumericNodeID(nsStandard, id.HasTypeDefinition),
		IsForward:       true,
		NodeID:          ua.NewNumericExpandedNodeID(nsStandard, n.typeDef),
		BrowseName:      &ua.QualifiedName{Name: name},
		DisplayName:     ua.NewLocalizedText(name),
		NodeClass:       class,
		TypeDefinition:  ua.NewTwoByteExpandedNodeID(0),
	}
}

// translate resolves browse paths below Objects and below the machine's nodes.
func (s *Server) translate(r *ua.TranslateBrowsePathsToNodeIDsRequest) (ua.Response, ua.StatusCode) {
	switch {
	case len(r.BrowsePaths) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.BrowsePaths) > maxNodes:
		return nil, ua.StatusBadTooManyOperations
	}
	resp := &ua.TranslateBrowsePathsToNodeIDsResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, p := range r.BrowsePaths {
		resp.Results = append(resp.Results, s.resolve(p))
	}
	return resp, ua.StatusOK
}

func (s *Server) resolve(p *ua.BrowsePath) *ua.BrowsePathResult {
	fail := func(c ua.StatusCode) *ua.BrowsePathResult {
		return &ua.BrowsePathResult{StatusCode: c, Targets: []*ua.BrowsePathTarget{}}
	}
	if p.StartingNode == nil || p.RelativePath == nil || len(p.RelativePath.Elements) == 0 || len(p.RelativePath.Elements) > 32 {
		return fail(ua.StatusBadNothingToDo)
	}
	at, id := p.StartingNode, p.StartingNode
	for _, e := range p.RelativePath.Elements {
		if e.TargetName == nil || e.TargetName.Name == "" {
			return fail(ua.StatusBadBrowseNameInvalid)
		}
		d := &ua.BrowseDescription{NodeID: at, ReferenceTypeID: e.ReferenceTypeID, IncludeSubtypes: e.IncludeSubtypes}
		if d.ReferenceTypeID == nil {
			d.ReferenceTypeID = ua.NewTwoByteNodeID(0)
		}
		if e.IsInverse {
			d.BrowseDirection = ua.BrowseDirectionInverse
		}
		found := s.browseOne(d)
		if found.StatusCode != ua.StatusOK {
			return fail(found.StatusCode)
		}
		i := slices.IndexFunc(found.References, func(x *ua.ReferenceDescription) bool { return *x.BrowseName == *e.TargetName })
		if i < 0 {
			return fail(ua.StatusBadNoMatch)
		}
		id = found.References[i].NodeID.NodeID
		at = id
	}
	return &ua.BrowsePathResult{StatusCode: ua.StatusOK, Targets: []*ua.BrowsePathTarget{
		{TargetID: ua.NewExpandedNodeID(id, "", 0), RemainingPathIndex: 1<<32 - 1},
	}}
}
