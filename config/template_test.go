package config

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

const plantOfTemplates = `version = 1
[journal]
directory = "j"
[mqtt]
broker = "mqtt://127.0.0.1:1883"

[[gauge]]
name = "hand"
topic = "hall/{machine}/hand"
identity = "task"
range = "39.80..40.20 mm"
resolution = "0.001 mm"
max_decimals = 3
bare_number = true
[gauge.message]
unit = "=mm"
machine = "{machine}"
state = "=production"

[[template]]
name = "borer"
[template.machine]
by_hand = true
[[template.machine.tool]]
name = "head"
[[template.machine.register]]
name = "screw"
tool = "head"
kind = "diameter"
unit = "mm"
step = "0.005 mm"
band = "-0.200..0.200 mm"
[template.loop]
mode = "confirm"
registers = ["screw"]
[[template.loop.characteristic]]
name = "bore"
limits = "40 H7"
operation = "hand-set boring head"
gauges = ["hand"]
[template.loop.bounds]
expires = "1 h"
expires_parts = 7

[[machine]]
name = "a"
serial = "1"
like = "borer"

[[machine]]
name = "b"
serial = "2"
like = "borer"
[[machine.register]]
name = "screw"
band = "-0.100..0.100 mm"
[[machine.register]]
name = "second screw"
tool = "head"
kind = "diameter"
unit = "mm"
step = "0.005 mm"
band = "-0.050..0.050 mm"

[[loop]]
name = "bore of a"
machine = "a"
like = "borer"

[[loop]]
name = "bore of b"
machine = "b"
like = "borer"
mode = "observe"
[loop.bounds]
expires_parts = 9
`

func TestWhatATemplateSaysHoldsWhereOneSaysNothing(t *testing.T) {
	c := must(t, plantOfTemplates)
	a, b := c.Settings("a"), c.Settings("b")
	if len(a.Registers) != 1 || len(b.Registers) != 2 || !a.ByHand || !b.ByHand {
		t.Fatalf("a %+v\nb %+v", a, b)
	}
	at := func(name string) int {
		return slices.IndexFunc(c.Machines[1].Registers, func(r Register) bool { return r.Name == name })
	}
	if got := c.Machines[1].Registers[at("screw")].Band.High; got != 100_000 {
		t.Errorf("the band of b's own is %s", got)
	}
	if got := a.Registers[0].Band.High; got != 200_000 {
		t.Errorf("the band of a, as the template has it, is %s", got)
	}
	if a.Loops[0].Mode != "confirm" || b.Loops[0].Mode != "observe" {
		t.Errorf("modes %s and %s", a.Loops[0].Mode, b.Loops[0].Mode)
	}
	if x, y := c.Loops[0].Bounds, c.Loops[1].Bounds; x.ExpiresParts != 7 || y.ExpiresParts != 9 || x.Expires != y.Expires {
		t.Errorf("bounds %+v and %+v", x, y)
	}
	// Written out it is the same.
	plain := strings.Replace(plantOfTemplates, "like = \"borer\"\n\n[[machine]]", `by_hand = true
[[machine.tool]]
name = "head"
[[machine.register]]
name = "screw"
tool = "head"
kind = "diameter"
unit = "mm"
step = "0.005 mm"
band = "-0.200..0.200 mm"

[[machine]]`, 1)
	if d := cmp.Diff(must(t, plain).Settings("a"), a); d != "" {
		t.Errorf("written out and by template (-out +by):\n%s", d)
	}
}

func TestWhatIsWrongWithTemplates(t *testing.T) {
	for _, x := range []struct{ old, with, want string }{
		{`like = "borer"`, `like = "borrer"`, `cell.toml:48: machine["a"].like = "borrer": names no template of a machine: there is no "borrer", did you mean "borer"?`},
		{`name = "borer"`, "name = \"borer\"\n[[template]]\nname = \"borer\"\n[template.loop]\nmode = \"observe\"\n[[template]]\nname = \"other\"", `is taken by another template`},
		{`by_hand = true`, "by_hand = true\nserial = \"9\"", `template["borer"].machine.serial = "9": is each machine's own, leave it out of a template`},
		{`by_hand = true`, "by_hand = true\nlike = \"borer\"", `template["borer"].machine.like = "borer": is each machine's own`},
		{`by_hand = true`, "by_hand = true\nspindle = 2", `machine["a"].spindle = 2: is not a key here`},
		{`band = "-0.200..0.200 mm"`, `band = "-0.200..0.200"`, `machine["a"].register["screw"].band = "-0.200..0.200": `},
		{`band = "-0.200..0.200 mm"`, `band = "-0.200..0.200"`, `; it stands in template "borer"`},
		{"[[template]]\n", "[[template]]\nname = \"empty\"\n[[template]]\n", `template["empty"]: describes nothing`},
		{"[[template]]\n", "[[template]]\nname = \"odd\"\ncolour = 1\n[template.loop]\nmode = \"observe\"\n[[template]]\n", `template["odd"].colour = 1: is not a key here`},
		{"name = \"bore of b\"\nmachine = \"b\"", "name = \"again\"\nmachine = \"a\"", `loop["again"].registers = ["screw"]: `}, // two owners of a register
	} {
		text := strings.Replace(plantOfTemplates, x.old, x.with, 1)
		_, err := Parse("cell.toml", []byte(text))
		var p Problems
		if !errors.As(err, &p) || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%q: %v\nwant %s", x.with, err, x.want)
		}
		for _, one := range p {
			tidy(t, one)
		}
	}
}
