package machine

import (
	"github.com/gopcua/opcua/ua"
)

// dispatch answers one request; nothing a request contains may end the server.
func (s *Server) dispatch(c *conn, id uint32, req ua.Request) {
	head := req.Header()
	if head == nil || head.AuthenticationToken == nil {
		c.tcp.Close()
		return
	}
	defer func() {
		if p := recover(); p != nil {
			s.panicked(p)
			c.send(id, fault(head, ua.StatusBadInternalError))
		}
	}()
	resp, code := s.serve(c, id, req)
	if code != ua.StatusOK {
		resp = fault(head, code)
	}
	c.send(id, resp)
}

// serve does the work of one request; no response and a good status means that
// the answer comes later, or never.
func (s *Server) serve(c *conn, id uint32, req ua.Request) (ua.Response, ua.StatusCode) {
	switch r := req.(type) {
	case *ua.GetEndpointsRequest:
		return &ua.GetEndpointsResponse{ResponseHeader: good(r), Endpoints: s.endpoints(r.EndpointURL)}, ua.StatusOK
	case *ua.FindServersRequest:
		return &ua.FindServersResponse{ResponseHeader: good(r), Servers: []*ua.ApplicationDescription{s.application(r.EndpointURL)}}, ua.StatusOK
	case *ua.CreateSessionRequest:
		return s.createSession(c, r)
	case *ua.ActivateSessionRequest:
		return s.activateSession(c, r)
	case *ua.CloseSessionRequest:
		return s.closeSession(c, r)
	}
	ses, code := s.session(c, req.Header())
	if code != ua.StatusOK {
		return nil, code
	}
	switch r := req.(type) {
	case *ua.ReadRequest:
		return s.read(c, id, r)
	case *ua.WriteRequest:
		return s.write(c, ses, r)
	case *ua.BrowseRequest:
		return s.browse(r)
	case *ua.BrowseNextRequest:
		return s.next(r)
	case *ua.TranslateBrowsePathsToNodeIDsRequest:
		return s.translate(r)
	case *ua.RegisterNodesRequest:
		return &ua.RegisterNodesResponse{ResponseHeader: good(r), RegisteredNodeIDs: r.NodesToRegister}, ua.StatusOK
	case *ua.UnregisterNodesRequest:
		return &ua.UnregisterNodesResponse{ResponseHeader: good(r)}, ua.StatusOK
	case *ua.CreateSubscriptionRequest:
		return s.createSubscription(c, ses, r)
	case *ua.DeleteSubscriptionsRequest:
		return s.deleteSubscriptions(ses, r)
	case *ua.CreateMonitoredItemsRequest:
		return s.createItems(ses, r)
	case *ua.DeleteMonitoredItemsRequest:
		return s.deleteItems(ses, r)
	case *ua.PublishRequest:
		return s.publish(ses, id, r)
	}
	return nil, ua.StatusBadServiceUnsupported
}

func good(r ua.Request) *ua.ResponseHeader { return header(r.Header(), ua.StatusOK) }

func fault(head *ua.RequestHeader, code ua.StatusCode) *ua.ServiceFault {
	return &ua.ServiceFault{ResponseHeader: header(head, code)}
}

func header(head *ua.RequestHeader, code ua.StatusCode) *ua.ResponseHeader {
	return &ua.ResponseHeader{
		Timestamp:          nowUTC(),
		RequestHandle:      head.RequestHandle,
		ServiceResult:      code,
		ServiceDiagnostics: &ua.DiagnosticInfo{},
		StringTable:        []string{},
		AdditionalHeader:   ua.NewExtensionObject(nil),
	}
}
