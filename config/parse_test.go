package config

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/BurntSushi/toml"

	"offsetbridge/internal/core"
)

func decoded(t testing.TB, b []byte) map[string]any {
	t.Helper()
	m := map[string]any{}
	if err := toml.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

func problemsOf(text string) string {
	_, err := Parse("x.toml", []byte(text))
	if err == nil {
		return ""
	}
	return err.Error()
}

func TestFieldForms(t *testing.T) {
	text := string(read(t, "../testdata/config/good/text-numbers.toml"))
	g := must(t, text).Gauge("bore-1")
	want := Message{
		Value: Field{Kind: Pointer, Text: "/value"}, Unit: Field{Kind: Pointer, Text: "/unit"}, Sequence: Field{Kind: Pointer, Text: "/sequence"},
		Time: Field{Kind: Pointer, Text: "/time", Optional: true}, Characteristic: Field{Kind: Pointer, Text: "/characteristic"},
		Machine: Field{Kind: Level, Text: "machine"}, Part: Field{Kind: Pointer, Text: "/part"},
		Cut: Field{Kind: Pointer, Text: "/cut", Optional: true}, State: Field{Kind: Level, Text: "kind"},
	}
	if g.Message != want {
		t.Errorf("message %+v\nwant %+v", g.Message, want)
	}
	if g.Filter() != "cell/+/bore-1/+" || !slices.Equal(g.Levels(), []string{"", "machine", "", "kind"}) {
		t.Errorf("filter %q, levels %q", g.Filter(), g.Levels())
	}
	if !g.TextNumbers || !g.DecimalComma || g.BareNumber || g.TimeFormat != "ms" || g.MaxDecimals != 4 || !slices.Equal(g.ProductionWhen, []string{"P"}) {
		t.Errorf("gauge %+v", g)
	}
}

// Two templates overlap when one topic can match both, whichever of them has
// the named level.
func TestOverlappingTopics(t *testing.T) {
	for _, c := range []struct {
		topics []string
		clash  bool
	}{
		{[]string{"a/{x}/b", "a/c/{y}"}, true},
		{[]string{"a/c/{y}", "a/{x}/b"}, true},
		{[]string{"a/b/c", "a/b/c"}, true},
		{[]string{"a/{x}", "a/{y}"}, true},
		{[]string{"a/{x}/b", "a/{x}/c"}, false},
		{[]string{"a/{x}", "a/{x}/c"}, false},
		{[]string{"a/{x}/c", "b/{x}/c"}, false},
		{[]string{"a/b/{x}/d", "a/c/{y}/d", "a/{z}/e/f"}, false},
		{[]string{"a/b/{x}/d", "a/c/{y}/d", "a/{z}/e/d"}, true},
	} {
		tree, clash := &topicTree{}, false
		for i, topic := range c.topics {
			clash = tree.add(fmt.Sprint(i), Gauge{Topic: topic}.Filter()) != "" || clash
		}
		if clash != c.clash {
			t.Errorf("%q: overlap %v, want %v", c.topics, clash, c.clash)
		}
	}
}

// A file with a thousand slips gives a bounded list.
func TestProblemsAreBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("version = 1\n")
	for i := range 5000 {
		fmt.Fprintf(&b, "slip%d = %d\n", i, i)
	}
	_, err := Parse("x.toml", []byte(b.String()))
	var p Problems
	if !errors.As(err, &p) || len(p) != most {
		t.Errorf("%d problems, want %d", len(p), most)
	}
}

func TestTooDeepAndTooLarge(t *testing.T) {
	if s := problemsOf("a = " + strings.Repeat("[", 100_000)); !strings.Contains(s, "nest 100000 deep") {
		t.Errorf("deep nesting: %s", s)
	}
	if s := problemsOf(strings.Repeat("#", maxBytes+1)); !strings.Contains(s, "larger than 16 MB") {
		t.Errorf("large file: %s", s)
	}
	if s := problemsOf("a = \"" + string([]byte{0xff, 0xfe})); s == "" || strings.ContainsAny(s, "\n") {
		t.Errorf("broken UTF-8: %q", s)
	}
}

