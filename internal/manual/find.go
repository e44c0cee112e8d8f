package manual

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Answer is what the manual has about a word.
type Answer struct {
	Sections []*Section // to read, in the order of the pages
	Mentions []*Section // where none is about it: those in which it occurs
}

// UnknownError says that a word stands nowhere in the manual.
type UnknownError struct {
	Word string
	Near []string // words that it does know, the nearest first
}

func (e *UnknownError) Error() string {
	if len(e.Near) > 0 {
		return fmt.Sprintf("the manual has nothing about %q, did you mean %s?", e.Word, strings.Join(e.Near, " or "))
	}
	return fmt.Sprintf("the manual has nothing about %q, look at its contents: offsetbridge manual", e.Word)
}

// longestWord bounds what is looked for, in bytes; the longest sentence of a
// message is shorter.
const longestWord = 300

// Find answers a word: the name of a page, the code of a message or its sentence,
// a key of the configuration with or without its sections, or a word of a heading.
// The error is an *UnknownError.
func (m *Manual) Find(word string) (Answer, error) {
	word = strings.Join(strings.Fields(strings.Trim(strings.TrimSpace(word), "`[].:")), " ")
	if len(word) > longestWord {
		word = strings.ToValidUTF8(word[:longestWord], "")
	}
	if word == "" {
		return Answer{}, &UnknownError{}
	}
	if p := m.Page(strings.ToLower(word)); p != nil {
		return Answer{Sections: p.Sections}, nil
	}
	lower := strings.ToLower(word)
	for _, fits := range []func(*Section) bool{
		func(s *Section) bool {
			return slices.ContainsFunc(s.Keys, func(k string) bool { return named(k, lower) })
		},
		func(s *Section) bool { return contains(s.Heading, lower) },
	} {
		if all := m.sections(fits); len(all) > 0 {
			return Answer{Sections: all}, nil
		}
	}
	if all := m.sections(func(s *Section) bool { return contains(s.Body, lower) }); len(all) > 0 {
		return Answer{Mentions: all}, nil
	}
	return Answer{}, &UnknownError{Word: word, Near: m.near(lower)}
}

// named reports whether a key is the one asked for, of which the first sections may
// be left out.
func named(key, word string) bool { return key == word || strings.HasSuffix(key, "."+word) }

// contains reports whether a text has the word, beginning where a word begins.
func contains(text, lower string) bool {
	text = strings.Join(strings.Fields(strings.ToLower(text)), " ")
	for from := 0; ; {
		i := strings.Index(text[from:], lower)
		if i < 0 {
			return false
		}
		if at := from + i; at == 0 || !isLetter(text[at-1]) {
			return true
		}
		from += i + 1
	}
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c >= 0x80 }

func (m *Manual) sections(fits func(*Section) bool) []*Section {
	var all []*Section
	for _, p := range m.Pages {
		for _, s := range p.Sections {
			if fits(s) {
				all = append(all, s)
			}
		}
	}
	return all
}

// near returns at most three known words that differ from one in a few letters.
func (m *Manual) near(word string) []string {
	type candidate struct {
		word string
		far  int
	}
	var all []candidate
	for k := range m.known {
		if d := distance(word, k); d <= max(1, len(word)/3) {
			all = append(all, candidate{k, d})
		}
	}
	slices.SortFunc(all, func(a, b candidate) int { return cmp.Or(cmp.Compare(a.far, b.far), cmp.Compare(a.word, b.word)) })
	var near []string
	for _, c := range all[:min(3, len(all))] {
		near = append(near, c.word)
	}
	return near
}

// distance counts the letters to insert, leave out or change (Levenshtein 1966).
func distance(a, b string) int {
	if diff := len(a) - len(b); diff > 8 || diff < -8 {
		return 99
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		before := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := before
			if a[i] != b[j] {
				change++
			}
			before = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// Known returns the words that can be asked for, in alphabetical order: pages, codes,
// and keys with their sections and without.
func (m *Manual) Known() []string { return slices.Sorted(maps.Keys(m.known)) }
