// Package peers runs independent OPC UA software for tests: a server and a
// client on node-opcua, which share no code with this project or with its OPC
// UA library.
//
// It needs node and npm. The first use installs the packages that package.json
// names, once, and says so. Where node or npm is missing the test fails, so
// that nobody takes an unproven interface for a proven one; a person who cannot
// install them sets OFFSETBRIDGE_NO_PEERS=1 and sees the tests skipped by name.
// Each process ends with its test: the server by itself when its input closes.
package peers

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Bounds. node starts slowly where the processor is shared.
const (
	startLimit   = 2 * time.Minute
	installLimit = 10 * time.Minute
	commandLimit = 30 * time.Second
	maxErrors    = 64 << 10 // bytes of a peer's standard error that are kept
)

// Machine is a running independent machine.
type Machine struct {
	Endpoint    string // opc.tcp://127.0.0.1:port
	Certificate []byte // DER; empty without security

	options Options
	cmd     *exec.Cmd
	ended   chan struct{} // closed once the process is gone
	errors  *tail

	mu    sync.Mutex
	in    io.WriteCloser
	lines chan line
}

type line struct {
	data []byte
	err  error
}

// Options describe an independent machine; the fields are those of the bundled
// simulator.
type Options struct {
	Serial    string     `json:"serial"`
	Name      string     `json:"name"`
	Program   string     `json:"program"`
	User      string     `json:"user,omitempty"`
	Password  string     `json:"password,omitempty"`
	Secure    bool       `json:"secure,omitempty"`
	Identity             // what a secured machine shows; without one it makes its own at each start
	Port      int        `json:"port,omitempty"`   // 0 takes a free one
	Memory    string     `json:"memory,omitempty"` // file that keeps the state over Kill and Restart
	Tools     []Tool     `json:"tools"`
	Registers []Register `json:"registers"`
	Handover  bool       `json:"handover,omitempty"` // registers change through the mailbox alone
}

// Tool is a tool with the parts it has cut.
type Tool struct {
	Name string `json:"name"`
	Life int    `json:"life"`
}

// Register is one offset register, all numbers in Unit.
type Register struct {
	Name       string  `json:"name"`
	Tool       string  `json:"tool"`
	Unit       string  `json:"unit"`
	Kind       string  `json:"kind"`
	Resolution float64 `json:"resolution"`
	Min        float64 `json:"min"`
	Max        float64 `json:"max"`
	Initial    float64 `json:"initial"`
	AsText     bool    `json:"asText,omitempty"`
}

// State is what the machine holds, with the log of writes over OPC UA.
type State struct {
	Counter   uint64             `json:"counter"`
	Cutting   bool               `json:"cutting"`
	Program   string             `json:"program"`
	Part      string             `json:"part"`
	Owner     string             `json:"owner"`
	Revision  uint64             `json:"revision"`
	Registers map[string]float64 `json:"registers"`
	Tools     map[string]struct {
		Generation uint64 `json:"generation"`
		Life       int    `json:"life"`
	} `json:"tools"`
	Log []struct {
		Register string  `json:"register"`
		Old      float64 `json:"old"`
		New      float64 `json:"new"`
	} `json:"log"`
}

// StartMachine starts an independent machine that ends with the test.
func StartMachine(t testing.TB, o Options) *Machine {
	t.Helper()
	m := &Machine{options: o, errors: &tail{}}
	m.start(t)
	t.Cleanup(func() {
		m.stop()
		if t.Failed() {
			t.Logf("the independent machine said:\n%s", m.errors)
		}
	})
	return m
}

// start runs the process and waits for its hello.
func (m *Machine) start(t testing.TB) {
	t.Helper()
	dir := Ready(t)
	given, err := json.Marshal(m.options)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("node", "machine.mjs", string(given))
	cmd.Dir = dir
	cmd.Stderr = m.errors
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatalf("cannot start the independent machine: %v", err)
	}
	m.cmd, m.in, m.lines, m.ended = cmd, in, make(chan line, 16), make(chan struct{})
	received := make(chan struct{})
	go func(lines chan line) {
		receive(out, lines)
		close(received)
	}(m.lines)
	go func(ended chan struct{}) {
		<-received
		cmd.Wait() //nolint:errcheck // how it ended shows in what it did
		close(ended)
	}(m.ended)
	var hello struct {
		Endpoint    string `json:"endpoint"`
		Certificate []byte `json:"certificate"`
		Error       string `json:"error"`
	}
	if err := m.next(startLimit, &hello); err != nil || hello.Error != "" {
		t.Fatalf("the independent machine did not start: %v %s\n%s", err, hello.Error, m.errors)
	}
	m.Endpoint, m.Certificate = hello.Endpoint, hello.Certificate
}

