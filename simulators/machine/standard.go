package machine

import (
	"io"
	"log"
	"sync"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/server"
	"github.com/gopcua/opcua/ua"
)

// standardNodes makes the part of namespace 0 that a client of a machine looks
// at: the root, the objects, and the server with its status. It returns the
// Objects folder.
func (p *space) standardNodes(s *Server) *node {
	object := func(parent *node, kind, n uint32, name string, typeDef uint32) *node {
		x := &node{id: ua.NewNumericNodeID(nsStandard, n), class: ua.NodeClassObject, name: &ua.QualifiedName{Name: name}, typeDef: typeDef}
		p.base[n] = x
		link(parent, kind, x)
		return x
	}
	variable := func(parent *node, kind, n uint32, name string, dataType uint32, value func() any) *node {
		x := object(parent, kind, n, name, id.BaseDataVariableType)
		x.class, x.dataType, x.value = ua.NodeClassVariable, dataType, func(*State) any { return value() }
		if kind == id.HasProperty {
			x.typeDef = id.PropertyType
		}
		_, x.array = value().([]string)
		return x
	}
	root := object(nil, 0, id.RootFolder, "Root", id.FolderType)
	objects := object(root, id.Organizes, id.ObjectsFolder, "Objects", id.FolderType)
	srv := object(objects, id.Organizes, id.Server, "Server", id.ServerType)
	variable(srv, id.HasProperty, id.Server_ServerArray, "ServerArray", id.String, func() any { return []string{s.applicationURI()} })
	variable(srv, id.HasProperty, id.Server_NamespaceArray, "NamespaceArray", id.String, func() any { return p.uris })
	variable(srv, id.HasProperty, id.Server_ServiceLevel, "ServiceLevel", id.Byte, func() any { return byte(255) })

	now := func() any { return s.o.Now().UTC() }
	started := func() any { return time.Unix(0, s.started.Load()).UTC() }
	build := func() *ua.BuildInfo {
		return &ua.BuildInfo{
			ProductURI: "urn:offsetbridge:simulated-machine", ManufacturerName: "invented machine builder",
			ProductName: "simulated machine", SoftwareVersion: "1", BuildNumber: "1", BuildDate: started().(time.Time),
		}
	}
	status := variable(srv, id.HasComponent, id.Server_ServerStatus, "ServerStatus", id.ServerStatusDataType, func() any {
		return ua.NewExtensionObject(&ua.ServerStatusDataType{
			StartTime: started().(time.Time), CurrentTime: now().(time.Time), State: ua.ServerStateRunning,
			BuildInfo: build(), ShutdownReason: ua.NewLocalizedText(""),
		})
	})
	status.typeDef = id.ServerStatusType
	variable(status, id.HasComponent, id.Server_ServerStatus_StartTime, "StartTime", id.UtcTime, started)
	variable(status, id.HasComponent, id.Server_ServerStatus_CurrentTime, "CurrentTime", id.UtcTime, now)
	variable(status, id.HasComponent, id.Server_ServerStatus_State, "State", id.ServerState, func() any { return int32(ua.ServerStateRunning) })
	variable(status, id.HasComponent, id.Server_ServerStatus_BuildInfo, "BuildInfo", id.BuildInfo, func() any { return ua.NewExtensionObject(build()) })

	if s.o.NoLimits {
		return objects
	}
	caps := object(srv, id.HasComponent, id.Server_ServerCapabilities, "ServerCapabilities", id.ServerCapabilitiesType)
	limits := object(caps, id.HasComponent, id.Server_ServerCapabilities_OperationLimits, "OperationLimits", id.OperationLimitsType)
	most := func() any { return uint32(maxNodes) }
	variable(limits, id.HasProperty, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead, "MaxNodesPerRead", id.UInt32, most)
	variable(limits, id.HasProperty, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerWrite, "MaxNodesPerWrite", id.UInt32, most)
	variable(limits, id.HasProperty, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerBrowse, "MaxNodesPerBrowse", id.UInt32, most)
	return objects
}

// standard is the library's copy of namespace 0, made when a client first
// looks at a node of it that is not answered here, a type for instance: parsing
// it takes a quarter of a second. One copy serves all simulated machines, read only; the mutex is
// needed because the library's read functions also write.
var standard struct {
	sync.Mutex
	once sync.Once
	ns   server.NameSpace
}

func withStandard(f func(server.NameSpace)) {
	standard.once.Do(func() {
		out := log.Writer()
		log.SetOutput(io.Discard) // the library prints while it parses
		defer log.SetOutput(out)
		standard.ns, _ = server.New().Namespace(0)
	})
	standard.Lock()
	defer standard.Unlock()
	f(standard.ns)
}

// libraryValue reads an attribute of a node of namespace 0 that is not ours.
func libraryValue(nid *ua.NodeID, a ua.AttributeID) *ua.DataValue {
	out := bad(ua.StatusBadNodeIDUnknown)
	withStandard(func(ns server.NameSpace) {
		if ns.Node(nid) == nil {
			return
		}
		v := ns.Attribute(nid, a)
		if v == nil || v.Value == nil {
			out = bad(ua.StatusBadAttributeIDInvalid)
			return
		}
		out = &ua.DataValue{EncodingMask: ua.DataValueValue, Value: v.Value}
		if e, ok := v.Value.Value().(*ua.ExpandedNodeID); ok && e.NodeID != nil {
			out.Value = ua.MustVariant(e.NodeID) // a DataType is a NodeId
		}
	})
	return out
}

// libraryBrowse lists a node of namespace 0 that is not ours.
func libraryBrowse(d *ua.BrowseDescription) *ua.BrowseResult {
	var out *ua.BrowseResult
	withStandard(func(ns server.NameSpace) { out = ns.Browse(d) })
	if out.References == nil {
		out.References = []*ua.ReferenceDescription{}
	}
	return out
}
