package machine

import (
	"encoding/binary"
	"io"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// proxy stands between client and server and loses, delays or cuts what goes
// through. It knows a write by its encoding id, on channels that do not encrypt.
type proxy struct {
	l      net.Listener
	target string

	mu     sync.Mutex
	off    bool
	mute   bool // answers are swallowed
	mishap mishap
	fields int // writes that go through before one is struck
	passed int
	late   time.Duration
	conns  map[net.Conn]bool
	// route returns where the next connection goes, when set.
	route func(n int) string
	count int
}

func startProxy(t testing.TB, endpoint string) *proxy {
	t.Helper()
	u, err := url.Parse(endpoint)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := &proxy{l: l, target: u.Host, conns: map[net.Conn]bool{}}
	go p.accept()
	t.Cleanup(func() {
		l.Close()
		p.cut()
	})
	return p
}

func (p *proxy) endpoint() string { return "opc.tcp://" + p.l.Addr().String() }

func (p *proxy) accept() {
	for {
		c, err := p.l.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		off, target := p.off, p.target
		if p.route != nil {
			target = p.route(p.count)
		}
		p.count++
		p.mu.Unlock()
		if off {
			c.Close()
			continue
		}
		s, err := net.Dial("tcp", target)
		if err != nil {
			c.Close()
			continue
		}
		p.mu.Lock()
		p.conns[c], p.conns[s] = true, true
		p.mu.Unlock()
		deaf := &atomic.Bool{} // the client hears nothing any more
		go p.down(s, c, deaf)
		go p.up(c, s, deaf)
	}
}

// down carries answers.
func (p *proxy) down(from, to net.Conn, deaf *atomic.Bool) {
	defer to.Close()
	b := make([]byte, 1<<16)
	for {
		n, err := from.Read(b)
		if err != nil {
			return
		}
		p.mu.Lock()
		mute := p.mute
		p.mu.Unlock()
		if mute || deaf.Load() {
			continue
		}
		if _, err := to.Write(b[:n]); err != nil {
			return
		}
	}
}

// up carries requests, chunk by chunk.
func (p *proxy) up(from, to net.Conn, deaf *atomic.Bool) {
	defer to.Close()
	for {
		head := make([]byte, 8)
		if _, err := io.ReadFull(from, head); err != nil {
			return
		}
		size := binary.LittleEndian.Uint32(head[4:])
		if size < 8 || size > 1<<20 {
			return
		}
		chunk := append(head, make([]byte, size-8)...)
		if _, err := io.ReadFull(from, chunk[8:]); err != nil {
			return
		}
		if m, late := p.strikes(chunk); m != none {
			deaf.Store(true)
			spoil(m, late, from, to, chunk)
			return
		}
		if _, err := to.Write(chunk); err != nil {
			return
		}
	}
}

// strikes takes the armed mishap when the chunk is a WriteRequest (encoding id
// 673 behind the 24 bytes of header).
func (p *proxy) strikes(chunk []byte) (mishap, time.Duration) {
	if len(chunk) < 28 || string(chunk[:3]) != "MSG" || chunk[24] != 1 || binary.LittleEndian.Uint16(chunk[26:]) != 673 {
		return none, 0
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.passed < p.fields {
		p.passed++
		return none, 0
	}
	m := p.mishap
	p.mishap, p.passed = none, 0
	return m, p.late
}

// spoil does what the mishap says with a write; the connection is lost with it.
func spoil(m mishap, late time.Duration, from, to net.Conn, chunk []byte) {
	switch m {
	case requestLost:
		_, _ = io.Copy(io.Discard, from) // nothing more gets through
	case answerLost:
		_, _ = to.Write(chunk)
		_, _ = io.Copy(io.Discard, from)
	case lateEffect:
		time.Sleep(late) // the client is gone by then
		_, _ = to.Write(chunk)
		time.Sleep(200 * time.Millisecond) // the server takes it
	case droppedBefore:
		from.Close()
	case droppedAfter:
		_, _ = to.Write(chunk)
		time.Sleep(200 * time.Millisecond) // the server takes it
		from.Close()
	}
}

func (p *proxy) arm(m mishap, late time.Duration) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch m {
	case requestLost, answerLost, lateEffect, droppedBefore, droppedAfter:
		p.mishap, p.late = m, late
		return true
	case frozen:
		p.mute = true
		return true
	}
	return false
}

func (p *proxy) clear() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mishap, p.mute = none, false
}

// outage cuts every connection and refuses new ones until it is over.
func (p *proxy) outage(on bool) {
	p.mu.Lock()
	p.off = on
	p.mu.Unlock()
	p.cut()
}

func (p *proxy) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close()
	}
	clear(p.conns)
}
