package machine

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"

	"offsetbridge/testdata/peers"
)

// An independent client sees what our own client sees: this is the proof that
// the simulated machine speaks OPC UA and not only the dialect of one library.
func TestAnIndependentClientWorksWithTheMachine(t *testing.T) {
	s := start(t)
	reg, z := s.NodeID(wear), s.NodeID("register/T14 wear z")
	result := peers.Client(t, s.Endpoint(), peers.Attempt{
		Steps: []map[string]any{
			{"read": []string{s.NodeID("serial"), s.NodeID("counter"), s.NodeID("permitted"), reg, s.NodeID("register/T14 wear x"), "i=2259"}},
			{"write": reg, "type": "Double", "value": 0.012},
			{"write": reg, "type": "Double", "value": 0.0125},
			{"write": reg, "type": "Int32", "value": 0},
			{"write": s.NodeID("counter"), "type": "UInt64", "value": []int{0, 9}},
			{"write": s.NodeID("register/T14 wear x"), "type": "String", "value": "-0.0011"},
			{"browse": "i=85"},
			{"browse": "nsu=" + BuilderURI + ";s=Offsets"},
			{"path": reg, "names": []string{"EURange"}},
			{"path": reg, "names": []string{"EngineeringUnits"}},
			{"watch": []string{s.NodeID("revision"), z}, "write": z, "type": "Double", "value": 7},
			{"browse": "i=58"}, // BaseObjectType: from the library's copy of namespace 0
			{"read": []string{reg}},
		},
	})
	answers := result[0].Answers
	if result[0].Error != "" {
		t.Fatalf("after %d steps: %s", len(answers), result[0].Error)
	}
	values := answers[0]["values"].([]any)
	for i, want := range []any{"SIM 7", float64(0), true, 0.01, "0.0000", float64(0)} {
		v := values[i].(map[string]any)
		if v["value"] != want || v["status"] != "Good" || v["source"] == nil || v["server"] == nil {
			t.Errorf("value %d: %v, want %v", i, v, want)
		}
	}
	for i, want := range []string{"Good", "BadOutOfRange", "BadTypeMismatch", "BadNotWritable", "Good"} {
		if got := answers[1+i]["write"]; got != want {
			t.Errorf("write %d: %v, want %v", i, got, want)
		}
	}
	if names := fmt.Sprint(answers[6]["names"]); names != "[Server lathe]" {
		t.Errorf("below Objects: %v", names)
	}
	if names := answers[7]["names"].([]any); !slices.Contains(names, any("T12 wear radius")) || !slices.Contains(names, any("WritePermitted")) {
		t.Errorf("below Offsets: %v", names)
	}
	if v := answers[8]["value"].(map[string]any)["value"].(map[string]any); v["low"] != -0.5 || v["high"] != 0.5 {
		t.Errorf("range %v", v)
	}
	if v := answers[9]["value"].(map[string]any)["value"].(map[string]any); v["unitId"] != float64(0x4D4D54) {
		t.Errorf("unit %v", v)
	}
	if seen := answers[10]["seen"].([]any); answers[10]["write"] != "Good" || !slices.Contains(seen, any(float64(7))) || !slices.Contains(seen, any(float64(3))) {
		t.Errorf("subscription: %v", answers[10])
	}
	if names := answers[11]["names"].([]any); answers[11]["status"] != "Good" || !slices.Contains(names, any("FolderType")) {
		t.Errorf("below BaseObjectType: %v", answers[11])
	}
	if v := answers[12]["values"].([]any)[0].(map[string]any); v["value"] != 0.012 {
		t.Errorf("read back %v", v)
	}
	if e := s.Effects(); len(e) != 3 || e[0].New != 0.012 || e[1].New != -0.0011 || e[2].New != 7 {
		t.Errorf("effects %+v", e)
	}
}

func TestAnIndependentClientOverSecureChannels(t *testing.T) {
	s := start(t, func(o *Options) { o.Secure, o.User, o.Password = true, "setter", "secret" })
	steps := []map[string]any{{"write": s.NodeID(wear), "type": "Double", "value": 0.02}, {"read": []string{s.NodeID(wear)}}}
	results := peers.Client(t, s.Endpoint(),
		peers.Attempt{Mode: "Sign", User: "setter", Password: "secret", Steps: steps},
		peers.Attempt{Mode: "SignAndEncrypt", User: "setter", Password: "secret", Steps: steps},
		peers.Attempt{Mode: "SignAndEncrypt", User: "setter", Password: "wrong", Steps: steps},
		peers.Attempt{Mode: "SignAndEncrypt", Steps: steps},
		peers.Attempt{Mode: "None", User: "setter", Password: "secret", Steps: steps},
	)
	for i, r := range results {
		switch {
		case i >= 2 && (r.Error == "" || len(r.Answers) > 0):
			t.Errorf("attempt %d was let in: %v", i, r.Answers)
		case i >= 2:
			t.Logf("attempt %d: %s", i, r.Error)
		case r.Error != "":
			t.Errorf("attempt %d: %s", i, r.Error)
		default:
			v := r.Answers[1]["values"].([]any)[0].(map[string]any)
			if r.Answers[0]["write"] != "Good" || v["value"] != 0.02 {
				t.Errorf("attempt %d: %v", i, r.Answers)
			}
		}
	}
	if n := len(s.Effects()); n != 2 {
		t.Errorf("%d effects, want 2", n)
	}
}

