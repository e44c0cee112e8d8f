package machine

import (
	"math"
	"strconv"
	"time"

	"github.com/gopcua/opcua/ua"
)

// maxNodes bounds one request.
const maxNodes = 1000

// read answers a Read with one moment of the machine. MaxAge 0 samples the
// machine now; a larger MaxAge is served from the last sample while that is
// young enough. The source time is the time of the sample.
func (s *Server) read(c *conn, id uint32, r *ua.ReadRequest) (ua.Response, ua.StatusCode) {
	switch {
	case len(r.NodesToRead) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.NodesToRead) > maxNodes:
		return nil, ua.StatusBadTooManyOperations
	case r.MaxAge < 0 || math.IsNaN(r.MaxAge):
		return nil, ua.StatusBadMaxAgeInvalid
	case r.TimestampsToReturn > ua.TimestampsToReturnNeither:
		return nil, ua.StatusBadTimestampsToReturnInvalid
	}
	s.mu.Lock()
	now := s.o.Now()
	if age := now.Sub(s.cached.at); r.MaxAge == 0 || age < 0 || age > time.Duration(min(r.MaxAge, 1e9)*1e6) {
		s.cached = sample{st: s.st.clone(), at: now}
	}
	seen, register := s.cached, ua.StatusOK
	var hit armed
	var told func()
	if s.readsMachine(r) {
		hit = s.strike(Fault.strikesRead)
		seen, register = hit.show(seen)
		told = s.onRead
	}
	s.mu.Unlock()
	if told != nil {
		told()
	}

	resp := &ua.ReadResponse{ResponseHeader: good(r), Results: make([]*ua.DataValue, len(r.NodesToRead)), DiagnosticInfos: []*ua.DiagnosticInfo{}}
	for i, n := range r.NodesToRead {
		v := s.value(n, &seen, register)
		stamp(v, r.TimestampsToReturn, n.AttributeID, seen.at, now)
		resp.Results[i] = v
	}
	switch hit.kind {
	case dropConnection:
		c.tcp.Close()
		return nil, ua.StatusOK
	case slowRead:
		c.after(hit.delay, func() { c.send(id, resp) })
		return nil, ua.StatusOK
	}
	return resp, ua.StatusOK
}

// readsMachine reports whether a Read asks for a value of the machine itself.
func (s *Server) readsMachine(r *ua.ReadRequest) bool {
	for _, n := range r.NodesToRead {
		if x := s.nodes.find(n.NodeID); x != nil && n.AttributeID == ua.AttributeIDValue && x.id.Namespace() == nsBuilder {
			return true
		}
	}
	return false
}

// value reads one attribute from a sample.
func (s *Server) value(n *ua.ReadValueID, seen *sample, register ua.StatusCode) *ua.DataValue {
	if n.DataEncoding != nil && n.DataEncoding.Name != "" && n.DataEncoding.Name != "Default Binary" {
		return bad(ua.StatusBadDataEncodingInvalid)
	}
	if n.IndexRange != "" {
		return bad(ua.StatusBadIndexRangeNoData) // every value here is a scalar
	}
	if n.NodeID == nil {
		return bad(ua.StatusBadNodeIDInvalid)
	}
	at := s.nodes.find(n.NodeID)
	switch {
	case at == nil && n.NodeID.Namespace() == nsStandard:
		return libraryValue(n.NodeID, n.AttributeID)
	case at == nil:
		return bad(ua.StatusBadNodeIDUnknown)
	}
	if at.register != nil && n.AttributeID == ua.AttributeIDValue && register != ua.StatusOK {
		return bad(register)
	}
	v := at.attribute(n.AttributeID, &seen.st)
	if v == nil {
		return bad(ua.StatusBadAttributeIDInvalid)
	}
	return &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)}
}

func bad(code ua.StatusCode) *ua.DataValue {
	return &ua.DataValue{EncodingMask: ua.DataValueStatusCode, Status: code}
}

// stamp adds the time stamps a client asked for; only values have a source.
func stamp(v *ua.DataValue, which ua.TimestampsToReturn, a ua.AttributeID, source, server time.Time) {
	if a == ua.AttributeIDValue && (which == ua.TimestampsToReturnSource || which == ua.TimestampsToReturnBoth) {
		v.EncodingMask |= ua.DataValueSourceTimestamp
		v.SourceTimestamp = source.UTC()
	}
	if which == ua.TimestampsToReturnServer || which == ua.TimestampsToReturnBoth {
		v.EncodingMask |= ua.DataValueServerTimestamp
		v.ServerTimestamp = server.UTC()
	}
}

// write executes a Write, and the fault that strikes it. Its nodes are written
// one after the other; a refused one does not hold up the next.
func (s *Server) write(c *conn, ses *session, r *ua.WriteRequest) (ua.Response, ua.StatusCode) {
	switch {
	case len(r.NodesToWrite) == 0:
		return nil, ua.StatusBadNothingToDo
	case len(r.NodesToWrite) > maxNodes:
		return nil, ua.StatusBadTooManyOperations
	}
	var hit armed
	if s.writesRegister(r) {
		s.mu.Lock()
		hit = s.strike(Fault.strikesWrite)
		s.mu.Unlock()
	}
	var results []ua.StatusCode
	switch hit.kind {
	case loseRequest:
		return nil, ua.StatusOK
	case dropConnection, dropOnWrite:
		c.tcp.Close()
		return nil, ua.StatusOK
	case lateEffect:
		s.applyLater(hit.delay, ses.name, r.NodesToWrite)
		return nil, ua.StatusOK
	case refuseWrite:
		results = make([]ua.StatusCode, len(r.NodesToWrite))
		for i := range results {
			results[i] = ua.StatusBadInvalidState
		}
	default:
		results = s.apply(hit.kind, ses.name, r.NodesToWrite)
	}
	switch hit.kind {
	case loseAnswer:
		return nil, ua.StatusOK
	case dropAfterWrite:
		c.tcp.Close()
		return nil, ua.StatusOK
	}
	return &ua.WriteResponse{ResponseHeader: good(r), Results: results, DiagnosticInfos: []*ua.DiagnosticInfo{}}, ua.StatusOK
}

