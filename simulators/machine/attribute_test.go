package machine

import (
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

func TestWritesThatTheControlRefuses(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	text, rounds := "register/T14 wear x", "register/T14 wear z"
	for name, tc := range map[string]struct {
		what string
		v    any
		want ua.StatusCode
	}{
		"above the range":      {wear, 0.501, ua.StatusBadOutOfRange},
		"below the range":      {wear, -0.501, ua.StatusBadOutOfRange},
		"not a number":         {wear, math.NaN(), ua.StatusBadOutOfRange},
		"infinite":             {wear, math.Inf(1), ua.StatusBadOutOfRange},
		"off the grid":         {wear, 0.0125, ua.StatusBadOutOfRange},
		"a float":              {wear, float32(0.012), ua.StatusBadTypeMismatch},
		"an integer":           {wear, int32(0), ua.StatusBadTypeMismatch},
		"a text":               {wear, "0.012", ua.StatusBadTypeMismatch},
		"an array":             {wear, []float64{0.012}, ua.StatusBadTypeMismatch},
		"a number for a text":  {text, 0.001, ua.StatusBadTypeMismatch},
		"exponent":             {text, "1e-3", ua.StatusBadTypeMismatch},
		"comma":                {text, "0,001", ua.StatusBadTypeMismatch},
		"blank":                {text, " 0.001", ua.StatusBadTypeMismatch},
		"no digit":             {text, "-", ua.StatusBadTypeMismatch},
		"hexadecimal":          {text, "0x1p-3", ua.StatusBadTypeMismatch},
		"long":                 {text, strings.Repeat("0", 40), ua.StatusBadTypeMismatch},
		"text above the range": {text, "0.0201", ua.StatusBadOutOfRange},
		"text off the grid":    {text, "0.00005", ua.StatusBadOutOfRange},
		"rounding, too large":  {rounds, 200.4, ua.StatusBadOutOfRange},
		"a counter":            {"counter", uint64(9), ua.StatusBadNotWritable},
		"the permission":       {"permitted", true, ua.StatusBadNotWritable},
		"the demo mark":        {"demo", "real", ua.StatusBadNotWritable},
	} {
		t.Run(name, func(t *testing.T) {
			c.t = t
			if code, err := c.write(tc.what, tc.v); err != nil || code != tc.want {
				t.Errorf("%v %v, want %v", code, err, tc.want)
			}
		})
	}
	c.t = t
	good := &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(0.02)}
	reg := c.node(wear)
	for name, tc := range map[string]struct {
		w    *ua.WriteValue
		want ua.StatusCode
	}{
		"unknown node":      {&ua.WriteValue{NodeID: ua.NewStringNodeID(nsBuilder, "nothing"), AttributeID: ua.AttributeIDValue, Value: good}, ua.StatusBadNodeIDUnknown},
		"unknown namespace": {&ua.WriteValue{NodeID: ua.NewStringNodeID(77, "nothing"), AttributeID: ua.AttributeIDValue, Value: good}, ua.StatusBadNodeIDUnknown},
		"numeric node":      {&ua.WriteValue{NodeID: ua.NewNumericNodeID(nsBuilder, 0), AttributeID: ua.AttributeIDValue, Value: good}, ua.StatusBadNodeIDUnknown},
		"standard node":     {&ua.WriteValue{NodeID: ua.NewNumericNodeID(0, id.Server_ServiceLevel), AttributeID: ua.AttributeIDValue, Value: good}, ua.StatusBadNotWritable},
		"an object's value": {&ua.WriteValue{NodeID: ua.NewStringNodeID(nsBuilder, "Offsets"), AttributeID: ua.AttributeIDValue, Value: good}, ua.StatusBadAttributeIDInvalid},
		"the display name":  {&ua.WriteValue{NodeID: reg, AttributeID: ua.AttributeIDDisplayName, Value: good}, ua.StatusBadNotWritable},
		"no such attribute": {&ua.WriteValue{NodeID: reg, AttributeID: 99, Value: good}, ua.StatusBadAttributeIDInvalid},
		"an index range":    {&ua.WriteValue{NodeID: reg, AttributeID: ua.AttributeIDValue, IndexRange: "0", Value: good}, ua.StatusBadWriteNotSupported},
		"no value":          {&ua.WriteValue{NodeID: reg, AttributeID: ua.AttributeIDValue, Value: &ua.DataValue{}}, ua.StatusBadTypeMismatch},
		"with a status":     {&ua.WriteValue{NodeID: reg, AttributeID: ua.AttributeIDValue, Value: &ua.DataValue{EncodingMask: ua.DataValueValue | ua.DataValueStatusCode, Value: good.Value}}, ua.StatusBadWriteNotSupported},
		"with a time":       {&ua.WriteValue{NodeID: reg, AttributeID: ua.AttributeIDValue, Value: &ua.DataValue{EncodingMask: ua.DataValueValue | ua.DataValueSourceTimestamp, Value: good.Value, SourceTimestamp: time.Now()}}, ua.StatusBadWriteNotSupported},
	} {
		t.Run(name, func(t *testing.T) {
			if code, err := c.writeRaw(tc.w); err != nil || code != tc.want {
				t.Errorf("%v %v, want %v", code, err, tc.want)
			}
		})
	}
	if e := s.Effects(); len(e) != 0 {
		t.Errorf("refused writes had effects: %+v", e)
	}
	if n := s.State().Revision; n != 0 {
		t.Errorf("refused writes moved the revision to %d", n)
	}
}