// stop ends the process in good order, with a limit.
func (m *Machine) stop() {
	m.in.Close() //nolint:errcheck // gone already
	select {
	case <-m.ended:
	case <-time.After(10 * time.Second):
		m.Kill()
	}
}

// Kill ends the process at once, as a power cut would end it. What it holds is
// lost unless Options.Memory names a file.
func (m *Machine) Kill() {
	m.cmd.Process.Kill() //nolint:errcheck // gone already
	<-m.ended
}

// Change alters the machine for its next Restart.
func (m *Machine) Change(f func(*Options)) { f(&m.options) }

// Restart kills the process where it runs and starts it again at the same
// endpoint.
func (m *Machine) Restart(t testing.TB) {
	t.Helper()
	m.Kill()
	m.mu.Lock()
	defer m.mu.Unlock()
	u, err := url.Parse(m.Endpoint)
	if err != nil {
		t.Fatal(err)
	}
	if m.options.Port, err = strconv.Atoi(u.Port()); err != nil {
		t.Fatal(err)
	}
	m.start(t)
}

// NodeID returns the portable identifier of what, in the words of the bundled
// simulator: "serial", "counter", "register/NAME", "tool/NAME/generation", ….
func (m *Machine) NodeID(what string) string {
	const builder = "nsu=urn:offsetbridge:simulated-machine:builder;s="
	fixed := map[string]string{
		"serial": "Identification/SerialNumber", "name": "Identification/Name", "demo": "DemoMark",
		"state": "Monitoring/Channel1/ChannelState", "program": "Production/ActiveProgram/Name",
		"counter": "Production/PartsCompleted", "part": "Production/PartSerial",
		"permitted": "Offsets/WritePermitted", "revision": "Offsets/OffsetRevision", "owner": "Writer/Owner",
	}
	if id, ok := fixed[what]; ok {
		return builder + id
	}
	kind, name, _ := strings.Cut(what, "/")
	switch kind {
	case "handover":
		return builder + "Handover/" + name
	case "register":
		return builder + "Offsets/" + name
	case "tool":
		tool, field, _ := strings.Cut(name, "/")
		if leaf, ok := map[string]string{"generation": "Generation", "life": "ToolLife", "active": "Active"}[field]; ok {
			return builder + "Equipment/Tools/" + tool + "/" + leaf
		}
	}
	panic(fmt.Sprintf("the independent machine has no node called %q", what))
}

// BeginCycle starts a part.
func (m *Machine) BeginCycle() error { return m.do(map[string]any{"do": "begin"}, nil) }

// EndCycle finishes the part and counts it.
func (m *Machine) EndCycle() error { return m.do(map[string]any{"do": "end"}, nil) }

// SetRegister types a value at the panel.
func (m *Machine) SetRegister(name string, v float64) error {
	return m.do(map[string]any{"do": "set", "register": name, "value": v}, nil)
}

// ChangeTool puts in a fresh tool and reports it.
func (m *Machine) ChangeTool(name string) error {
	return m.do(map[string]any{"do": "tool", "tool": name}, nil)
}

// SetProgram makes another program the active one.
func (m *Machine) SetProgram(name string) error {
	return m.do(map[string]any{"do": "program", "value": name}, nil)
}

// SetPart names the part in the machine.
func (m *Machine) SetPart(serial string) error {
	return m.do(map[string]any{"do": "part", "value": serial}, nil)
}

// State asks the machine what it holds.
func (m *Machine) State() (State, error) {
	var answer struct {
		State State `json:"state"`
	}
	err := m.do(map[string]any{"do": "state"}, &answer)
	return answer.State, err
}

// do sends one command and waits for its answer.
func (m *Machine) do(command map[string]any, into any) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	b, err := json.Marshal(command)
	if err != nil {
		return err
	}
	if _, err := m.in.Write(append(b, '\n')); err != nil {
		return fmt.Errorf("the independent machine is gone: %w", err)
	}
	var raw json.RawMessage
	if err := m.next(commandLimit, &raw); err != nil {
		return err
	}
	var answer struct {
		OK    bool   `json:"ok"`
		Error string `json:"error"`
	}
	if err := json.Unmarshal(raw, &answer); err != nil {
		return err
	}
	if !answer.OK {
		return errors.New(answer.Error)
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(raw, into)
}

