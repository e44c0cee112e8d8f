package intake

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// maxText bounds every name and serial that a message may carry, in bytes.
const maxText = 64

// Result is what a message says, or why it cannot be used.
type Result struct {
	Machine  string    // whose it is; also of a refused message, where its topic or mapping tells
	Fact     core.Fact // core.Reading, core.Pair or core.Task; nil when refused
	Rejected core.Code // empty when accepted
	Why      string    // the reason as a sentence, empty when accepted
}

// Mapping is a gauge's declaration made ready to read messages. It is
// immutable: any number of goroutines may use it.
type Mapping struct {
	gauge    Gauge
	template template
	root     *node
	sources  [fieldCount]Source
	levels   [fieldCount]int // of the topic, where the source is one
	decimals map[length.Unit]int

	production string // the constant state that means a production part
}

// Compile checks the mapping and makes it ready; the error holds all problems.
func (g Gauge) Compile() (*Mapping, error) {
	if err := g.Check(); err != nil {
		return nil, err
	}
	m := &Mapping{gauge: g, sources: g.Fields.list(), decimals: map[length.Unit]int{}}
	if g.Fields.State.Constant == "production" {
		m.production = "production"
	}
	m.template, _ = parseTemplate(g.Topic)
	m.root, _ = buildTree(g)
	for f, s := range m.sources {
		m.levels[f] = m.template.index(s.Level)
	}
	for _, u := range []length.Unit{length.MM, length.UM, length.NM, length.IN, length.THOU} {
		m.decimals[u] = min(g.MaxDecimals, decimalsOf(g.Resolution, u, g.MaxDecimals))
	}
	return m, nil
}

// decimalsOf returns how many decimals of u show the resolution exactly, or
// most when it has no finite decimal form in u.
func decimalsOf(resolution length.Length, u length.Unit, most int) int {
	step := resolution
	for n := range 9 {
		if step%u.Size() == 0 {
			return n
		}
		if step > length.Max/10 {
			break
		}
		step *= 10
	}
	return most
}

// Gauge returns the declaration.
func (m *Mapping) Gauge() Gauge { return m.gauge }

// Filter returns the MQTT filter to subscribe to.
func (m *Mapping) Filter() string { return m.template.filter() }

// Matches reports whether a message on topic is this gauge's.
func (m *Mapping) Matches(topic string) bool {
	var levels [maxLevels]string
	return m.template.match(topic, &levels)
}

// message is one message while it is read.
type message struct {
	m      *Mapping
	levels [maxLevels]string
	scan   scanner
	code   core.Code
	detail string
}

// Parse reads one message. It is a pure function and accepts any input. The
// result shares no memory with payload.
func (m *Mapping) Parse(topic string, payload []byte, retained bool) Result {
	var keys [32]string
	msg := message{m: m}
	msg.scan.keys = keys[:0]
	if !m.template.match(topic, &msg.levels) {
		return reject("", NoGauge, quote(topic))
	}
	machine := ""
	if m.sources[fMachine].Pointer == "" {
		if machine = msg.kept(fMachine); msg.code != "" {
			return reject("", msg.code, msg.detail)
		}
	}
	if code, detail := msg.read(payload); code != "" {
		return reject(machine, code, detail)
	}
	if m.sources[fMachine].Pointer != "" {
		machine = msg.kept(fMachine)
	}
	var fact core.Fact
	switch m.gauge.Kind {
	case KindPair:
		fact = msg.pair()
	case KindTask:
		fact = msg.task()
	case KindSetting, KindRingCheck:
		fact = msg.checked(retained)
	default:
		fact = msg.reading(machine, retained)
	}
	if msg.code != "" {
		return reject(machine, msg.code, msg.detail)
	}
	return Result{Machine: machine, Fact: fact}
}

func reject(machine string, code core.Code, detail string) Result {
	return Result{Machine: machine, Rejected: code, Why: sentence(code, detail)}
}

func (msg *message) read(payload []byte) (core.Code, string) {
	switch {
	case len(payload) == 0:
		return Empty, ""
	case len(payload) > MaxPayload:
		return TooLarge, ""
	case !utf8.Valid(payload):
		return NotUTF8, ""
	}
	msg.scan.s = string(payload)
	if !msg.scan.scan(msg.m.root) {
		return msg.scan.code, msg.scan.detail
	}
	return "", ""
}