// Relative paths start at the file's folder, whatever the working directory is.
func TestRelativePaths(t *testing.T) {
	text := strings.Replace(string(read(t, "../testdata/config/good/secured.toml")), "[journal]", "[socket]\npath = \"run/s\"\n\n[journal]", 1)
	c, err := Parse("/etc/ob/cell.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	s := c.Machines[0].Security
	got := []string{c.Journal.Directory, c.Socket.Path, c.MQTT.Login.PasswordFile, c.MQTT.CAFile, s.CertFile, s.KeyFile}
	if !slices.Equal(got, []string{"/etc/ob/data", "/etc/ob/run/s", "/etc/ob/mqtt-password", "/etc/ob/ca.pem", "/etc/ob/own.pem", "/etc/ob/own-key.pem"}) {
		t.Errorf("paths %q", got)
	}
	if s.ServerCertificate != strings.Repeat("ab", 32) || s.Policy != "Aes256_Sha256_RsaPss" || s.Login.PasswordEnv != "MILL_PASSWORD" {
		t.Errorf("security %+v", s)
	}
}

// Problems come from the top of the file to the bottom.
func TestProblemsFollowTheFile(t *testing.T) {
	_, err := Parse("x", read(t, "../testdata/config/bad/everything-at-once.toml"))
	var p Problems
	if !errors.As(err, &p) || len(p) < 7 || !slices.IsSortedFunc(p, func(a, b Problem) int { return a.Line - b.Line }) {
		t.Errorf("not in order:\n%v", err)
	}
}

// large returns a plant of n machines with m loops each.
func large(n, m int) []byte {
	var b strings.Builder
	b.WriteString("version = 1\n[journal]\ndirectory = \"d\"\n[mqtt]\nbroker = \"mqtt://127.0.0.1:1883\"\n")
	for i := range n {
		fmt.Fprintf(&b, "[[gauge]]\nname = \"g%d\"\ntopic = \"cell/{machine}/gauge/{gauge}/reading\"\nidentity = \"counter\"\nrange = \"27..29 mm\"\nresolution = \"1 um\"\nmax_decimals = 4\n"+
			"message = {value = \"/v\", unit = \"=mm\", sequence = \"/n\", characteristic = \"/c\", machine = \"{machine}\", part = \"/p\", state = \"=production\"}\n", i)
		fmt.Fprintf(&b, "[[machine]]\nname = \"m%d\"\nserial = \"s%d\"\nendpoint = \"opc.tcp://127.0.0.1:4840\"\nsecurity_policy = \"None\"\nsecurity_mode = \"None\"\ncounts_at = \"end\"\neffective = \"at once\"\n"+
			"[machine.nodes]\nserial = \"nsu=m%d;s=n\"\ncounter = \"nsu=m%d;s=c\"\nprogram = \"nsu=m%d;s=p\"\npermitted = \"nsu=m%d;s=w\"\npermitted_when = [\"true\"]\n", i, i, i, i, i, i)
		for k := range m {
			fmt.Fprintf(&b, "[[machine.tool]]\nname = \"T%d\"\ngeneration = \"nsu=m%d;s=t%d\"\n[[machine.register]]\nname = \"T%d\"\nnode = \"nsu=m%d;s=r%d\"\ntool = \"T%d\"\nkind = \"diameter\"\nunit = \"mm\"\nstep = \"1 um\"\nband = \"-0.2..0.2 mm\"\nclearance = \"1 mm\"\n", k, i, k, k, i, k, k)
		}
	}
	for i := range n {
		for k := range m {
			fmt.Fprintf(&b, "[[loop]]\nname = \"l%d\"\nmachine = \"m%d\"\nprogram = \"P\"\nmode = \"auto\"\nregisters = [\"T%d\"]\n[[loop.characteristic]]\nname = \"c%d\"\nlimits = \"28.000..28.033 mm\"\noperation = \"milled bore\"\ngauges = [\"g%d\"]\n", k, i, k, k, i)
		}
	}
	return []byte(b.String())
}

// A plant is one file, and a large one has no more problems than a small one.
func TestPlant(t *testing.T) {
	c := must(t, string(large(40, 20)))
	if len(c.Loops) != 800 || len(c.Warnings) > 0 || len(c.Settings("m39").Loops) != 20 {
		t.Errorf("%d loops, %d warnings", len(c.Loops), len(c.Warnings))
	}
}

// A plant hall: 10,000 loops on 500 machines.
func BenchmarkParse(b *testing.B) {
	data := large(500, 20)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		if _, err := Parse("x", data); err != nil {
			b.Fatal(err)
		}
	}
}