func TestWritesThatTheControlTakes(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	for name, tc := range map[string]struct {
		what    string
		v, want any
	}{
		"the upper limit":          {wear, 0.5, 0.5},
		"the lower limit":          {wear, -0.5, -0.5},
		"float noise":              {wear, 0.1 + 0.2, 0.3},
		"negative zero":            {wear, math.Copysign(0, -1), 0.0},
		"a text":                   {"register/T14 wear x", "-0.0123", "-0.0123"},
		"a shorter text":           {"register/T14 wear x", "-0.01", "-0.0100"},
		"rounding down":            {"register/T14 wear z", 12.4, 12.0},
		"rounding away from zero":  {"register/T14 wear z", -12.6, -13.0},
		"the same value once more": {"register/T14 wear z", -12.6, -13.0},
	} {
		t.Run(name, func(t *testing.T) {
			c.t = t
			n := len(s.Effects())
			if code, err := c.write(tc.what, tc.v); err != nil || code != ua.StatusOK {
				t.Fatal(code, err)
			}
			got := c.value(tc.what)
			if got != tc.want {
				t.Errorf("reads %v, want %v", got, tc.want)
			}
			if f, ok := got.(float64); ok && f == 0 && math.Signbit(f) {
				t.Error("reads minus zero")
			}
			if got := len(s.Effects()); got != n+1 {
				t.Errorf("%d effects recorded, want 1", got-n)
			}
		})
	}
}

func TestSeveralNodesInOneWriteStandAlone(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	w := func(what string, v any) *ua.WriteValue {
		return &ua.WriteValue{NodeID: c.node(what), AttributeID: ua.AttributeIDValue, Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)}}
	}
	resp, err := c.Write(within(t), &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{w(wear, 0.02), w(wear, 9.0), w("register/T14 wear z", 5.0)}})
	if err != nil {
		t.Fatal(err)
	}
	if r := resp.Results; r[0] != ua.StatusOK || r[1] != ua.StatusBadOutOfRange || r[2] != ua.StatusOK {
		t.Errorf("results %v", r)
	}
	if st := s.State(); st.Registers["T12 wear radius"] != 0.02 || st.Registers["T14 wear z"] != 5 {
		t.Errorf("registers %v", st.Registers)
	}
}

func TestWritingDuringTheCut(t *testing.T) {
	for _, refuse := range []bool{false, true} {
		s := start(t, func(o *Options) { o.RefuseInCycle = refuse })
		c := connect(t, s)
		s.BeginCycle()
		code, err := c.write(wear, 0.02)
		if err != nil {
			t.Fatal(err)
		}
		e := s.Effects()
		if refuse && (code != ua.StatusBadInvalidState || len(e) != 0) {
			t.Errorf("an interlocked control: %v, %+v", code, e)
		}
		s.EndCycle()
		if code, err := c.write(wear, 0.03); err != nil || code != ua.StatusOK {
			t.Errorf("after the cycle: %v %v", code, err)
		}
		if !refuse && (code != ua.StatusOK || len(e) != 1 || !e[0].Cutting) {
			t.Errorf("a control without interlock: %v, %+v", code, e)
		}
	}
}

