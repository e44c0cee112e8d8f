package intake

import (
	"fmt"
	"strings"
)

const maxLevels = 16

// template is an MQTT topic filter whose levels may have names:
// "cell/{machine}/gauge/+/reading".
type template struct {
	levels []string // literal, "+", "#" or "{name}"
}

func parseTemplate(s string) (template, error) {
	if s == "" || len(s) > 512 || strings.ContainsAny(s, "\x00\r\n") {
		return template{}, fmt.Errorf("topic %s is empty, too long or has control characters", quote(s))
	}
	if strings.HasPrefix(s, "$") {
		return template{}, fmt.Errorf("topic %s starts with $: shared subscriptions and broker topics carry no ordered readings", quote(s))
	}
	t := template{levels: strings.Split(s, "/")}
	if len(t.levels) > maxLevels {
		return template{}, fmt.Errorf("topic %s has %d levels, use at most %d", quote(s), len(t.levels), maxLevels)
	}
	names := map[string]bool{}
	for i, level := range t.levels {
		name, named := levelName(level)
		switch {
		case named && names[name]:
			return template{}, fmt.Errorf("topic %s names level %s twice", quote(s), quote(name))
		case named:
			names[name] = true
		case level == "#" && i != len(t.levels)-1:
			return template{}, fmt.Errorf("topic %s has # before its last level", quote(s))
		case level != "+" && level != "#" && strings.ContainsAny(level, "+#{}"):
			return template{}, fmt.Errorf("topic %s has level %s, write a plain word, +, # or {name}", quote(s), quote(level))
		}
	}
	return t, nil
}

func levelName(level string) (string, bool) {
	if len(level) < 3 || level[0] != '{' || level[len(level)-1] != '}' {
		return "", false
	}
	name := level[1 : len(level)-1]
	if strings.ContainsAny(name, "{}+#/") {
		return "", false
	}
	return name, true
}

// index returns the position of the named level, -1 when there is none.
func (t template) index(name string) int {
	for i, level := range t.levels {
		if n, ok := levelName(level); ok && n == name {
			return i
		}
	}
	return -1
}

// filter returns what is subscribed to.
func (t template) filter() string {
	levels := make([]string, len(t.levels))
	for i, level := range t.levels {
		levels[i] = level
		if _, ok := levelName(level); ok {
			levels[i] = "+"
		}
	}
	return strings.Join(levels, "/")
}

// match reports whether topic matches, and fills values with its levels.
func (t template) match(topic string, values *[maxLevels]string) bool {
	for i, level := range t.levels {
		if level == "#" {
			return true
		}
		word, rest, more := strings.Cut(topic, "/")
		if level != word && level != "+" && level[:min(1, len(level))] != "{" {
			return false
		}
		values[i] = word
		if last := i == len(t.levels)-1; last || !more {
			parent := i == len(t.levels)-2 && t.levels[i+1] == "#" // "a/#" includes "a" (MQTT 3.1.1, 4.7.1.2)
			return !more && (last || parent)
		}
		topic = rest
	}
	return false
}

// overlaps reports whether some topic matches both templates.
func (t template) overlaps(o template) bool {
	for i := 0; ; i++ {
		a, b := t.at(i), o.at(i)
		switch {
		case a == "#" || b == "#":
			return true
		case a == "" && b == "":
			return true
		case a == "" || b == "":
			next := t.at(i) + o.at(i)
			return next == "#"
		case a != "+" && b != "+" && a != b:
			return false
		}
	}
}

// at returns level i as "+", "#", "=word", or "" past the end.
func (t template) at(i int) string {
	if i >= len(t.levels) {
		return ""
	}
	level := t.levels[i]
	if _, named := levelName(level); named || level == "+" {
		return "+"
	}
	if level == "#" {
		return "#"
	}
	return "=" + level
}
