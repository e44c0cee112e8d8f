package app

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"offsetbridge/config"
	"offsetbridge/internal/intake"
	"offsetbridge/internal/length"
	"offsetbridge/internal/machine"
)

// Draft is what a look at a broker and at machines found, from which Text writes
// a configuration to go on with. What nobody told stands in a comment that says
// CHECK or as a section that is commented out: a draft observes, it never guesses
// what a number means and then writes by it.
type Draft struct {
	Broker    string // mqtt://host:port; empty: not looked at
	Topic     string // filter that was listened to
	Proposals []*intake.Proposal
	Machines  []DraftMachine
	Unit      length.Unit // what a person declared, where nobody tells one
	Loops     []DraftLoop

	Base   []byte         // an accepted configuration that the draft is to be added to; nil: it stands alone
	Config *config.Config // of Base
}

// DraftMachine is a server with the protection by which it was looked at.
type DraftMachine struct {
	machine.Listing
	Policy, Mode      string
	CertFile, KeyFile string
	User, PasswordEnv string
}

// DraftLoop is what only a drawing and a person know.
type DraftLoop struct {
	Characteristic, Limits, Operation, Register string
}

// ParseDraftLoop reads "CHARACTERISTIC; LIMITS; OPERATION; REGISTER".
func ParseDraftLoop(s string) (DraftLoop, error) {
	parts := strings.Split(s, ";")
	if len(parts) != 4 {
		return DraftLoop{}, fmt.Errorf(`loop %q is not understood, write "CHARACTERISTIC; LIMITS; OPERATION; REGISTER", as in "bore 28 H8; 28 H8; milled bore; T12-diameter"`, s)
	}
	for i, p := range parts {
		if parts[i] = strings.TrimSpace(p); parts[i] == "" {
			return DraftLoop{}, fmt.Errorf("loop %q has an empty part, write all four", s)
		}
	}
	return DraftLoop{parts[0], parts[1], parts[2], parts[3]}, nil
}

// Text returns the draft as a configuration file that `check` accepts, or the
// problems that keep it from that.
func (d *Draft) Text() (string, error) {
	w := &draftWriter{Draft: d}
	if d.Config == nil {
		w.line("# A draft from what was heard and offered. It observes and writes nothing. Where it")
		w.line("# says CHECK nobody told: look at the machine, the gauge and the drawing first.")
		w.line("# Every option is explained in config/cell.toml. It is no safety function.")
		w.line("version = 1\n\n[journal]\ndirectory = \"journal\"")
		if d.Broker != "" {
			w.line("\n[mqtt]\nbroker = %q", d.Broker)
		}
	}
	w.nameMachines()
	w.known()
	for _, p := range d.Proposals {
		w.gauge(p)
	}
	for i := range d.Machines {
		w.machine(i)
	}
	if d.Config == nil && w.written == 0 {
		w.line("\n%s", placeholder(w.machines))
	}
	for _, l := range d.Loops {
		w.loop(l)
	}
	if len(d.Loops) == 0 && d.Config == nil {
		w.line("\n# A loop needs what only the drawing and a person know; give it with --loop, or here:")
		w.line("# [[loop]]\n# name = \"bore\"\n# machine = \"…\"\n# mode = \"observe\"\n# registers = [\"…\"]\n#")
		w.line("# [[loop.characteristic]]\n# name = \"…\"  # as the messages call it\n# limits = \"28 H8\"\n# operation = \"milled bore\"\n# gauges = [\"…\"]")
	}
	text := w.b.String()
	whole := text
	if d.Base != nil {
		whole = string(d.Base) + "\n" + text
	}
	if _, err := config.Parse("draft", []byte(whole)); err != nil {
		return text, err
	}
	return text, nil
}

// known takes over what the configuration has already.
func (w *draftWriter) known() {
	if w.Config == nil {
		if len(w.machines) == 0 {
			w.machines = []string{w.onlyMachine("machine-1")}
		}
		return
	}
	for i := range w.Config.Machines {
		m := &w.Config.Machines[i]
		w.machines = append(w.machines, m.Name)
		for _, r := range m.Registers {
			w.registers[r.Name] = m.Name
		}
	}
	for _, g := range w.Config.Gauges {
		w.gauges, w.topics = append(w.gauges, g.Name), append(w.topics, g.Filter())
	}
	for _, a := range w.Config.Announcements {
		w.topics = append(w.topics, a.Filter())
	}
}