func TestARegisterSaysWhatItIs(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	for what, unit := range map[string]struct {
		code     int32
		name     string
		min, max float64
		dataType uint32
	}{
		wear:                  {0x4D4D54, "mm", -0.5, 0.5, id.Double},
		"register/T14 wear x": {0x494E48, "in", -0.02, 0.02, id.String},
		"register/T14 wear z": {0x3448, "µm", -200, 200, id.Double},
	} {
		reg := c.node(what)
		attr := func(n *ua.NodeID, a ua.AttributeID) any {
			v, err := c.Node(n).Attribute(within(t), a)
			if err != nil {
				t.Fatal(what, err)
			}
			return v.Value()
		}
		if got := attr(reg, ua.AttributeIDDataType).(*ua.NodeID); got.IntID() != unit.dataType {
			t.Errorf("%s: data type %v", what, got)
		}
		if got := attr(reg, ua.AttributeIDAccessLevel); got != byte(3) {
			t.Errorf("%s: access %v", what, got)
		}
		if got := attr(reg, ua.AttributeIDValueRank); got != int32(-1) {
			t.Errorf("%s: rank %v", what, got)
		}
		below := func(name string) any {
			n, err := c.Node(reg).TranslateBrowsePathInNamespaceToNodeID(within(t), 0, name)
			if err != nil {
				t.Fatal(what, name, err)
			}
			return attr(n, ua.AttributeIDValue).(*ua.ExtensionObject).Value
		}
		if got := *below("EURange").(*ua.Range); got != (ua.Range{Low: unit.min, High: unit.max}) {
			t.Errorf("%s: range %+v", what, got)
		}
		eu := below("EngineeringUnits").(*ua.EUInformation)
		if eu.UnitID != unit.code || eu.DisplayName.Text != unit.name || eu.NamespaceURI != "http://www.opcfoundation.org/UA/units/un/cefact" {
			t.Errorf("%s: unit %+v", what, eu)
		}
	}
	if got, _ := c.Node(c.node("counter")).Attribute(within(t), ua.AttributeIDAccessLevel); got.Value() != byte(1) {
		t.Errorf("the counter's access is %v", got.Value())
	}
}

func TestReadsThatAreRefused(t *testing.T) {
	s := start(t)
	c := connect(t, s)
	call := func(req *ua.ReadRequest) error {
		var code error
		err := c.Send(within(t), req, func(r ua.Response) error { code = r.Header().ServiceResult; return nil })
		if err != nil {
			return err
		}
		return code
	}
	one := []*ua.ReadValueID{{NodeID: c.node(wear), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}}
	for name, tc := range map[string]struct {
		req  *ua.ReadRequest
		want error
	}{
		"nothing":        {&ua.ReadRequest{}, ua.StatusBadNothingToDo},
		"negative age":   {&ua.ReadRequest{NodesToRead: one, MaxAge: -1}, ua.StatusBadMaxAgeInvalid},
		"odd times":      {&ua.ReadRequest{NodesToRead: one, TimestampsToReturn: 9}, ua.StatusBadTimestampsToReturnInvalid},
		"too many":       {&ua.ReadRequest{NodesToRead: repeat(one[0], maxNodes+1)}, ua.StatusBadTooManyOperations},
		"and a fine one": {&ua.ReadRequest{NodesToRead: one}, ua.StatusOK},
	} {
		if err := call(tc.req); err != tc.want {
			t.Errorf("%s: %v, want %v", name, err, tc.want)
		}
	}
	resp, err := c.Read(within(t), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{
		{NodeID: c.node(wear), AttributeID: ua.AttributeIDValue, IndexRange: "0", DataEncoding: &ua.QualifiedName{}},
		{NodeID: c.node(wear), AttributeID: 99, DataEncoding: &ua.QualifiedName{}},
		{NodeID: ua.NewStringNodeID(nsBuilder, "nothing"), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}},
		{NodeID: c.node(wear), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{Name: "Default XML"}},
		{NodeID: c.node(wear), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}},
	}})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []ua.StatusCode{ua.StatusBadIndexRangeNoData, ua.StatusBadAttributeIDInvalid, ua.StatusBadNodeIDUnknown, ua.StatusBadDataEncodingInvalid, ua.StatusOK} {
		if got := resp.Results[i].Status; got != want {
			t.Errorf("result %d: %v, want %v", i, got, want)
		}
	}
}

