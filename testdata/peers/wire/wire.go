// Package wire stands between an OPC UA client and its server and makes the way
// between them go wrong, one chosen request at a time: the request is lost, its
// answer is lost, or the connection breaks before or after the server has it.
//
// It knows what a request is on channels that do not encrypt; on the others it
// still counts chunks, loses what a server says, and damages it.
package wire

import (
	"encoding/binary"
	"io"
	"math"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Kind is the service of a request, or the kind of message where it is none.
type Kind string

// Kinds of requests. On a channel that encrypts every request is Secret.
const (
	Hello     Kind = "hello"
	Open      Kind = "open channel"
	Close     Kind = "close channel"
	Endpoints Kind = "get endpoints"
	Create    Kind = "create session"
	Activate  Kind = "activate session"
	End       Kind = "close session"
	Browse    Kind = "browse"
	Read      Kind = "read"
	Write     Kind = "write"
	Subscribe Kind = "create subscription"
	Monitor   Kind = "create monitored items"
	Publish   Kind = "publish"
	Other     Kind = "other"
	Secret    Kind = "encrypted"
)

// services are the binary encoding ids of requests (OPC 10000-6, NodeIds).
var services = map[uint16]Kind{
	428: Endpoints, 461: Create, 467: Activate, 473: End, 527: Browse, 631: Read, 673: Write,
	787: Subscribe, 751: Monitor, 826: Publish,
}

// Request is one message of the client.
type Request struct {
	N    int // since the proxy started
	Kind Kind
	Size int
	// Value is what a Write of a Double writes.
	Value float64
}

// Fate is what becomes of a request.
type Fate int

// The fates of a request. After LoseAnswer the connection goes on; after Deaf
// it stands, but the client hears nothing on it any more.
const (
	Pass Fate = iota
	LoseRequest
	LoseAnswer
	Deaf
	DropBefore // the connection breaks, the server never sees the request
	DropAfter  // the server has it, then the connection breaks
	Damage     // one bit of the answer is turned over
)

// taken is how long a server gets to carry out a request whose connection is
// about to break.
const taken = 150 * time.Millisecond

// Proxy is a running one. It ends with its test.
type Proxy struct {
	l net.Listener

	mu     sync.Mutex
	target string
	off    bool
	n      int
	rule   func(Request) Fate
	conns  map[net.Conn]bool
	writes []Request
}

// Start puts a proxy before an endpoint (opc.tcp://host:port).
func Start(t testing.TB, endpoint string) *Proxy {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &Proxy{l: l, conns: map[net.Conn]bool{}}
	p.Target(t, endpoint)
	go p.accept()
	t.Cleanup(func() {
		l.Close() //nolint:errcheck // a test's
		p.Cut()
	})
	return p
}

// Endpoint is where clients connect.
func (p *Proxy) Endpoint() string { return "opc.tcp://" + p.l.Addr().String() }

// Target sets where further connections go.
func (p *Proxy) Target(t testing.TB, endpoint string) {
	t.Helper()
	u, err := url.Parse(endpoint)
	if err != nil {
		t.Fatal(err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.target = u.Host
}

// Rule decides about every request from now on; nil lets all pass. It is called
// for one request at a time and must not call the proxy.
func (p *Proxy) Rule(f func(Request) Fate) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.rule = f
}

// Writes returns every Write that a client sent, whatever became of it.
func (p *Proxy) Writes() []Request {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]Request(nil), p.writes...)
}

// Outage breaks every connection and refuses new ones until it is over.
func (p *Proxy) Outage(on bool) {
	p.mu.Lock()
	p.off = on
	p.mu.Unlock()
	p.Cut()
}

// Cut breaks every connection.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close() //nolint:errcheck // on purpose
	}
	clear(p.conns)
}

func (p *Proxy) accept() {
	for {
		c, err := p.l.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		off, target := p.off, p.target
		p.mu.Unlock()
		var s net.Conn
		if !off {
			s, err = net.Dial("tcp", target)
		}
		if off || err != nil {
			c.Close() //nolint:errcheck // refused
			continue
		}
		p.mu.Lock()
		p.conns[c], p.conns[s] = true, true
		p.mu.Unlock()
		x := &link{p: p, client: c, server: s, lost: map[uint32]bool{}}
		go x.down()
		go x.up()
	}
}

