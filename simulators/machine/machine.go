package machine

import (
	"errors"
	"fmt"
	"math"
	"net"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// BuilderURI is the namespace of the invented machine builder: the offset
// table and everything else that no companion specification defines.
const BuilderURI = "urn:offsetbridge:simulated-machine:builder"

// MachineToolURI is the namespace of OPC 40501-1, used for browse names only.
const MachineToolURI = "http://opcfoundation.org/UA/MachineTool/"

// Errors that Start, Restart and SetRegister wrap.
var (
	ErrNotLoopback = errors.New("a simulated machine listens on loopback only")
	ErrOptions     = errors.New("simulated machine: bad options")
	ErrClosed      = errors.New("simulated machine is closed")
	ErrRegister    = errors.New("register refuses the value")
)

// Options describe one simulated machine.
type Options struct {
	Addr             string // host:port; empty is 127.0.0.1:0
	AllowNonLoopback bool   // without it an address beyond loopback is refused
	Serial, Name     string // of the machine
	User, Password   string // empty user: anonymous sessions only
	Secure           bool   // sessions need Basic256Sha256 (sign, or sign and encrypt)
	Tools            []Tool
	Registers        []Register
	Program          string
	CountAtStart     bool             // the part counter rises in BeginCycle, not in EndCycle
	RefuseInCycle    bool             // the control refuses register writes while cutting; most do not
	Handover         bool             // registers are changed through the mailbox alone; a register's number is its place, from 1
	HandoverTakes    time.Duration    // how long the control's program takes to find a request, while the machine stands
	Now              func() time.Time // for time stamps; nil is time.Now

	// A poor server: what it does not tell.
	NoCounter, NoPermitted, NoGeneration, NoUnits bool

	Filler   int  // so many numeric nodes of no meaning beside the others, at most 500,000
	NoLimits bool // the server does not tell its operation limits, and lists a folder in one answer however long

	openTimeout time.Duration // from the connection to an open channel; tests shorten it
}

// Register is one number of the offset table. All values are in Unit.
type Register struct {
	Name       string
	Tool       string
	Unit       string  // "mm", "in" or "µm"
	Kind       string  // "radius", "diameter", "length", "x" or "z"
	Resolution float64 // smallest step, > 0
	Min, Max   float64 // the control's own input limits
	Initial    float64
	AsText     bool // the node is a String holding a decimal number
	Rounds     bool // off-grid input is rounded in silence; otherwise it is refused
}

// Server is a running simulated machine.
type Server struct {
	o       Options
	addr    string // host:port once bound
	network *network
	keys    *identity
	nodes   *space
	started atomic.Int64 // Unix time in nanoseconds

	order sync.Mutex // effects reach OnEffect one at a time; taken before mu

	mu       sync.Mutex // everything below: the machine is one thing that happens at one time
	st       State
	cached   sample
	faults   []armed
	late     map[*time.Timer]struct{}
	effects  []Effect
	onEffect func(Effect)
	onRead   func()
	sessions map[string]*session
	subs     map[uint32]*subscription
	lastID   uint32
	closed   bool
	finding  bool      // the control's program is about to look into the mailbox
	ignored  int32     // the request that it does not look at
	asks     string    // session that wrote the newest request
	spoilt   faultKind // of the write that brought it
	panics   []string
}

// Start binds the address and serves until Close.
func Start(o Options) (*Server, error) {
	if o.Addr == "" {
		o.Addr = "127.0.0.1:0"
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.openTimeout == 0 {
		o.openTimeout = openTimeout
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	s := &Server{
		o:        o,
		st:       newState(o),
		late:     map[*time.Timer]struct{}{},
		sessions: map[string]*session{},
		subs:     map[uint32]*subscription{},
	}
	s.started.Store(o.Now().UnixNano())
	s.cached = sample{st: s.st.clone(), at: o.Now()}
	s.nodes = newSpace(s)
	if o.Secure {
		k, err := newIdentity(s.applicationURI())
		if err != nil {
			return nil, fmt.Errorf("simulated machine: cannot make a certificate: %w", err)
		}
		s.keys = k
	}
	n, err := listen(s, o.Addr)
	if err != nil {
		return nil, err
	}
	s.network, s.addr = n, n.l.Addr().String()
	n.start()
	return s, nil
}

// Endpoint returns the URL clients connect to: opc.tcp://127.0.0.1:port.
func (s *Server) Endpoint() string { return "opc.tcp://" + s.addr }

// NodeID returns the portable identifier ("nsu=URI;s=…") of what: "serial",
// "name", "counter", "permitted", "state", "program", "part", "workpiece", "revision",
// "demo", "handover/Request" (Register, Old, New, Check, Acknowledged, Result),
// "register/NAME", "tool/NAME/generation", "tool/NAME/life" or
// "tool/NAME/active". It panics for anything else: a test asked for a node
// that does not exist.
func (s *Server) NodeID(what string) string {
	id, ok := s.nodes.names[what]
	if !ok {
		panic(fmt.Sprintf("simulated machine has no node called %q", what))
	}
	return "nsu=" + BuilderURI + ";s=" + id
}

// Stop is a server outage: the port closes, connections and sessions are gone,
// the machine goes on.
func (s *Server) Stop() {
	s.mu.Lock()
	n := s.network
	s.network = nil
	s.mu.Unlock()
	if n == nil {
		return
	}
	n.close()
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.sessions)
	clear(s.subs)
}

// Restart ends an outage on the same port (or makes a short one).
func (s *Server) Restart() error {
	s.Stop()
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	if closed {
		return ErrClosed
	}
	var n *network
	var err error
	for wait := time.Millisecond; ; wait *= 2 {
		if n, err = listen(s, s.addr); err == nil || wait > time.Second {
			break
		}
		time.Sleep(wait) // the port may still be held by the operating system
	}
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed || s.network != nil {
		n.l.Close()
		return ErrClosed
	}
	s.network = n
	s.started.Store(s.o.Now().UnixNano())
	n.start()
	return nil
}

// Close ends the server and forgets effects that were still to come.
func (s *Server) Close() error {
	s.mu.Lock()
	s.closed = true
	for t := range s.late {
		t.Stop()
	}
	clear(s.late)
	s.mu.Unlock()
	s.Stop()
	return nil
}

func (s *Server) applicationURI() string {
	return "urn:offsetbridge:simulated-machine:" + strings.ReplaceAll(s.o.Serial, " ", "-")
}

// check reports every problem of the options at once.
func (o Options) check() error {
	var bad []error
	add := func(format string, a ...any) { bad = append(bad, fmt.Errorf(format, a...)) }
	host, _, err := net.SplitHostPort(o.Addr)
	switch ip := net.ParseIP(host); {
	case err != nil:
		add("%w: address %q is not host:port", ErrOptions, o.Addr)
	case !o.AllowNonLoopback && host != "localhost" && (ip == nil || !ip.IsLoopback()):
		add("%w: %q is not a loopback address; use 127.0.0.1, or allow it on purpose", ErrNotLoopback, o.Addr)
	}
	if o.User == "" && o.Password != "" {
		add("%w: a password needs a user", ErrOptions)
	}
	if o.Filler < 0 || o.Filler > maxFiller {
		add("%w: %d filler nodes are not 0 to %d", ErrOptions, o.Filler, maxFiller)
	}
	tools := map[string]bool{}
	for _, t := range o.Tools {
		if t.Name == "" || strings.Contains(t.Name, "/") || tools[t.Name] {
			add("%w: tool %q needs a name of its own without a slash", ErrOptions, t.Name)
		}
		tools[t.Name] = true
	}
	seen := map[string]bool{}
	for _, r := range o.Registers {
		if r.Name == "" || seen[r.Name] {
			add("%w: register %q needs a name of its own", ErrOptions, r.Name)
		}
		seen[r.Name] = true
		if !tools[r.Tool] {
			add("%w: register %q belongs to tool %q, which is not listed", ErrOptions, r.Name, r.Tool)
		}
		if err := r.check(); err != nil {
			bad = append(bad, err)
		}
	}
	return errors.Join(bad...)
}

func (r Register) check() error {
	var bad []error
	add := func(format string, a ...any) {
		bad = append(bad, fmt.Errorf("%w: register %q: "+format, append([]any{ErrOptions, r.Name}, a...)...))
	}
	if _, ok := units[r.Unit]; !ok {
		add("unit %q is none of mm, in, µm", r.Unit)
	}
	switch r.Kind {
	case "radius", "diameter", "length", "x", "z":
	default:
		add("kind %q is none of radius, diameter, length, x, z", r.Kind)
	}
	if !(r.Resolution > 0) || math.IsInf(r.Resolution, 0) {
		add("resolution %v is not above zero", r.Resolution)
		return errors.Join(bad...)
	}
	if !(r.Min < r.Max) || math.IsInf(r.Min, 0) || math.IsInf(r.Max, 0) {
		add("range %v to %v is empty", r.Min, r.Max)
	}
	if _, err := r.accept(r.Initial); err != nil {
		add("initial value %v is out of range or off the grid of %v", r.Initial, r.Resolution)
	}
	return errors.Join(bad...)
}

// accept returns v as the control stores it: the grid value next to it.
func (r Register) accept(v float64) (float64, error) {
	if math.IsNaN(v) || v < r.Min || v > r.Max {
		return 0, fmt.Errorf("%w: %s = %v is outside %v to %v %s", ErrRegister, r.Name, v, r.Min, r.Max, r.Unit)
	}
	steps := math.Round(v / r.Resolution)
	if !r.Rounds && math.Abs(v/r.Resolution-steps) > 1e-6 {
		return 0, fmt.Errorf("%w: %s = %v is no multiple of %v %s", ErrRegister, r.Name, v, r.Resolution, r.Unit)
	}
	return r.step(steps), nil
}

// step returns the float64 next to the decimal number steps × resolution.
func (r Register) step(steps float64) float64 {
	v, _ := strconv.ParseFloat(strconv.FormatFloat(steps*r.Resolution, 'f', r.decimals(), 64), 64)
	return v + 0 // -0 becomes 0
}

func (r Register) decimals() int {
	_, frac, _ := strings.Cut(strconv.FormatFloat(r.Resolution, 'f', -1, 64), ".")
	return len(frac)
}

func (r Register) text(v float64) string { return strconv.FormatFloat(v, 'f', r.decimals(), 64) }