// Whatever the bytes, Parse ends with a configuration or with problems that
// can be printed; an accepted one can be used.
func FuzzParse(f *testing.F) {
	for _, half := range []string{"good", "bad"} {
		for _, path := range corpus(f, half, 10) {
			b, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(b)
		}
	}
	f.Add(Cell)
	f.Add(Demo)
	f.Add([]byte(scattered))
	f.Add([]byte("a = 0b\n"))
	f.Add([]byte("\"a\\nb\" = 1\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse("fuzz.toml", data)
		if err != nil {
			var p Problems
			if !errors.As(err, &p) || c != nil || len(p) == 0 {
				t.Fatalf("Parse = %v, %v", c, err)
			}
			for _, one := range p {
				if s := one.String(); one.Say == "" || strings.ContainsFunc(s, unicode.IsControl) || len(s) > 3000 || one.Line < 0 {
					t.Fatalf("problem %q", s)
				}
			}
			return
		}
		for _, m := range c.Machines {
			s := c.Settings(m.Name)
			for _, l := range s.Loops {
				usable(t, &s, l)
			}
		}
	})
}

// usable checks what the core takes for granted in an accepted loop.
func usable(t *testing.T, s *core.Settings, l core.Loop) {
	t.Helper()
	b := l.Bounds
	switch {
	case len(l.Effects) != len(l.Characteristics) || len(l.Registers) == 0 || len(l.Characteristics) == 0 || s.Digest(l.Name) == "":
		t.Fatalf("loop %q has no full matrix", l.Name)
	case !(l.Damping > 0 && l.Damping <= 1) || l.MinReadings < 1 || l.DeadBand < 0:
		t.Fatalf("loop %q: damping %g, readings %d, dead band %v", l.Name, l.Damping, l.MinReadings, l.DeadBand)
	case b.AutoStep <= 0 || b.AutoStep > b.OperatorStep || b.OperatorStep > b.SetterStep || b.Travel < b.AutoStep || b.Expires <= 0 || b.ExpiresParts <= 0:
		t.Fatalf("loop %q: bounds %+v", l.Name, b)
	}
	for _, c := range l.Characteristics {
		if !c.Limits.Contains(c.Aim) || c.Tolerance() <= 0 || c.Plausible.Low > c.Limits.Low || c.Plausible.High < c.Limits.High || len(c.Gauges) == 0 {
			t.Fatalf("characteristic %+v", c)
		}
	}
	for k, name := range l.Registers {
		r := s.Register(name)
		if r == nil || r.Step <= 0 || r.Unit == "" || r.Node == "" || r.Band.Width() < 4*r.Step || !r.Band.Low.OnGrid(r.Step) {
			t.Fatalf("register %q: %+v", name, r)
		}
		if l.Mode != core.Observe && l.Effects[0][k] == 0 {
			t.Fatalf("loop %q steers by a register without effect", l.Name)
		}
		if l.Mode == core.Auto && (len(s.Lacks) > 0 || l.Effects[0][k].Of(r.Step).Abs() > b.AutoStep || l.Program == "") {
			t.Fatalf("loop %q must not be automatic", l.Name)
		}
	}
}