func repeat[T any](v T, n int) []T {
	out := make([]T, n)
	for i := range out {
		out[i] = v
	}
	return out
}

// clock is a time that only the test moves.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

func (c *clock) add(d time.Duration) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
	return c.t
}

func TestADeviceReadIsFreshAndACachedOneSaysHowOldItIs(t *testing.T) {
	k := &clock{t: time.Date(2030, 1, 2, 3, 4, 5, 0, time.UTC)}
	s := start(t, func(o *Options) { o.Now = k.now })
	c := connect(t, s)
	read := func(maxAge float64, which ua.TimestampsToReturn) *ua.DataValue {
		resp, err := c.Read(within(t), &ua.ReadRequest{MaxAge: maxAge, TimestampsToReturn: which,
			NodesToRead: []*ua.ReadValueID{{NodeID: c.node("counter"), AttributeID: ua.AttributeIDValue, DataEncoding: &ua.QualifiedName{}}}})
		if err != nil {
			t.Fatal(err)
		}
		return resp.Results[0]
	}
	first := k.now()
	if v := read(0, ua.TimestampsToReturnBoth); !v.SourceTimestamp.Equal(first) || v.Value.Value() != uint64(0) {
		t.Errorf("first device read: %v at %v", v.Value.Value(), v.SourceTimestamp)
	}
	s.EndCycle()
	second := k.add(400 * time.Millisecond)
	if v := read(1000, ua.TimestampsToReturnBoth); v.Value.Value() != uint64(0) || !v.SourceTimestamp.Equal(first) || !v.ServerTimestamp.Equal(second) {
		t.Errorf("a cached read: %v, source %v, server %v", v.Value.Value(), v.SourceTimestamp, v.ServerTimestamp)
	}
	if v := read(0, ua.TimestampsToReturnSource); v.Value.Value() != uint64(1) || !v.SourceTimestamp.Equal(second) || v.Has(ua.DataValueServerTimestamp) {
		t.Errorf("a device read: %+v", v)
	}
	s.EndCycle()
	if v := read(0, ua.TimestampsToReturnBoth); v.Value.Value() != uint64(2) {
		t.Errorf("a device read at the very moment of the last one: %v", v.Value.Value())
	}
	s.EndCycle()
	k.add(2 * time.Second)
	if v := read(1000, ua.TimestampsToReturnServer); v.Value.Value() != uint64(3) || v.Has(ua.DataValueSourceTimestamp) {
		t.Errorf("a read with a cache that is too old: %+v", v)
	}
	if v := read(0, ua.TimestampsToReturnNeither); v.EncodingMask != ua.DataValueValue {
		t.Errorf("without times: %+v", v)
	}
}

// Every cycle moves counter, register, tool life and permission together; a
// Read must never see a mixture.
func TestOneReadIsOneMoment(t *testing.T) {
	s := start(t)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for n := uint64(0); ; n++ {
			select {
			case <-stop:
				return
			default:
			}
			s.Update(func(st *State) {
				st.Counter = n
				st.Registers["T14 wear z"] = float64(n % 200)
				tool := st.Tools["T12"]
				tool.Generation = n
				st.Tools["T12"] = tool
				st.Cutting = n%2 == 1
			})
		}
	})
	var readers sync.WaitGroup
	for range 3 {
		c := connect(t, s)
		readers.Go(func() {
			for range 150 {
				v := c.read("counter", "register/T14 wear z", "tool/T12/generation", "permitted")
				n := v[0].Value.Value().(uint64)
				if z := v[1].Value.Value().(float64); z != float64(n%200) {
					t.Errorf("counter %d with register %v", n, z)
				}
				if g := v[2].Value.Value().(uint64); g != n {
					t.Errorf("counter %d with generation %d", n, g)
				}
				if p := v[3].Value.Value().(bool); p != (n%2 == 0) {
					t.Errorf("counter %d with permitted %v", n, p)
				}
			}
		})
	}
	readers.Wait()
	close(stop)
	wg.Wait()
}
