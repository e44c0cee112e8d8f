package intake

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap/zaptest"

	"offsetbridge/internal/core"
	"offsetbridge/simulators/gauge"
)

const patience = 60 * time.Second

// bench1 is the gauge most tests use, on topic "cell/mill/gauge/bench-1/reading".
func bench1(tb testing.TB) Gauge { return gauges(tb)["primary"] }

const bench1Topic = "cell/mill/gauge/bench-1/reading"

// open starts an intake that connects quickly and ends with the test.
func open(t *testing.T, broker string, change func(*Options)) *Intake {
	t.Helper()
	o := Options{
		Broker: broker, ClientID: "intake", Gauges: []Gauge{bench1(t)},
		RetryFirst: 20 * time.Millisecond, RetryCap: 200 * time.Millisecond,
		Log: zaptest.NewLogger(t),
	}
	if change != nil {
		change(&o)
	}
	i, err := Open(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(i.Close)
	return i
}

// await returns the next status with the code.
func await(t *testing.T, i *Intake, code core.Code) Status {
	t.Helper()
	limit := time.After(patience)
	for {
		select {
		case s := <-i.Status():
			if s.Code == code {
				return s
			}
		case <-limit:
			t.Fatalf("no status %s within %v, last is %+v", code, patience, i.Now())
		}
	}
}

// next returns the next message.
func next(t *testing.T, i *Intake) Message {
	t.Helper()
	select {
	case m, ok := <-i.Messages():
		if !ok {
			t.Fatal("the intake has ended")
		}
		return m
	case <-time.After(patience):
		t.Fatalf("no message within %v, status is %+v", patience, i.Now())
	}
	return Message{}
}

func sequenceOf(t *testing.T, m Message) uint64 {
	t.Helper()
	r, ok := m.Fact.(core.Reading)
	if !ok {
		t.Fatalf("message is no reading: %s %s", m.Rejected, m.Why)
	}
	return r.Sequence
}

// expect takes messages and compares their sequences.
func expect(t *testing.T, i *Intake, want ...uint64) []Message {
	t.Helper()
	var list []Message
	for _, n := range want {
		m := next(t, i)
		if got := sequenceOf(t, m); got != n {
			t.Fatalf("got sequence %d, want %d of %v", got, n, want)
		}
		list = append(list, m)
	}
	return list
}

// eventually waits for a condition.
func eventually(t *testing.T, what string, condition func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !condition(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within %v: %s", patience, what)
		}
	}
}

// dial connects a simulated gauge to the topic of bench1.
func dial(t *testing.T, broker string, change func(*gauge.Options)) *gauge.Gauge {
	t.Helper()
	o := gauge.Options{Broker: broker, Station: "bench-1", Topic: bench1Topic, Decimals: 3}
	if change != nil {
		change(&o)
	}
	g, err := gauge.Dial(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(g.Close)
	return g
}

func reading(n uint64) gauge.Reading {
	return gauge.Reading{Sequence: n, Characteristic: "bore", Nanometres: 28_012_000, Part: fmt.Sprint(n), Cut: 1}
}

func send(t *testing.T, g *gauge.Gauge, from, to uint64, faults ...gauge.Fault) {
	t.Helper()
	for n := from; n <= to; n++ {
		if err := g.Send(context.Background(), reading(n), faults...); err != nil {
			t.Fatal(err)
		}
	}
}

// fake is a broker that misbehaves: serve gets every connection.
func fake(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				serve(c)
			}()
		}
	}()
	return "tcp://" + l.Addr().String()
}

// frame reads one packet from a client.
func frame(c net.Conn) (first byte, body []byte, err error) {
	head := make([]byte, 1)
	if _, err := io.ReadFull(c, head); err != nil {
		return 0, nil, err
	}
	first, n := head[0], 0
	for shift := 0; ; shift += 7 {
		if _, err := io.ReadFull(c, head); err != nil {
			return 0, nil, err
		}
		n |= int(head[0]&0x7f) << shift
		if head[0] < 0x80 {
			break
		}
	}
	body = make([]byte, n)
	_, err = io.ReadFull(c, body)
	return first, body, err
}

// accept takes the client's CONNECT and says yes.
func accept(c net.Conn, present byte) error {
	if _, _, err := frame(c); err != nil {
		return err
	}
	_, err := c.Write([]byte{0x20, 2, present, 0})
	return err
}

// grant takes a SUBSCRIBE and grants every filter in it.
func grant(c net.Conn) error {
	first, body, err := frame(c)
	if err != nil {
		return err
	}
	if first>>4 != 8 {
		return errors.New("not a SUBSCRIBE")
	}
	answer := append([]byte(nil), body[:2]...)
	for at := 2; at+2 < len(body); at += 3 + int(binary.BigEndian.Uint16(body[at:])) {
		answer = append(answer, 1)
	}
	_, err = c.Write(append([]byte{0x90, byte(len(answer))}, answer...))
	return err
}

// publishFrame builds a PUBLISH at quality of service 1.
func publishFrame(id uint16, dup bool, topic, payload string) []byte {
	body := binary.BigEndian.AppendUint16(nil, uint16(len(topic)))
	body = append(body, topic...)
	body = binary.BigEndian.AppendUint16(body, id)
	body = append(body, payload...)
	first := byte(0x32)
	if dup {
		first |= 8
	}
	head := []byte{first}
	for n := len(body); ; {
		digit := byte(n & 0x7f)
		if n >>= 7; n == 0 {
			head = append(head, digit)
			break
		}
		head = append(head, digit|0x80)
	}
	return append(head, body...)
}

// acks returns the lines of a Mosquitto log that tell of acknowledgements by
// the intake, in order.
func acks(log string) []string {
	var list []string
	for line := range strings.SplitSeq(log, "\n") {
		if _, ack, ok := strings.Cut(line, "Received PUBACK from intake "); ok {
			list = append(list, ack)
		}
	}
	return list
}

// TestMain lets the test binary be an intake of its own, to be killed.
func TestMain(m *testing.M) {
	if broker := os.Getenv("INTAKE_TEST_BROKER"); broker != "" {
		victim(broker)
		return
	}
	os.Exit(m.Run())
}
