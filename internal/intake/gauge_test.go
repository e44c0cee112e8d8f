package intake

import (
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

func TestTemplates(t *testing.T) {
	for _, c := range []struct {
		template, topic string
		want            bool
	}{
		{"a/b", "a/b", true},
		{"a/b", "a/b/c", false},
		{"a/b", "a", false},
		{"a/{m}/c", "a/x/c", true},
		{"a/{m}/c", "a//c", true},
		{"a/{m}/c", "a/x/d", false},
		{"a/+", "a/x", true},
		{"a/+", "a/x/y", false},
		{"a/#", "a/x/y", true},
		{"a/#", "a", true},
		{"a/#", "b", false},
		{"#", "a/b", true},
		{"a/", "a/", true},
		{"a", "a/", false},
	} {
		m, err := parseTemplate(c.template)
		if err != nil {
			t.Fatal(err)
		}
		var levels [maxLevels]string
		if got := m.match(c.topic, &levels); got != c.want {
			t.Errorf("%s matches %s: %v", c.template, c.topic, got)
		}
	}
	m, _ := parseTemplate("cell/{machine}/{x}/reading")
	if m.filter() != "cell/+/+/reading" || m.index("machine") != 1 || m.index("y") != -1 {
		t.Errorf("filter %s", m.filter())
	}
	for _, bad := range []string{"", "$share/g/a", "a/#/b", "a/b+", "a/{x}/{x}", "a/{x", strings.Repeat("a/", 20) + "b", "a\nb", "a/{x/y}"} {
		if _, err := parseTemplate(bad); err == nil {
			t.Errorf("template %q is accepted", bad)
		}
	}
}

func TestOverlaps(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"a/b", "a/b", true}, {"a/b", "a/c", false}, {"a/{x}", "a/c", true}, {"a/{x}", "b/{x}", false},
		{"a/+/c", "a/b/+", true}, {"a/+", "a/b/c", false}, {"a/#", "a/b/c", true}, {"a/#", "a", true},
		{"#", "x", true}, {"a/b/#", "a/c", false}, {"a/+", "a", false},
	} {
		a, _ := parseTemplate(c.a)
		b, _ := parseTemplate(c.b)
		if a.overlaps(b) != c.want || b.overlaps(a) != c.want {
			t.Errorf("%s and %s: %v and %v, want %v", c.a, c.b, a.overlaps(b), b.overlaps(a), c.want)
		}
	}
}

func TestParseSource(t *testing.T) {
	for _, s := range []string{"", "/value", "?/cut", "/a~1b/0", "{machine}", "=mm", "=a/b"} {
		v, err := ParseSource(s)
		if err != nil || v.String() != s {
			t.Errorf("%q became %+v %q (%v)", s, v, v.String(), err)
		}
	}
	for _, s := range []string{"value", "{", "{a}b", "/a~", "/a~2", "?x", "/" + strings.Repeat("a", 300)} {
		if v, err := ParseSource(s); err == nil {
			t.Errorf("%q is accepted as %+v", s, v)
		}
	}
}

// TestCheck changes one thing of a good mapping at a time.
func TestCheck(t *testing.T) {
	for want, change := range map[string]func(*Gauge){
		"the name is empty":                     func(g *Gauge) { g.Name = "" },
		"starts with $":                         func(g *Gauge) { g.Topic = "$share/x/y" },
		`kind "size" is not known`:              func(g *Gauge) { g.Kind = "size" },
		`identity "" is not known`:              func(g *Gauge) { g.Identity = "" },
		"unit comes from nowhere":               func(g *Gauge) { g.Fields.Unit = Source{} },
		"machine comes from nowhere":            func(g *Gauge) { g.Fields.Machine = Source{} },
		"state comes from nowhere":              func(g *Gauge) { g.Fields.State = Source{} },
		"state cannot be optional":              func(g *Gauge) { g.Fields.State.Optional = true },
		"part comes from nowhere":               func(g *Gauge) { g.Fields.Part = Source{} },
		"characteristic comes from nowhere":     func(g *Gauge) { g.Fields.Characteristic = Source{} },
		"no state means a production part":      func(g *Gauge) { g.Production = nil },
		`unit "MM" is not known`:                func(g *Gauge) { g.Fields.Unit = Source{Constant: "MM"} },
		"sequence and time cannot be constants": func(g *Gauge) { g.Fields.Time = Source{Constant: "now"} },
		`time format "epoch" is not known`:      func(g *Gauge) { g.TimeFormat = "epoch" },
		"topic level \"cell\", which":           func(g *Gauge) { g.Fields.Machine = Source{Level: "cell"} },
		"comes from more than one place":        func(g *Gauge) { g.Fields.Part.Constant = "7" },
		"does not start with /":                 func(g *Gauge) { g.Fields.Part.Pointer = "part" },
		"has a ~ without 0 or 1":                func(g *Gauge) { g.Fields.Part.Pointer = "/pa~rt" },
		"is optional, only a field":             func(g *Gauge) { g.Fields.Machine.Optional = true },
		"the value comes from one field":        func(g *Gauge) { g.Fields.Value = Source{Constant: "28"} },
		"but the message is a bare number":      func(g *Gauge) { g.BareNumber = true },
		"is mapped as a value and as something": func(g *Gauge) { g.Fields.Part.Pointer = "/value/part" },
		"differ only by upper and lower case":   func(g *Gauge) { g.Fields.Part.Pointer = "/VALUE" },
		"is empty, give what the gauge can":     func(g *Gauge) { g.Range = length.Range{} },
		"is not above zero":                     func(g *Gauge) { g.Resolution = 0 },
		"are not in 0..9":                       func(g *Gauge) { g.MaxDecimals = 10 },
		"a decimal comma needs numbers in":      func(g *Gauge) { g.CommaText = true },
		"rate 1 with burst 0":                   func(g *Gauge) { g.Rate = 1 },
		"a task needs the time after which":     func(g *Gauge) { g.Kind = KindTask },
	} {
		g := bench1(t)
		change(&g)
		if _, err := g.Compile(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %s, got %v", want, err)
		}
	}
}

// TestDecimals: a resolution allows the digits that show it, in every unit.
func TestDecimals(t *testing.T) {
	for _, c := range []struct {
		resolution length.Length
		unit       length.Unit
		want       int
	}{
		{length.Micrometre, length.MM, 3}, {500, length.MM, 4}, {100, length.MM, 4}, {length.Micrometre, length.UM, 0},
		{100, length.UM, 1}, {1, length.NM, 0}, {10 * length.Millimetre, length.MM, 0},
		{1270, length.IN, 5}, {254, length.IN, 5}, {length.Micrometre, length.IN, 9}, // a micrometre has no finite decimal form in inches
	} {
		if got := decimalsOf(c.resolution, c.unit, 9); got != c.want {
			t.Errorf("%s in %s: %d decimals, want %d", c.resolution, c.unit, got, c.want)
		}
	}
}
