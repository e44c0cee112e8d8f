package machine

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/length"
)

// Options describe one machine and how to reach it. Durations that are zero get
// the default named beside them.
type Options struct {
	Name     string // for logs
	Endpoint string // opc.tcp://host:port/path
	Security Security

	// Serial is the commissioned machine's own number, SerialNode where the
	// server tells it: compared at every connect and before every write.
	Serial     string
	SerialNode string

	// Demo says that this is a simulated machine. A server is one exactly when
	// it has DemoMark (default DefaultDemoMark).
	Demo     bool
	DemoMark string

	// Metadata is the commissioned digest of the nodes' description, as Inspect
	// reports it; empty accepts any, but a change between sessions is reported
	// as a difference once.
	Metadata string

	// Nodes the machine may lack have an empty ID. Without Counter every sample
	// counts 0; without Program it names ""; without Permitted it says true,
	// and core.Settings.Lacks must say "state" so that a person confirms.
	Counter    Node
	Program    Node
	Permitted  Node
	PartSerial Node
	Owner      Node       // holds our owner mark; needs Installation
	Tools      []Tool     // in the order of core.Settings.Tools
	Registers  []Register // in the order of core.Settings.Registers

	// Installation names this installation, the same over restarts and another for
	// every other. With it one program at most writes to the machine; without it no
	// claim is made, for a program that only watches.
	Installation string

	// Handover is the mailbox of the control's own program; nil writes registers
	// directly.
	Handover *Handover

	Answer     time.Duration // how long a write waits for its answer, and then its read-back for the value (2 s)
	Quarantine time.Duration // how long the control may be at a request that was withdrawn (30 s)
	Window     time.Duration // longest time from the start of the pre-read to sending (250 ms)
	Request    time.Duration // how long every other request waits (2 s)
	Health     time.Duration // between reads of the server's state; two misses end the session (2 s)
	Poll       time.Duration // between samples when nothing wakes us (1 s)
	Watch      time.Duration // publishing and sampling interval of the subscription (100 ms)
	Retry      time.Duration // first pause before a new session (250 ms)
	Longest    time.Duration // the pause doubles up to this while sessions do not last (4 s)
	Recheck    time.Duration // pause after a difference from what was commissioned, or one of the first refused logins (8 s)
	Relogin    time.Duration // pause after further refused logins, so that no account is locked by us (1 min)
	Renew      time.Duration // longest life of a session (30 min): a channel is replaced, never renewed

	// Now is the monotonic clock of Intent.SendBy, in milliseconds. Required.
	Now func() int64
	// Wall judges certificates (time.Now).
	Wall func() time.Time
	// Dial opens the TCP connection to host:port (net.Dialer).
	Dial func(ctx context.Context, address string) (*net.TCPConn, error)
	Log  *zap.Logger

	connect connector // the port; tests put a fake here
	clock   func() time.Time
	sleep   func(time.Duration)
}

// DefaultDemoMark is the node that only a simulated machine carries.
const DefaultDemoMark = "nsu=urn:offsetbridge:simulated-machine:builder;s=DemoMark"

// Security is fixed by the configuration. Nothing a server offers lowers it.
type Security struct {
	Policy string // "None", "Basic256Sha256", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss"
	Mode   string // "None", "Sign", "SignAndEncrypt"
	Pinned string // SHA-256 of the server's certificate (DER), hex, colons allowed; empty pins nothing

	CertificateFile string // our own, PEM or DER
	KeyFile         string // RSA key of it, PEM (PKCS #1 or #8) or DER

	User     string // empty logs in anonymously
	Password string
	// Plain allows a password that neither the channel nor the server's token
	// policy encrypts. Loopback needs no permission.
	Plain bool
}

// Node maps one value.
type Node struct {
	ID     string   // "nsu=URI;s=…", "nsu=URI;i=…" or "i=…" in the standard namespace
	Invert bool     // a boolean that means the opposite
	Equals []string // a state that permits when its text is one of these
}

// Tool maps a tool to the node that tells its generation or life counter.
type Tool struct {
	Name       string
	Generation Node // empty: the generation reads -1
}

// Register maps one offset number.
type Register struct {
	Name   string
	Node   Node
	Unit   length.Unit
	Step   length.Length
	Band   length.Range // hard band: nothing outside is sent, whoever asks
	Text   bool         // the control holds the number as text
	Number int64        // names the register in the mailbox; from 1
}

// Way is how a change gets into a register: "direct" or "hand-over".
func (o *Options) Way() string {
	if o.Handover != nil {
		return "hand-over"
	}
	return "direct"
}

func (o Options) withDefaults() Options {
	def := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	def(&o.Answer, 2*time.Second)
	def(&o.Quarantine, 30*time.Second)
	def(&o.Window, 250*time.Millisecond)
	def(&o.Request, 2*time.Second)
	def(&o.Health, 2*time.Second)
	def(&o.Poll, time.Second)
	def(&o.Watch, 100*time.Millisecond)
	def(&o.Retry, 250*time.Millisecond)
	def(&o.Longest, 4*time.Second)
	def(&o.Recheck, 8*time.Second)
	def(&o.Relogin, time.Minute)
	def(&o.Renew, 30*time.Minute)
	if o.DemoMark == "" {
		o.DemoMark = DefaultDemoMark
	}
	if o.Security.Policy == "" {
		o.Security.Policy = "None"
	}
	if o.Security.Mode == "" {
		o.Security.Mode = "None"
	}
	if o.Wall == nil {
		o.Wall = time.Now
	}
	if o.Dial == nil {
		o.Dial = dialTCP
	}
	if o.Log == nil {
		o.Log = zap.NewNop()
	}
	o.Log = o.Log.With(zap.String("machine", o.Name))
	if o.clock == nil {
		o.clock, o.sleep = time.Now, time.Sleep
	}
	if o.connect == nil {
		o.connect = connect
	}
	return o
}

