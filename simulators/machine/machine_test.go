package machine

import (
	"context"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
)

const deadline = 60 * time.Second

func options() Options {
	return Options{
		Serial: "SIM 7", Name: "lathe",
		Tools: []Tool{{Name: "T12", Life: 3}, {Name: "T14"}},
		Registers: []Register{
			{Name: "T12 wear radius", Tool: "T12", Unit: "mm", Kind: "radius", Resolution: 0.001, Min: -0.5, Max: 0.5, Initial: 0.01},
			{Name: "T14 wear x", Tool: "T14", Unit: "in", Kind: "x", Resolution: 0.0001, Min: -0.02, Max: 0.02, AsText: true},
			{Name: "T14 wear z", Tool: "T14", Unit: "µm", Kind: "z", Resolution: 1, Min: -200, Max: 200, Rounds: true},
		},
		Program: "O100",
	}
}

func start(t *testing.T, change ...func(*Options)) *Server {
	t.Helper()
	o := options()
	for _, f := range change {
		f(&o)
	}
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		if p := s.Panics(); len(p) > 0 {
			t.Errorf("the server recovered %d panics, the first:\n%s", len(p), p[0])
		}
	})
	return s
}

func within(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), deadline)
	t.Cleanup(cancel)
	return ctx
}

// client is a connected gopcua client with the few calls the tests need.
type client struct {
	*opcua.Client
	t        *testing.T
	s        *Server
	patience time.Duration // with a write; 0 is the deadline
}

func connect(t *testing.T, s *Server, opts ...opcua.Option) *client {
	t.Helper()
	c, err := tryConnect(t, s, opts...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func tryConnect(t *testing.T, s *Server, opts ...opcua.Option) (*client, error) {
	t.Helper()
	opts = append([]opcua.Option{opcua.AutoReconnect(false), opcua.RequestTimeout(deadline), opcua.SessionName("test")}, opts...)
	c, err := opcua.NewClient(s.Endpoint(), opts...)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Connect(within(t)); err != nil {
		return nil, err
	}
	t.Cleanup(func() { c.Close(context.Background()) })
	return &client{Client: c, t: t, s: s}, nil
}

// node resolves the portable identifier by namespace URI, as a client must.
func (c *client) node(what string) *ua.NodeID {
	c.t.Helper()
	x, err := ua.ParseExpandedNodeID(c.s.NodeID(what), c.Namespaces())
	if err != nil {
		c.t.Fatal(err)
	}
	return x.NodeID
}

func (c *client) read(what ...string) []*ua.DataValue {
	c.t.Helper()
	req := &ua.ReadRequest{TimestampsToReturn: ua.TimestampsToReturnBoth}
	for _, w := range what {
		req.NodesToRead = append(req.NodesToRead, &ua.ReadValueID{NodeID: c.node(w), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}})
	}
	resp, err := c.Read(within(c.t), req)
	if err != nil {
		c.t.Fatal(err)
	}
	return resp.Results
}

func (c *client) value(what string) any {
	c.t.Helper()
	v := c.read(what)[0]
	if v.Status != ua.StatusOK {
		c.t.Fatalf("%s: %v", what, v.Status)
	}
	return v.Value.Value()
}

func (c *client) write(what string, v any) (ua.StatusCode, error) {
	c.t.Helper()
	return c.writeRaw(&ua.WriteValue{
		NodeID: c.node(what), AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)},
	})
}

func (c *client) writeRaw(w *ua.WriteValue) (ua.StatusCode, error) {
	c.t.Helper()
	ctx := within(c.t)
	if c.patience > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.patience)
		defer cancel()
	}
	resp, err := c.Write(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{w}})
	if err != nil {
		return 0, err
	}
	return resp.Results[0], nil
}

const wear = "register/T12 wear radius"

func TestWhatTheMachineShows(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	for what, want := range map[string]any{
		"serial": "SIM 7", "name": "lathe", "program": "O100", "part": "", "counter": uint64(0),
		"permitted": true, "state": int32(2), "revision": uint64(0), "demo": "simulated machine, cuts no metal",
		wear: 0.01, "register/T14 wear x": "0.0000", "register/T14 wear z": float64(0),
		"tool/T12/generation": uint64(0), "tool/T12/life": uint32(3), "tool/T12/active": true,
	} {
		if got := c.value(what); got != want {
			t.Errorf("%s = %v (%T), want %v (%T)", what, got, got, want, want)
		}
	}
}

func TestAWriteIsAppliedAndRecorded(t *testing.T) {
	s := start(t)
	var told []Effect
	s.OnEffect(func(e Effect) { told = append(told, e) })
	c := connect(t, s)
	if code, err := c.write(wear, 0.012); err != nil || code != ua.StatusOK {
		t.Fatal(code, err)
	}
	if got := c.value(wear); got != 0.012 {
		t.Errorf("read back %v", got)
	}
	if got := c.value("revision"); got != uint64(1) {
		t.Errorf("revision %v", got)
	}
	e := s.Effects()
	if len(e) != 1 || e[0].Register != "T12 wear radius" || e[0].Old != 0.01 || e[0].New != 0.012 || e[0].Session != "test" || e[0].Cutting {
		t.Errorf("effects %+v", e)
	}
	if len(told) != 1 || told[0] != e[0] {
		t.Errorf("told %+v", told)
	}
}

// A read of the machine's values is told; a look at the server itself is not.
func TestReadsAreTold(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	told := 0
	s.OnRead(func() { told++ })
	if c.value(wear); told != 1 {
		t.Errorf("a read of the register was told %d times", told)
	}
	s.OnRead(nil)
	if c.value(wear); told != 1 {
		t.Errorf("told after the end: %d", told)
	}
}
