package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// TestCorpus reads every message of testdata/payloads.
func TestCorpus(t *testing.T) {
	seen := map[core.Code]bool{}
	for name, g := range gauges(t) {
		m := compile(t, g)
		for _, e := range examples(t, name) {
			r := m.Parse(e.topic, e.payload, e.retained)
			if got := tell(r); got != e.want {
				t.Errorf("%s: %s\n got %s %s\nwant %s", name, e.title, got, r.Why, e.want)
			}
			if (r.Fact == nil) != (r.Rejected != "") || (r.Rejected == "") != (r.Why == "") {
				t.Errorf("%s: %s: neither fact nor reason, or both: %+v", name, e.title, r)
			}
			seen[r.Rejected] = true
		}
	}
	for c := range Words() {
		if strings.HasPrefix(string(c), "p-") && !seen[c] && c != TooLarge && c != Flood {
			t.Errorf("the corpus has no message refused with %s", c)
		}
	}
}

func TestRefusalNamesWhatItFound(t *testing.T) {
	m := compile(t, gauges(t)["primary"])
	for _, c := range []struct{ payload, want string }{
		{`{"unit":"mm","unit":"in"}`, `a key occurs twice in one object: "unit"`},
		{`{"value":28.01251,"unit":"mm","characteristic":"bore","part":"1","state":"production"}`, `the value has more decimals than this gauge can resolve: "28.01251" mm, at most 4`},
		{`{"value":99.5,"unit":"mm","characteristic":"bore","part":"1","state":"production"}`, `the value is outside the gauge's range: 99.5 mm is not in 27..29 mm`},
	} {
		if got := m.Parse("cell/mill/gauge/bench-1/reading", []byte(c.payload), false).Why; got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

// TestRefusalKeepsTheMachine: a refused message still says whose it is, so that
// it is recorded where people look.
func TestRefusalKeepsTheMachine(t *testing.T) {
	m := compile(t, gauges(t)["primary"])
	if r := m.Parse("cell/mill/gauge/bench-1/reading", []byte(`{`), false); r.Machine != "mill" || r.Rejected != NotJSON {
		t.Errorf("got machine %q, %s", r.Machine, r.Rejected)
	}
}

func TestSizeBound(t *testing.T) {
	m := compile(t, gauges(t)["primary"])
	message := `{"value":28.012,"unit":"mm","characteristic":"bore","part":"1","state":"production"}`
	longest := []byte(message + strings.Repeat(" ", MaxPayload-len(message)))
	if r := m.Parse(usualTopics["primary"], longest, false); r.Rejected != "" {
		t.Errorf("a message of exactly %d bytes is refused: %s", MaxPayload, r.Why)
	}
	if r := m.Parse(usualTopics["primary"], append(longest, ' '), false); r.Rejected != TooLarge {
		t.Errorf("a message of %d bytes: got %q", MaxPayload+1, r.Rejected)
	}
}

// TestManyKeys: the search for double keys stays fast and right in a message
// made of nothing but keys.
func TestManyKeys(t *testing.T) {
	m := compile(t, gauges(t)["primary"])
	var b strings.Builder
	b.WriteString(`{"value":28.012,"unit":"mm","characteristic":"bore","part":"1","state":"production"`)
	for i := range 6000 {
		fmt.Fprintf(&b, `,"%d":0`, i)
	}
	if r := m.Parse(usualTopics["primary"], []byte(b.String()+"}"), false); r.Rejected != "" {
		t.Fatal(r.Why)
	}
	for _, twice := range []int{3, 30, 5999} {
		r := m.Parse(usualTopics["primary"], fmt.Appendf(nil, `%s,"%d":0}`, b.String(), twice), false)
		if r.Rejected != TwoKeys {
			t.Errorf("key %d twice: got %q", twice, r.Rejected)
		}
	}
}

// TestValueIsExact: whatever decimal a gauge sends comes out as that decimal.
func TestValueIsExact(t *testing.T) {
	g := gauges(t)["primary"]
	g.Range = length.Range{Low: -length.Max, High: length.Max}
	g.Resolution, g.MaxDecimals = 1, 6
	m := compile(t, g)
	rapid.Check(t, func(t *rapid.T) {
		nm := length.Length(rapid.Int64Range(-int64(length.Max), int64(length.Max)).Draw(t, "nm"))
		payload := fmt.Sprintf(`{"value":%s,"unit":"mm","characteristic":"bore","part":"1","state":"production"}`, nm.In(length.MM))
		r := m.Parse(usualTopics["primary"], []byte(payload), false)
		if got, ok := r.Fact.(core.Reading); !ok || got.Value != nm {
			t.Fatalf("%s: got %+v", payload, r)
		}
	})
}

// TestResultSharesNoMemory: the caller may reuse the bytes.
func TestResultSharesNoMemory(t *testing.T) {
	m := compile(t, gauges(t)["primary"])
	payload := []byte(`{"value":28.012,"unit":"mm","characteristic":"bore","part":"117","state":"test"}`)
	r := m.Parse(usualTopics["primary"], payload, false)
	for i := range payload {
		payload[i] = 'x'
	}
	if got := tell(r); got != "bore 28.012 mm, part 117, state test, machine mill" {
		t.Error(got)
	}
}

func FuzzParse(f *testing.F) {
	var maps []*Mapping
	for name, g := range gauges(f) {
		maps = append(maps, compile(f, g))
		for _, e := range examples(f, name) {
			f.Add(e.topic, e.payload, e.retained)
		}
	}
	f.Fuzz(func(t *testing.T, topic string, payload []byte, retained bool) {
		for _, m := range maps {
			r := m.Parse(topic, payload, retained)
			checkResult(t, m, r, payload, retained)
		}
	})
}

// checkResult holds what is true of every result, whatever came in.
func checkResult(t *testing.T, m *Mapping, r Result, payload []byte, retained bool) {
	t.Helper()
	if (r.Fact == nil) != (r.Rejected != "") {
		t.Fatalf("neither fact nor reason, or both: %+v", r)
	}
	if r.Rejected != "" {
		if _, known := sentences[r.Rejected]; !known || r.Why == "" || len(r.Why) > 500 {
			t.Fatalf("reason %q: %q", r.Rejected, r.Why)
		}
		return
	}
	if !json.Valid(payload) {
		t.Fatalf("accepted what encoding/json refuses: %q", payload)
	}
	ofGauge := m.Gauge().Kind == KindSetting || m.Gauge().Kind == KindRingCheck // and of no machine
	if (r.Machine == "") != ofGauge || len(r.Machine) > maxText {
		t.Fatalf("machine %q", r.Machine)
	}
	if ofGauge {
		checkCheck(t, r.Fact, retained)
	}
	v, ok := r.Fact.(core.Reading)
	if !ok {
		return
	}
	g := m.Gauge()
	if !g.Range.Contains(v.Value) || len(v.Part) > maxText || v.Retained != retained || v.Gauge != g.Name {
		t.Fatalf("reading %+v", v)
	}
	if g.Fields.Value.Pointer == "/value" {
		checkValue(t, v, payload)
	}
}

func checkCheck(t *testing.T, f core.Fact, retained bool) {
	t.Helper()
	var c core.Check
	switch f := f.(type) {
	case core.Set:
		c = f.Check
	case core.RingChecked:
		c = f.Check
	default:
		t.Fatalf("fact %+v", f)
	}
	warm := c.Temp == nil || *c.Temp >= -20_000 && *c.Temp <= 60_000
	if retained || c.Gauge == "" || c.Standard == "" || c.AsFound.Abs() > length.Millimetre || !warm || c.Who.Auth != core.ByMessage {
		t.Fatalf("check %+v", c)
	}
}

// checkValue compares with what an ordinary reader finds in the same bytes.
func checkValue(t *testing.T, v core.Reading, payload []byte) {
	t.Helper()
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var plain map[string]any
	if err := d.Decode(&plain); err != nil {
		t.Fatal(err)
	}
	n, _ := plain["value"].(json.Number)
	u, _ := plain["unit"].(string)
	unit, err := length.ParseUnit(u)
	if err != nil {
		t.Fatalf("accepted unit %q", u)
	}
	if want, err := length.ParseNumber(n.String(), unit); err != nil || want != v.Value {
		t.Fatalf("value %s %s became %s (%v)", n, u, v.Value, err)
	}
}

func BenchmarkParse(b *testing.B) {
	m := compile(b, gauges(b)["primary"])
	payload := []byte(`{"v":1,"station":"bench-1","sequence":12,"time":"2026-03-01T08:30:00Z","characteristic":"bore","value":28.012,"unit":"mm","part":"117","cut":1,"state":"production"}`)
	b.ReportAllocs()
	for b.Loop() {
		if r := m.Parse("cell/mill/gauge/bench-1/reading", payload, false); r.Rejected != "" {
			b.Fatal(r.Why)
		}
	}
}

// BenchmarkDecode is the baseline: the standard library's reader into a struct
// of the same fields, which checks none of what Parse checks.
func BenchmarkDecode(b *testing.B) {
	payload := []byte(`{"v":1,"station":"bench-1","sequence":12,"time":"2026-03-01T08:30:00Z","characteristic":"bore","value":28.012,"unit":"mm","part":"117","cut":1,"state":"production"}`)
	b.ReportAllocs()
	for b.Loop() {
		var v struct {
			Station, Time, Characteristic, Unit, Part, State string
			Sequence                                         uint64
			Value                                            json.Number
			Cut                                              int
		}
		if err := json.Unmarshal(payload, &v); err != nil {
			b.Fatal(err)
		}
	}
}
