package config

import "testing"

const scattered = `# comment with [brackets] and = signs
version = 1

[mqtt] # the broker
broker = "a # b" # no comment inside
"quoted key" = 'x'
long = """
[not.a.header]
also = "not a key"
\""" still inside
"""
literal = '''
[[nor.this]]'''
after = [
  "a", # with ] a bracket
  [1, 2],
]
dotted.key = { a = 1, b = [2] }

[[machine]]
name = "m0"
[machine.nodes]
counter = "c"
[[machine.register]]
name = "r0"
[[machine.register]]
name = "r1"

[[machine]]
name = "m1"
[[machine.register]]
name = "r2"
step = "1"
`

func TestLinesOfKeys(t *testing.T) {
	x := indexLines(scattered)
	for path, want := range map[string]int{
		"version": 2, "mqtt": 4, "mqtt.broker": 5, "mqtt.quoted key": 6, "mqtt.long": 7, "mqtt.literal": 12, "mqtt.after": 14,
		"mqtt.dotted": 18, "mqtt.dotted.key": 18, "machine[0]": 20, "machine[0].name": 21, "machine[0].nodes": 22, "machine[0].nodes.counter": 23,
		"machine[0].register[0]": 24, "machine[0].register[1].name": 27, "machine[1].name": 30, "machine[1].register[0].step": 33,
		"machine": 20, "mqtt.missing": 4, "machine[1].register[0].band": 31, "machine[7].name": 20, "nothing": 0, "mqtt.also": 4, "nor.this": 0, "not.a.header": 0,
	} {
		if got := x.find(path); got != want {
			t.Errorf("find(%q) = %d, want %d", path, got, want)
		}
	}
	if x.depth != 2 {
		t.Errorf("depth = %d, want 2", x.depth)
	}
}

func TestLinesOfBrokenText(t *testing.T) {
	for _, text := range []string{"", "[", "[[", "[a", "a", "a =", "a = \"", "a = '''", "a = [[[", "\"", "'", "= 1", "a.b.c", "\x00", "a = \"\\", "[[a]]\n[a.\"", "]", "a = ]]]\nb = 1"} {
		indexLines(text) // ends, without a panic
	}
	if got := indexLines("a = ]]]\nb = 1").find("b"); got != 2 {
		t.Errorf("a stray bracket hides the next key: line %d, want 2", got)
	}
}