// link is one connection through the proxy.
type link struct {
	p              *Proxy
	client, server net.Conn
	deaf, damage   atomic.Bool
	first          atomic.Bool // an encrypting channel was opened

	mu   sync.Mutex
	lost map[uint32]bool // requests whose answer is swallowed, by request id
}

func (x *link) end() {
	x.client.Close() //nolint:errcheck // over
	x.server.Close() //nolint:errcheck // over
	x.p.mu.Lock()
	defer x.p.mu.Unlock()
	delete(x.p.conns, x.client)
	delete(x.p.conns, x.server)
}

// chunk reads one message chunk (OPC 10000-6, 7.1).
func chunk(from net.Conn) ([]byte, bool) {
	head := make([]byte, 8)
	if _, err := io.ReadFull(from, head); err != nil {
		return nil, false
	}
	size := binary.LittleEndian.Uint32(head[4:])
	if size < 8 || size > 1<<24 {
		return nil, false
	}
	b := append(head, make([]byte, size-8)...)
	_, err := io.ReadFull(from, b[8:])
	return b, err == nil
}

// id is the request id of a message on a channel that does not encrypt.
func id(b []byte) uint32 {
	if len(b) < 24 || string(b[:3]) != "MSG" {
		return 0
	}
	return binary.LittleEndian.Uint32(b[20:])
}

// down carries answers.
func (x *link) down() {
	defer x.end()
	for {
		b, ok := chunk(x.server)
		if !ok {
			return
		}
		x.mu.Lock()
		swallow := x.lost[id(b)]
		if swallow && b[3] == 'F' {
			delete(x.lost, id(b))
		}
		x.mu.Unlock()
		if swallow || x.deaf.Load() {
			continue
		}
		if x.damage.Load() && string(b[:3]) != "ACK" {
			b[len(b)-9] ^= 1
		}
		if _, err := x.client.Write(b); err != nil {
			return
		}
	}
}

// up carries requests.
func (x *link) up() {
	defer x.end()
	for {
		b, ok := chunk(x.client)
		if !ok {
			return
		}
		switch x.p.fate(x.request(b)) {
		case LoseRequest:
			continue
		case LoseAnswer:
			x.mu.Lock()
			x.lost[id(b)] = true
			x.mu.Unlock()
			if id(b) == 0 {
				x.deaf.Store(true)
			}
		case Deaf:
			x.deaf.Store(true)
		case Damage:
			x.damage.Store(true)
		case DropBefore:
			return
		case DropAfter:
			x.deaf.Store(true)
			x.server.Write(b) //nolint:errcheck // it is about to break
			time.Sleep(taken)
			return
		}
		if _, err := x.server.Write(b); err != nil {
			return
		}
	}
}

// request says what a chunk asks for.
func (x *link) request(b []byte) Request {
	r := Request{Kind: Other, Size: len(b)}
	switch string(b[:3]) {
	case "HEL":
		r.Kind = Hello
	case "OPN":
		r.Kind = Open
		x.first.Store(x.first.Load() || !bare(b))
	case "CLO":
		r.Kind = Close
	case "MSG":
		if x.first.Load() {
			r.Kind = Secret
			break
		}
		if len(b) >= 28 && b[24] == 1 { // a four byte node id in the standard namespace
			if k, ok := services[binary.LittleEndian.Uint16(b[26:])]; ok {
				r.Kind = k
			}
		}
		if r.Kind == Write && len(b) > 40 && b[len(b)-9] == 11 { // a variant that is a Double
			r.Value = math.Float64frombits(binary.LittleEndian.Uint64(b[len(b)-8:]))
		}
	}
	return r
}

// bare reports whether the opening of a channel asks for no protection.
func bare(b []byte) bool {
	if len(b) < 16 {
		return true
	}
	n := int(binary.LittleEndian.Uint32(b[12:]))
	return n > 4 && len(b) >= 16+n && string(b[16+n-4:16+n]) == "None"
}

func (p *Proxy) fate(r Request) Fate {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.n++
	r.N = p.n
	if r.Kind == Write {
		p.writes = append(p.writes, r)
	}
	if p.rule == nil {
		return Pass
	}
	return p.rule(r)
}