func (msg *message) reading(machine string, retained bool) core.Fact {
	r := core.Reading{Gauge: msg.m.gauge.Name, Machine: machine, Retained: retained}
	if named, given := msg.text(fGauge); given && named != r.Gauge {
		msg.fail(OtherGauge, quote(named))
	}
	r.Characteristic = msg.kept(fCharacteristic)
	r.Part = msg.kept(fPart)
	r.Sequence = msg.count(fSequence, 1<<63-1)
	r.Cut = int(msg.count(fCut, 999))
	r.Source = msg.time()
	r.State = msg.state()
	r.Temp, r.TempGauge, r.TempStandard = msg.temperature(fTemperature), msg.temperature(fGaugeTemperature), msg.temperature(fStandardTemperature)
	r.Depth, r.Turn = msg.depth(), msg.turn()
	if msg.m.gauge.Identity == "counter" && msg.code == "" && !isCount(r.Part) {
		msg.fail(BadCount, "part is "+quote(r.Part))
	}
	r.Value = msg.value()
	return r
}

func (msg *message) pair() core.Fact {
	p := core.Pair{Counter: msg.count(fCounter, 1<<63-1)}
	p.Serial = msg.kept(fPart)
	return p
}

func (msg *message) task() core.Fact {
	t := core.Task{
		For: msg.m.gauge.TaskFor.Milliseconds(),
		Cut: int(msg.count(fCut, 999)),
		Who: core.Person{Principal: msg.m.gauge.Name, Auth: "message"},
	}
	t.Gauge = msg.kept(fGauge)
	t.Characteristic = msg.kept(fCharacteristic)
	t.Part = msg.kept(fPart)
	t.Ring = msg.kept(fRing)
	if t.Part == "" && t.Ring == "" {
		msg.fail(Missing, "part or ring")
	}
	return t
}

// fail keeps the first reason.
func (msg *message) fail(code core.Code, detail string) {
	if msg.code == "" {
		msg.code, msg.detail = code, detail
	}
}

// get returns what the field's source gives; a declared field that the message
// lacks is a reason to refuse.
func (msg *message) get(f field) token {
	s := &msg.m.sources[f]
	switch {
	case s.Constant != "":
		return token{declared, s.Constant}
	case s.Level != "":
		return token{declared, msg.levels[msg.m.levels[f]]}
	case s.Pointer == "" && (f != fValue || !msg.m.gauge.BareNumber):
		return token{}
	}
	t := msg.scan.slots[f]
	if t.kind > null {
		return t
	}
	if !s.Optional {
		if f == fUnit {
			msg.fail(NoUnit, "")
		}
		msg.fail(Missing, fieldNames[f])
	}
	return token{}
}

// text returns a name or a serial. A whole number is a serial, too.
func (msg *message) text(f field) (string, bool) {
	t := msg.get(f)
	switch t.kind {
	case absent:
		return "", false
	case number:
		if f != fPart && f != fRing || !isCount(t.text) {
			msg.fail(WrongType, fieldNames[f]+" is the number "+quote(t.text))
			return "", false
		}
	case boolean:
		msg.fail(WrongType, fieldNames[f]+" is "+t.text)
		return "", false
	}
	if t.text == "" || len(t.text) > maxText || !printable(t.text) {
		msg.fail(BadText, fieldNames[f]+" is "+quote(t.text))
		return "", false
	}
	return t.text, true
}

// kept is text that outlives the message.
func (msg *message) kept(f field) string {
	s, _ := msg.text(f)
	if msg.m.sources[f].Constant != "" {
		return s
	}
	return strings.Clone(s)
}

func printable(s string) bool {
	for _, r := range s {
		if !unicode.IsPrint(r) {
			return false
		}
	}
	return true
}

// isCount reports whether s is a whole number in its one canonical form.
func isCount(s string) bool {
	for i := range len(s) {
		if !isDigit(s[i]) {
			return false
		}
	}
	return s != "" && len(s) <= 19 && (s[0] != '0' || s == "0")
}

// count returns a whole number of 0..most, 0 when there is none.
func (msg *message) count(f field, most uint64) uint64 {
	t := msg.get(f)
	switch {
	case t.kind == absent:
		return 0
	case t.kind == boolean:
		msg.fail(WrongType, fieldNames[f]+" is "+t.text)
		return 0
	case t.kind == text && !msg.m.gauge.TextNumbers:
		msg.fail(TextNumber, fieldNames[f]+" is "+quote(t.text))
		return 0
	}
	n, err := strconv.ParseUint(t.text, 10, 64)
	if err != nil || n > most || !isCount(t.text) {
		msg.fail(BadCount, fieldNames[f]+" is "+quote(t.text))
		return 0
	}
	return n
}

