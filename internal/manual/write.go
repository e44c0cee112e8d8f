package manual

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"net/url"
	"strings"
	"unicode/utf8"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/ast"
	"github.com/yuin/goldmark/parser"
	"github.com/yuin/goldmark/text"
	"github.com/yuin/goldmark/util"
)

// WriteText writes sections for a terminal.
func WriteText(w io.Writer, all []*Section) error {
	var b strings.Builder
	for i, s := range all {
		if i > 0 {
			b.WriteByte('\n')
		}
		switch s.Level {
		case 1, 2:
			rule := map[int]string{1: "=", 2: "-"}[s.Level]
			fmt.Fprintf(&b, "%s\n%s\n", s.Heading, strings.Repeat(rule, utf8.RuneCountInString(s.Heading)))
			plain(&b, s.Body, "")
		default:
			fill(&b, strings.Join(s.lines(), "\n"), "")
			plain(&b, s.Body, "  ")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// wide is how many characters a line on a terminal has.
const wide = 88

// plain writes the body of a section: paragraphs and items filled anew, the rest as
// it is.
func plain(b *strings.Builder, body, indent string) {
	inCode := false
	var para []string
	flush := func() {
		if len(para) > 0 {
			fill(b, strings.Join(para, " "), indent)
			para = nil
		}
	}
	for line := range strings.Lines(body) {
		line = strings.TrimRight(line, "\n")
		item := strings.HasPrefix(line, "* ") || len(line) > 2 && line[0] >= '0' && line[0] <= '9' && strings.Contains(line[:3], ".")
		switch {
		case strings.HasPrefix(line, "```"):
			flush()
			inCode = !inCode
		case inCode:
			b.WriteString(indent + "    " + line + "\n")
		case line == "":
			flush()
			b.WriteByte('\n')
		case item:
			flush()
			para = []string{line}
		default:
			para = append(para, strings.TrimSpace(line))
		}
	}
	flush()
}

// fill writes words in lines, further ones of an item under its first word.
func fill(b *strings.Builder, s, indent string) {
	for one := range strings.SplitSeq(s, "\n") {
		hang := indent
		if strings.HasPrefix(one, "* ") {
			hang += "  "
		} else if len(one) > 0 && one[0] >= '0' && one[0] <= '9' {
			hang += "   "
		}
		at := 0
		for i, word := range strings.Fields(one) {
			n := utf8.RuneCountInString(word)
			switch {
			case i == 0:
				b.WriteString(indent)
				at = len(indent)
			case at+1+n > wide:
				b.WriteString("\n" + hang)
				at = len(hang)
			default:
				b.WriteByte(' ')
				at++
			}
			b.WriteString(word)
			at += n
		}
		b.WriteByte('\n')
	}
}

// HTML returns sections as they stand in a document, each heading with an id; a
// known word in code type leads to what the manual has about it, at
// to + the escaped word. Nothing in it is script or style.
func (m *Manual) HTML(all []*Section, to string) (template.HTML, error) {
	md := goldmark.New(goldmark.WithParserOptions(
		parser.WithAutoHeadingID(),
		parser.WithASTTransformers(util.Prioritized(linker{m, to}, 500)),
	))
	var out bytes.Buffer
	if err := md.Convert(Markdown(all), &out); err != nil {
		return "", fmt.Errorf("the manual cannot be drawn: %w", err)
	}
	return template.HTML(out.String()), nil //nolint:gosec // of our own pages; goldmark leaves raw HTML out
}

// linker makes links of known words.
type linker struct {
	m  *Manual
	to string
}

// Transform is called by the library with the tree of a text.
func (l linker) Transform(doc *ast.Document, r text.Reader, _ parser.Context) {
	var spans []*ast.CodeSpan
	ast.Walk(doc, func(n ast.Node, entering bool) (ast.WalkStatus, error) { //nolint:errcheck // never fails
		if _, heading := n.(*ast.Heading); heading {
			return ast.WalkSkipChildren, nil
		}
		if c, ok := n.(*ast.CodeSpan); ok && entering {
			spans = append(spans, c)
		}
		return ast.WalkContinue, nil
	})
	for _, c := range spans {
		word := string(c.Text(r.Source())) //nolint:staticcheck // the library's own way to a span's text
		if !l.m.known[word] {
			continue
		}
		link := ast.NewLink()
		link.Destination = []byte(l.to + url.QueryEscape(word))
		c.Parent().ReplaceChild(c.Parent(), c, link)
		link.AppendChild(link, c)
	}
}