func (s *Server) writesRegister(r *ua.WriteRequest) bool {
	for _, w := range r.NodesToWrite {
		n := s.nodes.find(w.NodeID)
		if n != nil && n.writable && (n.register != nil || n == s.nodes.request) && w.AttributeID == ua.AttributeIDValue {
			return true
		}
	}
	return false
}

func (s *Server) applyLater(d time.Duration, who string, nodes []*ua.WriteValue) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return
	}
	s.after(d, func() { s.apply(0, who, nodes) })
}

// apply writes each node under the rules of the control; how is a fault that
// bends them, or 0.
func (s *Server) apply(how faultKind, who string, nodes []*ua.WriteValue) []ua.StatusCode {
	s.order.Lock()
	defer s.order.Unlock()
	results := make([]ua.StatusCode, len(nodes))
	for i, w := range nodes {
		results[i] = s.applyOne(how, who, w)
		if how == uncertainAnswer && results[i] == ua.StatusOK {
			results[i] = ua.StatusUncertain
		}
	}
	return results
}

func (s *Server) applyOne(how faultKind, who string, w *ua.WriteValue) ua.StatusCode {
	n, code := s.writable(w)
	if code != ua.StatusOK {
		return code
	}
	if n.put != nil {
		if how == goodNotApplied {
			return ua.StatusOK
		}
		if n == s.nodes.request {
			s.mu.Lock()
			s.spoilt = how
			s.mu.Unlock()
		}
		return s.putInto(n, who, w.Value.Value.Value())
	}
	want, code := n.register.decode(w.Value.Value)
	if code != ua.StatusOK {
		return code
	}
	v, err := n.register.accept(want)
	if err != nil {
		return ua.StatusBadOutOfRange
	}
	if how == goodNotApplied {
		return ua.StatusOK
	}
	s.mu.Lock()
	e, tell, code := s.commit(how, who, n.register, v, want)
	s.mu.Unlock()
	if code == ua.StatusOK && tell != nil {
		tell(e)
	}
	return code
}

// commit changes the register and records the effect. The caller holds mu.
func (s *Server) commit(how faultKind, who string, r *Register, v, want float64) (Effect, func(Effect), ua.StatusCode) {
	if s.o.RefuseInCycle && s.st.Cutting {
		return Effect{}, nil, ua.StatusBadInvalidState
	}
	old := s.st.Registers[r.Name]
	if how == clipValue {
		v = r.step(math.Round(old/r.Resolution) + math.Trunc(math.Round((v-old)/r.Resolution)/2))
	}
	e := Effect{
		Register: r.Name, Old: old, New: v, Requested: want, At: s.o.Now(),
		Session: who, Cutting: s.st.Cutting, Counter: s.st.Counter,
	}
	if len(s.effects) >= maxEffects {
		s.effects = append(s.effects[:0:0], s.effects[maxEffects/4:]...)
	}
	s.effects = append(s.effects, e)
	next := s.st.clone()
	next.Registers[r.Name] = v
	s.replace(next)
	return e, s.onEffect, ua.StatusOK
}

// writable finds the register a WriteValue means, or says why there is none.
func (s *Server) writable(w *ua.WriteValue) (*node, ua.StatusCode) {
	n := s.nodes.find(w.NodeID)
	switch {
	case n == nil && w.NodeID != nil && w.NodeID.Namespace() == nsStandard:
		return nil, ua.StatusBadNotWritable // nothing of the standard's is
	case n == nil:
		return nil, ua.StatusBadNodeIDUnknown
	case n.attribute(w.AttributeID, &State{}) == nil:
		return nil, ua.StatusBadAttributeIDInvalid
	case w.AttributeID != ua.AttributeIDValue, !n.writable:
		return nil, ua.StatusBadNotWritable
	case w.IndexRange != "":
		return nil, ua.StatusBadWriteNotSupported // a register is one number
	case w.Value == nil || !w.Value.Has(ua.DataValueValue) || w.Value.Value == nil:
		return nil, ua.StatusBadTypeMismatch
	case w.Value.EncodingMask != ua.DataValueValue:
		return nil, ua.StatusBadWriteNotSupported // status and times are the server's
	}
	return n, ua.StatusOK
}

// decode takes the number from a Variant of exactly the register's type.
func (r *Register) decode(v *ua.Variant) (float64, ua.StatusCode) {
	switch x := v.Value().(type) {
	case float64:
		if !r.AsText {
			return x, ua.StatusOK
		}
	case string:
		if !r.AsText {
			break
		}
		if !plain(x) {
			return 0, ua.StatusBadTypeMismatch
		}
		f, err := strconv.ParseFloat(x, 64)
		if err != nil {
			return 0, ua.StatusBadOutOfRange
		}
		return f, ua.StatusOK
	}
	return 0, ua.StatusBadTypeMismatch
}
