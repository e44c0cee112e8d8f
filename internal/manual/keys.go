package manual

import (
	"fmt"
	"regexp"
	"strings"
)

// Key is one key, or one table, of the configuration as the commented example
// explains it.
type Key struct {
	Name    string // "machine.register.band"
	Table   bool   // a section of the file, not a value
	List    bool   // of which there may be several, as [[machine]]
	Example string // as it is written there
	Default string // "" where it has to be there, or for a table
	Text    string // Markdown: what it means
	Before  string // Markdown: what stands above it, for it and the keys that follow
}

var (
	pairLine = regexp.MustCompile(`^(?:# )?([a-z][a-z0-9_]*) *= (.*)$`)
	itemLine = regexp.MustCompile(`^ *([a-z][a-z ]*?) {2,}(\S.*)$`)
	initial  = regexp.MustCompile(`^\(default:? ([^)]*)\) *`)
)

// Keys reads the commented example: what stands above a section or beside a key
// explains it. A key that occurs in several places is explained by all of them.
func Keys(cell []byte) []Key {
	r := &keyReader{at: map[string]int{}, last: -1}
	for line := range strings.Lines(string(cell)) {
		r.line(strings.TrimRight(line, " \n"))
	}
	for i := range r.keys {
		k := &r.keys[i]
		k.Text = strings.TrimSpace(k.Text)
		if d := initial.FindStringSubmatch(k.Text); d != nil {
			k.Default, k.Text = d[1], strings.TrimPrefix(k.Text, d[0])
		}
	}
	return r.keys
}

type keyReader struct {
	keys  []Key
	at    map[string]int // index by name
	table string
	block []string // comment above what comes next
	last  int      // key whose comment may go on in the next line
	more  string   // example to which an additional explanation belongs
}

func (r *keyReader) line(line string) {
	bare := strings.TrimSpace(line)
	switch {
	case bare == "":
		r.last = -1
		if len(r.block) > 0 {
			r.block = append(r.block, "")
		}
	case strings.HasPrefix(bare, "["):
		head, comment := uncomment(bare)
		list := strings.HasPrefix(head, "[[")
		r.table = strings.Trim(head, "[] ")
		i := r.key(Key{Name: r.table, Table: true, List: list})
		r.say(i, blockText(r.block), "\n\n")
		r.say(i, comment, "\n\n")
		r.block, r.last = nil, -1
	case line[0] == '#' && !commentedPair(line):
		r.last = -1
		if text := strings.TrimPrefix(strings.TrimPrefix(line, "#"), " "); !strings.HasPrefix(text, "---") {
			r.block = append(r.block, text)
		}
	case bare[0] == '#' && line[0] != '#':
		r.goOn(strings.TrimPrefix(bare, "#"))
	default:
		r.pair(bare)
	}
}

func commentedPair(line string) bool {
	m := pairLine.FindStringSubmatch(line)
	if m == nil {
		return false
	}
	_, comment := uncomment(m[2])
	return comment != ""
}

func (r *keyReader) pair(bare string) {
	m := pairLine.FindStringSubmatch(bare)
	if m == nil {
		return
	}
	example, comment := uncomment(m[2])
	name := m[1]
	if r.table != "" {
		name = r.table + "." + name
	}
	before := len(r.keys)
	i := r.key(Key{Name: name, Example: example})
	if text := blockText(r.block); text != "" && i == before && r.table != "" {
		r.keys[i].Before = text
	}
	r.block, r.last, r.more = nil, i, ""
	if i < before { // explained already, here by another example
		r.more = example
	}
	if comment != "" {
		r.goOn(" " + comment)
	}
}

// goOn adds a line of comment to the last key.
func (r *keyReader) goOn(text string) {
	if r.last < 0 {
		return
	}
	if k := &r.keys[r.last]; r.more != "" {
		if !strings.Contains(k.Text, "\n* ") && k.Text != "" {
			k.Text = "\n* `" + k.Example + "`: " + strings.TrimSpace(k.Text)
		}
		text = "\n* `" + r.more + "`: " + strings.TrimSpace(initial.ReplaceAllString(strings.TrimSpace(text), ""))
		if strings.Contains(r.keys[r.last].Text, strings.TrimSpace(text)) {
			text = ""
		}
		r.more = ""
	} else if m := itemLine.FindStringSubmatch(strings.TrimPrefix(text, " ")); m != nil {
		text = "\n* `" + m[1] + "`: " + m[2]
	} else {
		text = " " + strings.TrimSpace(text)
	}
	r.keys[r.last].Text += text
}

