// Package mosquitto runs the Mosquitto broker of the distribution for a test:
// an independent peer, on a free loopback port, with its data in the test's own
// folder. A test that needs it fails, and says what to install, when it is
// missing.
package mosquitto

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

const binary = "mosquitto"

// Options sets up a broker. The zero Options is an open broker.
type Options struct {
	Users  map[string]string // name → password; empty: anybody may connect
	ACL    string            // contents of an acl_file; empty: no restriction
	Config []string          // further configuration lines
	Lazy   bool              // save to disk only at Stop: every save writes the whole queue, slow when it is long

	// Whole, when set, gives the whole configuration for a port and a folder.
	Whole func(port, dir string) string
}

// Broker is a Mosquitto process.
type Broker struct {
	tb     testing.TB
	addr   string
	config string
	log    string

	mu   sync.Mutex
	cmd  *exec.Cmd
	done chan struct{}
}

// Start starts a broker that ends with the test. Unless it is lazy, sessions and
// queued messages are written to disk at every change, so that they survive Kill.
func Start(tb testing.TB, o Options) *Broker {
	tb.Helper()
	dir := tb.TempDir()
	b := &Broker{tb: tb, config: filepath.Join(dir, "mosquitto.conf"), log: filepath.Join(dir, "mosquitto.log")}
	tb.Cleanup(b.Kill)
	var err error
	for range attempts { // another test may take the port between here and there
		b.addr = freeAddress(tb)
		b.write(b.config, b.lines(dir, o))
		if err = b.launch(); err == nil {
			return b
		}
	}
	tb.Fatal(err)
	return nil
}

// attempts bounds how often a start is tried.
const attempts = 5

func (b *Broker) lines(dir string, o Options) string {
	_, port, _ := net.SplitHostPort(b.addr)
	if o.Whole != nil {
		return o.Whole(port, dir)
	}
	lines := []string{
		"listener " + port + " 127.0.0.1",
		"persistence true",
		"persistence_location " + dir + "/",
		"log_dest file " + b.log,
		"log_type all",
		"max_queued_messages 100000",
		"set_tcp_nodelay true",
	}
	if o.Lazy {
		lines = append(lines, "autosave_interval 0")
	} else {
		lines = append(lines, "autosave_on_changes true", "autosave_interval 1")
	}
	lines = append(lines, AsRoot())
	if len(o.Users) == 0 {
		lines = append(lines, "allow_anonymous true")
	} else {
		lines = append(lines, "allow_anonymous false", "password_file "+b.passwords(dir, o.Users))
	}
	if o.ACL != "" {
		file := filepath.Join(dir, "acl")
		b.write(file, o.ACL)
		lines = append(lines, "acl_file "+file)
	}
	return strings.Join(append(lines, o.Config...), "\n") + "\n"
}

// AsRoot returns the configuration line that a broker started by root needs: it
// would otherwise change to its own user and lose the test's folder.
func AsRoot() string {
	if os.Geteuid() == 0 {
		return "user root"
	}
	return ""
}

func (b *Broker) passwords(dir string, users map[string]string) string {
	b.tb.Helper()
	file := filepath.Join(dir, "passwords")
	b.write(file, "")
	for name, password := range users {
		out, err := exec.Command("mosquitto_passwd", "-b", file, name, password).CombinedOutput()
		if err != nil {
			b.tb.Fatalf("mosquitto_passwd: %v: %s", err, out)
		}
	}
	return file
}

func (b *Broker) write(file, content string) {
	b.tb.Helper()
	if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
		b.tb.Fatal(err)
	}
}

func freeAddress(tb testing.TB) string {
	tb.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func find() (string, error) {
	if path, err := exec.LookPath(binary); err == nil {
		return path, nil
	}
	const system = "/usr/sbin/mosquitto" // not on every user's path
	if _, err := os.Stat(system); err != nil {
		return "", fmt.Errorf("the broker mosquitto is not installed, run: apt-get install -y mosquitto")
	}
	return system, nil
}

// Addr returns host:port, the same for the broker's whole life.
func (b *Broker) Addr() string { return b.addr }

// URL returns the address as clients take it.
func (b *Broker) URL() string { return "tcp://" + b.addr }

// Kill ends the process at once, as a power cut would end it.
func (b *Broker) Kill() { b.signal(syscall.SIGKILL, true) }

// Stop ends the process in good order.
func (b *Broker) Stop() { b.signal(syscall.SIGTERM, true) }

// Freeze halts the process: it keeps its connections and answers nothing.
func (b *Broker) Freeze() { b.signal(syscall.SIGSTOP, false) }

// Thaw lets a frozen process go on.
func (b *Broker) Thaw() { b.signal(syscall.SIGCONT, false) }

func (b *Broker) signal(s syscall.Signal, wait bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.cmd == nil {
		return
	}
	_ = b.cmd.Process.Signal(s)
	if wait {
		<-b.done
		b.cmd = nil
	}
}

// Restart starts the process again on the same port, killing it first when it
// runs, and returns once it accepts connections.
func (b *Broker) Restart() {
	b.tb.Helper()
	b.Kill()
	var err error
	for range attempts {
		if err = b.launch(); err == nil {
			return
		}
		time.Sleep(200 * time.Millisecond) // the port is still somebody's
	}
	b.tb.Fatal(err)
}

func (b *Broker) launch() error {
	path, err := find()
	if err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	cmd := exec.Command(path, "-c", b.config)
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("mosquitto does not start: %w", err)
	}
	done := make(chan struct{})
	go func() { _ = cmd.Wait(); close(done) }()
	for limit := time.After(60 * time.Second); ; {
		if c, err := net.Dial("tcp", b.addr); err == nil {
			c.Close()
			select {
			case <-done: // somebody else answered
			case <-time.After(10 * time.Millisecond):
				b.cmd, b.done = cmd, done
				return nil
			}
		}
		select {
		case <-done:
			return fmt.Errorf("mosquitto ended: %s", b.Log())
		case <-limit:
			_ = cmd.Process.Kill()
			return fmt.Errorf("mosquitto does not listen on %s: %s", b.addr, b.Log())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// Log returns what the broker has logged.
func (b *Broker) Log() string {
	text, err := os.ReadFile(b.log)
	if err != nil {
		return err.Error()
	}
	return string(text)
}
