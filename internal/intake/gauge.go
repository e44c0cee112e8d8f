package intake

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"offsetbridge/internal/length"
)

// Kind says what a gauge's messages announce.
type Kind string

// The kinds of messages.
const (
	KindReading Kind = "reading" // a size
	KindPair    Kind = "pair"    // which serial number the machine counts next
	KindTask    Kind = "task"    // what the next bare reading of a gauge measures
)

// Gauge declares how the messages on one topic are to be read. Everything that
// decides what a number means is declared here or comes with the message.
type Gauge struct {
	Name     string
	Topic    string // MQTT filter; levels may have names: "cell/{machine}/gauge/one/reading"
	Kind     Kind
	Identity string // of a reading, whose part it is: "counter", "serial", "order" or "task"
	Fields   Fields

	Range       length.Range  // what the gauge can measure; a value outside is refused
	Resolution  length.Length // its smallest digit step
	MaxDecimals int           // most digits after the decimal sign
	BareNumber  bool          // the whole message is the value, nothing else
	TextNumbers bool          // numbers may come in quotes
	CommaText   bool          // numbers in quotes use a comma as the decimal sign, never a point
	Fahrenheit  bool          // temperatures come in °F, else in °C
	DepthUnit   length.Unit   // of Fields.Depth
	TimeFormat  string        // of Fields.Time: "rfc3339" or "", "ms" or "s" (since 1970, UTC)
	Production  []string      // words of Fields.State that mean an ordinary production part

	TaskFor time.Duration // how long a task lasts
	Rate    float64       // most messages a second, in the long run; 0 = no limit
	Burst   int           // how many may come at once (a backlog after an outage); needed with Rate
}

// Fields says where each field of a fact comes from. A field that the message
// must carry and does not is a reason to refuse the message.
type Fields struct {
	Value          Source
	Unit           Source
	Sequence       Source // rising per gauge; without it a reading steers nothing by itself
	Time           Source
	Characteristic Source
	Machine        Source
	Part           Source // serial, or the machine's count, or of a pair the serial
	Cut            Source
	State          Source
	Gauge          Source // of a reading: must equal Name; of a task: the gauge it is for
	Counter        Source // of a pair
	Ring           Source // of a task, a setting or a ring check
	Person         Source // of a setting or a ring check: who
	Temperature    Source // of the part or, of a setting or a ring check, of gauge and standard

	GaugeTemperature, StandardTemperature Source // of a reading: of the gauge's frame, and of the standard
	Depth                                 Source // of a reading: from the mouth
	Orientation                           Source // of a reading: about the axis, in degrees
}

// Source is where a field comes from. The zero Source is nowhere.
type Source struct {
	Pointer  string // JSON Pointer (RFC 6901) into the message, starts with "/"
	Level    string // name of a topic level
	Constant string // declared by the mapping
	Optional bool   // the message may leave it out; pointers only
}

// ParseSource reads the short form: "/value" is a pointer into the message,
// "?/cut" one that may be absent, "{machine}" a topic level, "=mm" a constant
// and "" nowhere.
func ParseSource(s string) (Source, error) {
	switch {
	case s == "":
		return Source{}, nil
	case strings.HasPrefix(s, "="):
		return Source{Constant: s[1:]}, nil
	case strings.HasPrefix(s, "/"):
		return Source{Pointer: s}, checkPointer(s)
	case strings.HasPrefix(s, "?/"):
		return Source{Pointer: s[1:], Optional: true}, checkPointer(s[1:])
	}
	if name, ok := levelName(s); ok {
		return Source{Level: name}, nil
	}
	return Source{}, fmt.Errorf("source %s is not known, write \"/pointer\", \"{level}\" or \"=constant\"", quote(s))
}

// String returns the short form.
func (s Source) String() string {
	switch {
	case s.Pointer != "" && s.Optional:
		return "?" + s.Pointer
	case s.Pointer != "":
		return s.Pointer
	case s.Level != "":
		return "{" + s.Level + "}"
	case s.Constant != "":
		return "=" + s.Constant
	}
	return ""
}

func (s Source) none() bool { return s == Source{} }

func checkPointer(p string) error {
	if len(p) > 256 {
		return fmt.Errorf("JSON pointer %s is longer than 256 characters", quote(p))
	}
	for i := range len(p) {
		if p[i] == '~' && (i+1 == len(p) || p[i+1] != '0' && p[i+1] != '1') {
			return fmt.Errorf("JSON pointer %s has a ~ without 0 or 1 behind it (RFC 6901)", quote(p))
		}
	}
	return nil
}

// field numbers the fields of Fields.
type field int

const (
	fValue field = iota
	fUnit
	fSequence
	fTime
	fCharacteristic
	fMachine
	fPart
	fCut
	fState
	fGauge
	fCounter
	fRing
	fPerson
	fTemperature
	fGaugeTemperature
	fStandardTemperature
	fDepth
	fOrientation
	fieldCount
)

var fieldNames = [fieldCount]string{
	"value", "unit", "sequence", "time", "characteristic", "machine", "part", "cut", "state", "gauge", "counter", "ring",
	"person", "temperature", "gauge temperature", "standard temperature", "depth", "orientation",
}

