package config

import (
	"slices"
	"strings"
	"testing"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// cell.toml holds every key of the schema and explains it: a comment on its
// line, or above the group of lines it stands in.
func TestCellExplainsEveryOption(t *testing.T) {
	_, r := parse("cell.toml", Cell)
	if len(r.problems) > 0 || len(r.warnings) > 0 {
		t.Fatalf("cell.toml is not in order:\n%v\n%v", r.problems, r.warnings)
	}
	present := map[string]bool{}
	var collect func(kind string, v any)
	collect = func(kind string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, inner := range v {
				present[join(kind, k)] = true
				collect(join(kind, k), inner)
			}
		case []map[string]any:
			for _, one := range v {
				collect(kind, one)
			}
		}
	}
	collect("", decoded(t, Cell))
	// Each is the other half of a pair of which a file can hold only one.
	either := map[string]string{
		"mqtt.password_env": "mqtt.password_file", "machine.password_file": "machine.password_env",
		"loop.characteristic.feature": "loop.characteristic.limits", // of a thread only, so it stands in a comment
		"gauge.head.pitch":            "gauge.head.range",
		"standard.pitch":              "standard.value",
	}
	if len(r.asked) < 90 {
		t.Fatalf("the schema has only %d keys", len(r.asked))
	}
	for key := range r.asked {
		name := key[strings.LastIndex(key, ".")+1:]
		switch {
		case present[key], present[either[key]] && (strings.Contains(string(Cell), "or "+name) || strings.Contains(string(Cell), "# "+name+" = ")):
		default:
			t.Errorf("cell.toml does not show %s", key)
		}
		if !explained(string(Cell), name) {
			t.Errorf("cell.toml does not explain %s", key)
		}
	}
}

// explained reports whether some line mentions the key and has a comment, or
// stands under one.
func explained(text, key string) bool {
	above := false
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		bare, comment, _ := strings.Cut(line, "#")
		mentions := strings.HasPrefix(line, key+" ") || strings.HasPrefix(line, "["+key+"]") || strings.HasPrefix(line, "[["+key+"]]") || strings.Contains(line, "."+key+"]")
		mentions = mentions || bare == "" && strings.Contains(comment, key) || strings.Contains(comment, "or "+key)
		if mentions && (comment != "" || above || strings.HasPrefix(line, "[")) {
			return true
		}
		above = bare == "" && comment != "" || above && line != ""
	}
	return false
}

// Every operation and every kind of register that a file may name is listed.
func TestCellListsOperationsAndKinds(t *testing.T) {
	text := strings.Join(strings.Fields(strings.ReplaceAll(string(Cell), "#", " ")), " ")
	for _, o := range compensate.Operations() {
		base := strings.TrimSuffix(strings.TrimSuffix(o, " at minus x"), " on the sub-spindle")
		if !strings.Contains(text, base) {
			t.Errorf("cell.toml does not list the operation %q", o)
		}
	}
	for _, k := range compensate.Kinds() {
		if !strings.Contains(text, k) {
			t.Errorf("cell.toml does not list the kind %q", k)
		}
	}
}

// The options marked with a default in cell.toml have that default.
func TestCellStatesTrueDefaults(t *testing.T) {
	kept := []string{"client_id", "silence", "poll", "fresh", "window", "answer", "quarantine", "damping", "min_readings",
		"auto_step", "operator_step", "travel", "expires", "expires_parts", "return_by_itself", "keep", "effects", "demo", "text", "adds", "plain_password"}
	var without []string
	for line := range strings.Lines(string(Cell)) {
		if name, _, ok := strings.Cut(line, " "); ok && slices.Contains(kept, name) {
			if !strings.Contains(line, "(default") {
				t.Errorf("%q does not state its default", strings.TrimSpace(line))
			}
			continue
		}
		without = append(without, line)
	}
	if len(without)+len(kept) > strings.Count(string(Cell), "\n") {
		t.Fatalf("cell.toml lost only %d lines", strings.Count(string(Cell), "\n")-len(without))
	}
	a, b := must(t, string(Cell)), must(t, strings.Join(without, ""))
	if x, y := a.Settings("mill-1"), b.Settings("mill-1"); x.Digest("spool bore") != y.Digest("spool bore") || x.Fresh != y.Fresh || x.Window != y.Window || x.Answer != y.Answer || x.Quarantine != y.Quarantine {
		t.Errorf("with the defaults:\n%+v\nwithout:\n%+v", x, y)
	}
	if a.MQTT != b.MQTT || a.Journal != b.Journal || a.Machines[0].Poll != b.Machines[0].Poll || a.Machines[0].Security != b.Machines[0].Security {
		t.Error("defaults of mqtt, journal or machine are not what cell.toml says")
	}
}

// The demonstration: two machines, three loops, each able to correct by itself.
func TestDemo(t *testing.T) {
	c := must(t, string(Demo))
	if len(c.Warnings) > 0 {
		t.Errorf("warnings:\n%v", c.Warnings)
	}
	want := map[string]struct {
		machine, operation string
		limits             length.Range
		effect             core.Effect
	}{
		"port thread": {"mill-1", "milled internal thread", length.Range{Low: 15_026 * um, High: 15_216 * um}, -2000},
		"spool bore":  {"mill-1", "milled bore", length.Range{Low: 28_000 * um, High: 28_033 * um}, -1000},
		"spool":       {"lathe-2", "turned outside", length.Range{Low: 27_959 * um, High: 27_980 * um}, 1000},
	}
	if len(c.Loops) != len(want) || len(c.Machines) != 2 {
		t.Fatalf("%d loops on %d machines, want 3 on 2", len(c.Loops), len(c.Machines))
	}
	for _, l := range c.Loops {
		w := want[l.Name]
		if l.Machine != w.machine || l.Operations[0] != w.operation || l.Characteristics[0].Limits != w.limits || l.Effects[0][0] != w.effect {
			t.Errorf("loop %+v, want %+v", l, w)
		}
		if s := c.Settings(l.Machine); len(s.Lacks) > 0 || !s.Demo {
			t.Errorf("machine of loop %q lacks %q, demo %v", l.Name, s.Lacks, s.Demo)
		}
	}
	for _, g := range c.Gauges {
		if g.Filter() != "cell/+/gauge/"+g.Name+"/reading" || g.Message.Machine != (Field{Kind: Level, Text: "machine"}) {
			t.Errorf("gauge %+v", g)
		}
	}
}
