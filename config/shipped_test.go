package config

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/internal/manual"
)

// Every key that the loader looks for, in whatever file, is in cell.toml and has its
// words in the manual, which is made from it; and the manual explains no other.
func TestTheManualExplainsEveryKey(t *testing.T) {
	asked := map[string]bool{}
	look := func(name string, data []byte) {
		_, r := parse(name, data)
		for key := range r.asked {
			asked[key] = true
		}
		if name == "cell.toml" && len(r.problems)+len(r.warnings) > 0 {
			t.Errorf("cell.toml is not in order:\n%v\n%v", r.problems, r.warnings)
		}
	}
	look("cell.toml", Cell)
	for _, path := range append(corpus(t, "good", 10), corpus(t, "bad", 70)...) {
		look(path, read(t, path))
	}
	if len(asked) < 150 { // a template has no keys of its own but its name
		t.Fatalf("the loader looked for only %d keys", len(asked))
	}
	words := map[string]string{}
	for _, k := range manual.Keys(Cell) {
		words[k.Name] = k.Text
		of, _, _ := strings.Cut(strings.TrimPrefix(k.Name, "template."), ".")
		if of != k.Name && (of == "machine" || of == "loop") && strings.HasPrefix(k.Name, "template."+of+".") {
			continue // any key of a machine or loop
		}
		if !asked[k.Name] {
			t.Errorf("cell.toml explains %s, which the loader does not know", k.Name)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(asked)) {
		if text, ok := words[key]; !ok {
			t.Errorf("cell.toml does not show %s", key)
		} else if len(strings.Fields(text)) < 2 {
			t.Errorf("cell.toml does not explain %s but with %q", key, text)
		}
	}
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
