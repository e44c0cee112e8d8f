package intake

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

const corpus = "../../testdata/payloads"

// source is ParseSource for tests.
func source(tb testing.TB, s string) Source {
	tb.Helper()
	v, err := ParseSource(s)
	if err != nil {
		tb.Fatal(err)
	}
	return v
}

// gauges are the mappings of the corpus, by file.
func gauges(tb testing.TB) map[string]Gauge {
	f := func(s string) Source { return source(tb, s) }
	setting, check := station(tb, KindSetting), station(tb, KindRingCheck)
	wide := length.Range{Low: -100 * length.Millimetre, High: 100 * length.Millimetre}
	near := length.Range{Low: 27 * length.Millimetre, High: 29 * length.Millimetre}
	return map[string]Gauge{
		"primary": {
			Name: "bench-1", Topic: "cell/{machine}/gauge/bench-1/reading", Kind: KindReading, Identity: "serial",
			Fields: Fields{
				Value: f("/value"), Unit: f("/unit"), Sequence: f("?/sequence"), Time: f("?/time"),
				Characteristic: f("/characteristic"), Machine: f("{machine}"), Part: f("/part"), Cut: f("?/cut"),
				State: f("/state"), Gauge: f("?/station"), Temperature: f("?/celsius"),
			},
			Range: near, Resolution: 500, MaxDecimals: 5, Production: []string{"production"},
		},
		"counter": {
			Name: "inline", Topic: "line/lathe/inline", Kind: KindReading, Identity: "counter",
			Fields: Fields{
				Value: f("/result/0/d"), Unit: f("/result/1/u"), Sequence: f("/n"), Time: f("/t"),
				Characteristic: f("=spool"), Machine: f("=lathe"), Part: f("/part/count"), State: f("/ok"),
			},
			Range: near, Resolution: 100, MaxDecimals: 4, TextNumbers: true, TimeFormat: "ms", Production: []string{"OK"},
		},
		"comma": {
			Name: "hand", Topic: "hand", Kind: KindReading, Identity: "order",
			Fields: Fields{
				Value: f("/wert"), Unit: f("=mm"), Characteristic: f("=bore"), Machine: f("=mill"), State: f("=production"),
			},
			Range: wide, Resolution: length.Micrometre, MaxDecimals: 3, TextNumbers: true, CommaText: true,
		},
		"places": {
			Name: "deep", Topic: "deep", Kind: KindReading, Identity: "counter",
			Fields: Fields{
				Value: f("/d"), Unit: f("=mm"), Characteristic: f("=bore"), Machine: f("=mill"), State: f("=production"), Part: f("/part"),
				Temperature: f("/t/part"), GaugeTemperature: f("?/t/gauge"), StandardTemperature: f("?/t/ring"),
				Depth: f("?/at"), Orientation: f("?/turn"),
			},
			Range: near, Resolution: 100, MaxDecimals: 4, TextNumbers: true, CommaText: true, DepthUnit: length.IN,
		},
		"fahrenheit": {
			Name: "warm", Topic: "warm", Kind: KindReading, Identity: "counter", Fahrenheit: true,
			Fields: Fields{
				Value: f("/d"), Unit: f("=mm"), Characteristic: f("=bore"), Machine: f("=mill"), State: f("=production"), Part: f("/part"),
				Temperature: f("/t"),
			},
			Range: near, Resolution: 100, MaxDecimals: 4,
		},
		"bare": {
			Name: "gateway", Topic: "gateway/+/value", Kind: KindReading, Identity: "task", BareNumber: true,
			Fields: Fields{Unit: f("=mm"), Machine: f("=mill"), State: f("=production")},
			Range:  wide, Resolution: length.Micrometre, MaxDecimals: 3,
		},
		"setting":   setting,
		"ringcheck": check,
		"pair": {
			Name: "loader", Topic: "cell/{machine}/loader", Kind: KindPair,
			Fields: Fields{Machine: f("{machine}"), Part: f("/serial"), Counter: f("?/count")},
		},
		"task": {
			Name: "scanner", Topic: "cell/{machine}/scanner", Kind: KindTask, TaskFor: 2 * time.Minute,
			Fields: Fields{
				Machine: f("{machine}"), Gauge: f("=bench-1"), Characteristic: f("/feature"),
				Part: f("?/part"), Cut: f("?/cut"), Ring: f("?/ring"),
			},
		},
	}
}

