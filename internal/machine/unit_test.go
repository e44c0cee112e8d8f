package machine

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/gopcua/opcua/ua"
	"pgregory.net/rapid"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

func TestAddress(t *testing.T) {
	table := []string{"http://opcfoundation.org/UA/", "urn:a", "urn:b;c%d"}
	for s, want := range map[string]string{
		"i=2258":                 "i=2258",
		"nsu=urn:a;i=7":          "ns=1;i=7",
		"nsu=urn:a;s=x;y=z":      "ns=1;s=x;y=z",
		"nsu=urn:a;s=":           "", // no identifier
		"nsu=urn:b%3Bc%25d;s=x":  "ns=2;s=x",
		"nsu=urn:a;b=AQI=":       "ns=1;b=AQI=",
		"nsu=urn:none;s=x":       "none",
		"nsu=urn:a;i=4294967296": "",
		"nsu=urn:a;i=-1":         "",
		"nsu=urn:a;b=?":          "",
		"nsu=urn:a;g=12":         "",
		"nsu=urn:a;q=1":          "",
		"nsu=;s=x":               "",
		"nsu=urn:a":              "",
		"nsu=urn:%zz;s=x":        "",
		"ns=2;s=x":               "",
		"":                       "",
		"s":                      "",
		"nsu=urn:a;g=01234567-89ab-cdef-0123-456789abcdef": "ns=1;g=01234567-89AB-CDEF-0123-456789ABCDEF",
	} {
		a, err := parseAddress(s)
		if want == "" {
			if err == nil {
				t.Errorf("%q was taken for %+v", s, a)
			}
			continue
		}
		if err != nil {
			t.Errorf("%q: %v", s, err)
			continue
		}
		id, err := a.resolve(table)
		if want == "none" {
			if !errors.Is(err, errNamespace) {
				t.Errorf("%q: %v", s, err)
			}
			continue
		}
		if err != nil || id.String() != want {
			t.Errorf("%q: %v %v, want %s", s, id, err, want)
		}
	}
}

var registerTypes = []any{
	float64(0), float32(0), int8(0), uint8(0), int16(0), uint16(0), int32(0), uint32(0), int64(0), uint64(0), "",
}

// Whatever a codec agrees to send reads back as the same length, for every type
// and unit; and what it refuses, it has to.
func TestCodecRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SampledFrom(registerTypes).Draw(t, "type")
		u := rapid.SampledFrom([]length.Unit{length.MM, length.UM, length.NM, length.IN, length.THOU}).Draw(t, "unit")
		step := length.Length(rapid.SampledFrom([]int64{1, 100, 1000, 2540, 25_400, 1_000_000}).Draw(t, "step"))
		n := rapid.Int64Range(-500_000, 500_000).Draw(t, "steps")
		_, text := v.(string)
		r := Register{Unit: u, Step: step, Band: length.Range{Low: -500_000 * step, High: 500_000 * step}, Text: text}
		c, err := newCodec(ua.MustVariant(v), r)
		if err != nil {
			return
		}
		l := length.Length(n) * step
		x, err := c.encode(l)
		if err != nil {
			// Doubles, floats that passed newCodec and text hold every step in a
			// unit that shows it.
			if _, isDouble := v.(float64); isDouble || text && l.In(u) != "" && exactIn(l, u) {
				t.Fatalf("%T cannot hold %s in %s: %v", v, l, u, err)
			}
			if _, isFloat := v.(float32); isFloat {
				t.Fatalf("Float cannot hold %s in %s: %v", l, u, err)
			}
			return
		}
		if back, err := c.decode(x); err != nil || back != l {
			t.Fatalf("%T: %s came back as %s (%v)", v, l, back, err)
		}
	})
}

func exactIn(l length.Length, u length.Unit) bool {
	back, err := length.ParseNumber(l.In(u), u)
	return err == nil && back == l
}