func (r *keyReader) key(k Key) int {
	i, ok := r.at[k.Name]
	if !ok {
		i = len(r.keys)
		r.at[k.Name] = i
		r.keys = append(r.keys, k)
	}
	return i
}

func (r *keyReader) say(i int, text, between string) {
	if k := &r.keys[i]; text != "" {
		if k.Text != "" {
			k.Text += between
		}
		k.Text += text
	}
}

// uncomment divides a line at the # that begins its comment, if any.
func uncomment(line string) (text, comment string) {
	quote := byte(0)
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '#':
			return strings.TrimSpace(line[:i]), strings.TrimSpace(line[i+1:])
		}
	}
	return strings.TrimSpace(line), ""
}

// blockText makes Markdown of a comment above something; indented lines stay as
// they are.
func blockText(lines []string) string {
	var b strings.Builder
	code := false
	for i, l := range lines {
		indented := strings.HasPrefix(l, "  ")
		if indented != code && (indented || l != "") {
			code = indented
			b.WriteString("```\n")
		}
		if code && l == "" && (i+1 == len(lines) || !strings.HasPrefix(lines[i+1], "  ")) {
			code = false
			b.WriteString("```\n")
		}
		b.WriteString(l + "\n")
	}
	if code {
		b.WriteString("```\n")
	}
	return strings.TrimSpace(b.String())
}

// settings is the page about the configuration.
func settings(keys []Key) string {
	var b strings.Builder
	b.WriteString("# Settings: every key of the configuration\n\n" +
		"The configuration is one file of strict TOML. Check it with `offsetbridge check -c cell.toml`, which reports every problem at once. " +
		"Every quantity stands in quotes with its unit: lengths mm, µm (or um), nm, in or thou; times ms, s, min, h or d. A range is written \"low..high unit\". " +
		"Unknown keys, bare numbers and passwords are refused; relative paths start at the folder of the file.\n\n" +
		"What stands here bounds a process. It is no safety function.\n\n## At the top of the file\n\n")
	for _, k := range byTable(keys) {
		switch {
		case k.Table && k.List:
			fmt.Fprintf(&b, "## [[%s]]\n\n%s\n\n", k.Name, k.Text)
		case k.Table:
			fmt.Fprintf(&b, "## [%s]\n\n%s\n\n", k.Name, k.Text)
		default:
			k.write(&b)
		}
	}
	return b.String()
}

// byTable puts each table before its own keys, as further examples may come later.
func byTable(keys []Key) []Key {
	var all []Key
	add := func(table string) {
		for _, k := range keys {
			if dot := strings.LastIndexByte(k.Name, '.'); !k.Table && k.Name[:max(dot, 0)] == table {
				all = append(all, k)
			}
		}
	}
	add("")
	for _, t := range keys {
		if t.Table {
			all = append(all, t)
			add(t.Name)
		}
	}
	return all
}

func (k Key) write(b *strings.Builder) {
	fmt.Fprintf(b, "### `%s`\n\nAs in `%s`. ", k.Name, k.Example)
	if k.Default != "" {
		fmt.Fprintf(b, "Left out: %s. ", k.Default)
	}
	if strings.HasPrefix(k.Text, "*") {
		b.WriteByte('\n')
	}
	fmt.Fprintf(b, "%s\n\n", sentence(k.Text))
	if k.Before != "" {
		fmt.Fprintf(b, "%s\n\n", k.Before)
	}
}

// sentence begins with a capital letter and ends with a full stop.
func sentence(s string) string {
	if s == "" || strings.HasPrefix(s, "\n") || strings.HasPrefix(s, "*") {
		return s
	}
	if first, _, _ := strings.Cut(s, " "); s[0] >= 'a' && s[0] <= 'z' && !strings.ContainsAny(first, ":,/") {
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	if last := s[len(s)-1]; last == '.' || last == ':' || strings.Contains(s, "\n* ") {
		return s
	}
	return s + "."
}
