package machine

import (
	"io"
	"log"
	"sync"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/server"
	"github.com/gopcua/opcua/ua"
)

// standard is the library's copy of namespace 0, made when a client first
// looks at a node of it that is not answered here: parsing it takes a quarter
// of a second. One copy serves all simulated machines, read only; the mutex is
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

// standardValue reads an attribute of a node of namespace 0.
func (s *Server) standardValue(nid *ua.NodeID, a ua.AttributeID) *ua.DataValue {
	if a == ua.AttributeIDValue && (nid.Type() == ua.NodeIDTypeTwoByte || nid.Type() == ua.NodeIDTypeFourByte || nid.Type() == ua.NodeIDTypeNumeric) {
		if v := s.live(nid.IntID()); v != nil {
			return &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)}
		}
	}
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

// live returns the values of namespace 0 that this server answers itself.
func (s *Server) live(n uint32) any {
	now := s.o.Now().UTC()
	switch n {
	case id.Server_ServerArray:
		return []string{s.applicationURI()}
	case id.Server_NamespaceArray:
		return s.nodes.uris
	case id.Server_ServiceLevel:
		return byte(255)
	case id.Server_ServerStatus:
		return ua.NewExtensionObject(&ua.ServerStatusDataType{
			StartTime: s.start(), CurrentTime: now, State: ua.ServerStateRunning,
			BuildInfo: &ua.BuildInfo{
				ProductURI: "urn:offsetbridge:simulated-machine", ManufacturerName: "invented machine builder",
				ProductName: "simulated machine", SoftwareVersion: "1", BuildNumber: "1", BuildDate: s.start(),
			},
			ShutdownReason: ua.NewLocalizedText(""),
		})
	case id.Server_ServerStatus_StartTime:
		return s.start()
	case id.Server_ServerStatus_CurrentTime:
		return now
	case id.Server_ServerStatus_State:
		return int32(ua.ServerStateRunning)
	case id.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead,
		id.Server_ServerCapabilities_OperationLimits_MaxNodesPerWrite,
		id.Server_ServerCapabilities_OperationLimits_MaxNodesPerBrowse:
		return uint32(maxNodes)
	}
	return nil
}