func TestCodecRefuses(t *testing.T) {
	r := Register{Unit: length.MM, Step: length.Micrometre, Band: length.Range{Low: -length.Millimetre, High: length.Millimetre}}
	wide := r
	wide.Band.High = 20_000 * length.Millimetre
	for name, c := range map[string]struct {
		v any
		r Register
	}{
		"text unannounced":        {"0.1", r},
		"bool":                    {true, r},
		"array":                   {[]float64{1}, r},
		"whole millimetres":       {int32(1), r},
		"float over a wide range": {float32(1), wide},
		"number configured text":  {1.0, Register{Unit: length.MM, Step: 1, Text: true}},
	} {
		if _, err := newCodec(ua.MustVariant(c.v), c.r); err == nil {
			t.Errorf("%s was taken", name)
		}
	}
	double, err := newCodec(ua.MustVariant(0.0), r)
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []any{math.NaN(), math.Inf(1), -math.MaxFloat64, float32(1), int32(1), "1", []float64{1}} {
		if l, err := double.decode(ua.MustVariant(v)); err == nil {
			t.Errorf("%v (%T) was taken for %s", v, v, l)
		}
	}
	if _, err := double.decode(nil); err == nil {
		t.Error("nothing was taken for a length")
	}
	whole, err := newCodec(ua.MustVariant(int64(0)), Register{Unit: length.IN, Step: length.Inch})
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range []int64{math.MaxInt64, math.MinInt64, 40_000} {
		if l, err := whole.decode(ua.MustVariant(v)); err == nil {
			t.Errorf("%d in was taken for %s", v, l)
		}
	}
}

// A float that stands for a step means the step; a hand-typed value between
// steps is not bent.
func TestFloatSnapsToItsStep(t *testing.T) {
	c, err := newCodec(ua.MustVariant(float32(0)), Register{
		Unit: length.MM, Step: length.Micrometre, Band: length.Range{Low: -200 * length.Millimetre, High: 200 * length.Millimetre},
	})
	if err != nil {
		t.Fatal(err)
	}
	for v, want := range map[float32]length.Length{123.457: 123_457_000, -0.1: -100_000, 100.0005: 100_000_504} {
		if l, err := c.decode(ua.MustVariant(v)); err != nil || l != want {
			t.Errorf("%v reads %s (%v), want %s", v, l, err, want)
		}
	}
}

func TestEngineeringUnit(t *testing.T) {
	for name, c := range map[string]struct {
		e    *ua.EUInformation
		want length.Unit
		told bool
	}{
		"nothing":             {nil, "", false},
		"empty":               {&ua.EUInformation{UnitID: -1, DisplayName: &ua.LocalizedText{}}, "", false},
		"millimetre":          {&ua.EUInformation{UnitID: 5066068}, length.MM, true}, // the number of OPC 10000-8's own table for MMT, from memory
		"micrometre":          {&ua.EUInformation{UnitID: 13384, DisplayName: ua.NewLocalizedText("µm")}, length.UM, true},
		"inch":                {&ua.EUInformation{UnitID: 4804168, DisplayName: ua.NewLocalizedText("in")}, length.IN, true},
		"by name":             {&ua.EUInformation{UnitID: -1, DisplayName: ua.NewLocalizedText(" mm ")}, length.MM, true},
		"contradiction":       {&ua.EUInformation{UnitID: 5066068, DisplayName: ua.NewLocalizedText("in")}, "", true},
		"no length":           {&ua.EUInformation{UnitID: 4408652, DisplayName: ua.NewLocalizedText("°C")}, "", true},
		"unknown by its code": {&ua.EUInformation{UnitID: 99}, "", true},
		"code, other wording": {&ua.EUInformation{UnitID: 5066068, DisplayName: ua.NewLocalizedText("Millimeter")}, length.MM, true},
	} {
		if u, text, told := euUnit(c.e); u != c.want || told != c.told || told && text == "" {
			t.Errorf("%s: %q %q %v", name, u, text, told)
		}
	}
}