// Check reports everything in the options that can never work, joined.
func (o Options) Check() error {
	o = o.withDefaults()
	var errs []error
	problem := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if u, err := url.Parse(o.Endpoint); err != nil || u.Scheme != "opc.tcp" || u.Host == "" {
		problem("endpoint %q is not an OPC UA address, write opc.tcp://host:port", clip(o.Endpoint))
	}
	if o.Now == nil {
		problem("machine %q has no monotonic clock", clip(o.Name))
	}
	errs = append(errs, o.Security.check()...)
	if (o.Serial == "") != (o.SerialNode == "") {
		problem("machine %q needs both its serial and the node that tells it", clip(o.Name))
	}
	if o.Serial == "" && (o.Security.Pinned == "" || o.Security.Mode == "None") {
		problem("machine %q has no identity, give serial and serial node, or pin its certificate on a secured channel", clip(o.Name))
	}
	errs = append(errs, o.checkNodes()...)
	return errors.Join(errs...)
}

func (o Options) checkNodes() []error {
	var errs []error
	seen := map[string]string{}
	check := func(role, id string, needed bool) {
		if id == "" {
			if needed {
				errs = append(errs, fmt.Errorf("%s has no node id, write it as in \"nsu=URI;s=name\"", role))
			}
			return
		}
		if _, err := parseAddress(id); err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", role, err))
		}
		if other, ok := seen[id]; ok && needed {
			errs = append(errs, fmt.Errorf("%s and %s share the node id %q, give each its own", other, role, clip(id)))
		}
		seen[id] = role
	}
	check("serial node", o.SerialNode, false)
	check("demo mark", o.DemoMark, false)
	check("counter", o.Counter.ID, false)
	check("program", o.Program.ID, false)
	check("permitted", o.Permitted.ID, false)
	check("part serial", o.PartSerial.ID, false)
	check(roleOwner, o.Owner.ID, false)
	for _, t := range o.Tools {
		check(fmt.Sprintf("tool %q", clip(t.Name)), t.Generation.ID, false)
	}
	for _, r := range o.Registers {
		role := fmt.Sprintf("register %q", clip(r.Name))
		check(role, r.Node.ID, true)
		if r.Unit.Size() == 0 {
			errs = append(errs, fmt.Errorf("%s has the unit %q, write mm, µm, nm, in or thou", role, clip(string(r.Unit))))
		}
		if r.Step <= 0 || r.Band.Low > r.Band.High {
			errs = append(errs, fmt.Errorf("%s needs a positive step and a band that runs upwards", role))
		}
	}
	if o.Handover != nil {
		for _, n := range o.Handover.nodes() {
			check(n.role, n.node.ID, true)
		}
		errs = append(errs, o.checkNumbers()...)
	}
	return errs
}

// checkNumbers reports registers that the mailbox cannot tell apart.
func (o Options) checkNumbers() []error {
	var errs []error
	named := map[int64]string{}
	for _, r := range o.Registers {
		if r.Number < 1 || r.Number > mostNumber {
			errs = append(errs, fmt.Errorf("register %q has the number %d in the mailbox, write one from 1 to %d", clip(r.Name), r.Number, mostNumber))
		} else if other, ok := named[r.Number]; ok {
			errs = append(errs, fmt.Errorf("registers %q and %q share the number %d in the mailbox, give each its own", clip(other), clip(r.Name), r.Number))
		}
		named[r.Number] = r.Name
	}
	return errs
}

func (s Security) check() []error {
	var errs []error
	problem := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if policyURI(s.Policy) == "" {
		problem("security policy %q is not known, write one of None, Basic256Sha256, Aes128_Sha256_RsaOaep, Aes256_Sha256_RsaPss", clip(s.Policy))
	}
	if messageMode(s.Mode) == 0 {
		problem("security mode %q is not known, write None, Sign or SignAndEncrypt", clip(s.Mode))
	}
	if (s.Policy == "None") != (s.Mode == "None") {
		problem("security policy %q and mode %q do not go together, set both or neither to None", clip(s.Policy), clip(s.Mode))
	}
	if s.Mode != "None" && (s.CertificateFile == "" || s.KeyFile == "") {
		problem("security mode %q needs a certificate and a key of our own", clip(s.Mode))
	}
	if s.Pinned != "" && len(s.pin()) != 32 {
		problem("pinned certificate %q is not a SHA-256, write 64 hexadecimal digits", clip(s.Pinned))
	}
	if s.User == "" && s.Password != "" {
		problem("a password without a user is given, name the user")
	}
	return errs
}

// pin returns the pinned fingerprint, nil when there is none.
func (s Security) pin() []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s.Pinned, ":", ""))
	if err != nil || len(b) == 0 {
		return nil
	}
	return b
}

func dialTCP(ctx context.Context, address string) (*net.TCPConn, error) {
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	return c.(*net.TCPConn), nil
}
