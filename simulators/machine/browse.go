package machine

import (
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

// browse lists references, all of them in one answer: the address space is
// small and bounded by the options.
func (s *Server) browse(r *ua.BrowseRequest) (ua.Response, ua.StatusCode) {
	switch {
	case len(r.NodesToBrowse) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.NodesToBrowse) > maxNodes:
		return nil, ua.StatusBadTooManyOperations
	}
	resp := &ua.BrowseResponse{ResponseHeader: good(r), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for _, d := range r.NodesToBrowse {
		resp.Results = append(resp.Results, s.browseOne(d))
	}
	return resp, ua.StatusOK
}

func (s *Server) browseOne(d *ua.BrowseDescription) *ua.BrowseResult {
	switch {
	case d.NodeID == nil:
		return &ua.BrowseResult{StatusCode: ua.StatusBadNodeIDInvalid}
	case d.BrowseDirection > ua.BrowseDirectionBoth:
		return &ua.BrowseResult{StatusCode: ua.StatusBadBrowseDirectionInvalid}
	}
	n := s.nodes.find(d.NodeID)
	switch {
	case n == nil && d.NodeID.Namespace() == nsStandard:
		return libraryBrowse(d)
	case n == nil:
		return &ua.BrowseResult{StatusCode: ua.StatusBadNodeIDUnknown}
	}
	out := &ua.BrowseResult{StatusCode: ua.StatusOK, References: []*ua.ReferenceDescription{}}
	forward, inverse := d.BrowseDirection != ua.BrowseDirectionInverse, d.BrowseDirection != ua.BrowseDirectionForward
	if forward && follows(id.HasTypeDefinition, d.ReferenceTypeID, d.IncludeSubtypes) {
		if x := typeReference(n); wanted(d, x.NodeClass) {
			out.References = append(out.References, x)
		}
	}
	for _, x := range n.refs {
		if (x.forward && !forward) || (!x.forward && !inverse) || !follows(x.kind, d.ReferenceTypeID, d.IncludeSubtypes) || !wanted(d, x.to.class) {
			continue
		}
		out.References = append(out.References, describe(x.kind, x.forward, x.to))
	}
	return out
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