// time returns the gauge's own time in milliseconds since 1970, 0 when there is
// none.
func (msg *message) time() int64 {
	t := msg.get(fTime)
	if t.kind == absent {
		return 0
	}
	if t.kind == boolean {
		msg.fail(WrongType, "time is "+t.text)
		return 0
	}
	const latest = 7_258_118_400_000 // 2200-01-01
	var ms int64
	if f := msg.m.gauge.TimeFormat; f == "" || f == "rfc3339" {
		at, err := time.Parse(time.RFC3339Nano, t.text)
		if err != nil || t.kind == number {
			msg.fail(BadTime, quote(t.text))
			return 0
		}
		ms = at.UnixMilli()
	} else {
		ms = int64(msg.count(fTime, latest))
		if msg.m.gauge.TimeFormat == "s" {
			ms *= 1000
		}
	}
	if ms < 0 || ms > latest {
		msg.fail(BadTime, quote(t.text))
		return 0
	}
	return ms
}

// state returns "" for a production part, otherwise the state's word. A message
// without the field is refused by get, a word nobody declared stays as it is:
// such a reading is recorded and steers nothing.
func (msg *message) state() string {
	s, _ := msg.text(fState)
	if s == msg.m.production || slices.Contains(msg.m.gauge.Production, s) {
		return ""
	}
	return strings.Clone(s)
}

// value returns the exact length of the decimal text.
func (msg *message) value() length.Length {
	unit := msg.unit()
	t := msg.get(fValue)
	switch {
	case t.kind == boolean:
		msg.fail(WrongType, "value is "+t.text)
	case t.kind == text && !msg.m.gauge.TextNumbers:
		msg.fail(TextNumber, quote(t.text))
	case t.kind == text:
		t.text = msg.plain(t.text)
	case strings.ContainsAny(t.text, "eE"):
		msg.fail(Exponent, quote(t.text))
	}
	if msg.code != "" {
		return 0
	}
	if _, fraction, _ := strings.Cut(t.text, "."); len(fraction) > msg.m.decimals[unit] {
		msg.fail(Decimals, fmt.Sprintf("%s %s, at most %d", quote(t.text), unit, msg.m.decimals[unit]))
		return 0
	}
	v, err := length.ParseNumber(t.text, unit)
	if err != nil {
		msg.fail(NotNumber, quote(t.text))
		return 0
	}
	if !msg.m.gauge.Range.Contains(v) {
		msg.fail(OutOfRange, v.String()+" is not in "+msg.m.gauge.Range.String())
	}
	return v
}

func (msg *message) unit() length.Unit {
	s, given := msg.text(fUnit)
	if !given {
		return ""
	}
	u, err := length.ParseUnit(s)
	if err != nil {
		msg.fail(BadUnit, quote(s))
	}
	return u
}

// plain turns a number in quotes into JSON's form, or says what is wrong.
func (msg *message) plain(s string) string {
	digits := strings.TrimPrefix(strings.TrimPrefix(s, "+"), "-")
	if len(s)-len(digits) > 1 {
		msg.fail(NotNumber, quote(s))
		return ""
	}
	sign, other := ".", ","
	if msg.m.gauge.CommaText {
		sign, other = other, sign
	}
	whole, fraction, split := strings.Cut(digits, sign)
	if strings.Contains(digits, other) || strings.Contains(fraction, sign) {
		msg.fail(Comma, quote(s))
		return ""
	}
	switch lower := strings.ToLower(digits); {
	case strings.HasPrefix(lower, "nan") || strings.HasPrefix(lower, "inf"):
		msg.fail(NotFinite, quote(s))
	case strings.ContainsAny(lower, "e"):
		msg.fail(Exponent, quote(s))
	case len(whole) > 1 && whole[0] == '0' && isDigit(whole[1]):
		msg.fail(LeadZero, quote(s))
	case !allDigits(whole) || split && !allDigits(fraction):
		msg.fail(NotNumber, quote(s))
	}
	if msg.code != "" {
		return ""
	}
	if s = strings.TrimPrefix(s, "+"); msg.m.gauge.CommaText {
		s = strings.Replace(s, ",", ".", 1)
	}
	return s
}

func allDigits(s string) bool {
	for i := range len(s) {
		if !isDigit(s[i]) {
			return false
		}
	}
	return s != ""
}
