package intake

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"offsetbridge/internal/length"
)

// Proposal is what the messages of one topic look like to somebody who has no
// mapping yet. It is a suggestion for a person: nothing here reaches a loop.
type Proposal struct {
	Topic    string            `json:"topic"` // as heard
	Gauge    string            `json:"gauge"` // a name for it, from the topic
	Identity string            `json:"identity"`
	Fields   map[string]string `json:"fields"` // mapping in its short form, by field
	Bare     bool              `json:"bare_number,omitempty"`
	Text     bool              `json:"text_numbers,omitempty"`
	Comma    bool              `json:"decimal_comma,omitempty"`
	Times    string            `json:"time_format,omitempty"`
	Unit     length.Unit       `json:"unit,omitempty"` // as told; empty when nobody tells it
	Decimals int               `json:"decimals"`
	Low      float64           `json:"low"` // smallest and largest value heard
	High     float64           `json:"high"`
	Messages int               `json:"messages"`
	Features []string          `json:"characteristics,omitempty"` // as the messages call them
	Machines []string          `json:"machines,omitempty"`
	States   []string          `json:"states,omitempty"`
	Lacks    []string          `json:"lacks,omitempty"` // what no message tells: "unit", "machine", …
}

// Usable reports whether a value was found.
func (p *Proposal) Usable() bool { return p.Bare || p.Fields["value"] != "" }

// names lists how senders call a field, the surest first. Common practice, no source.
var names = map[string][]string{
	"value":          {"value", "reading", "measurement", "measured", "measured_value", "result", "size", "actual", "val", "v"},
	"sequence":       {"sequence", "seq", "sequence_number", "seqno", "seqnr", "index", "nr"},
	"time":           {"time", "timestamp", "ts", "measured_at", "datetime"},
	"characteristic": {"characteristic", "feature", "char", "dimension", "characteristic_id"},
	"machine":        {"machine", "machine_id", "machinename", "asset"},
	"part":           {"part", "part_count", "partcount", "count", "counter", "part_no", "serial", "serial_number", "part_serial", "partid", "part_id", "piece"},
	"cut":            {"cut", "recut", "pass"},
	"state":          {"state", "part_state", "kind"},
}

// leaf is one simple value of a message.
type leaf struct {
	pointer, key, text string
	number, quoted     bool
}

// Bounds of what is looked at in one message.
const (
	mostLeaves = 100
	mostDeep   = 16
	mostWords  = 12
)

// Understand says what one message looks like, in one sentence, and joins it to
// the proposal of its topic. It is total: any bytes give a sentence.
func (p *Proposal) Understand(r Raw) string {
	if p.Fields == nil {
		p.Topic, p.Fields, p.Gauge = r.Topic, map[string]string{}, gaugeName(r.Topic)
	}
	switch {
	case strings.HasPrefix(r.Topic, "spBv1.0/"):
		return "a Sparkplug B message, which is not read: have the gateway publish plain JSON or text"
	case len(r.Payload) == 0:
		return sentence(Empty, "")
	case r.Size > MaxPayload:
		return sentence(TooLarge, "")
	case !utf8.Valid(r.Payload):
		return sentence(NotUTF8, "") + ": no text, and no format that is known here"
	}
	note := ""
	if r.Retained {
		note = ", kept by the broker from an earlier time: such a one is recorded and never used"
	}
	if say, ok := p.bare(strings.TrimSpace(string(r.Payload))); ok {
		return say + note
	}
	leaves, err := flatten(r.Payload)
	if err != nil {
		return sentence(NotJSON, "") + ", and no bare number: " + err.Error()
	}
	return p.object(leaves) + note
}

