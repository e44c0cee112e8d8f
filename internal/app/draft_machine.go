package app

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
)

// roles are what names look like for what a loop needs to know of a machine, the
// surest first. Common practice, no source.
var (
	counterLike    = regexp.MustCompile(`(?i)parts?completed|partcount|part_?counter|piececount|partsproduced|(count|counter)[^/]*part`)
	programLike    = regexp.MustCompile(`(?i)(active|current)?program(/name|name)?$`)
	serialLike     = regexp.MustCompile(`(?i)serial(number|_?no)?$`)
	partSerialLike = regexp.MustCompile(`(?i)(part|piece|workpiece)_?serial`)
	permittedLike  = regexp.MustCompile(`(?i)permit|maywrite|writeallowed|writeenabled`)
	generationLike = regexp.MustCompile(`(?i)(^|/)([^/]+)/(generation|changes|change_?count|tool_?changes)$`)
	lifeLike       = regexp.MustCompile(`(?i)(^|/)([^/]+)/(tool_?life|life|life_?counter|usage)$`)
)

// chosen is what a listing's nodes are taken for.
type chosen struct {
	serial, counter, program, permitted, partSerial *machine.Listed
	tools                                           []draftTool
	registers                                       []*machine.Listed
	odd                                             []*machine.Listed // writable numbers without a unit
}

type draftTool struct {
	name string
	node *machine.Listed
}

func choose(l *machine.Listing) chosen {
	var c chosen
	first := func(to **machine.Listed, n *machine.Listed, ok bool) {
		if ok && *to == nil {
			*to = n
		}
	}
	seen := map[string]int{}
	for i := range l.Nodes {
		n := &l.Nodes[i]
		text := n.Type == "String" || n.Type == "LocalizedText"
		whole := n.Numeric && n.Type != "Double" && n.Type != "Float"
		first(&c.partSerial, n, text && !n.Writable && partSerialLike.MatchString(n.Path))
		first(&c.serial, n, text && !n.Writable && n.Value != "" && serialLike.MatchString(n.Path) && !partSerialLike.MatchString(n.Path))
		first(&c.program, n, text && !n.Writable && programLike.MatchString(n.Path))
		first(&c.counter, n, whole && !n.Writable && counterLike.MatchString(n.Path))
		first(&c.permitted, n, n.Type == "Boolean" && !n.Writable && permittedLike.MatchString(n.Path))
		if whole && !n.Writable {
			c.tool(n, generationLike, seen, true)
			c.tool(n, lifeLike, seen, false)
		}
		switch number := n.Numeric || n.Type == "String" && isNumber(n.Value); {
		case n.Writable && number && n.Length != "":
			c.registers = append(c.registers, n)
		case n.Writable && number && n.Unit == "":
			c.odd = append(c.odd, n)
		}
	}
	return c
}

func isNumber(s string) bool {
	_, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	return err == nil && s != ""
}

// tool notes a node that tells of changes of a tool; a generation is better than
// a life counter.
func (c *chosen) tool(n *machine.Listed, like *regexp.Regexp, seen map[string]int, better bool) {
	m := like.FindStringSubmatch(n.Path)
	if m == nil {
		return
	}
	name := plainName(m[2], "tool")
	if i, ok := seen[name]; ok {
		if better {
			c.tools[i].node = n
		}
		return
	}
	seen[name] = len(c.tools)
	c.tools = append(c.tools, draftTool{name, n})
}

// most registers a draft lists; a control may have thousands.
const draftRegisters = 60

// machine writes the sections of one server.
func (w *draftWriter) machine(i int) {
	m, name := &w.Machines[i], w.machines[i]
	c := choose(&m.Listing)
	out := c.serial == nil && m.Mode == "None"
	if out {
		w.line("\n# The server at %s tells no serial: look at it through a secured session (--policy, --mode),\n# so that its certificate can be pinned. Until then nobody could tell this machine from its twin.", m.Endpoint)
	}
	text := w.machineText(m, name, c)
	if out {
		w.line("# %s", strings.ReplaceAll(strings.TrimSpace(text), "\n", "\n# "))
		return
	}
	w.written++
	w.line("\n%s", strings.TrimSpace(text))
}

func (w *draftWriter) machineText(m *DraftMachine, name string, c chosen) string {
	var b strings.Builder
	add := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	serial := "WRITE ITS SERIAL"
	if c.serial != nil {
		serial = c.serial.Value
	}
	add("[[machine]]\nname = %q\nserial = %q # CHECK against its plate\nendpoint = %q", name, serial, m.Endpoint)
	if m.Demo {
		add("demo = true")
	}
	add("security_policy = %q\nsecurity_mode = %q", m.Policy, m.Mode)
	if m.Peer.Fingerprint != "" && m.Mode != "None" {
		add("server_certificate_sha256 = %q # CHECK at the control that it is its own", m.Peer.Fingerprint)
	}
	if m.CertFile != "" {
		add("cert_file = %q\nkey_file = %q", m.CertFile, m.KeyFile)
	}
	if m.User != "" {
		add("user = %q\npassword_env = %q", m.User, m.PasswordEnv)
	}
	add("counts_at = \"end\" # CHECK when in the cycle the part counter counts\neffective = \"next cycle\" # CHECK when a new register value acts")
	add("\n[machine.nodes]")
	for _, n := range []struct {
		key string
		of  *machine.Listed
	}{{"serial", c.serial}, {"counter", c.counter}, {"program", c.program}, {"permitted", c.permitted}, {"part_serial", c.partSerial}} {
		if n.of == nil {
			add("# %s = \"…\" # the server has no node that looks like it; without counter or permitted a person confirms every change", n.key)
			continue
		}
		add("%s = %q # reads %q", n.key, n.of.ID, n.of.Value)
		if n.key == "permitted" {
			add("permitted_when = [\"true\"] # CHECK at the machine: true while it stands still")
		}
	}
	w.tools(add, c)
	w.registerText(add, name, c)
	return b.String()
}

