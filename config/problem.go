package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing to change in a configuration, or to look at.
type Problem struct {
	File  string `json:"file"`
	Line  int    `json:"line,omitempty"`  // 1-based; 0 when the file as a whole is meant
	Key   string `json:"key,omitempty"`   // as in machine["mill-1"].register["T7 R"].band
	Value string `json:"value,omitempty"` // what was found, bounded, secrets left out
	Say   string `json:"say"`             // what is wrong and what to write instead
}

// String returns the problem on one line, led by file and line.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Key != "" {
		b.WriteString(p.Key)
		if p.Value != "" {
			b.WriteString(" = " + p.Value)
		}
		b.WriteString(": ")
	}
	b.WriteString(p.Say)
	return b.String()
}

// Problems is the error of Load and Parse: everything that is wrong, from the
// top of the file to the bottom.
type Problems []Problem

// most bounds how many problems are kept: a file with more is broken throughout.
const most = 500

// Error prints one problem a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i, one := range p {
		lines[i] = one.String()
	}
	return strings.Join(lines, "\n")
}

// err returns the problems as an error, nil when there are none.
func (p Problems) err() error {
	if len(p) == 0 {
		return nil
	}
	return p
}

// sorted returns the problems in the order of the files, the main one first, those
// without a line first, those of one line in the order they were found.
func (p Problems) sorted(main string) Problems {
	s := slices.Clone(p)
	slices.SortStableFunc(s, func(a, b Problem) int {
		if a.File != b.File && (a.File == main || b.File == main) {
			if a.File == main {
				return -1
			}
			return 1
		}
		return cmp.Or(strings.Compare(a.File, b.File), a.Line-b.Line)
	})
	return s
}