var (
	plainNumber = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?$`)
	commaNumber = regexp.MustCompile(`^[+-]?[0-9]+,[0-9]+$`)
	unitNumber  = regexp.MustCompile(`^([+-]?[0-9]+[.,]?[0-9]*)\s*([a-zA-Zµ"]+)$`)
)

// bare looks at a message that is no JSON object.
func (p *Proposal) bare(text string) (string, bool) {
	switch {
	case plainNumber.MatchString(text):
		if p.Fields["value"] != "" {
			return "a bare number " + text + " where other messages are JSON: " + sentences[WrongType], true
		}
		p.Bare, p.Identity = true, "task"
		p.count(text)
		return "a bare number " + text + ": usable with bare_number, unit and machine declared and a measuring task that says what it measures", true
	case commaNumber.MatchString(text):
		return "a bare number with a decimal comma: " + sentences[Comma], true
	}
	if m := unitNumber.FindStringSubmatch(text); m != nil {
		return fmt.Sprintf("a bare number with something behind it (%s): %s, let the gateway send the number alone or JSON", quote(m[2]), sentences[Trailing]), true
	}
	return "", false
}

// count takes a value into the range that was heard.
func (p *Proposal) count(text string) {
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil {
		return
	}
	if p.Messages == 0 {
		p.Low, p.High = v, v
	}
	p.Low, p.High = min(p.Low, v), max(p.High, v)
	p.Messages++
	if _, decimals, ok := strings.Cut(strings.Replace(text, ",", ".", 1), "."); ok {
		p.Decimals = min(max(p.Decimals, len(decimals)), 8)
	}
}

// object looks at the simple values of a JSON message.
func (p *Proposal) object(leaves []leaf) string {
	found := map[string]leaf{}
	for _, f := range []string{"value", "sequence", "time", "characteristic", "machine", "part", "cut", "state"} {
		if l, ok := pick(f, leaves); ok {
			found[f] = l
		}
	}
	for _, l := range leaves {
		if u, err := length.ParseUnit(l.text); err == nil && !l.number && found["unit"].pointer == "" {
			found["unit"] = l
			p.Unit = u
		}
	}
	value, ok := found["value"]
	if !ok {
		return "JSON without a number that looks like a size: it holds " + holds(leaves)
	}
	if p.Bare { // what came alone before was the exception
		p.Bare, p.Messages = false, 0
	}
	for f, l := range found {
		p.Fields[f] = l.pointer
	}
	p.Text, p.Comma = p.Text || value.quoted, p.Comma || strings.Contains(value.text, ",")
	p.count(value.text)
	p.Identity = identityOf(found)
	p.Times = timeForm(found["time"])
	p.Features, p.Machines = word(p.Features, found["characteristic"]), word(p.Machines, found["machine"])
	p.States = word(p.States, found["state"])
	p.lacking()
	say := fmt.Sprintf("JSON with the size %s at %s", value.text, value.pointer)
	if u := found["unit"]; u.pointer != "" {
		say += " in " + u.text
	}
	if len(p.Lacks) > 0 {
		say += ", without " + strings.Join(p.Lacks, ", ")
	}
	return say
}

// lacking notes what the message does not tell.
func (p *Proposal) lacking() {
	p.Lacks = nil
	for _, f := range []string{"unit", "characteristic", "machine", "part", "sequence", "state"} {
		if p.Fields[f] == "" {
			p.Lacks = append(p.Lacks, f)
		}
	}
}

func word(list []string, l leaf) []string {
	if l.text == "" || slices.Contains(list, l.text) || len(list) >= mostWords {
		return list
	}
	return append(list, l.text)
}

func identityOf(found map[string]leaf) string {
	part := found["part"]
	switch {
	case part.pointer == "" && found["characteristic"].pointer == "":
		return "task"
	case part.pointer == "":
		return "order"
	case strings.Contains(strings.ToLower(part.key), "serial") || !isCount(part.text):
		return "serial"
	}
	return "counter"
}

func timeForm(l leaf) string {
	switch {
	case l.pointer == "":
		return ""
	case !l.number:
		return "rfc3339"
	case len(l.text) >= 12:
		return "ms"
	}
	return "s"
}

// pick finds the leaf of a field by its name, and for the value without a telling
// name the only number with decimals.
func pick(field string, leaves []leaf) (leaf, bool) {
	for _, n := range names[field] {
		for _, l := range leaves {
			if strings.EqualFold(l.key, n) && fits(field, l) {
				return l, true
			}
		}
	}
	if field != "value" {
		return leaf{}, false
	}
	var only []leaf
	for _, l := range leaves {
		if l.number && strings.Contains(l.text, ".") {
			only = append(only, l)
		}
	}
	if len(only) != 1 {
		return leaf{}, false
	}
	return only[0], true
}

func fits(field string, l leaf) bool {
	switch field {
	case "value":
		return l.number || plainNumber.MatchString(l.text) || commaNumber.MatchString(l.text)
	case "sequence", "cut":
		return l.number && isCount(l.text)
	case "time":
		_, err := time.Parse(time.RFC3339, l.text)
		return err == nil || l.number && isCount(l.text) && len(l.text) >= 9
	case "part":
		return l.text != ""
	}
	return !l.number && l.text != ""
}

func holds(leaves []leaf) string {
	var keys []string
	for _, l := range leaves[:min(len(leaves), mostWords)] {
		keys = append(keys, quote(l.pointer))
	}
	if len(keys) == 0 {
		return "nothing"
	}
	return strings.Join(keys, ", ")
}

// flatten lists the simple values of a JSON message, bounded in number and depth.
func flatten(payload []byte) ([]leaf, error) {
	var s scanner
	s.s = string(payload)
	if !s.scan(nil) {
		return nil, fmt.Errorf("%s", sentence(s.code, s.detail))
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return nil, err
	}
	var out []leaf
	gather(v, "", "", 0, &out)
	return out, nil
}

func gather(v any, pointer, key string, deep int, out *[]leaf) {
	if len(*out) >= mostLeaves || deep > mostDeep || len(pointer) > 200 {
		return
	}
	switch x := v.(type) {
	case map[string]any:
		keys := make([]string, 0, len(x))
		for k := range x {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		for _, k := range keys {
			gather(x[k], pointer+"/"+strings.NewReplacer("~", "~0", "/", "~1").Replace(k), k, deep+1, out)
		}
	case []any:
		for i, e := range x {
			gather(e, pointer+"/"+strconv.Itoa(i), key, deep+1, out)
		}
	case json.Number:
		*out = append(*out, leaf{pointer: pointer, key: key, text: x.String(), number: true})
	case string:
		*out = append(*out, leaf{pointer: pointer, key: key, text: x[:min(len(x), maxText)], quoted: true})
	case bool:
		*out = append(*out, leaf{pointer: pointer, key: key, text: strconv.FormatBool(x)})
	}
}

// generic are levels that name no gauge.
var generic = []string{"reading", "readings", "measurement", "measurements", "value", "values", "data", "result", "results", "raw", "input", "out", "gauge", "state"}

var oddLetters = regexp.MustCompile(`[^A-Za-z0-9_.-]+`)

// gaugeName takes a name from the last telling level of a topic.
func gaugeName(topic string) string {
	levels := strings.Split(topic, "/")
	for i := len(levels) - 1; i >= 0; i-- {
		if name := strings.Trim(oddLetters.ReplaceAllString(levels[i], "-"), "-."); name != "" && !slices.Contains(generic, strings.ToLower(name)) {
			return name[:min(len(name), 40)]
		}
	}
	return "gauge"
}
