package gauge

import (
	"encoding/json"
	"strconv"
	"strings"
	"time"
)

// Form is a message of another make than the primary one: where each field
// stands in a JSON object, or the number alone.
type Form struct {
	Bare     bool              // the message is the number, nothing else
	Comma    bool              // numbers in quotes have a decimal comma
	Pointers map[string]string // field → JSON pointer (RFC 6901) into objects: value, unit, sequence, time, characteristic, machine, part, cut, state
	Times    string            // of the time: "rfc3339", or "ms" or "s" since 1970
	Machine  string            // for the field machine
}

// formed returns the message for a reading. number is the plain decimal text.
func (o Options) formed(r Reading, number, unit string, has map[Fault]bool) []byte {
	f := o.Form
	if has[Comma] || f.Comma && !has[Bare] {
		number = strings.Replace(number, ".", ",", 1)
	}
	if f.Bare {
		if has[Empty] {
			number = ""
		}
		if has[WrongUnit] {
			number += " " + unit
		}
		return []byte(number)
	}
	root := map[string]any{}
	put := func(field string, v any) {
		if p, ok := f.Pointers[field]; ok && v != "" && v != nil {
			set(root, p, v)
		}
	}
	switch {
	case has[Empty]:
		set(root, f.Pointers["value"], "")
	case o.Text || has[Comma]:
		put("value", number)
	default:
		put("value", json.RawMessage(number))
	}
	if !has[NoUnit] {
		put("unit", unit)
	}
	if r.Sequence != 0 {
		put("sequence", r.Sequence)
	}
	put("time", f.time(r.Time))
	put("characteristic", r.Characteristic)
	put("machine", f.Machine)
	put("part", r.Part)
	if r.Cut != 0 {
		put("cut", r.Cut)
	}
	if r.State == "" {
		r.State = "production"
	}
	put("state", r.State)
	b, err := json.Marshal(root)
	if err != nil {
		return []byte(number) // a number with a fault in it is no JSON
	}
	if has[CutOff] {
		return b[:len(b)/2]
	}
	return b
}

func (f *Form) time(t time.Time) any {
	switch {
	case t.IsZero():
		return nil
	case f.Times == "ms":
		return json.RawMessage(strconv.FormatInt(t.UnixMilli(), 10))
	case f.Times == "s":
		return json.RawMessage(strconv.FormatInt(t.Unix(), 10))
	}
	return t.UTC().Format("2006-01-02T15:04:05.000Z")
}

// set puts a value where a pointer leads, through objects only.
func set(root map[string]any, pointer string, v any) {
	tokens := strings.Split(strings.TrimPrefix(pointer, "/"), "/")
	at := root
	for i, t := range tokens {
		t = strings.NewReplacer("~1", "/", "~0", "~").Replace(t)
		if i == len(tokens)-1 {
			at[t] = v
			return
		}
		next, ok := at[t].(map[string]any)
		if !ok {
			next = map[string]any{}
			at[t] = next
		}
		at = next
	}
}
