package intake

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"
)

// ErrProtocol is wrapped by what a broker does that MQTT 3.1.1 does not allow
// or that would cost unbounded memory.
var ErrProtocol = errors.New("broker broke the protocol")

// Packet types a server may send (MQTT 3.1.1, 2.2.1).
const (
	typeConnack  = 2
	typePublish  = 3
	typePuback   = 4
	typePubrec   = 5
	typePubrel   = 6
	typePubcomp  = 7
	typeSuback   = 9
	typeUnsuback = 11
	typePingresp = 13
)

const (
	// maxFrame is the longest frame handed to the client library, which
	// allocates what a frame's header announces: a payload one byte too long,
	// the longest topic, two lengths and an identifier.
	maxFrame = MaxPayload + 1 + 65535 + 4
	// maxSkip is the longest message whose end is read and thrown away, so
	// that it can be refused by name and acknowledged; the broker would send
	// it again for ever.
	maxSkip = 16 << 20
)

// guard is the connection below the client library. It checks every frame's
// header before the library sees it, so that no announced length makes the
// library allocate without bound, and it cuts messages that are too long.
type guard struct {
	net.Conn
	in      *bufio.Reader
	head    []byte // header bytes not yet handed up
	body    int    // body bytes of the frame not yet handed up
	skip    int    // bytes behind them that are thrown away
	header  [16]byte
	write   time.Duration
	expects atomic.Int32 // filters in the subscription under way
	err     error
	broken  atomic.Pointer[error] // the violation that ended it, for whoever reports another symptom
}

// violation returns what the broker did against the protocol, nil when nothing.
func (g *guard) violation() error {
	if err := g.broken.Load(); err != nil {
		return *err
	}
	return nil
}

func newGuard(c net.Conn, write time.Duration) *guard {
	return &guard{Conn: c, in: bufio.NewReaderSize(c, 32<<10), write: write}
}

// Write gives every write a deadline: a broker that stops reading would
// otherwise block the library's writer, and with it the check that notices.
func (g *guard) Write(p []byte) (int, error) {
	if err := g.SetWriteDeadline(time.Now().Add(g.write)); err != nil {
		return 0, err
	}
	return g.Conn.Write(p)
}

// Read hands up checked frames.
func (g *guard) Read(p []byte) (int, error) {
	if g.err != nil || len(p) == 0 {
		return 0, g.err
	}
	if len(g.head) == 0 && g.body == 0 {
		if g.err = g.next(); g.err != nil {
			if err := g.err; errors.Is(err, ErrProtocol) {
				g.broken.Store(&err)
			}
			return 0, g.err
		}
	}
	if len(g.head) > 0 {
		n := copy(p, g.head)
		g.head = g.head[n:]
		return n, nil
	}
	n, err := g.in.Read(p[:min(len(p), g.body)])
	g.body -= n
	return n, err
}

// next reads and checks the header of the next frame.
func (g *guard) next() error {
	for g.skip > 0 {
		n, err := g.in.Discard(min(g.skip, maxFrame))
		g.skip -= n
		if err != nil {
			return err
		}
	}
	first, err := g.in.ReadByte()
	if err != nil {
		return err
	}
	length, err := g.length()
	if err != nil {
		return err
	}
	if err := g.check(first, length); err != nil {
		return err
	}
	if length > maxFrame {
		if length, err = g.cut(first, length); err != nil {
			return err
		}
	}
	g.body = length
	g.head = append(g.header[:0], first)
	for {
		digit := byte(length & 0x7f)
		if length >>= 7; length == 0 {
			g.head = append(g.head, digit)
			return nil
		}
		g.head = append(g.head, digit|0x80)
	}
}

// length reads a remaining length (MQTT 3.1.1, 2.2.3).
func (g *guard) length() (int, error) {
	n := 0
	for shift := 0; shift < 28; shift += 7 {
		b, err := g.in.ReadByte()
		if err != nil {
			return 0, err
		}
		n |= int(b&0x7f) << shift
		if b < 0x80 {
			return n, nil
		}
	}
	return 0, fmt.Errorf("%w: a length of more than four bytes", ErrProtocol)
}

func (g *guard) check(first byte, n int) error {
	kind, low, high := first>>4, 2, 2
	switch kind {
	case typePublish:
		if first&6 == 6 {
			return fmt.Errorf("%w: quality of service 3", ErrProtocol)
		}
		low, high = 2, maxSkip
	case typePingresp:
		low, high = 0, 0
	case typeSuback:
		// The library would index its list of filters with every answer.
		low, high = 2, 2+int(g.expects.Load())
	case typeConnack:
		if n == 2 {
			return g.connack()
		}
	case typePuback, typePubrec, typePubrel, typePubcomp, typeUnsuback:
	default:
		return fmt.Errorf("%w: packet type %d", ErrProtocol, kind)
	}
	if n < low || n > high {
		return fmt.Errorf("%w: packet type %d announces %d bytes, allowed are %d to %d", ErrProtocol, kind, n, low, high)
	}
	return nil
}

// connack refuses answers that MQTT 3.1.1 does not know: the library takes
// them for a yes.
func (g *guard) connack() error {
	b, err := g.in.Peek(2)
	if err != nil {
		return err
	}
	if b[1] > 5 {
		return fmt.Errorf("%w: connection answer %d", ErrProtocol, b[1])
	}
	return nil
}

// cut shortens a message so that its payload stays one byte too long; the
// library's user then refuses and acknowledges it.
func (g *guard) cut(first byte, length int) (int, error) {
	b, err := g.in.Peek(2)
	if err != nil {
		return 0, err
	}
	short := 2 + int(binary.BigEndian.Uint16(b)) + MaxPayload + 1
	if first&6 != 0 {
		short += 2 // the packet identifier
	}
	g.skip = length - short
	return short, nil
}
