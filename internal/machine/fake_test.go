package machine

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"github.com/gopcua/opcua/ua"
)

const fakeURI = "urn:test:builder"

// fake is a machine in memory behind the port: what the protocol would carry,
// without the protocol.
type fake struct {
	mu       sync.Mutex
	table    []string
	nodes    map[string]*fakeNode // by NodeID text
	state    int32
	down     bool
	frozen   bool
	open     map[*fakeSession]bool
	mishap   mishap
	late     time.Duration
	effects  int
	reads    int
	sessions int
	onRead   func() // before a Read is answered, without the lock
	clock    func() time.Time
	program  func(spoilt mishap) // the control's, where there is a mailbox; under the lock
}

type fakeNode struct {
	value    any
	dataType uint32
	access   byte
	status   ua.StatusCode
	source   time.Time
	props    map[string]string // name → node id text
}

func newFake() *fake {
	f := &fake{
		table: []string{"http://opcfoundation.org/UA/", "urn:test:server", fakeURI},
		nodes: map[string]*fakeNode{}, open: map[*fakeSession]bool{}, clock: time.Now,
	}
	f.add("serial", "K-1", 12, 1)
	f.add("counter", uint64(7), 9, 1)
	f.add("program", "P1", 12, 1)
	f.add("permitted", true, 1, 1)
	f.add("part", "", 12, 1)
	f.add("generation", uint32(3), 7, 1)
	f.addRegister("R1", 0.010)
	f.addRegister("R2", -0.020)
	f.add("DemoMark", "simulated", 12, 1)
	return f
}

func (f *fake) add(name string, v any, dataType uint32, access byte) *fakeNode {
	n := &fakeNode{value: v, dataType: dataType, access: access, source: time.Now()}
	f.nodes["ns=2;s="+name] = n
	return n
}

func (f *fake) addRegister(name string, v any) *fakeNode {
	n := f.add(name, v, 11, 3)
	f.add(name+".EU", ua.NewExtensionObject(&ua.EUInformation{
		UnitID: 'M'<<16 | 'M'<<8 | 'T', DisplayName: ua.NewLocalizedText("mm"), Description: ua.NewLocalizedText("millimetre"),
	}), 887, 1)
	f.add(name+".Range", ua.NewExtensionObject(&ua.Range{Low: -0.5, High: 0.5}), 884, 1)
	n.props = map[string]string{"EngineeringUnits": "ns=2;s=" + name + ".EU", "EURange": "ns=2;s=" + name + ".Range"}
	return n
}

// integerRegister turns a register into one that holds whole micrometres.
func (f *fake) integerRegister(name string, v int32) {
	n := f.nodes["ns=2;s="+name]
	n.value, n.dataType = v, 6
	f.nodes["ns=2;s="+name+".EU"].value = ua.NewExtensionObject(&ua.EUInformation{UnitID: '4'<<8 | 'H'})
	f.nodes["ns=2;s="+name+".Range"].value = ua.NewExtensionObject(&ua.Range{Low: -500, High: 500})
}

// change touches a node under the lock and wakes every subscriber.
func (f *fake) change(name string, touch func(*fakeNode)) {
	f.mu.Lock()
	n := f.nodes["ns=2;s="+name]
	touch(n)
	n.source = f.clock()
	f.mu.Unlock()
	f.wake()
}

func (f *fake) wake() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for s := range f.open {
		if s.wake != nil {
			s.wake()
		}
	}
}

func (f *fake) connect(ctx context.Context, o *Options) (session, *Peer, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.down {
		return nil, &Peer{}, wait(CodeDial, "refused")
	}
	s := &fakeSession{f: f, errs: make(chan error, 1), gone: make(chan struct{}), timeout: o.Request}
	f.open[s] = true
	f.sessions++
	return s, &Peer{Application: "fake"}, nil
}

// outage ends every session and refuses new ones until it is over.
func (f *fake) outage(on bool) {
	f.mu.Lock()
	f.down = on
	var all []*fakeSession
	for s := range f.open {
		all = append(all, s)
	}
	f.mu.Unlock()
	for _, s := range all {
		s.drop()
	}
}

type fakeSession struct {
	f       *fake
	errs    chan error
	gone    chan struct{}
	once    sync.Once
	wake    func()
	timeout time.Duration
}

func (s *fakeSession) drop() {
	s.once.Do(func() {
		close(s.gone)
		s.errs <- io.EOF
		s.f.mu.Lock()
		delete(s.f.open, s)
		s.f.mu.Unlock()
	})
}

func (s *fakeSession) close()             { s.drop() }
func (s *fakeSession) abort()             { s.drop() }
func (s *fakeSession) lost() <-chan error { return s.errs }

// silent waits as long as a caller would for an answer that does not come.
func (s *fakeSession) silent(d time.Duration) error {
	select {
	case <-s.gone:
		return io.EOF
	case <-time.After(d):
		return ua.StatusBadTimeout
	}
}

func (s *fakeSession) usable(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	select {
	case <-s.gone:
		return io.EOF
	default:
		return nil
	}
}

func (s *fakeSession) read(ctx context.Context, nodes []*ua.ReadValueID) (answer, error) {
	if err := s.usable(ctx); err != nil {
		return answer{}, err
	}
	s.f.mu.Lock()
	frozen, hook := s.f.frozen, s.f.onRead
	s.f.mu.Unlock()
	if frozen {
		return answer{}, s.silent(s.timeout)
	}
	if hook != nil {
		hook()
	}
	s.f.mu.Lock()
	defer s.f.mu.Unlock()
	s.f.reads++
	a := answer{at: s.f.clock()}
	for _, n := range nodes {
		a.values = append(a.values, s.f.attribute(n))
	}
	return a, nil
}

