package config

import (
	"encoding/base64"
	"encoding/hex"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"offsetbridge/internal/compensate"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

// Machine is one machine tool and what of it is mapped.
type Machine struct {
	Name       string
	Serial     string // the commissioned machine's own number
	ByHand     bool   // no connection: people type every change and say so
	Demo       bool
	Endpoint   string // opc.tcp://host:port
	Security   Security
	CountsAt   string // core.CountsAtStart or core.CountsAtEnd
	Effective  string // core.ActsAtOnce or core.ActsNextCycle
	Fresh      time.Duration
	Window     time.Duration
	Answer     time.Duration
	Quarantine time.Duration
	Poll       time.Duration
	Nodes      Nodes
	Tools      []Tool
	Registers  []Register
	Handover   *Handover // nil: registers are written directly

	remote bool // certainly on another computer
	boxed  bool // has a mailbox for hand-overs
}

// Security fixes how a session is protected. Nothing a server offers lowers it.
type Security struct {
	Policy, Mode      string // "None", "None" or a policy with "Sign" or "SignAndEncrypt"
	ServerCertificate string // SHA-256 of the server's certificate, 64 lower-case hexadecimal digits
	CertFile, KeyFile string // our own
	Login             Login
	PlainPassword     bool // the password may travel unencrypted
}

// Nodes maps what a machine tells about itself; "" is what it does not tell.
type Nodes struct {
	Counter, Program, Permitted, Serial, PartSerial, Owner string

	PermittedWhen []string // texts of Permitted that allow writing
}

// Tool is a tool and the node that counts its changes or its life.
type Tool struct {
	Name, Generation string
}

// Register is an offset number with what only the edge and the checks need.
type Register struct {
	core.Register
	Text      bool          // the control holds the number as text
	Clearance length.Length // how far the size may move without harm; 0 = not said
	Number    int64         // names it in the mailbox of a hand-over; 0 without one
}

// Lacks lists what the machine does not expose, as core.Settings wants it.
func (m *Machine) Lacks() []string {
	var lacks []string
	if m.Nodes.Counter == "" {
		lacks = append(lacks, "counter")
	}
	if len(m.Tools) == 0 || slices.ContainsFunc(m.Tools, func(t Tool) bool { return t.Generation == "" }) {
		lacks = append(lacks, "tool")
	}
	if m.Nodes.Permitted == "" {
		lacks = append(lacks, "state")
	}
	return lacks
}

func (m *Machine) register(name string) *Register {
	for i := range m.Registers {
		if m.Registers[i].Name == name {
			return &m.Registers[i]
		}
	}
	return nil
}

func readMachine(t *table, dir string) Machine {
	m := Machine{Name: t.name(true)}
	t.has("like") // read before, see useTemplates
	m.Serial, _ = t.need("serial", "the machine's own number as it stands on its plate and in its control: budgets belong to it")
	m.Demo = t.flag("demo")
	if m.ByHand = t.flag("by_hand"); m.ByHand {
		m.readByHand(t)
		return m
	}
	if s, ok := t.need("endpoint", "the address of its OPC UA server, as in \"opc.tcp://host:4840\""); ok {
		m.Endpoint = s
		m.remote = t.address("endpoint", s, "opc.tcp")
		if m.Demo && m.remote {
			t.problem("endpoint", "is not on this computer although demo = true: a simulated machine lives on 127.0.0.1, a real one has no demo")
		}
	}
	m.readSecurity(t, dir)
	m.readTimes(t)
	if n := t.table("nodes"); n != nil {
		m.readNodes(n)
	} else {
		t.problem("nodes", "is missing, write [machine.nodes] with counter, program, permitted and serial, as far as the machine has them")
	}
	for _, x := range t.tables("tool") {
		tool := Tool{Name: x.name(false), Generation: x.node("generation")}
		if slices.ContainsFunc(m.Tools, func(o Tool) bool { return o.Name != "" && o.Name == tool.Name }) {
			x.problem("name", "is taken by another tool of this machine, name each tool once")
		}
		m.Tools = append(m.Tools, tool)
		x.close()
	}
	m.boxed = t.has("handover")
	for _, x := range t.tables("register") {
		m.readRegister(x)
	}
	if box := t.table("handover"); box != nil {
		m.readHandover(box)
	}
	m.checkIdentity(t)
	t.close()
	return m
}

func (m *Machine) readSecurity(t *table, dir string) {
	s := &m.Security
	if _, ok := t.need("security_policy", "\"Basic256Sha256\", another policy the server offers, or \"None\""); ok {
		s.Policy, _ = t.choice("security_policy", "None", "Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss")
	}
	if _, ok := t.need("security_mode", "\"SignAndEncrypt\", \"Sign\" or \"None\""); ok {
		s.Mode, _ = t.choice("security_mode", "None", "Sign", "SignAndEncrypt")
	}
	if s.Policy != "" && s.Mode != "" && (s.Policy == "None") != (s.Mode == "None") {
		t.problem("security_mode", "does not go with security_policy = %q, set both to None or neither", s.Policy)
	}
	if x, ok := t.text("server_certificate_sha256"); ok {
		s.ServerCertificate = strings.ToLower(strings.ReplaceAll(x, ":", ""))
		if b, err := hex.DecodeString(s.ServerCertificate); err != nil || len(b) != 32 {
			t.problem("server_certificate_sha256", "is not a SHA-256, write 64 hexadecimal digits, as `offsetbridge check --dial` shows them")
		}
	}
	s.CertFile, s.KeyFile = t.file("cert_file", dir), t.file("key_file", dir)
	t.pair("cert_file", "key_file")
	if s.Mode != "" && s.Mode != "None" && !t.has("cert_file") {
		t.problem("security_mode", "needs a certificate of our own, write cert_file and key_file")
	}
	s.Login = t.login(dir)
	s.PlainPassword = t.flag("plain_password")
	if s.Mode == "None" && s.Login.User != "" && m.remote && !s.PlainPassword {
		t.problem("user", "would send its password through an unsecured session, choose a security policy or, if the network is closed, plain_password = true")
	}
}

func (m *Machine) readTimes(t *table) {
	if _, ok := t.need("counts_at", "\"start\" or \"end\": when in the cycle the part counter counts"); ok {
		m.CountsAt, _ = t.choice("counts_at", core.CountsAtStart, core.CountsAtEnd)
	}
	if _, ok := t.need("effective", "\"at once\" or \"next cycle\": when a new register value acts"); ok {
		m.Effective, _ = t.choice("effective", core.ActsAtOnce, core.ActsNextCycle)
	}
	var ok [5]bool
	m.Poll, ok[0] = t.duration("poll", time.Second, 50*time.Millisecond, 30*time.Second)
	m.Fresh, ok[1] = t.duration("fresh", max(5*time.Second, 3*m.Poll), 100*time.Millisecond, 2*time.Minute)
	m.Window, ok[2] = t.duration("window", 250*time.Millisecond, 10*time.Millisecond, 5*time.Second)
	m.Answer, ok[3] = t.duration("answer", 2*time.Second, 100*time.Millisecond, 30*time.Second)
	m.Quarantine, ok[4] = t.duration("quarantine", max(30*time.Second, 2*m.Answer), 200*time.Millisecond, time.Hour)
	if ok[3] && ok[4] && m.Quarantine <= m.Answer {
		t.problem("quarantine", "is not longer than answer (%s): a late write could still land after it, write at least %s",
			sayDuration(m.Answer), sayDuration(2*m.Answer))
	}
	if ok[0] && ok[1] && m.Fresh < 2*m.Poll {
		t.problem("fresh", "is less than two polls (%s each): every sample would be stale, write at least %s",
			sayDuration(m.Poll), sayDuration(2*m.Poll))
	}
	if ok[1] && ok[2] && m.Window > m.Fresh {
		t.problem("window", "is longer than fresh (%s), write a shorter time, as in \"250 ms\"", sayDuration(m.Fresh))
	}
}

func (m *Machine) readNodes(t *table) {
	n := &m.Nodes
	n.Counter, n.Program, n.Permitted = t.node("counter"), t.node("program"), t.node("permitted")
	n.Serial, n.PartSerial = t.node("serial"), t.node("part_serial")
	n.Owner = t.node("owner")
	n.PermittedWhen, _ = t.words("permitted_when", `["true"]`)
	switch {
	case t.has("permitted") && !t.has("permitted_when"):
		t.problem("permitted_when", "is missing, list the values of the permitted node that allow writing, as in [\"true\"]")
	case !t.has("permitted") && t.has("permitted_when"):
		t.problem("permitted_when", "has no node it could speak of, write permitted as well")
	}
	t.close()
}

func (m *Machine) readRegister(t *table) {
	r := Register{}
	r.Name = t.name(false)
	if m.register(r.Name) != nil && r.Name != "" {
		t.problem("name", "is taken by another register of this machine, name each register once")
	}
	switch {
	case m.ByHand:
		r.Node = "by hand: " + r.Name
		t.refuse("on a machine by hand, which nothing is read from", "node", "text", "adds")
	case t.has("node"):
		r.Node = t.node("node")
	default:
		t.problem("node", "is missing, write the register's node id, as in \"nsu=urn:builder:machine;s=wear.12\"")
	}
	r.Tool = m.toolOf(t)
	if _, ok := t.need("kind", "what the number is: "+list(compensate.Kinds(), "or")); ok {
		r.Kind, _ = t.choice("kind", compensate.Kinds()...)
	}
	if s, ok := t.need("unit", "the control's own unit: mm, µm or in"); ok {
		u, err := length.ParseUnit(s)
		if err != nil {
			t.problem("unit", "%s", err)
		}
		r.Unit = u
	}
	step, stepOK := t.needLength("step", "the smallest increment of the register", "0.001 mm")
	if stepOK && step <= 0 {
		t.problem("step", "is not above zero, write the smallest increment of the register, as in \"0.001 mm\"")
		stepOK = false
	}
	band, bandOK := t.needSpan("band", "the hard band, in which every value is harmless for machine and person", "-0.2..0.2 mm", length.ParseRange)
	if bandOK && stepOK {
		bandOK = checkBand(t, band, step)
	}
	if stepOK {
		r.Step = step
	}
	if bandOK {
		r.Band = band
	}
	m.readGraduation(t, &r)
	r.Text = t.flag("text")
	if t.flag("adds") {
		t.problem("adds", "says that writing adds to the register instead of setting it: only absolute values are written, map a register that is set")
	}
	if l, ok := t.length("clearance", "0.5 mm"); ok && l <= 0 {
		t.problem("clearance", "is not above zero, write how far the size may move without harm or leave the key out")
	} else if ok {
		r.Clearance = l
	}
	m.readNumber(t, &r)
	m.Registers = append(m.Registers, r)
	t.close()
}

func checkBand(t *table, band length.Range, step length.Length) bool {
	switch {
	case band.Width() < 4*step:
		t.problem("step", "is larger than a quarter of the band (%s wide), widen the band or correct the step", band.Width())
		return false
	case !band.Low.OnGrid(step) || !band.High.OnGrid(step):
		low, high := length.Round(band.Low, 0, step), length.Round(band.High, 0, step)
		t.problem("band", "does not begin and end on a whole step (%s), write %q", step, length.Range{Low: low, High: high})
		return false
	}
	if !band.Contains(0) {
		t.warn("band", "leaves zero out: right where the number holds geometry and wear together, wrong for a wear number")
	}
	return true
}

func (m *Machine) toolOf(t *table) string {
	s, ok := t.need("tool", "the tool whose row the register is in")
	if !ok {
		return ""
	}
	var names []string
	for _, x := range m.Tools {
		names = append(names, x.Name)
	}
	if !slices.Contains(names, s) {
		t.unknown("tool", s, "tool of this machine", names)
		return ""
	}
	return s
}

// unknown reports a name that nothing has, with the one it may be a slip of.
func (t *table) unknown(name, s, what string, have []string) {
	near, one := nearest(s, have), "one of "
	have = slices.DeleteFunc(slices.Clone(have), func(s string) bool { return s == "" })
	switch {
	case near != "":
		t.problem(name, "names no %s: there is no %q, did you mean %q?", what, clip(s), near)
	case len(have) == 0:
		t.problem(name, "names no %s: there is no %q, describe it first", what, clip(s))
	default:
		if len(have) == 1 {
			one = ""
		} else if len(have) > 8 {
			have = append(have[:8:8], "…")
		}
		t.problem(name, "names no %s: there is no %q, write %s%s", what, clip(s), one, list(have, "or"))
	}
}

// checkIdentity asks for a way to tell this machine from its twin.
func (m *Machine) checkIdentity(t *table) {
	if m.Nodes.Serial != "" || !t.has("nodes") || m.Security.Mode == "" {
		return
	}
	if m.Security.ServerCertificate == "" || m.Security.Mode == "None" {
		t.problem("nodes", "has no serial: nobody could tell this machine from its twin, write the node of its serial or pin server_certificate_sha256 on a secured session")
	}
}

// node reads an OPC UA node id whose namespace is a URI. One that was reported
// is still returned, so that it does not count as missing.
func (t *table) node(name string) string {
	s, ok := t.text(name)
	if !ok {
		return ""
	}
	if strings.HasPrefix(s, "ns=") && !strings.HasPrefix(s, "ns=0;") {
		t.problem(name, "uses a namespace index, which may change at any restart of the server: write \"nsu=URI;…\"")
		return s
	}
	if id := nodeID.FindStringSubmatch(s); id == nil || !validID(id[1], id[2]) {
		t.problem(name, "is not a node id, write it as in \"nsu=urn:builder:machine;s=wear.12\" or \"i=2258\"")
	}
	return s
}

var nodeID = regexp.MustCompile(`^(?:nsu=[^;]+;)?([isgb])=(.+)$`)

var guid = regexp.MustCompile(`^[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}$`)

// validID checks the identifier of a node id (OPC 10000-6).
func validID(kind, text string) bool {
	switch kind {
	case "i":
		_, err := strconv.ParseUint(text, 10, 32)
		return err == nil
	case "g":
		return guid.MatchString(text)
	case "b":
		_, err := base64.StdEncoding.DecodeString(text)
		return err == nil
	}
	return true
}

func (t *table) needLength(name, what, example string) (length.Length, bool) {
	if !t.has(name) {
		t.problem(name, "is missing, write %s, as in %q", what, example)
		return 0, false
	}
	return t.length(name, example)
}

func (t *table) needSpan(name, what, example string, parse func(string) (length.Range, error)) (length.Range, bool) {
	if !t.has(name) {
		t.problem(name, "is missing, write %s, as in %q", what, example)
		return length.Range{}, false
	}
	return t.span(name, example, parse)
}
