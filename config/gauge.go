package config

import (
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"offsetbridge/internal/length"
)

// MQTT says where the readings come from. Without gauges it is empty.
type MQTT struct {
	Broker   string // mqtt://host:port or mqtts://host:port
	ClientID string
	Login    Login
	CAFile   string
	CertFile string
	KeyFile  string
	Silence  time.Duration // how long without any message before it is said
	Requests string        // topic for requests to measure a part again, with {machine}; empty: none
	State    string        // topic for the state of each loop, retained, with {machine} and {loop}; empty: none
	Events   string        // topic for what happens, may hold {machine} and {loop}; empty: none
	Head     string        // topic for the head of each stream of the record, retained, with {machine}; empty: none
}

// Gauge is one source of readings.
type Gauge struct {
	Name           string
	Topic          string // the template, {gauge} already replaced by the name
	Identity       string // whose part it is: "counter", "serial", "order" or "task"
	Range          length.Range
	Resolution     length.Length
	MaxDecimals    int
	TextNumbers    bool // numbers may come in quotes
	DecimalComma   bool // numbers in quotes have a comma as the decimal sign
	BareNumber     bool // the whole message is the value
	Fahrenheit     bool // temperatures come in °F, else in °C
	DepthUnit      length.Unit
	TimeFormat     string   // of Message.Time: "rfc3339", "ms" or "s" (since 1970, UTC)
	ProductionWhen []string // states that mean a part of the series, besides Production
	Message        Message
	Trust          Trust
}

// Message says where in a message each field stands. An empty Field is absent.
type Message struct {
	Value, Unit, Sequence, Time, Characteristic, Machine, Part, Cut, State, Temperature Field

	GaugeTemperature, StandardTemperature, Depth, Orientation Field
}

// Field is one of three ways to know something about a reading.
type Field struct {
	Kind     FieldKind
	Text     string // the JSON Pointer, the name of the topic level, or the constant itself
	Optional bool   // a message may leave it out; pointers only

	bad bool // it is there and could not be read
}

// FieldKind says what Field.Text is.
type FieldKind string

// The ways to know something about a reading.
const (
	Absent   FieldKind = ""
	Pointer  FieldKind = "pointer"  // JSON Pointer into the payload (RFC 6901)
	Level    FieldKind = "level"    // a level of the topic
	Constant FieldKind = "constant" // the same for every message of this gauge
)

// Production is the word for a part of the series in a state; every other word
// (test, rework, setting, …) is recorded and steers nothing.
const Production = "production"

// Filter returns the subscription filter: each {level} matches one level.
func (g Gauge) Filter() string {
	parts := strings.Split(g.Topic, "/")
	for i, p := range parts {
		if levelName(p) != "" {
			parts[i] = "+"
		}
	}
	return strings.Join(parts, "/")
}

// Levels returns the names of the topic's levels, "" for the fixed ones.
func (g Gauge) Levels() []string {
	if g.Topic == "" {
		return nil
	}
	parts := strings.Split(g.Topic, "/")
	for i, p := range parts {
		parts[i] = levelName(p)
	}
	return parts
}

const maxLevels = 16

var level = regexp.MustCompile(`^\{([a-z0-9_]+)\}$`)

// levelName returns the name in a level such as {machine}, "" for a fixed one.
func levelName(part string) string {
	if m := level.FindStringSubmatch(part); m != nil {
		return m[1]
	}
	return ""
}