func (f *fake) attribute(r *ua.ReadValueID) *ua.DataValue {
	bad := func(st ua.StatusCode) *ua.DataValue {
		return &ua.DataValue{EncodingMask: ua.DataValueStatusCode, Status: st}
	}
	good := func(v any, at time.Time) *ua.DataValue {
		return &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v), SourceTimestamp: at}
	}
	switch r.NodeID.String() {
	case "i=2255":
		return good(append([]string{}, f.table...), time.Time{})
	case "i=2259":
		return good(f.state, time.Time{})
	}
	n := f.nodes[r.NodeID.String()]
	if n == nil {
		return bad(ua.StatusBadNodeIDUnknown)
	}
	switch r.AttributeID {
	case ua.AttributeIDNodeClass:
		return good(int32(2), time.Time{})
	case ua.AttributeIDDataType:
		return good(ua.NewNumericNodeID(0, n.dataType), time.Time{})
	case ua.AttributeIDAccessLevel, ua.AttributeIDUserAccessLevel:
		return good(n.access, time.Time{})
	}
	v := good(n.value, n.source) // with a bad status too: the last value it had
	v.Status = n.status
	return v
}

func (s *fakeSession) write(ctx context.Context, v *ua.WriteValue, patience time.Duration) (ua.StatusCode, error) {
	if err := s.usable(ctx); err != nil {
		return 0, err
	}
	f := s.f
	f.mu.Lock()
	n := f.nodes[v.NodeID.String()]
	m := f.mishap
	if f.program != nil && n != f.nodes["ns=2;s="+boxRequest] {
		m = none
	} else {
		f.mishap = none
	}
	old := n.value
	apply := func(x any) {
		n.value, n.source = x, f.clock()
		if f.program != nil {
			f.program(m)
		} else {
			f.effects++
		}
	}
	if m == clipped && f.program != nil {
		apply(v.Value.Value.Value())
		m = none
	}
	switch m {
	case none, answerLost, uncertain, droppedAfter:
		apply(v.Value.Value.Value())
	case clipped:
		apply(old.(float64) + (v.Value.Value.Value().(float64)-old.(float64))/2)
	case lateEffect:
		time.AfterFunc(f.late, func() {
			f.mu.Lock()
			apply(v.Value.Value.Value())
			f.mu.Unlock()
			f.wake()
		})
	}
	f.mu.Unlock()
	f.wake()
	switch m {
	case answerLost, requestLost, lateEffect:
		return 0, s.silent(patience)
	case uncertain:
		return ua.StatusUncertain, nil
	case refused:
		return ua.StatusBadOutOfRange, nil
	case droppedBefore, droppedAfter:
		s.drop()
		return 0, io.EOF
	}
	return ua.StatusOK, nil
}

func (s *fakeSession) browse(_ context.Context, id *ua.NodeID) ([]*ua.ReferenceDescription, error) {
	s.f.mu.Lock()
	defer s.f.mu.Unlock()
	n := s.f.nodes[id.String()]
	if n == nil {
		return nil, ua.StatusBadNodeIDUnknown
	}
	var refs []*ua.ReferenceDescription
	for name, to := range n.props {
		refs = append(refs, &ua.ReferenceDescription{
			BrowseName: &ua.QualifiedName{Name: name},
			NodeID:     &ua.ExpandedNodeID{NodeID: ua.MustParseNodeID(to)},
		})
	}
	return refs, nil
}

func (s *fakeSession) watch(ctx context.Context, _ []*ua.NodeID, _ time.Duration, wake func()) error {
	s.f.mu.Lock()
	s.wake = wake
	s.f.mu.Unlock()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-s.gone:
		return errors.New("gone")
	}
}

// fakeRig lets the conformance suite run on the fake.
type fakeRig struct{ f *fake }

func newFakeRig() *fakeRig { return &fakeRig{newFake()} }

func (r *fakeRig) options() Options {
	id := func(s string) Node { return Node{ID: "nsu=" + fakeURI + ";s=" + s} }
	return Options{
		Endpoint: "opc.tcp://127.0.0.1:1", SerialNode: id("serial").ID, DemoMark: id("DemoMark").ID,
		Counter: id("counter"), Program: id("program"), Permitted: id("permitted"), PartSerial: id("part"),
		Tools:     []Tool{{"T1", id("generation")}},
		Registers: []Register{register("R1", id("R1")), register("R2", id("R2"))},
		connect:   r.f.connect,
	}
}

func (r *fakeRig) base() (uint64, int64) { return 7, 3 }

func (r *fakeRig) set(what string, v any) {
	r.f.change(what, func(n *fakeNode) {
		switch x := v.(type) {
		case int:
			if what == "counter" {
				v = uint64(x)
			} else {
				v = uint32(x)
			}
		}
		n.value = v
	})
}

func (r *fakeRig) get(name string) float64 {
	r.f.mu.Lock()
	defer r.f.mu.Unlock()
	return r.f.nodes["ns=2;s="+name].value.(float64)
}

func (r *fakeRig) effects() int {
	r.f.mu.Lock()
	defer r.f.mu.Unlock()
	return r.f.effects
}

func (r *fakeRig) down() { r.f.outage(true) }
func (r *fakeRig) up()   { r.f.outage(false) }

func (r *fakeRig) arm(m mishap, late time.Duration) bool {
	r.f.mu.Lock()
	defer r.f.mu.Unlock()
	if m == frozen {
		r.f.frozen = true
		return true
	}
	r.f.mishap, r.f.late = m, late
	return true
}

func (r *fakeRig) clear() {
	r.f.mu.Lock()
	defer r.f.mu.Unlock()
	r.f.frozen, r.f.mishap = false, none
}
