package main

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/ua"
	_ "modernc.org/sqlite" // the store of the floor

	"offsetbridge/internal/web"
	"offsetbridge/simulators/machine"
)

// latency measures the time from publishing a reading until the register it
// changes was read back, beside the floor of the same parts used bare: one MQTT
// hop, one durable commit, one OPC UA read, write and read.
func (b *bench) latency(ctx context.Context) error {
	br, p, stop, err := b.pair()
	if err != nil {
		return err
	}
	defer stop()
	floor, err := b.floor(ctx, br.url, p.machines[0])
	if err != nil {
		return err
	}
	p.machines[0].SetRegister("R0", 0) //nolint:errcheck // zero is in range
	ours, err := b.corrections(ctx, br.url, p)
	if err != nil {
		return err
	}
	for _, x := range []struct{ p, most float64 }{{50, 1.5}, {99, 3}} {
		here, base := percentile(ours, x.p), percentile(floor, x.p)
		b.add(fmt.Sprintf("reading published → register read back, p%.0f", x.p), here, base, "ms", fmt.Sprintf("≤ %g × floor", x.most), here <= x.most*base)
	}
	return nil
}

// floor does with bare clients what one correction cannot do without.
func (b *bench) floor(ctx context.Context, url string, s *machine.Server) ([]time.Duration, error) {
	db, err := sql.Open("sqlite", filepath.Join(b.dir, "floor.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		return nil, err
	}
	defer db.Close() //nolint:errcheck // a temporary file
	if _, err := db.Exec("CREATE TABLE e (id INTEGER PRIMARY KEY, body BLOB)"); err != nil {
		return nil, err
	}
	c, err := opcua.NewClient(s.Endpoint(), opcua.AutoReconnect(false))
	if err != nil {
		return nil, err
	}
	if err := c.Connect(ctx); err != nil {
		return nil, err
	}
	defer c.Close(ctx) //nolint:errcheck // a bench
	node, err := resolve(ctx, c)
	if err != nil {
		return nil, err
	}
	sub, err := connect(url, "bench-floor")
	if err != nil {
		return nil, err
	}
	defer sub.Disconnect(100)
	got := make(chan struct{}, 1)
	if t := sub.Subscribe("floor", 1, func(mqtt.Client, mqtt.Message) { got <- struct{}{} }); t.Wait() && t.Error() != nil {
		return nil, t.Error()
	}
	var times []time.Duration
	body := payload(0, 0, 1, 1)
	for i := range b.rounds {
		began := time.Now()
		sub.Publish("floor", 1, false, body)
		<-got
		if _, err := db.Exec("INSERT INTO e (body) VALUES (?)", body); err != nil {
			return nil, err
		}
		if err := errors.Join(read(ctx, c, node), write(ctx, c, node, float64(i%100)/1000), read(ctx, c, node)); err != nil {
			return nil, err
		}
		times = append(times, time.Since(began))
		time.Sleep(5 * time.Millisecond)
	}
	return times, nil
}

func resolve(ctx context.Context, c *opcua.Client) (*ua.NodeID, error) {
	uris, err := c.NamespaceArray(ctx)
	if err != nil {
		return nil, err
	}
	for i, uri := range uris {
		if uri == machine.BuilderURI {
			return ua.NewStringNodeID(uint16(i), "Offsets/R0"), nil
		}
	}
	return nil, fmt.Errorf("the simulated machine does not have the namespace %q", machine.BuilderURI)
}

func read(ctx context.Context, c *opcua.Client, node *ua.NodeID) error {
	r, err := c.Read(ctx, &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{{NodeID: node, AttributeID: ua.AttributeIDValue}}})
	if err == nil && r.Results[0].Status != ua.StatusOK {
		err = r.Results[0].Status
	}
	return err
}

func write(ctx context.Context, c *opcua.Client, node *ua.NodeID, v float64) error {
	r, err := c.Write(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{
		NodeID: node, AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(v)},
	}}})
	if err == nil && r.Results[0] != ua.StatusOK {
		err = r.Results[0]
	}
	return err
}

// corrections lets the program correct one part after the other. Every part is
// cut a little smaller than the one before, so that every reading asks for a
// change; a person approves the first.
func (b *bench) corrections(ctx context.Context, url string, p *plantOf) ([]time.Duration, error) {
	d, _, err := b.startDaemon(ctx, "latency", p.config)
	if err != nil {
		return nil, err
	}
	defer d.stop()
	if err := p.upTo(ctx, d, 0); err != nil {
		return nil, err
	}
	c, err := connect(url, "bench-gauge")
	if err != nil {
		return nil, err
	}
	defer c.Disconnect(100)
	s := p.machines[0]
	proven := readBacks(s)
	var times []time.Duration
	for n := 1; len(times) < b.rounds && n < 4*b.rounds; n++ {
		register := s.State().Registers["R0"]
		s.BeginCycle()
		s.EndCycle()
		if err := p.upTo(ctx, d, uint64(n)); err != nil {
			return nil, err
		}
		drain(proven)
		size := 24.985 - 0.002*float64(n) - register // a milled bore: a larger register cuts smaller; the first move is a clear one
		began := time.Now()
		c.Publish("bench/m0/m0-g0", 1, false, fmt.Sprintf(
			`{"sequence":%d,"time":%q,"characteristic":"m0 bore 0","value":%.4f,"unit":"mm","part":"%d"}`, n, began.UTC().Format(time.RFC3339), size, n))
		select {
		case at := <-proven:
			times = append(times, at.Sub(began))
			if err := d.settled(ctx); err != nil {
				return nil, err
			}
		case <-time.After(300 * time.Millisecond):
			if err := d.approveAll(ctx); err != nil {
				return nil, err
			}
		}
	}
	if len(times) < b.rounds/2 {
		return nil, fmt.Errorf("only %d of %d readings led to a change", len(times), b.rounds)
	}
	return times, nil
}

// settled waits until no write is under way: a real machine takes far longer to
// its next part than the program to record what it read back.
func (d *daemon) settled(ctx context.Context) error {
	for began := time.Now(); time.Since(began) < 10*time.Second; time.Sleep(5 * time.Millisecond) {
		var s web.Status
		if err := d.client.Get(ctx, "/v1/status", nil, &s); err != nil {
			return err
		}
		if !s.Machines[0].Registers[0].Pending {
			return nil
		}
	}
	return errors.New("a write is still under way after 10 s")
}

// readBacks tells when a register that was written is read for the first time.
func readBacks(s *machine.Server) <-chan time.Time {
	out := make(chan time.Time, 16)
	var written atomic.Bool
	s.OnEffect(func(machine.Effect) { written.Store(true) })
	s.OnRead(func() {
		if written.Swap(false) {
			select {
			case out <- time.Now():
			default:
			}
		}
	})
	return out
}

func drain(c <-chan time.Time) {
	for {
		select {
		case <-c:
		default:
			return
		}
	}
}

func (d *daemon) approveAll(ctx context.Context) error {
	var q struct {
		Proposals []web.Card `json:"proposals"`
	}
	if err := d.client.Get(ctx, "/v1/queue", nil, &q); err != nil {
		return err
	}
	for _, card := range q.Proposals {
		err := d.client.Post(ctx, "/v1/queue/"+card.ID+"/approve", map[string]string{"digest": card.Digest}, nil)
		var no *web.RefusedError
		if err != nil && !errors.As(err, &no) {
			return err
		}
	}
	time.Sleep(100 * time.Millisecond)
	return nil
}