func readMQTT(top *table, dir string) MQTT {
	q := MQTT{ClientID: "offsetbridge", Silence: 30 * time.Minute}
	t := top.table("mqtt")
	if t == nil {
		if top.has("gauge") {
			top.problem("mqtt", "is missing although there are gauges, write [mqtt] with broker = \"mqtts://host:8883\"")
		}
		return q
	}
	remote, plain := false, false
	if s, ok := t.need("broker", "the broker's address, as in \"mqtts://host:8883\""); ok {
		q.Broker = s
		remote, plain = t.address("broker", s, "mqtt", "mqtts"), strings.HasPrefix(s, "mqtt:")
	}
	if s, ok := t.text("client_id"); ok {
		q.ClientID = s
		if len(s) > 64 {
			t.problem("client_id", "is %d bytes long, write at most 64", len(s))
		}
	}
	q.Login = t.login(dir)
	q.CAFile, q.CertFile, q.KeyFile = t.file("ca_file", dir), t.file("cert_file", dir), t.file("key_file", dir)
	t.pair("cert_file", "key_file")
	if plain && (q.CAFile != "" || q.CertFile != "") {
		t.problem("broker", "is not encrypted although certificates are given, write mqtts://host:8883")
	}
	if plain && remote && q.Login.User != "" {
		t.warn("broker", "sends the password unencrypted through the network, mqtts:// does not")
	}
	if s, ok := t.text("requests"); ok {
		q.Requests = t.outgoing("requests", s, "machine")
	}
	q.readPublished(t)
	q.Silence, _ = t.duration("silence", q.Silence, time.Second, 7*24*time.Hour)
	t.close()
	return q
}

