package intake

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/gauge"
	"offsetbridge/testdata/peers/mosquitto"
)

// TestAcknowledgedAfterAckInOrder looks at the broker's own log: nothing is
// acknowledged before Ack, and then in the order of receipt.
func TestAcknowledgedAfterAckInOrder(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 4)
	m := expect(t, i, 1, 2, 3, 4)
	probe := func(topic string) { // has gone the whole way once the broker has logged it
		t.Helper()
		if err := i.Publish(topic, []byte("x"), false); err != nil {
			t.Fatal(err)
		}
		eventually(t, "probe", func() bool { return strings.Contains(b.Log(), "'"+topic+"'") })
	}
	probe("probe/1")
	m[2].Ack()
	m[1].Ack()
	m[1].Ack()
	probe("probe/2")
	if got := acks(b.Log()); len(got) != 0 {
		t.Fatalf("acknowledged before the oldest was recorded: %v", got)
	}
	m[0].Ack()
	eventually(t, "three acknowledgements", func() bool { return len(acks(b.Log())) == 3 })
	m[3].Ack()
	eventually(t, "four acknowledgements", func() bool { return len(acks(b.Log())) == 4 })
	for k, line := range acks(b.Log()) {
		if want := fmt.Sprintf("(Mid: %d,", k+1); !strings.HasPrefix(line, want) {
			t.Errorf("acknowledgement %d is %s, want %s", k, line, want)
		}
	}
}

// victim is the process that TestKilledClientGetsTheRestAgain kills: it
// acknowledges readings up to number 3 and prints what it has.
func victim(broker string) {
	g := Gauge{
		Name: "bench-1", Topic: bench1Topic, Kind: KindReading, Identity: "serial",
		Fields: Fields{
			Value: Source{Pointer: "/value"}, Unit: Source{Pointer: "/unit"}, Sequence: Source{Pointer: "/sequence"},
			Characteristic: Source{Pointer: "/characteristic"}, Machine: Source{Constant: "mill"},
			Part: Source{Pointer: "/part"}, State: Source{Constant: "production"},
		},
		Range: length.Range{Low: 1, High: length.Max}, Resolution: length.Micrometre, MaxDecimals: 3,
	}
	i, err := Open(context.Background(), Options{Broker: broker, ClientID: "intake", Gauges: []Gauge{g}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("ready", (<-i.Status()).Code)
	for m := range i.Messages() {
		n := m.Fact.(core.Reading).Sequence
		if n <= 3 {
			m.Ack()
		}
		fmt.Println("has", n)
	}
}

func TestKilledClientGetsTheRestAgain(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "INTAKE_TEST_BROKER="+b.URL())
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	limit := time.AfterFunc(patience, func() { _ = cmd.Process.Kill() })
	t.Cleanup(func() { limit.Stop(); _ = cmd.Process.Kill(); _ = cmd.Wait() })
	lines := bufio.NewScanner(out)
	until := func(want string) {
		t.Helper()
		for lines.Scan() {
			if lines.Text() == want {
				return
			}
		}
		t.Fatalf("the other process ended before it said %q", want)
	}
	until("ready " + string(Connected))
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 8)
	until("has 8")
	eventually(t, "three acknowledgements", func() bool { return len(acks(b.Log())) == 3 })
	_ = cmd.Process.Kill()
	send(t, g, 9, 10)

	i := open(t, b.URL(), func(o *Options) { o.Known = true })
	for _, m := range expect(t, i, 4, 5, 6, 7, 8, 9, 10) {
		m.Ack()
	}
	eventually(t, "all acknowledged", func() bool { return len(acks(b.Log())) == 10 })
}

func TestSessionIsKept(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	i.Close()
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 3)
	i = open(t, b.URL(), func(o *Options) { o.Known = true })
	for _, m := range expect(t, i, 1, 2, 3) {
		m.Ack()
	}
	for len(i.Status()) > 0 {
		if s := <-i.Status(); s.Code == NewSession {
			t.Errorf("status %+v", s)
		}
	}
}

// TestBrokerRestartsMidRun: the broker goes away and comes back while it still
// has readings for us. Every one arrives, in order; those that wait for their
// record meanwhile are not handed out a second time.
func TestBrokerRestartsMidRun(t *testing.T) {
	const n, batch, when = 3000, 50, 1000
	b := mosquitto.Start(t, mosquitto.Options{Lazy: true, Config: []string{"max_inflight_messages 100"}})
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	if err := g.Stream(context.Background(), n, func(k int) []byte { return g.Payload(reading(uint64(k + 1))) }); err != nil {
		t.Fatal(err)
	}
	last, waiting := uint64(0), map[uint64]Message{}
	for last < n {
		m := next(t, i)
		got := sequenceOf(t, m)
		if _, held := waiting[got]; held {
			t.Fatalf("reading %d is handed out again while it waits for its record", got)
		}
		if got > last+1 {
			t.Fatalf("reading %d follows %d", got, last)
		}
		waiting[got] = m
		if got == when && got == last+1 {
			b.Stop()
			b.Restart()
			await(t, i, Lost)
			await(t, i, Connected)
		}
		last = max(last, got)
		if len(waiting) == batch || len(i.Messages()) == 0 { // the broker may wait for these
			for _, m := range waiting {
				m.Ack()
			}
			clear(waiting)
		}
	}
	eventually(t, "everything acknowledged", func() bool { return i.sequence.waiting() == 0 })
}

