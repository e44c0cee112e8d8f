package manual

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

const cell = `# A configuration.
version = 1 # format of this file

# --- gauges
# A gauge is one source of readings.

[[gauge]]
name     = "b#1"       # unique; stands for {gauge}
identity = "counter"   # whose part it is:
                       #   counter  the message carries the count
                       #   order    the oldest part
keep     = "730 d"     # (default 730 d) parts older
                       #   than this may go
# pitch  = "1.5 mm"    # (default: plain) of anvils

# A bare one.
[[gauge]]
name = "hand" # its number alone

# Written like this:
#
#   if asked: do it
#
# and no other way.
[gauge.message]
unit = { constant = "mm" } # of it
`

func made(t *testing.T) *Manual {
	t.Helper()
	m, err := New(Sources{Cell: []byte(cell), Words: map[string]string{"late": "the reading is older than one already used", "w-link": "waits for the connection"}})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestKeysAreReadFromTheExample(t *testing.T) {
	want := []Key{
		{Name: "version", Example: "1", Text: "format of this file"},
		{Name: "gauge", Table: true, List: true, Text: "A gauge is one source of readings.\n\nA bare one."},
		{Name: "gauge.name", Example: `"b#1"`, Text: "* `\"b#1\"`: unique; stands for {gauge}\n* `\"hand\"`: its number alone"},
		{Name: "gauge.identity", Example: `"counter"`, Text: "whose part it is:\n* `counter`: the message carries the count\n* `order`: the oldest part"},
		{Name: "gauge.keep", Example: `"730 d"`, Default: "730 d", Text: "parts older than this may go"},
		{Name: "gauge.pitch", Example: `"1.5 mm"`, Default: "plain", Text: "of anvils"},
		{Name: "gauge.message", Table: true, Text: "Written like this:\n\n```\n  if asked: do it\n```\n\nand no other way."},
		{Name: "gauge.message.unit", Example: `{ constant = "mm" }`, Text: "of it"},
	}
	if d := cmp.Diff(want, Keys([]byte(cell))); d != "" {
		t.Errorf("keys (-want +got):\n%s", d)
	}
}

func TestAWordLeadsToItsSections(t *testing.T) {
	m := made(t)
	for word, want := range map[string]string{
		"safety":                         "Safety: what this is not, and how to stop it",
		"late":                           "`late` the reading is older than one already used",
		"w-sample":                       "`w-link` waits for the connection · `w-sample` · `w-stale`",
		"gauge.identity":                 "`gauge.identity`",
		"identity":                       "`gauge.identity`",
		"message.unit":                   "`gauge.message.unit`",
		"[gauge.message]":                "[gauge.message]",
		"older than one":                 "`late` the reading is older than one already used",
		"  OLDER  than\none ":            "`late` the reading is older than one already used",
		"warm-up":                        "Warm-up",
		"`late`:":                        "`late` the reading is older than one already used",
		"when the disk is full":          "When the disk is full",
		"on hold: look, then resume":     "On hold: look, then resume",
		"What it never does":             "What it never does",
		"before a loop may run in auto ": "Before a loop may run in auto",
	} {
		a, err := m.Find(word)
		if err != nil || len(a.Sections) == 0 {
			t.Errorf("%q: %+v, %v", word, a, err)
			continue
		}
		if got := a.Sections[0].Heading; got != want {
			t.Errorf("%q leads to %q, want %q", word, got, want)
		}
	}
	if a, err := m.Find("presetter"); err != nil || len(a.Sections) > 0 || len(a.Mentions) != 1 {
		t.Errorf("a word of a text alone: %+v, %v", a, err)
	}
	if a, _ := m.Find("safety"); len(a.Sections) < 5 {
		t.Errorf("the page about safety has %d sections", len(a.Sections))
	}
}

func TestAnUnknownWordIsSaidWithItsNeighbours(t *testing.T) {
	m := made(t)
	for word, want := range map[string]string{
		"identty":                 `the manual has nothing about "identty", did you mean identity or identify?`,
		"w-lnik":                  `the manual has nothing about "w-lnik", did you mean w-link?`,
		"zebra crossing":          `the manual has nothing about "zebra crossing", look at its contents: offsetbridge manual`,
		"":                        `the manual has nothing about "", look at its contents: offsetbridge manual`,
		strings.Repeat("ü€", 999): "",
		"\x00\xff":                "",
	} {
		_, err := m.Find(word)
		var unknown *UnknownError
		if !errors.As(err, &unknown) || want != "" && err.Error() != want || len(err.Error()) > 2000 {
			t.Errorf("%.20q: %v", word, err)
		}
	}
}

// A page that a tired setter can read on a terminal: no line is too wide, and
// nothing of Markdown but code marks is left.
func TestTextForATerminal(t *testing.T) {
	for _, p := range made(t).Pages {
		var b strings.Builder
		if err := WriteText(&b, p.Sections); err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(b.String()) {
			line = strings.TrimRight(line, "\n")
			if n := utf8.RuneCountInString(line); n > wide+10 {
				t.Errorf("%s: %d characters: %q", p.Name, n, line)
			}
			if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "```") {
				t.Errorf("%s: %q is Markdown", p.Name, line)
			}
		}
		if !strings.Contains(b.String(), p.Sections[1].Heading+"\n---") && p.Sections[1].Level == 2 {
			t.Errorf("%s: no rule under %q", p.Name, p.Sections[1].Heading)
		}
	}
}

func TestHTMLLinksKnownWordsAndLetsNoMarkupThrough(t *testing.T) {
	m := made(t)
	p := &Page{Name: "x"}
	if err := p.read("# T\n\nSee `safety`, `gauge.keep`, `nothing`, <script>alert(1)</script> [x](javascript:alert(1)).\n", nil); err != nil {
		t.Fatal(err)
	}
	h, err := m.HTML(p.Sections, "/manual?about=")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`<h1 id="t">T</h1>`, `<a href="/manual?about=safety"><code>safety</code></a>`, `<a href="/manual?about=gauge.keep">`, ` <code>nothing</code>,`} {
		if !strings.Contains(string(h), want) {
			t.Errorf("no %s in %s", want, h)
		}
	}
	for _, bad := range []string{"<script", "javascript:"} {
		if strings.Contains(string(h), bad) {
			t.Errorf("%s in %s", bad, h)
		}
	}
}

func TestAPageWithoutHeadingIsRefused(t *testing.T) {
	for _, text := range []string{"", "text\n", "## second\n", "`late`: text\n"} {
		if err := new(Page).read(text, nil); err == nil {
			t.Errorf("%q is taken for a page", text)
		}
	}
}

// Each message is explained in one place.
func TestNoMessageIsExplainedTwice(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range made(t).Page("messages").Sections {
		for _, k := range s.Keys {
			if seen[k] {
				t.Errorf("%s is explained twice", k)
			}
			seen[k] = true
		}
		if len(s.Keys) > 0 && len(strings.Fields(s.Body)) < 3 {
			t.Errorf("%v is explained by %q", s.Keys, s.Body)
		}
	}
}

// The page about safety says what it must.
func TestThePageAboutSafetySaysWhatItMust(t *testing.T) {
	text := strings.ToLower(string(Markdown(made(t).Page("safety").Sections)))
	for _, want := range []string{"nothing here is a safety function", "machine builder", "local codes", "licensed", "it accepts no part", "go and no-go", "hold all", "sigusr1", "emergency stop"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q", want)
		}
	}
	if !slices.Contains(made(t).Known(), "safety") {
		t.Error("safety is no known word")
	}
}