// address checks host, port and scheme of a peer and reports whether it is
// certainly on another computer.
func (t *table) address(name, s string, schemes ...string) (remote bool) {
	u, err := url.Parse(s)
	if err == nil && u.User != nil {
		t.problem(name, "holds a login, take it out of the address and write user and password_file")
		return false
	}
	example := schemes[len(schemes)-1] + "://host:port"
	switch {
	case err != nil || !slices.Contains(schemes, u.Scheme) || u.Hostname() == "":
		t.problem(name, "is not an address of the kind %s, write it as in %q", list(schemes, "or"), example)
		return false
	case u.Port() == "":
		t.problem(name, "names no port, write it as in %q", example)
	case u.RawQuery != "" || u.Fragment != "":
		t.problem(name, "holds more than an address, write it as in %q", example)
	}
	return !isLoopback(u.Hostname())
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// userinfo reports whether s is an address with a login, and what precedes it.
func userinfo(s string) (before string, ok bool) {
	scheme, rest, found := strings.Cut(s, "://")
	if !found {
		return "", false
	}
	host, _, _ := strings.Cut(rest, "/")
	return scheme + "://", strings.Contains(host, "@")
}

func readGauge(t *table) Gauge {
	g := Gauge{Name: t.name(true), MaxDecimals: -1}
	if s, ok := t.need("identity", "how a reading says whose part it is: counter, serial, order or task"); ok {
		if _, ok := t.choice("identity", "counter", "serial", "order", "task"); ok {
			g.Identity = s
		}
	}
	if s, ok := t.need("topic", "where it publishes, as in \"cell/{machine}/gauge/{gauge}/reading\""); ok {
		g.Topic = t.topic(s, g.Name)
	}
	g.readNumber(t)
	g.TimeFormat, _ = t.choice("time_format", "rfc3339", "ms", "s")
	g.ProductionWhen, _ = t.words("production_when", `["P", "series"]`)
	m := t.table("message")
	if m == nil && !t.has("message") {
		t.problem("message", "is missing, write [gauge.message] with value, unit, machine, characteristic, part and state")
	} else if m != nil {
		g.readMessage(t, m)
		m.close()
	}
	g.readTrust(t)
	g.readMeasuring(t)
	t.close()
	return g
}

// readNumber reads what a plausible number of this gauge looks like.
func (g *Gauge) readNumber(t *table) {
	if span, ok := t.needSpan("range", "what it can measure", "15.00..15.30 mm", length.ParseRange); ok {
		if span.Width() == 0 {
			t.problem("range", "is empty, write what the gauge can measure, as in \"15.00..15.30 mm\"")
		} else {
			g.Range = span
		}
	}
	if l, ok := t.needLength("resolution", "its smallest step", "0.001 mm"); ok {
		g.Resolution = l
		if l <= 0 {
			t.problem("resolution", "is not above zero, write its smallest step, as in \"0.001 mm\"")
		}
	}
	if !t.has("max_decimals") {
		t.problem("max_decimals", "is missing, write the most decimals it sends, as in 4: more is taken as a slip")
	} else if n, ok := t.integer("max_decimals", 0, 8); ok {
		g.MaxDecimals = int(n)
	}
	g.BareNumber, g.TextNumbers, g.DecimalComma = t.flag("bare_number"), t.flag("text_numbers"), t.flag("decimal_comma")
	if g.DecimalComma && !g.TextNumbers {
		t.problem("decimal_comma", "needs numbers in quotes, as a plain JSON number has no comma: write text_numbers = true as well")
	}
}

// topic checks a template and puts the gauge's own name into it.
func (t *table) topic(s, gauge string) string {
	parts := strings.Split(s, "/")
	if len(parts) > maxLevels || len(s) > 400 {
		t.problem("topic", "is too long, write at most %d levels and 400 bytes", maxLevels)
		return ""
	}
	seen := map[string]bool{}
	for i, p := range parts {
		name := levelName(p)
		switch {
		case p == "":
			t.problem("topic", "has an empty level, write it as in \"cell/{machine}/gauge/{gauge}/reading\"")
			return ""
		case i == 0 && (p[0] == '$' || name != ""):
			t.problem("topic", "begins with %q, begin it with a fixed level that is no $ topic", clip(p))
			return ""
		case strings.ContainsAny(p, "+#") || name == "" && strings.ContainsAny(p, "{}"):
			t.problem("topic", "holds the level %q, write a fixed word or one {name} a level", clip(p))
			return ""
		case name == "gauge":
			if gauge == "" {
				return ""
			}
			parts[i] = gauge
		case name != "" && seen[name]:
			t.problem("topic", "names the level {%s} twice, name it once", clip(name))
			return ""
		case name != "":
			seen[name] = true
		}
	}
	return strings.Join(parts, "/")
}

// mapped is one field of [gauge.message]: where it may come from, and what to
// write when it is missing.
type mapped struct {
	name     string
	kinds    []FieldKind
	optional bool // a message may leave it out
	missing  string
}

var (
	anywhere = []FieldKind{Pointer, Level, Constant}
	sent     = []FieldKind{Pointer, Level}
)

var messageFields = []mapped{
	{"value", []FieldKind{Pointer}, false, "where the number stands, as in \"/value\""},
	{"unit", anywhere, false, "where the unit stands, as in \"/unit\", or the unit itself, as in \"=mm\": it is never guessed"},
	{"sequence", sent, true, ""},
	{"time", sent, true, ""},
	{"characteristic", anywhere, false, "where the characteristic stands, as in \"/characteristic\", or its name, as in \"=bore 28 H8\""},
	{"machine", anywhere, false, "where the machine stands, as in \"{machine}\", or its name, as in \"=mill-1\": it is never guessed"},
	{"part", sent, false, "where the part's count or serial stands, as in \"/part\""},
	{"cut", sent, true, ""},
	{"state", anywhere, false, "where the part's state stands, as in \"/state\", or \"=production\" when only parts of the series are measured here: it is never guessed"},
	{"temperature", sent, true, ""},
	{"gauge_temperature", sent, true, ""},
	{"standard_temperature", sent, true, ""},
	{"depth", sent, true, ""},
	{"orientation", sent, true, ""},
}

func (g *Gauge) readMessage(gauge, t *table) {
	at := &g.Message
	to := []*Field{&at.Value, &at.Unit, &at.Sequence, &at.Time, &at.Characteristic, &at.Machine, &at.Part, &at.Cut, &at.State, &at.Temperature,
		&at.GaugeTemperature, &at.StandardTemperature, &at.Depth, &at.Orientation}
	for i, f := range messageFields {
		if t.has(f.name) {
			*to[i] = t.field(f, g.Levels())
			to[i].bad = to[i].Kind == Absent
			if g.BareNumber && to[i].Kind == Pointer {
				t.problem(f.name, "points into the message, which is a bare number: leave it out or take a level of the topic or a constant")
			}
			continue
		}
		byTask := g.Identity == "task" && (f.name == "characteristic" || f.name == "part")
		byOrder := g.Identity == "order" && f.name == "part"
		bare := g.BareNumber && f.name == "value"
		if f.missing != "" && !byTask && !byOrder && !bare {
			t.problem(f.name, "is missing, write %s", f.missing)
		}
	}
	if at.Unit.Kind == Constant {
		if _, err := length.ParseUnit(at.Unit.Text); err != nil {
			t.problem("unit", "%s", err)
		}
	}
	switch {
	case t.has("time") && !gauge.has("time_format"):
		gauge.problem("time_format", "is missing, write how message.time is written: \"rfc3339\", \"ms\" or \"s\" (since 1970, UTC)")
	case !t.has("time") && gauge.has("time_format"):
		gauge.problem("time_format", "has no time it could speak of, map message.time as well or leave it out")
	}
	if at.State.Kind == Constant && gauge.has("production_when") {
		gauge.problem("production_when", "is of no use, as message.state is the same for every reading: leave it out")
	}
}

// field reads a table {pointer = …}, {level = …} or {constant = …}, or the
// shorthand "/pointer", "?/pointer", "{level}" or "=constant".
func (t *table) field(as mapped, levels []string) Field {
	f, ok := t.fieldOf(as.name)
	if !ok {
		return Field{}
	}
	if !slices.Contains(as.kinds, f.Kind) {
		words := make([]string, len(as.kinds))
		for i, k := range as.kinds {
			words[i] = map[FieldKind]string{Pointer: `a pointer ("/…")`, Level: `a topic level ("{…}")`, Constant: `a constant ("=…")`}[k]
		}
		t.problem(as.name, "is a %s, here it must be %s", f.Kind, list(words, "or"))
		return Field{}
	}
	switch {
	case f.Kind == Level && levels != nil && !slices.Contains(levels, f.Text):
		t.problem(as.name, "names no level of the topic, write {%s} into the topic or take another field", clip(f.Text))
	case f.Kind == Pointer && !validPointer(f.Text):
		t.problem(as.name, "is not a JSON Pointer, write it as in \"/value\" or \"/result/0/value\"")
	case f.Optional && !as.optional:
		t.problem(as.name, "cannot be optional, as a reading without it is of no use: leave the question mark out")
	default:
		return f
	}
	return Field{}
}

const fieldForms = "write \"/pointer\" into the message (\"?/pointer\" when it may be absent), \"{level}\" of the topic or \"=constant\""

func (t *table) fieldOf(name string) (Field, bool) {
	v, _ := t.get(name)
	m, is := v.(map[string]any)
	if !is {
		s, ok := t.text(name)
		switch {
		case !ok:
			return Field{}, false
		case s[0] == '/':
			return Field{Kind: Pointer, Text: s}, true
		case strings.HasPrefix(s, "?/"):
			return Field{Kind: Pointer, Text: s[1:], Optional: true}, true
		case s[0] == '=' && len(s) > 1:
			return Field{Kind: Constant, Text: s[1:]}, true
		case levelName(s) != "":
			return Field{Kind: Level, Text: levelName(s)}, true
		}
		t.problem(name, "could mean several things, %s", fieldForms)
		return Field{}, false
	}
	want := 1
	optional, is := m["optional"].(bool)
	if is {
		want++
	}
	for _, kind := range []FieldKind{Pointer, Level, Constant} {
		if s, is := m[string(kind)].(string); is && len(m) == want && s != "" && (kind == Pointer || want == 1) {
			return Field{Kind: kind, Text: s, Optional: optional}, true
		}
	}
	t.problem(name, "is a table of another form, %s", fieldForms)
	return Field{}, false
}

// validPointer accepts RFC 6901 without the empty pointer, for which there is
// bare_number.
func validPointer(p string) bool {
	if len(p) > 256 || p == "" || p[0] != '/' {
		return false
	}
	for i := range len(p) {
		if p[i] == '~' && (i+1 == len(p) || p[i+1] != '0' && p[i+1] != '1') {
			return false
		}
	}
	return true
}