func (f Fields) list() [fieldCount]Source {
	return [fieldCount]Source{
		f.Value, f.Unit, f.Sequence, f.Time, f.Characteristic, f.Machine, f.Part, f.Cut, f.State, f.Gauge, f.Counter, f.Ring,
		f.Person, f.Temperature, f.GaugeTemperature, f.StandardTemperature, f.Depth, f.Orientation,
	}
}

// problems collects everything wrong with a gauge's mapping.
type problems struct {
	gauge string
	list  []error
}

func (p *problems) add(format string, args ...any) {
	p.list = append(p.list, fmt.Errorf("gauge %s: "+format, append([]any{quote(p.gauge)}, args...)...))
}

// Check returns everything that is wrong with the mapping, joined; nil when it
// can be compiled.
func (g Gauge) Check() error {
	p := &problems{gauge: g.Name}
	if g.Name == "" || len(g.Name) > maxText {
		p.add("the name is empty or longer than %d bytes", maxText)
	}
	t, err := parseTemplate(g.Topic)
	if err != nil {
		p.add("%w", err)
	}
	g.checkSources(p, t)
	switch g.Kind {
	case KindReading:
		g.checkReading(p)
	case KindPair:
		g.need(p, fMachine, fPart)
	case KindTask:
		g.need(p, fMachine, fGauge, fCharacteristic)
		if g.Fields.Part.none() && g.Fields.Ring.none() {
			p.add("a task needs a part or a ring")
		}
		if g.TaskFor <= 0 {
			p.add("a task needs the time after which it expires")
		}
	case KindSetting, KindRingCheck:
		g.checkSetting(p)
	default:
		p.add("kind %s is not known, write reading, pair, task, setting or ring check", quote(string(g.Kind)))
	}
	if g.Rate < 0 || g.Rate > 0 && g.Burst < 1 {
		p.add("rate %g with burst %d, give a rate above zero and a burst of at least one", g.Rate, g.Burst)
	}
	return errors.Join(p.list...)
}

func (g Gauge) checkSources(p *problems, t template) {
	for f, s := range g.Fields.list() {
		set := 0
		for _, v := range []string{s.Pointer, s.Level, s.Constant} {
			if v != "" {
				set++
			}
		}
		switch {
		case set > 1:
			p.add("%s comes from more than one place, give one", fieldNames[f])
		case s.Pointer != "" && !strings.HasPrefix(s.Pointer, "/"):
			p.add("%s: JSON pointer %s does not start with /", fieldNames[f], quote(s.Pointer))
		case s.Pointer != "":
			if err := checkPointer(s.Pointer); err != nil {
				p.add("%s: %w", fieldNames[f], err)
			}
			if g.BareNumber {
				p.add("%s comes from %s, but the message is a bare number", fieldNames[f], s.Pointer)
			}
		case s.Optional:
			p.add("%s is optional, only a field of the message can be", fieldNames[f])
		case s.Level != "" && t.index(s.Level) < 0:
			p.add("%s comes from topic level %s, which the topic does not have", fieldNames[f], quote(s.Level))
		}
	}
	if _, err := buildTree(g); err != nil {
		p.add("%w", err)
	}
}

func (g Gauge) checkReading(p *problems) {
	f := g.Fields
	g.need(p, fUnit, fMachine, fState)
	if g.BareNumber == (f.Value.Pointer != "") || f.Value.Level != "" || f.Value.Constant != "" || f.Value.Optional {
		p.add("the value comes from one field of the message, or the message is the bare number")
	}
	switch g.Identity {
	case "counter", "serial":
		g.need(p, fCharacteristic, fPart)
	case "order":
		g.need(p, fCharacteristic)
	case "task":
	default:
		p.add("identity %s is not known, write counter, serial, order or task", quote(g.Identity))
	}
	if f.Sequence.Constant != "" || f.Time.Constant != "" {
		p.add("sequence and time cannot be constants")
	}
	if g.TimeFormat != "" && g.TimeFormat != "rfc3339" && g.TimeFormat != "ms" && g.TimeFormat != "s" {
		p.add("time format %s is not known, write rfc3339, ms or s", quote(g.TimeFormat))
	}
	if f.Unit.Constant != "" {
		if _, err := length.ParseUnit(f.Unit.Constant); err != nil {
			p.add("%w", err)
		}
	}
	if f.State.Constant == "" && len(g.Production) == 0 {
		p.add("no state means a production part, list the words that do")
	}
	if g.Range.Low >= g.Range.High {
		p.add("range %s is empty, give what the gauge can measure", g.Range)
	}
	if g.Resolution <= 0 {
		p.add("resolution %s is not above zero", g.Resolution)
	}
	if g.MaxDecimals < 0 || g.MaxDecimals > 9 {
		p.add("decimals %d are not in 0..9", g.MaxDecimals)
	}
	g.checkPlace(p)
	if g.CommaText && !g.TextNumbers {
		p.add("a decimal comma needs numbers in quotes")
	}
}

func (g Gauge) need(p *problems, fields ...field) {
	list := g.Fields.list()
	for _, f := range fields {
		if list[f].none() {
			p.add("%s comes from nowhere, map it to the message, the topic or a constant", fieldNames[f])
		} else if list[f].Optional {
			p.add("%s cannot be optional", fieldNames[f])
		}
	}
}
