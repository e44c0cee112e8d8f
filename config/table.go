package config

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"offsetbridge/internal/length"
)

// reader collects what is wrong with one file while its tables are read.
type reader struct {
	file     string
	lines    *lineIndex
	problems Problems
	warnings Problems
	notes    Problems
	asked    map[string]bool   // every key of the schema that was looked for, by kind of table
	from     map[string]string // file of each table that is not in the main one, as machine[3]
	like     map[string]string // template of each table that is like one
}

func (r *reader) add(list *Problems, p Problem) {
	if p.File == "" {
		p.File = r.file
	}
	p.Key, p.Value, p.Say = oneLine(p.Key), oneLine(p.Value), oneLine(p.Say)
	if len(*list) < most && !slices.Contains(*list, p) {
		*list = append(*list, p)
	}
}

// oneLine keeps what came out of a file, such as the name of an unknown key, from
// breaking or flooding a message.
func oneLine(s string) string {
	const most = 800
	if len(s) > most {
		s = s[:most] + "…"
	}
	return strings.Map(func(c rune) rune {
		if unicode.IsControl(c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(s, "?"))
}

// table is one table of the file and how to speak about it.
type table struct {
	r     *reader
	kind  string // "machine.register": which table of the schema it is
	key   string // `machine["mill-1"].register["T7 R"]`: what a message calls it
	path  string // "machine[0].register[1]": where its lines are
	m     map[string]any
	known []string
}

// get returns the raw value of a key and makes the key part of the schema.
func (t *table) get(name string) (any, bool) {
	t.r.asked[join(t.kind, name)] = true
	if !slices.Contains(t.known, name) {
		t.known = append(t.known, name)
	}
	v, ok := t.m[name]
	return v, ok
}

func (t *table) place(name string) (key, path string) { return join(t.key, name), join(t.path, name) }

// problem reports a key's value, which may be absent, and what to write instead.
func (t *table) problem(name, format string, args ...any) {
	t.report(&t.r.problems, name, format, args...)
}

// warn reports something to look at that does not refuse the file.
func (t *table) warn(name, format string, args ...any) {
	t.report(&t.r.warnings, name, format, args...)
}

func (t *table) report(to *Problems, name, format string, args ...any) {
	key, path := t.place(name)
	p := Problem{File: t.r.fileOf(path), Key: key, Line: t.r.lines.find(path), Say: fmt.Sprintf(format, args...)}
	if v, ok := t.m[name]; ok {
		p.Value = show(v)
	}
	if secret(name) {
		p.Value = ""
	}
	if like := t.r.taken(path); like != "" && p.Value != "" {
		p.Say += fmt.Sprintf("; it stands in template %q", like)
	}
	t.r.add(to, p)
}

// about reports something about the table as a whole.
func (t *table) about(format string, args ...any) {
	t.r.add(&t.r.problems, Problem{File: t.r.fileOf(t.path), Key: t.key, Line: t.r.lines.find(t.path), Say: fmt.Sprintf(format, args...)})
}

// show prints a value as the file has it, bounded.
func show(v any) string {
	switch v := v.(type) {
	case string:
		if before, ok := userinfo(v); ok {
			v = before + "…"
		}
		return strconv.Quote(clip(v))
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	case bool:
		return strconv.FormatBool(v)
	case time.Time:
		return v.Format(time.RFC3339)
	case []any:
		return showList(v)
	case map[string]any, []map[string]any:
		return "" // the key names it well enough
	}
	return fmt.Sprintf("%T", v)
}

func showList(list []any) string {
	var b strings.Builder
	b.WriteByte('[')
	for i, v := range list {
		if i > 0 {
			b.WriteString(", ")
		}
		if b.Len() > 60 {
			b.WriteString("…")
			break
		}
		if inner, ok := v.([]any); ok && len(inner) > 8 {
			v = inner[:8]
		}
		b.WriteString(show(v))
	}
	b.WriteByte(']')
	return b.String()
}

func (t *table) has(name string) bool {
	_, ok := t.get(name)
	return ok
}

// text reads a string that is not empty and fits on one line.
func (t *table) text(name string) (string, bool) {
	v, ok := t.get(name)
	if !ok {
		return "", false
	}
	s, is := v.(string)
	switch {
	case !is:
		t.problem(name, "is not text, put it in quotes")
	case strings.TrimSpace(s) == "":
		t.problem(name, "is empty, write something or leave the key out")
	case len(s) > 1000:
		t.problem(name, "is %d bytes long, write at most 1000", len(s))
	case strings.ContainsFunc(s, unicode.IsControl):
		t.problem(name, "holds a control character, write it on one line")
	default:
		return s, true
	}
	return "", false
}

// need is text that must be there.
func (t *table) need(name, example string) (string, bool) {
	if !t.has(name) {
		t.problem(name, "is missing, write %s", example)
		return "", false
	}
	return t.text(name)
}

// name reads the required name of a thing. Where it becomes a topic level it
// may hold nothing that a topic or a template uses. A name that was reported is
// still returned, so that what refers to it is not reported as well.
func (t *table) name(level bool) string {
	s, ok := t.need("name", "a name, unique in this file")
	if !ok {
		return ""
	}
	switch {
	case s != strings.TrimSpace(s):
		t.problem("name", "begins or ends with a space, write %q", strings.TrimSpace(s))
	case len([]rune(s)) > 64:
		t.problem("name", "is %d characters long, write at most 64", len([]rune(s)))
	case level && strings.ContainsAny(s, "/+#{}$ "):
		t.problem("name", "is also a level of a topic: leave out spaces and the characters / + # { } $")
	}
	return s
}

// choice reads one of the given words.
func (t *table) choice(name string, words ...string) (string, bool) {
	s, ok := t.text(name)
	if !ok || slices.Contains(words, s) {
		return s, ok
	}
	near := nearest(strings.ToLower(s), words)
	switch {
	case near == "":
		t.problem(name, "is not known, write %s", list(words, "or"))
	case len(words) > 12: // a sentence has an end
		t.problem(name, "is not known, did you mean %q?", near)
	default:
		t.problem(name, "is not known, did you mean %q? write %s", near, list(words, "or"))
	}
	return "", false
}

// length reads a length with its unit.
func (t *table) length(name, example string) (length.Length, bool) {
	s, ok := t.quantity(name, example)
	if !ok {
		return 0, false
	}
	l, err := length.Parse(s)
	if err != nil {
		t.problem(name, "%s", plain(err, s))
		return 0, false
	}
	return l, true
}

// span reads a range of lengths.
func (t *table) span(name, example string, parse func(string) (length.Range, error)) (length.Range, bool) {
	s, ok := t.quantity(name, example)
	if !ok {
		return length.Range{}, false
	}
	r, err := parse(s)
	if err != nil {
		t.problem(name, "%s", plain(err, s))
		return length.Range{}, false
	}
	return r, true
}

// quantity reads the text of a quantity; a bare number has no unit.
func (t *table) quantity(name, example string) (string, bool) {
	v, ok := t.get(name)
	switch v.(type) {
	case int64, float64:
		t.problem(name, "has no unit, write it in quotes with its unit, as in %q", example)
		return "", false
	}
	if !ok {
		return "", false
	}
	return t.text(name)
}

// plain takes the value out of an error that repeats it: the message already
// shows it.
func plain(err error, value string) string {
	s := err.Error()
	for _, lead := range []string{"range ", "length ", "number "} {
		if rest, ok := strings.CutPrefix(s, lead+strconv.Quote(clip(value))); ok {
			return strings.TrimLeft(rest, ": ")
		}
	}
	return s
}

// duration reads a time with its unit, within bounds, or gives the default.
func (t *table) duration(name string, otherwise, low, high time.Duration) (time.Duration, bool) {
	if !t.has(name) {
		return otherwise, true
	}
	s, ok := t.quantity(name, sayDuration(max(otherwise, low)))
	if !ok {
		return otherwise, false
	}
	d, err := parseDuration(s)
	switch {
	case err != nil:
		t.problem(name, "%s", err)
	case d < low || d > high:
		t.problem(name, "is outside what makes sense, write between %s and %s", sayDuration(low), sayDuration(high))
	default:
		return d, true
	}
	return otherwise, false
}

// integer reads a whole number within bounds.
func (t *table) integer(name string, low, high int64) (int64, bool) {
	v, ok := t.get(name)
	if !ok {
		return 0, false
	}
	n, is := v.(int64)
	switch {
	case !is:
		t.problem(name, "is not a whole number, write one without quotes between %d and %d", low, high)
	case n < low || n > high:
		t.problem(name, "is out of range, write a whole number between %d and %d", low, high)
	default:
		return n, true
	}
	return 0, false
}

// number reads a number, whole or not.
func (t *table) number(name string) (float64, bool) {
	v, ok := t.get(name)
	if !ok {
		return 0, false
	}
	switch n := v.(type) {
	case int64:
		return float64(n), true
	case float64:
		return n, true
	}
	t.problem(name, "is not a number, write one without quotes")
	return 0, false
}

// flag reads true or false; absent means false.
func (t *table) flag(name string) bool {
	v, ok := t.get(name)
	if !ok {
		return false
	}
	b, is := v.(bool)
	if !is {
		t.problem(name, "is neither true nor false, write one of them without quotes")
	}
	return b
}

// words reads a list of different, non-empty texts.
func (t *table) words(name, example string) ([]string, bool) {
	v, ok := t.get(name)
	if !ok {
		return nil, false
	}
	items, is := v.([]any)
	if !is || len(items) == 0 {
		t.problem(name, "is not a list with something in it, write it as in %s", example)
		return nil, false
	}
	var words []string
	for _, item := range items {
		s, is := item.(string)
		switch {
		case !is || strings.TrimSpace(s) == "" || len(s) > 200:
			t.problem(name, "holds %s, put each entry in quotes, as in %s", show(item), example)
			return nil, false
		case slices.Contains(words, s):
			t.problem(name, "names %q twice, name it once", clip(s))
			return nil, false
		}
		words = append(words, s)
	}
	return words, true
}

// table returns the table of that name, or nil; tables the list of them.
func (t *table) table(name string) *table {
	v, ok := t.get(name)
	if !ok {
		return nil
	}
	m, is := v.(map[string]any)
	if !is {
		t.problem(name, "is not a table, write a section [%s]", join(t.kind, name))
		return nil
	}
	key, path := t.place(name)
	return &table{r: t.r, kind: join(t.kind, name), key: key, path: path, m: m}
}

func (t *table) tables(name string) []*table {
	v, ok := t.get(name)
	if !ok {
		return nil
	}
	list, is := v.([]map[string]any)
	if !is {
		t.problem(name, "is not a list of tables, write a section [[%s]] for each", join(t.kind, name))
		return nil
	}
	key, path := t.place(name)
	all := make([]*table, len(list))
	for i, m := range list {
		label := fmt.Sprintf("%s[#%d]", key, i+1)
		if s, ok := m["name"].(string); ok && strings.TrimSpace(s) != "" {
			label = fmt.Sprintf("%s[%s]", key, strconv.Quote(clip(s)))
		}
		all[i] = &table{r: t.r, kind: join(t.kind, name), key: label, path: fmt.Sprintf("%s[%d]", path, i), m: m}
	}
	return all
}

// close reports every key that nobody asked for. It is called when all keys of
// the table have been looked for, present or not.
func (t *table) close() {
	for _, name := range slices.Sorted(maps.Keys(t.m)) {
		if slices.Contains(t.known, name) {
			continue
		}
		near := nearest(name, t.known)
		switch {
		case secret(name):
			t.problem(name, "must not stand in this file, write password_file = \"path\" or password_env = \"NAME\"")
		case near != "":
			t.problem(name, "is not a key here, did you mean %s?", near)
		default:
			t.problem(name, "is not a key here, write one of %s", list(slices.Sorted(slices.Values(t.known)), "or"))
		}
	}
}

// secret reports whether a key looks as if a password stood behind it.
func secret(name string) bool {
	n := strings.ToLower(name)
	if strings.HasSuffix(n, "_file") || strings.HasSuffix(n, "_env") {
		return false
	}
	return n == "pin" || slices.ContainsFunc([]string{"password", "passwd", "passphrase", "secret", "token"}, func(s string) bool {
		return strings.Contains(n, s)
	})
}