// The independent machine keeps the promises that a client of the bundled one
// relies on.
func TestTheIndependentMachine(t *testing.T) {
	m := peers.StartMachine(t, peers.Options{
		Serial: "P 1", Name: "peer", Program: "O1", Tools: []peers.Tool{{Name: "T1", Life: 3}},
		Registers: []peers.Register{
			{Name: "T1 wear", Tool: "T1", Unit: "mm", Kind: "radius", Resolution: 0.001, Min: -0.5, Max: 0.5, Initial: 0.01},
			{Name: "T1 text", Tool: "T1", Unit: "in", Kind: "x", Resolution: 0.0001, Min: -0.02, Max: 0.02, AsText: true},
		},
	})
	c, err := opcua.NewClient(m.Endpoint, opcua.AutoReconnect(false), opcua.RequestTimeout(deadline))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := c.Connect(ctx); err != nil {
		t.Fatal(err)
	}
	defer c.Close(ctx)
	node := func(what string) *ua.NodeID {
		x, err := ua.ParseExpandedNodeID(m.NodeID(what), c.Namespaces())
		if err != nil {
			t.Fatal(err)
		}
		return x.NodeID
	}
	if n := node("counter").Namespace(); n == nsBuilder {
		t.Errorf("the peer's namespace index %d is ours by chance: it proves nothing about resolving", n)
	}
	check := func(want map[string]any) {
		t.Helper()
		for what, w := range want {
			v, err := c.Node(node(what)).Value(ctx)
			if err != nil || v.Value() != w {
				t.Errorf("%s: %v %v, want %v", what, v, err, w)
			}
		}
	}
	check(map[string]any{
		"serial": "P 1", "name": "peer", "demo": "simulated machine, cuts no metal", "program": "O1", "part": "",
		"counter": uint64(0), "permitted": true, "state": int32(2), "revision": uint64(0), "tool/T1/generation": uint64(0),
		"tool/T1/life": uint32(3), "tool/T1/active": true, "register/T1 wear": 0.01, "register/T1 text": "0.0000",
	})
	for _, tc := range []struct {
		what string
		v    any
		want ua.StatusCode
	}{
		{"register/T1 wear", 0.012, ua.StatusOK},
		{"register/T1 wear", 0.6, ua.StatusBadOutOfRange},
		{"register/T1 wear", 0.0125, ua.StatusBadOutOfRange},
		{"register/T1 wear", "0.01", ua.StatusBadTypeMismatch},
		{"register/T1 text", "-0.0011", ua.StatusOK},
		{"register/T1 text", "1e-4", ua.StatusBadOutOfRange},
		{"counter", uint64(3), ua.StatusBadNotWritable},
	} {
		resp, err := c.Write(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{
			NodeID: node(tc.what), AttributeID: ua.AttributeIDValue,
			Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(tc.v)},
		}}})
		if err != nil || resp.Results[0] != tc.want {
			t.Errorf("%s = %v: %v %v, want %v", tc.what, tc.v, resp, err, tc.want)
		}
	}
	for _, err := range []error{m.BeginCycle(), m.SetRegister("T1 wear", 0.02), m.SetProgram("O2"), m.SetPart("S 9"), m.ChangeTool("T1")} {
		if err != nil {
			t.Error(err)
		}
	}
	if m.SetRegister("T1 wear", 9) == nil || m.SetRegister("T9", 0) == nil || m.ChangeTool("T9") == nil {
		t.Error("nonsense was taken")
	}
	check(map[string]any{"permitted": false, "state": int32(0), "program": "O2", "part": "S 9", "tool/T1/generation": uint64(1), "register/T1 wear": 0.02})
	if err := m.EndCycle(); err != nil {
		t.Error(err)
	}
	check(map[string]any{"permitted": true, "counter": uint64(1), "tool/T1/life": uint32(1), "revision": uint64(3)})
	st, err := m.State()
	if err != nil || len(st.Log) != 2 || st.Log[0].Old != 0.01 || st.Log[0].New != 0.012 || st.Counter != 1 {
		t.Errorf("state %+v, %v", st, err)
	}
}
