package main

import (
	"regexp"
	"strings"
	"testing"

	"offsetbridge/internal/app"
	"offsetbridge/internal/manual"
)

// Every command that the manual tells somebody to type exists, with its flags.
func TestTheManualNamesCommandsThatExist(t *testing.T) {
	m, err := app.Manual()
	if err != nil {
		t.Fatal(err)
	}
	said := regexp.MustCompile("(?m)`offsetbridge ([^`]+)`|^offsetbridge (.+(?:\\\\\n.+)*)$")
	n := 0
	for _, p := range m.Pages {
		for _, found := range said.FindAllStringSubmatch(string(manual.Markdown(p.Sections)), -1) {
			n++
			line := found[1] + found[2]
			c, rest, err := command().Find(strings.Fields(line))
			if err != nil || c.Name() == "offsetbridge" {
				t.Errorf("%s says %q: there is no such command", p.Name, line)
				continue
			}
			for _, word := range rest {
				name, isLong := strings.CutPrefix(word, "--")
				if isLong && c.Flag(strings.TrimRight(name, ".,;")) == nil && c.InheritedFlags().Lookup(name) == nil {
					t.Errorf("%s says %q: %s has no flag --%s", p.Name, line, c.CommandPath(), name)
				}
			}
			if c.HasSubCommands() && len(rest) > 0 && !strings.HasPrefix(rest[0], "-") {
				t.Errorf("%s says %q: %s has no command %q", p.Name, line, c.CommandPath(), rest[0])
			}
		}
	}
	if n < 40 {
		t.Errorf("only %d commands were found in the manual", n)
	}
}