// onlyMachine is the machine that all messages name, where they do.
func (w *draftWriter) onlyMachine(otherwise string) string {
	var heard []string
	for _, p := range w.Proposals {
		for _, m := range p.Machines {
			if !slices.Contains(heard, m) {
				heard = append(heard, m)
			}
		}
	}
	if len(heard) != 1 {
		return otherwise
	}
	return plainName(strings.ReplaceAll(heard[0], " ", "-"), otherwise)
}

// placeholder stands for a machine that nobody has looked at yet: without one a
// gauge has nothing to serve.
func placeholder(names []string) string {
	return fmt.Sprintf(`# CHECK: this machine was not looked at. Give its opc.tcp:// address in the same command, or write it here.
[[machine]]
name = %q
serial = "WRITE ITS SERIAL"
endpoint = "opc.tcp://192.0.2.1:4840"
security_policy = "None"
security_mode = "None"
counts_at = "end"
effective = "next cycle"

[machine.nodes]
serial = "nsu=urn:its-builder:machine;s=serial"`, names[0])
}

// draftWriter writes one draft.
type draftWriter struct {
	*Draft
	b         strings.Builder
	machines  []string            // names, in order
	gauges    []string            // names taken
	topics    []string            // filters taken
	serves    map[string][]string // characteristic → gauges; "" those that do not say
	registers map[string]string   // register → machine
	written   int                 // machines
}

func (w *draftWriter) line(format string, a ...any) { fmt.Fprintf(&w.b, format+"\n", a...) }

var oddName = regexp.MustCompile(`[^A-Za-z0-9_. -]+`)

// plainName makes a name that a configuration takes.
func plainName(s, otherwise string) string {
	s = strings.Trim(oddName.ReplaceAllString(s, "-"), "-. ")
	if s = s[:min(len(s), 40)]; s == "" {
		return otherwise
	}
	return s
}

func unique(name string, taken []string) string {
	for i, n := 2, name; ; i++ {
		if !slices.Contains(taken, n) {
			return n
		}
		n = fmt.Sprintf("%s-%d", name, i)
	}
}

// nameMachines calls each server by what the messages call it, where that is
// clear, else by the object that it shows first.
func (w *draftWriter) nameMachines() {
	w.serves, w.registers = map[string][]string{}, map[string]string{}
	for i := range w.Machines {
		name := fmt.Sprintf("machine-%d", i+1)
		for _, n := range w.Machines[i].Nodes {
			if top, _, ok := strings.Cut(n.Path, "/"); ok {
				name = plainName(top, name)
				break
			}
		}
		if len(w.Machines) == 1 {
			name = w.onlyMachine(name)
		}
		w.machines = append(w.machines, unique(strings.ReplaceAll(name, " ", "-"), w.machines))
	}
}

// gauge writes the section of one proposal.
func (w *draftWriter) gauge(p *intake.Proposal) {
	if !p.Usable() || p.Messages == 0 {
		w.line("\n# Topic %q carries nothing that looks like a size.", p.Topic)
		return
	}
	topic, source, said := w.machineOf(p)
	filter := config.Gauge{Topic: topic}.Filter()
	if slices.Contains(w.topics, filter) || slices.ContainsFunc(w.topics, func(t string) bool { return covers(t, p.Topic) }) {
		return // the same gauge at another machine, or one that is configured
	}
	unit := p.Unit
	if unit == "" {
		unit = w.Unit
	}
	var lacks []string
	if unit == "" {
		lacks = append(lacks, "its unit (declare it with --unit)")
	}
	if source == "" {
		lacks = append(lacks, "its machine (look at the machine in the same command)")
	}
	name := unique(plainName(p.Gauge, "gauge"), w.gauges)
	text := w.gaugeText(p, name, topic, source, said, unit)
	if len(lacks) > 0 {
		w.line("\n# Nobody tells %s, so this gauge is commented out:", strings.Join(lacks, " and "))
		w.line("# %s", strings.ReplaceAll(strings.TrimSpace(text), "\n", "\n# "))
		return
	}
	w.gauges, w.topics = append(w.gauges, name), append(w.topics, filter)
	for _, f := range p.Features {
		w.serves[f] = append(w.serves[f], name)
	}
	if len(p.Features) == 0 {
		w.serves[""] = append(w.serves[""], name)
	}
	w.line("\n%s", strings.TrimSpace(text))
}