// TestFullQueueDrainsInOrder: the intake disconnects when nobody records, and
// afterwards nothing is missing, doubled or out of order.
func TestFullQueueDrainsInOrder(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{Lazy: true})
	i := open(t, b.URL(), func(o *Options) { o.Queue = 10 })
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 100)
	await(t, i, Full)
	for n := range uint64(100) {
		expect(t, i, n+1)[0].Ack()
	}
}

// TestBrokerKilledMidRun: after a power cut of the broker the intake is there
// again by itself, and says so when the broker has forgotten it.
func TestBrokerKilledMidRun(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 20)
	for _, m := range expect(t, i, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10) {
		m.Ack()
	}
	b.Kill()
	s := await(t, i, Lost)
	if s.Up || !strings.HasPrefix(s.Text, "the connection to the broker is lost, connecting again: tcp://127.0.0.1:") {
		t.Errorf("status %+v", s)
	}
	await(t, i, Unreachable)
	b.Restart()
	await(t, i, Connected)
	send(t, g, 21, 21)
	for seen := uint64(0); seen < 21; {
		m := next(t, i)
		seen = max(seen, sequenceOf(t, m))
		m.Ack()
	}
}

func TestFrozenBroker(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	i := open(t, b.URL(), func(o *Options) { o.KeepAlive, o.PingTimeout = time.Second, 500*time.Millisecond })
	await(t, i, Connected)
	b.Freeze()
	t.Cleanup(b.Thaw)
	if s := await(t, i, Frozen); s.Up {
		t.Errorf("status %+v", s)
	}
	b.Thaw()
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 1)
	expect(t, i, 1)
}

func TestWrongPassword(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bridge": "right"}})
	i := open(t, b.URL(), func(o *Options) { o.User, o.Password = "bridge", "wrong" })
	s := await(t, i, Password)
	if s.Up || !strings.Contains(s.Text, "refuses the user name or password") || strings.Contains(s.Text, "wrong") {
		t.Errorf("status %+v", s)
	}
	right := open(t, b.URL(), func(o *Options) { o.User, o.Password, o.ClientID = "bridge", "right", "other" })
	await(t, right, Connected)
	eventually(t, "another attempt", func() bool { return strings.Count(b.Log(), "not authorised") >= 2 })
	if n := len(i.Status()); n != 0 {
		t.Errorf("the same refusal was told %d more times", n)
	}
}

// TestUnservedTopicShowsAsSilence: this broker grants subscriptions that its
// access list then never serves.
func TestUnservedTopicShowsAsSilence(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{ACL: "topic write #\n"})
	i := open(t, b.URL(), func(o *Options) { o.Silence = 200 * time.Millisecond })
	s := await(t, i, Silent)
	if !s.Up || s.Gauge != "bench-1" || s.Text != "gauge bench-1: nothing heard from the gauge: for 200ms" {
		t.Errorf("status %+v", s)
	}
}

func TestSilenceEnds(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	i := open(t, b.URL(), func(o *Options) { o.Silence = 300 * time.Millisecond })
	await(t, i, Silent)
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 1)
	if s := await(t, i, Heard); s.Gauge != "bench-1" {
		t.Errorf("status %+v", s)
	}
	await(t, i, Silent)
}

// TestTooLongIsRefusedAndPasses: an oversize message must not come again for
// ever, nor hold up the next one.
func TestTooLongIsRefusedAndPasses(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	i := open(t, b.URL(), nil)
	await(t, i, Connected)
	g := dial(t, b.URL(), nil)
	for _, size := range []int{MaxPayload + 1, 3 << 20} {
		if err := g.SendRaw(context.Background(), []byte(strings.Repeat("x", size)), false); err != nil {
			t.Fatal(err)
		}
		m := next(t, i)
		if m.Rejected != TooLarge || len(m.Payload) != keepOversize || m.Gauge != "bench-1" {
			t.Fatalf("%d bytes: got %q with %d bytes kept", size, m.Rejected, len(m.Payload))
		}
		m.Ack()
	}
	send(t, g, 1, 1)
	expect(t, i, 1)[0].Ack()
	eventually(t, "three acknowledgements", func() bool { return len(acks(b.Log())) == 3 })
}

// TestFlags: what the broker kept, and what it sent before, are told apart from
// live messages and handed out all the same.
func TestFlags(t *testing.T) {
	b := mosquitto.Start(t, mosquitto.Options{})
	g := dial(t, b.URL(), nil)
	send(t, g, 1, 1, gauge.Retained)
	i := open(t, b.URL(), nil)
	m := expect(t, i, 1)[0]
	if !m.Retained || !m.Fact.(core.Reading).Retained {
		t.Errorf("a kept message looks live: %+v", m)
	}
	m.Ack()
	send(t, g, 2, 2, gauge.Twice)
	for _, m := range expect(t, i, 2, 2) {
		if m.Retained || m.Fact.(core.Reading).Retained || m.QoS != 1 || m.Count != 1 || m.Machine != "mill" {
			t.Errorf("got %+v", m)
		}
	}
	send(t, g, 3, 3, gauge.WrongUnit)
	if m := next(t, i); m.Rejected != OutOfRange {
		t.Errorf("inches for millimetres: got %q", m.Rejected)
	}
}