func TestOptionsCheck(t *testing.T) {
	good := hurried(newFakeRig().options())
	if err := good.Check(); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		want   string
		change func(*Options)
	}{
		"endpoint":       {"not an OPC UA address", func(o *Options) { o.Endpoint = "http://x" }},
		"clock":          {"monotonic clock", func(o *Options) { o.Now = nil }},
		"half a serial":  {"both its serial", func(o *Options) { o.Serial = "" }},
		"no identity":    {"no identity", func(o *Options) { o.Serial, o.SerialNode = "", "" }},
		"policy":         {"security policy", func(o *Options) { o.Security.Policy = "Basic128Rsa15" }},
		"mode":           {"security mode", func(o *Options) { o.Security.Mode = "Encrypt" }},
		"half security":  {"go together", func(o *Options) { o.Security.Mode = "Sign" }},
		"no certificate": {"certificate and a key", func(o *Options) { o.Security.Policy, o.Security.Mode = "Basic256Sha256", "Sign" }},
		"pin":            {"SHA-256", func(o *Options) { o.Security.Pinned = "abcd" }},
		"password":       {"without a user", func(o *Options) { o.Security.Password = "x" }},
		"no node":        {"no node id", func(o *Options) { o.Registers[0].Node.ID = "" }},
		"same node":      {"share the node id", func(o *Options) { o.Registers[0].Node = o.Registers[1].Node }},
		"unit":           {"unit", func(o *Options) { o.Registers[0].Unit = "" }},
		"step":           {"positive step", func(o *Options) { o.Registers[0].Step = 0 }},
		"band":           {"upwards", func(o *Options) { o.Registers[0].Band.Low = length.Inch }},
		"tool":           {"tool", func(o *Options) { o.Tools[0].Generation.ID = "x" }},
	} {
		o := good
		o.Registers = append([]Register{}, good.Registers...)
		o.Tools = append([]Tool{}, good.Tools...)
		c.change(&o)
		if err := o.Check(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	bad := Options{Registers: []Register{{Name: "a"}, {Name: "b"}}}
	if n := len(strings.Split(bad.Check().Error(), "\n")); n < 8 {
		t.Errorf("%d problems at once", n)
	}
}

// Every code has one sentence of its own: lower case, no full stop.
func TestWords(t *testing.T) {
	said := map[string]core.Code{}
	for c, w := range Words {
		if w == "" || unicode.IsUpper([]rune(w)[0]) || strings.HasSuffix(w, ".") || !strings.HasPrefix(string(c), "m-") {
			t.Errorf("%s: %q", c, w)
		}
		if other, ok := said[w]; ok {
			t.Errorf("%s and %s say the same", c, other)
		}
		said[w] = c
	}
}

// The queue keeps one sample of each run that says the same, in order, is
// bounded, and never loses a difference.
func TestFeed(t *testing.T) {
	f := newFeed()
	sample := func(counter, order uint64, permitted bool) core.Sample {
		return core.Sample{Epoch: 1, Counter: counter, Order: order, Permitted: permitted, Tools: []int64{1}, Registers: []length.Length{1}}
	}
	f.link(core.Link{Up: true, Epoch: 1})
	for i, s := range []core.Sample{sample(1, 1, true), sample(1, 2, false), sample(2, 3, true), sample(2, 4, true), sample(1, 5, true)} {
		if !f.sample(s) {
			t.Fatalf("sample %d refused", i)
		}
	}
	go f.pump()
	defer close(f.stop)
	if l, ok := (<-f.out).(core.Link); !ok || !l.Up {
		t.Errorf("first %+v", l)
	}
	for _, want := range []uint64{2, 4, 5} {
		if s := (<-f.out).(core.Sample); s.Order != want {
			t.Errorf("sample %d, want %d", s.Order, want)
		}
	}
	// Nobody takes anything from here on.
	n := uint64(0)
	for f.sample(sample(10+n, 10+n, true)) {
		if n++; n > 2*maxQueued {
			t.Fatal("no bound")
		}
	}
	f.link(core.Link{Cause: CodeSerial, Bad: true})
	for range 4 * maxQueued {
		f.link(core.Link{Cause: CodeDial})
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.queue) > maxQueued+1 {
		t.Errorf("%d queued", len(f.queue))
	}
	if l, ok := f.queue[0].fact.(core.Link); !ok || !l.Bad {
		t.Errorf("the difference is gone: %+v", f.queue[0].fact)
	}
	if l, ok := f.queue[len(f.queue)-1].fact.(core.Link); !ok || l.Cause != CodeDial {
		t.Errorf("the newest is gone: %+v", l)
	}
}

// Which of two reads of the new value is believed.
func TestFresh(t *testing.T) {
	at := time.Date(2030, 1, 1, 12, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		before, after, server time.Time
		want                  bool
	}{
		"not told":             {time.Time{}, time.Time{}, at, true},
		"later":                {at, at.Add(time.Millisecond), at, true},
		"earlier":              {at, at.Add(-time.Millisecond), at, false},
		"same, long ago":       {at.Add(-time.Hour), at.Add(-time.Hour), at, false},
		"same, just now":       {at, at, at.Add(time.Second), true},
		"same, no server time": {at, at, time.Time{}, true},
		"source clock behind":  {at.Add(-time.Hour), at.Add(-time.Hour + time.Second), at, true},
	} {
		a := &attempt{pre: &snapshot{sources: []time.Time{c.before}, at: c.server}}
		if got := a.fresh(&snapshot{sources: []time.Time{c.after}}); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