func (w *draftWriter) gaugeText(p *intake.Proposal, name, topic, source, said string, unit length.Unit) string {
	var b strings.Builder
	add := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	identity, feature := p.Identity, p.Fields["characteristic"]
	if feature == "" && identity != "task" {
		if len(w.Loops) == 1 {
			feature = "=" + w.Loops[0].Characteristic
		} else {
			identity = "task"
		}
	}
	low, high, step := w.span(p, unit)
	add("[[gauge]]\nname = %q\ntopic = %q", name, topic)
	add("identity = %q # CHECK whose part a reading is", identity)
	add("range = \"%s..%s %s\" # CHECK what it can measure; %d messages were heard", low, high, unit, p.Messages)
	add("resolution = \"%s %s\" # CHECK its smallest step\nmax_decimals = %d", step, unit, p.Decimals)
	if p.Bare {
		add("bare_number = true")
	}
	if p.Text && !p.Bare {
		add("text_numbers = true")
	}
	if p.Comma && !p.Bare {
		add("decimal_comma = true")
	}
	if p.Times != "" {
		add("time_format = %q", p.Times)
	}
	if s := p.Fields["state"]; s != "" {
		add("# production_when = [\"…\"] # CHECK which words besides production mean a part of the series; heard: %s", quoteAll(p.States))
	}
	add("\n[gauge.message]")
	if !p.Bare {
		add("value = %q", p.Fields["value"])
	}
	if u := p.Fields["unit"]; u != "" {
		add("unit = %q", u)
	} else {
		add("unit = \"=%s\" # as declared", unit)
	}
	add("machine = %q%s", source, said)
	for _, f := range []struct{ field, source string }{
		{"characteristic", feature}, {"part", p.Fields["part"]}, {"sequence", p.Fields["sequence"]}, {"time", p.Fields["time"]},
	} {
		if f.source != "" && !p.Bare {
			add("%s = %q", f.field, f.source)
		}
	}
	if c := p.Fields["cut"]; c != "" {
		add("cut = %q", "?"+c)
	}
	if s := p.Fields["state"]; s != "" {
		add("state = %q", s)
	} else {
		add("state = \"=production\" # CHECK true only where nothing but parts of the series is measured")
	}
	return b.String()
}

func quoteAll(list []string) string {
	var out []string
	for _, s := range list {
		out = append(out, fmt.Sprintf("%q", s))
	}
	return strings.Join(out, ", ")
}

// covers reports whether a filter of words and + matches a topic.
func covers(filter, topic string) bool {
	f, t := strings.Split(filter, "/"), strings.Split(topic, "/")
	if len(f) != len(t) {
		return false
	}
	for i := range f {
		if f[i] != "+" && f[i] != t[i] {
			return false
		}
	}
	return true
}

// span widens what was heard to a range, in the gauge's unit.
func (w *draftWriter) span(p *intake.Proposal, unit length.Unit) (low, high, step string) {
	margin := 10 * (p.High - p.Low)
	if least := map[length.Unit]float64{length.MM: 0.1, length.UM: 100, length.NM: 100_000, length.IN: 0.004, length.THOU: 4}[unit]; margin < least {
		margin = least
	}
	format := func(v float64) string { return fmt.Sprintf("%.*f", p.Decimals, v) }
	smallest := "1"
	if p.Decimals > 0 {
		smallest = "0." + strings.Repeat("0", p.Decimals-1) + "1"
	}
	return format(p.Low - margin), format(p.High + margin), smallest
}

// machineOf says where a gauge's machine comes from: the message, a level of the
// topic, or the only machine there is.
func (w *draftWriter) machineOf(p *intake.Proposal) (topic, source, said string) {
	topic = p.Topic
	if s := p.Fields["machine"]; s != "" && slices.ContainsFunc(p.Machines, func(m string) bool { return slices.Contains(w.machines, m) }) {
		return topic, s, ""
	}
	levels := strings.Split(topic, "/")
	for i, l := range levels {
		if i > 0 && slices.Contains(w.machines, l) {
			levels[i] = "{machine}"
			return strings.Join(levels, "/"), "{machine}", ""
		}
	}
	if len(w.machines) == 1 {
		return topic, "=" + w.machines[0], " # CHECK that it measures this machine's parts alone"
	}
	return topic, "", ""
}

// loop writes what a person gave, observing.
func (w *draftWriter) loop(l DraftLoop) {
	gauges := w.serves[l.Characteristic]
	if len(gauges) == 0 {
		gauges = w.serves[""]
	}
	w.line("\n[[loop]]\nname = %q\nmachine = %q\nmode = \"observe\" # then \"confirm\", then \"auto\"\nregisters = [%q]",
		l.Characteristic, w.registers[l.Register], l.Register)
	w.line("\n[[loop.characteristic]]\nname = %q\nlimits = %q\noperation = %q\ngauges = [%s]",
		l.Characteristic, l.Limits, l.Operation, quoteAll(gauges))
}