// station is a mapping for what a gauge read on its standard.
func station(tb testing.TB, kind Kind) Gauge {
	f := func(s string) Source { return source(tb, s) }
	return Gauge{
		Name: "ring-station", Topic: "hall/rings", Kind: kind, TextNumbers: kind == KindRingCheck, CommaText: kind == KindRingCheck,
		Range: length.Range{Low: -length.Millimetre, High: length.Millimetre}, Resolution: 1, MaxDecimals: 6,
		Fields: Fields{
			Gauge: f("/gauge"), Ring: f("/standard"), Value: f("/as_found"), Unit: f("/unit"), Person: f("?/person"),
			Temperature: f("?/temperature"), Sequence: f("?/sequence"), Time: f("?/time"),
		},
	}
}

var usualTopics = map[string]string{
	"primary": "cell/mill/gauge/bench-1/reading", "counter": "line/lathe/inline", "comma": "hand",
	"bare": "gateway/7/value", "pair": "cell/mill/loader", "task": "cell/mill/scanner",
	"places": "deep", "fahrenheit": "warm",
	"setting": "hall/rings", "ringcheck": "hall/rings",
}

// example is one case of the corpus.
type example struct {
	title, topic, want string
	payload            []byte
	retained           bool
}

func examples(tb testing.TB, name string) []example {
	tb.Helper()
	text, err := os.ReadFile(filepath.Join(corpus, name+".txt"))
	if err != nil {
		tb.Fatal(err)
	}
	var list []example
	for _, block := range strings.Split(string(text), "\n-- ")[1:] {
		title, rest, _ := strings.Cut(block, "\n")
		body, want, ok := strings.Cut(rest, "\n=> ")
		if !ok {
			tb.Fatalf("%s: %q has no result", name, title)
		}
		e := example{title: title, topic: usualTopics[name], want: strings.TrimSpace(want)}
		if line, more, ok := strings.Cut(body, "\n"); ok && strings.HasPrefix(line, "topic: ") {
			e.topic, body = line[len("topic: "):], more
		}
		if more, ok := strings.CutPrefix(body, "retained:\n"); ok {
			e.retained, body = true, more
		}
		if literal, ok := strings.CutPrefix(body, "quoted: "); ok {
			if body, err = strconv.Unquote(literal); err != nil {
				tb.Fatalf("%s: %q: %v", name, title, err)
			}
		}
		e.payload = []byte(body)
		list = append(list, e)
	}
	return list
}

// tell writes a result the way the corpus does.
func tell(r Result) string {
	var b strings.Builder
	add := func(format string, args ...any) {
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, format, args...)
	}
	switch f := r.Fact.(type) {
	case nil:
		return string(r.Rejected)
	case core.Reading:
		add("%s", strings.TrimSpace(f.Characteristic+" "+f.Value.String()))
		if f.Part != "" {
			add("part %s", f.Part)
		}
		if f.Cut != 0 {
			fmt.Fprintf(&b, " cut %d", f.Cut)
		}
		if f.State != "" {
			add("state %s", f.State)
		}
		if f.Retained {
			add("retained")
		}
		if f.Sequence != 0 {
			add("sequence %d", f.Sequence)
		}
		if f.Source != 0 {
			add("time %d", f.Source)
		}
		if f.Temp != nil {
			add("%d mC", int64(*f.Temp))
		}
		if f.TempGauge != nil {
			add("gauge %d mC", int64(*f.TempGauge))
		}
		if f.TempStandard != nil {
			add("standard %d mC", int64(*f.TempStandard))
		}
		if f.Depth != nil {
			add("at %s", *f.Depth)
		}
		if f.Turn != nil {
			add("turned %d m°", int32(*f.Turn))
		}
	case core.Set:
		tellCheck(add, f.Check)
		add("adjusted")
	case core.RingChecked:
		tellCheck(add, f.Check)
		add("left")
	case core.Pair:
		add("pair %s", f.Serial)
		if f.Counter != 0 {
			fmt.Fprintf(&b, " count %d", f.Counter)
		}
	case core.Task:
		add("task for %s: %s of %s", f.Gauge, f.Characteristic, f.Part)
		if f.Ring != "" {
			b.WriteString("ring " + f.Ring)
		}
		if f.Cut != 0 {
			fmt.Fprintf(&b, " cut %d", f.Cut)
		}
		add("%d ms", f.For)
	}
	add("machine %s", r.Machine)
	return strings.TrimSpace(b.String())
}

func tellCheck(add func(string, ...any), c core.Check) {
	add("%s on %s", c.Gauge, c.Standard)
	add("as found %s", c.AsFound)
	add("by %s", c.Who.Principal)
	if c.Temp != nil {
		add("%d mC", int64(*c.Temp))
	}
	if c.Sequence != 0 {
		add("sequence %d", c.Sequence)
	}
	if c.Source != 0 {
		add("time %d", c.Source)
	}
}

func compile(tb testing.TB, g Gauge) *Mapping {
	tb.Helper()
	m, err := g.Compile()
	if err != nil {
		tb.Fatal(err)
	}
	return m
}