func receive(out io.Reader, lines chan<- line) {
	r := bufio.NewReader(out)
	for {
		b, err := r.ReadBytes('\n')
		lines <- line{b, err}
		if err != nil {
			return
		}
	}
}

func (m *Machine) next(limit time.Duration, into any) error {
	select {
	case l := <-m.lines:
		if l.err != nil {
			return fmt.Errorf("the independent machine ended: %w", l.err)
		}
		return json.Unmarshal(l.data, into)
	case <-time.After(limit):
		return fmt.Errorf("the independent machine did not answer within %v", limit)
	}
}

// Attempt is one connection and session of the independent client. Mode is
// "None" (or empty), "Sign" or "SignAndEncrypt"; what a step is stands in
// client.mjs.
type Attempt struct {
	Mode     string           `json:"mode,omitempty"`
	User     string           `json:"user,omitempty"`
	Password string           `json:"password,omitempty"`
	Steps    []map[string]any `json:"steps"`
}

// Result is what became of an attempt: one answer a step, and why it ended
// before the last one.
type Result struct {
	Answers []map[string]any `json:"answers"`
	Error   string           `json:"error"`
}

// Client runs the independent client against a server, one attempt after the
// other, and returns one result an attempt.
func Client(t testing.TB, endpoint string, attempts ...Attempt) []Result {
	t.Helper()
	dir := Ready(t)
	given, err := json.Marshal(map[string]any{"endpoint": endpoint, "attempts": attempts})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), startLimit)
	defer cancel()
	cmd := exec.CommandContext(ctx, "node", "client.mjs", string(given))
	cmd.Dir = dir
	complaints := &tail{}
	cmd.Stderr = complaints
	out, err := cmd.Output()
	var results []Result
	for d := json.NewDecoder(bytes.NewReader(out)); err == nil && len(results) < len(attempts); {
		var r Result
		if err = d.Decode(&r); err == nil {
			results = append(results, r)
		}
	}
	if err != nil {
		t.Fatalf("the independent client ended early: %v\n%s", err, complaints)
	}
	return results
}

// Ready returns the folder of the peers with their packages installed.
func Ready(t testing.TB) string {
	t.Helper()
	if os.Getenv("OFFSETBRIDGE_NO_PEERS") == "1" {
		t.Skip("OFFSETBRIDGE_NO_PEERS=1: not tested against independent OPC UA software")
	}
	for _, tool := range []string{"node", "npm"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Fatalf("%s is not installed; install node 18 or later with npm, or set OFFSETBRIDGE_NO_PEERS=1 to leave independent OPC UA software out", tool)
		}
	}
	_, file, _, ok := runtime.Caller(0)
	dir := filepath.Dir(file)
	if !ok || !filepath.IsAbs(dir) { // built with -trimpath
		t.Fatal("cannot find the folder of the independent peers; build the tests without -trimpath")
	}
	if err := install(t, dir); err != nil {
		t.Fatal(err)
	}
	return dir
}

// install runs npm unless its own record of the installed packages is there;
// test processes that run at the same time wait for each other.
func install(t testing.TB, dir string) error {
	lock, err := os.Open(filepath.Join(dir, "package.json"))
	if err != nil {
		return err
	}
	defer lock.Close()
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); err != nil {
		return err
	}
	wanted, err := os.Stat(filepath.Join(dir, "package-lock.json"))
	if err != nil {
		return err
	}
	have, err := os.Stat(filepath.Join(dir, "node_modules", ".package-lock.json"))
	if err == nil && !have.ModTime().Before(wanted.ModTime()) {
		return nil
	}
	t.Logf("installing the independent peers with npm ci, once")
	ctx, cancel := context.WithTimeout(context.Background(), installLimit)
	defer cancel()
	cmd := exec.CommandContext(ctx, "npm", "ci")
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("npm ci failed: %w\n%s", err, out)
	}
	now := time.Now()
	return os.Chtimes(filepath.Join(dir, "node_modules", ".package-lock.json"), now, now)
}

// tail keeps the last bytes written to it.
type tail struct {
	mu sync.Mutex
	b  []byte
}

func (w *tail) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.b = append(w.b, p...)
	if over := len(w.b) - maxErrors; over > 0 {
		w.b = append(w.b[:0], w.b[over:]...)
	}
	return len(p), nil
}

func (w *tail) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return string(w.b)
}