// tools writes the tools that changes are told of, and one for each register that
// belongs to none of them.
func (w *draftWriter) tools(add func(string, ...any), c chosen) {
	var used []string
	for _, t := range c.tools {
		if !slices.ContainsFunc(c.registers, func(r *machine.Listed) bool { return toolOf(r, c) == t.name }) {
			continue
		}
		used = append(used, t.name)
		add("\n[[machine.tool]]\nname = %q\ngeneration = %q # CHECK that it changes with every new insert or tool", t.name, t.node.ID)
	}
	if slices.ContainsFunc(c.registers, func(r *machine.Listed) bool { return toolOf(r, c) == noTool }) && !slices.Contains(used, noTool) {
		add("\n[[machine.tool]]\nname = %q # CHECK which tool; without generation a person confirms every change", noTool)
	}
}

const noTool = "tool"

// toolOf finds the tool whose name a register's name carries, the longest first.
func toolOf(r *machine.Listed, c chosen) string {
	best := ""
	for _, t := range c.tools {
		if len(t.name) > len(best) && hasWord(r.Path, t.name) {
			best = t.name
		}
	}
	if best == "" {
		return noTool
	}
	return best
}

// hasWord reports whether text holds the word, not as a part of a longer one.
func hasWord(text, word string) bool {
	for at := 0; ; {
		i := strings.Index(text[at:], word)
		if i < 0 {
			return false
		}
		i += at
		end := i + len(word)
		if (i == 0 || !alnum(text[i-1])) && (end == len(text) || !alnum(text[end])) {
			return true
		}
		at = i + 1
	}
}

func alnum(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
}

func (w *draftWriter) registerText(add func(string, ...any), machineName string, c chosen) {
	var taken []string
	list := c.registers
	if w.Unit != "" {
		for _, n := range c.odd {
			x := *n
			x.Length = w.Unit
			list = append(list, &x)
		}
	} else if len(c.odd) > 0 {
		add("\n# %d writable numbers tell no unit, as %q: declare it with --unit, or leave them alone.", len(c.odd), c.odd[0].Path)
	}
	for i, r := range list {
		if i == draftRegisters {
			add("\n# %d more writable numbers with a unit of length are left out; see the list.", len(list)-i)
			break
		}
		step, band := grid(r)
		if band == "" {
			add("\n# %q allows %s only: no room for a band.", r.Path, r.Range)
			continue
		}
		name := unique(plainName(r.Name, "register"), taken)
		taken = append(taken, name)
		w.registers[name] = machineName
		kind, sure := kindOf(r.Path)
		check := " # CHECK what the number is"
		if sure {
			check = " # CHECK, as its name says"
		}
		add("\n[[machine.register]]\nname = %q\nnode = %q # reads %s, the control takes %s\ntool = %q", name, r.ID, r.Value, orNothing(r.Range), toolOf(r, c))
		add("kind = %q%s\nunit = %q\nstep = %q # CHECK its smallest increment\nband = %q # CHECK that every value inside is harmless", kind, check, r.Length, step, band)
		if !r.Numeric {
			add("text = true")
		}
	}
}

func orNothing(s string) string {
	if s == "" {
		return "a range it does not tell"
	}
	return s
}

// kindOf reads what a register is from its name; a guess where it does not say.
func kindOf(path string) (kind string, sure bool) {
	lower := strings.ToLower(path[strings.LastIndexByte(path, '/')+1:])
	switch {
	case strings.Contains(lower, "radius"):
		return "radius", true
	case strings.Contains(lower, "diam"):
		return "diameter", true
	case strings.Contains(lower, "length"):
		return "length", true
	case hasWord(lower, "x"):
		return "x diameter", false
	case hasWord(lower, "z"):
		return "z", true
	}
	return "diameter", false
}

// grid proposes a step and a narrow band inside the control's range.
func grid(r *machine.Listed) (step, band string) {
	type usual struct {
		step, reach float64
		decimals    int
	}
	u, ok := map[length.Unit]usual{
		length.MM: {0.001, 0.1, 3}, length.UM: {1, 100, 0}, length.NM: {1000, 100_000, 0}, length.IN: {0.0001, 0.004, 4}, length.THOU: {0.1, 4, 1},
	}[r.Length]
	if !ok {
		return "", ""
	}
	if r.Resolution > 0 {
		u.step = r.Resolution
		_, fraction, _ := strings.Cut(strconv.FormatFloat(u.step, 'f', -1, 64), ".")
		u.decimals = len(fraction)
	} else if r.Numeric && r.Type != "Double" && r.Type != "Float" {
		u.step, u.decimals = math.Max(1, math.Round(u.step)), 0
	}
	low, high := -u.reach, u.reach
	if r.Low < r.High {
		low, high = max(low, r.Low), min(high, r.High)
	}
	low, high = math.Ceil(low/u.step-1e-9)*u.step, math.Floor(high/u.step+1e-9)*u.step
	if high-low < 4*u.step-1e-12 {
		return "", ""
	}
	return fmt.Sprintf("%.*f %s", u.decimals, u.step, r.Length), fmt.Sprintf("%.*f..%.*f %s", u.decimals, low, u.decimals, high, r.Length)
}
