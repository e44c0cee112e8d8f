// Package broker is an embedded MQTT broker for the demo and for tests.
//
// It listens on the loopback interface only, unless told otherwise, keeps
// everything in memory, and forgets its sessions when it is stopped: it stands
// in for a broker without persistence. It answers a client's message before it has
// passed it on, so one that arrives while a reader connects again may be lost. It is
// no broker for a plant.
package broker

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// User may log in and use the topics that its filters match.
type User struct {
	Password string
	Read     []string // filters that may be subscribed to
	Write    []string // filters that may be published to
}

// Options sets up a broker. The zero Options is an open broker on a free port.
type Options struct {
	Address     string          // host:port; empty is a free port on 127.0.0.1
	Unsafe      bool            // allow an address other than loopback
	Users       map[string]User // empty: anybody may do anything
	MaxInFlight uint16          // unacknowledged messages per client; 0 = the library's
	MaxPayload  uint32          // longest packet in bytes; 0 = 256 KiB
	Log         *slog.Logger    // nil is silent
}

// Broker is a running broker.
type Broker struct {
	o       Options
	address string
	mu      sync.Mutex
	server  *mqtt.Server
}

// ErrNotLoopback refuses an address that other computers could reach.
var ErrNotLoopback = errors.New("address is not loopback")

// Start starts a broker and returns once it accepts connections.
func Start(o Options) (*Broker, error) {
	if o.Address == "" {
		o.Address = "127.0.0.1:0"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
	if !o.Unsafe && !loopback(o.Address) {
		return nil, fmt.Errorf("broker on %q: %w, anybody on the network could send readings; use 127.0.0.1", o.Address, ErrNotLoopback)
	}
	b := &Broker{o: o, address: o.Address}
	return b, b.Restart()
}

func loopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// Addr returns host:port.
func (b *Broker) Addr() string { return b.address }

// URL returns the address as clients take it.
func (b *Broker) URL() string { return "tcp://" + b.address }

// Restart starts the broker again on the same port, stopping it first when it
// runs. Its sessions, queued and retained messages are gone.
func (b *Broker) Restart() error {
	b.Stop()
	capabilities := mqtt.NewDefaultServerCapabilities()
	if b.o.MaxInFlight > 0 {
		capabilities.MaximumInflight = b.o.MaxInFlight
		capabilities.ReceiveMaximum = b.o.MaxInFlight
	}
	capabilities.MaximumPacketSize = 256 << 10
	if b.o.MaxPayload > 0 {
		capabilities.MaximumPacketSize = b.o.MaxPayload
	}
	server := mqtt.New(&mqtt.Options{Capabilities: capabilities, Logger: b.o.Log, InlineClient: true})
	if err := server.AddHook(&access{users: b.o.Users}, nil); err != nil {
		return fmt.Errorf("broker on %q: %w", b.address, err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "tcp", Address: b.address})
	if err := server.AddListener(tcp); err != nil {
		return fmt.Errorf("broker on %q cannot listen, is the port taken: %w", b.address, err)
	}
	if err := server.Serve(); err != nil {
		return fmt.Errorf("broker on %q: %w", b.address, err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.address, b.server = tcp.Address(), server
	return nil
}

// Stop closes all connections and the port; a stopped broker stays stopped.
func (b *Broker) Stop() {
	b.mu.Lock()
	server := b.server
	b.server = nil
	b.mu.Unlock()
	if server != nil {
		_ = server.Close()
	}
}

// Publish sends a message as if a client had.
func (b *Broker) Publish(topic string, payload []byte, retained bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.server == nil {
		return errors.New("broker is stopped")
	}
	return b.server.Publish(topic, payload, retained, 1)
}

// access checks passwords and topics.
type access struct {
	mqtt.HookBase
	users map[string]User
}

func (a *access) ID() string { return "access" }

func (a *access) Provides(b byte) bool {
	return bytes.Contains([]byte{mqtt.OnConnectAuthenticate, mqtt.OnACLCheck}, []byte{b})
}

func (a *access) OnConnectAuthenticate(_ *mqtt.Client, p packets.Packet) bool {
	if len(a.users) == 0 {
		return true
	}
	user, ok := a.users[string(p.Connect.Username)]
	return ok && user.Password == string(p.Connect.Password)
}

func (a *access) OnACLCheck(c *mqtt.Client, topic string, write bool) bool {
	if len(a.users) == 0 || c.Net.Inline {
		return true
	}
	user := a.users[string(c.Properties.Username)]
	filters := user.Read
	if write {
		filters = user.Write
	}
	for _, f := range filters {
		if covers(f, topic) {
			return true
		}
	}
	return false
}

// covers reports whether every topic that the filter or topic t names is also
// named by filter f.
func covers(f, t string) bool {
	fs, ts := strings.Split(f, "/"), strings.Split(t, "/")
	for i, level := range fs {
		if level == "#" {
			return true
		}
		if i >= len(ts) || ts[i] == "#" || level != "+" && level != ts[i] {
			return false
		}
	}
	return len(fs) == len(ts)
}
