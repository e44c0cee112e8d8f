// Package manual is the program's manual: pages in Markdown that are part of the
// program, found by a word.
//
// A page consists of sections, each under a heading. Two kinds of section are not
// written twice: the sentence of a message comes from the program's own table of
// sentences, and the words of a configuration key come from the comments of the
// commented example. What the manual lacks of either is found by tests, not by
// readers. Everything here is fixed once New has returned, and safe for use by
// many at a time.
package manual

import (
	"bytes"
	"embed"
	"fmt"
	"slices"
	"strings"
)

//go:embed pages/*.md
var pages embed.FS

// order is the table of contents.
var order = []string{"first-hour", "commissioning", "tuning", "messages", "settings", "service", "backup", "upgrades", "safety"}

// Sources is what the manual does not say twice.
type Sources struct {
	Cell  []byte            // the commented example of a configuration
	Words map[string]string // sentence of each message by its code
}

// Manual is the whole of it.
type Manual struct {
	Pages []*Page
	known map[string]bool // words that a reader can ask for, as they are written
}

// Page is one chapter.
type Page struct {
	Name     string // as one asks for it
	Title    string
	Sections []*Section // the first has the page's own heading
}

// Section is a heading and what stands under it, up to the next heading.
type Section struct {
	Page    *Page
	Level   int      // 1 for the page's own heading
	Heading string   // in Markdown
	Body    string   // in Markdown, "" where another section follows at once
	Keys    []string // codes of messages, or the key of the configuration, that it explains
}

// New puts the manual together.
func New(s Sources) (*Manual, error) {
	m := &Manual{known: map[string]bool{}}
	for _, name := range order {
		text := settings(Keys(s.Cell))
		if name != "settings" {
			b, err := pages.ReadFile("pages/" + name + ".md")
			if err != nil {
				return nil, fmt.Errorf("page %q of the manual cannot be read: %w", name, err)
			}
			text = string(b)
		}
		p := &Page{Name: name}
		if err := p.read(text, s.Words); err != nil {
			return nil, fmt.Errorf("page %q of the manual: %w", name, err)
		}
		m.Pages = append(m.Pages, p)
		m.known[name] = true
		for _, c := range p.Sections {
			for _, k := range c.Keys {
				m.known[k], m.known[k[strings.LastIndexByte(k, '.')+1:]] = true, true
			}
		}
	}
	return m, nil
}

// read divides a page into its sections. A paragraph that begins with codes and a
// colon, as in "`late` `repeated`: …", is a section of its own under them.
func (p *Page) read(text string, words map[string]string) error {
	var s *Section
	inCode := false
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "```") {
			inCode = !inCode
		}
		level := len(line) - len(strings.TrimLeft(line, "#"))
		keys, rest, isEntry := entry(line)
		switch {
		case inCode:
		case level > 0:
			s = &Section{Page: p, Level: level, Heading: strings.TrimSpace(line[level:])}
			if p.Name == "settings" && level > 1 && strings.ContainsAny(s.Heading[:min(1, len(s.Heading))], "`[") {
				s.Keys = []string{strings.Trim(s.Heading, "`[]")}
			}
			p.Sections = append(p.Sections, s)
			continue
		case isEntry:
			s = &Section{Page: p, Level: 3, Keys: keys, Heading: headed(keys, words)}
			p.Sections = append(p.Sections, s)
			line = rest
		}
		if s == nil {
			return fmt.Errorf("it does not begin with a heading but with %q", strings.TrimSpace(line))
		}
		s.Body += line
	}
	if len(p.Sections) == 0 || p.Sections[0].Level != 1 {
		return fmt.Errorf("it has no heading of its own")
	}
	p.Title = p.Sections[0].Heading
	for _, s := range p.Sections {
		s.Body = strings.Trim(s.Body, "\n")
	}
	return nil
}

// entry takes the codes from the beginning of a line like "`late` `repeated`: text".
func entry(line string) (keys []string, rest string, ok bool) {
	rest = line
	for {
		inner, found := strings.CutPrefix(rest, "`")
		key, after, closed := strings.Cut(inner, "`")
		if !found || !closed || key == "" || strings.ContainsAny(key, " \n") {
			return nil, line, false
		}
		keys, rest = append(keys, key), after
		if text, end := strings.CutPrefix(rest, ":"); end {
			return keys, strings.TrimPrefix(text, " "), true
		}
		rest = strings.TrimPrefix(rest, " ")
	}
}

// headed makes the heading of messages: each code, and its sentence where the
// program has one.
func headed(keys []string, words map[string]string) string {
	var all []string
	for _, k := range keys {
		h := "`" + k + "`"
		if w := words[k]; w != "" {
			h += " " + w
		}
		all = append(all, h)
	}
	return strings.Join(all, between)
}

// Page returns the page of that name, or nil.
func (m *Manual) Page(name string) *Page {
	if i := slices.IndexFunc(m.Pages, func(p *Page) bool { return p.Name == name }); i >= 0 {
		return m.Pages[i]
	}
	return nil
}

// Markdown returns sections as one text. Where they begin below a page's parts, as the
// answer to a word does, their headings are raised: no level is left out.
func Markdown(all []*Section) []byte {
	var b bytes.Buffer
	raised := 0
	if len(all) > 0 {
		raised = max(0, all[0].Level-2)
	}
	for _, s := range all {
		for _, h := range s.lines() {
			fmt.Fprintf(&b, "%s %s\n\n", strings.Repeat("#", max(min(2, s.Level), s.Level-raised)), h)
		}
		if s.Body != "" {
			fmt.Fprintf(&b, "%s\n\n", s.Body)
		}
	}
	return b.Bytes()
}

// between parts the messages of one heading.
const between = " · "

// lines are the headings of a section: one for each of its messages.
func (s *Section) lines() []string {
	if len(s.Keys) < 2 {
		return []string{s.Heading}
	}
	return strings.Split(s.Heading, between)
}

// Short is what a list of the pages calls it.
func (p *Page) Short() string {
	if i := strings.IndexAny(p.Title, ":,"); i > 0 {
		return p.Title[:i]
	}
	return p.Title
}

// Plain returns the heading without the marks of code type.
func (s *Section) Plain() string { return strings.ReplaceAll(s.Heading, "`", "") }
