package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/internal/web"
)

// Size of the plants of the ingest figures.
const (
	ingestMachines = 20
	ingestLoops    = 5
)

// ingest measures how many readings a second become durable, beside a bare
// subscriber that only counts, at 1,000 and at 20 messages in flight.
func (b *bench) ingest(ctx context.Context) error {
	for _, inFlight := range []int{1000, 20} {
		bare, err := b.bare(ctx, inFlight)
		if err != nil {
			return err
		}
		ours, err := b.durable(ctx, inFlight)
		if err != nil {
			return err
		}
		goal, met := "for comparison", true
		if inFlight == 1000 {
			goal, met = "≥ 0.25 × baseline", ours >= 0.25*bare
		}
		b.add(fmt.Sprintf("durable ingest, %d in flight", inFlight), ours, bare, "readings/s", goal, met)
	}
	return nil
}

// payload is a reading of about 256 bytes.
func payload(machine, loop, n, part int) []byte {
	s := fmt.Sprintf(`{"station":"m%d-g%d","sequence":%d,"time":%q,"characteristic":"m%d bore %d","value":25.%04d,"unit":"mm","part":"%d"`,
		machine, loop, n, time.Now().UTC().Format(time.RFC3339), machine, loop, 3+n%7, part)
	for len(s) < 224 {
		s += " "
	}
	return []byte(s + `,"note":"00000000000000"}`)
}

// publish sends n messages round the gauges of a plant as fast as the broker
// takes them.
func publish(url string, machines, loops, n, part int) error {
	const senders = 4
	var all sync.WaitGroup
	errs := make([]error, senders)
	for k := range senders {
		all.Go(func() { errs[k] = send(url, fmt.Sprintf("bench-pub-%d", k), machines, loops, n, part, k, senders) })
	}
	all.Wait()
	return errors.Join(errs...)
}

func send(url, id string, machines, loops, n, part, k, senders int) error {
	c, err := connect(url, id)
	if err != nil {
		return err
	}
	defer c.Disconnect(250)
	gauges := machines * loops
	window := make(chan mqtt.Token, 200)
	done := make(chan error, 1)
	go func() {
		var err error
		for t := range window {
			t.Wait()
			err = errors.Join(err, t.Error())
		}
		done <- err
	}()
	for i := range n {
		g := i % gauges
		if g%senders != k {
			continue // one gauge is always sent by one sender, so that its order holds
		}
		m, l := g/loops, g%loops
		window <- c.Publish(fmt.Sprintf("bench/m%d/m%d-g%d", m, m, l), 1, false, payload(m, l, i/gauges+1, part))
	}
	close(window)
	return <-done
}

func connect(url, id string) (mqtt.Client, error) {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(url).SetClientID(id).SetMessageChannelDepth(1000))
	t := c.Connect()
	t.Wait()
	return c, t.Error()
}

// bare counts messages and nothing else.
func (b *bench) bare(ctx context.Context, inFlight int) (float64, error) {
	br, err := b.startBroker(inFlight)
	if err != nil {
		return 0, err
	}
	defer br.stop()
	c, err := connect(br.url, "bench-bare")
	if err != nil {
		return 0, err
	}
	defer c.Disconnect(100)
	var n atomic.Int64
	all := make(chan struct{})
	t := c.Subscribe("bench/#", 1, func(mqtt.Client, mqtt.Message) {
		if n.Add(1) == int64(b.readings) {
			close(all)
		}
	})
	if t.Wait(); t.Error() != nil {
		return 0, t.Error()
	}
	began := time.Now()
	if err := publish(br.url, ingestMachines, ingestLoops, b.readings, 1); err != nil {
		return 0, err
	}
	select {
	case <-all:
		return float64(b.readings) / time.Since(began).Seconds(), nil
	case <-time.After(2 * time.Minute):
		return 0, fmt.Errorf("the bare subscriber got %d of %d messages", n.Load(), b.readings)
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

// durable lets the program take the same messages: parsed, decided, journaled,
// then acknowledged.
func (b *bench) durable(ctx context.Context, inFlight int) (float64, error) {
	br, err := b.startBroker(inFlight)
	if err != nil {
		return 0, err
	}
	defer br.stop()
	p, err := build(br.url, ingestMachines, ingestLoops)
	if err != nil {
		return 0, err
	}
	defer p.close()
	d, _, err := b.startDaemon(ctx, fmt.Sprintf("ingest-%d", inFlight), p.config)
	if err != nil {
		return 0, err
	}
	defer d.stop()
	if err := p.upTo(ctx, d, 0); err != nil {
		return 0, err
	}
	p.cycle()
	if err := p.upTo(ctx, d, 1); err != nil {
		return 0, err
	}
	before, err := records(ctx, d)
	if err != nil {
		return 0, err
	}
	began := time.Now()
	if err := publish(br.url, ingestMachines, ingestLoops, b.readings, 1); err != nil {
		return 0, err
	}
	err = until(ctx, d, before+uint64(b.readings))
	return float64(b.readings) / time.Since(began).Seconds(), err
}

// records returns how many events the journal holds: every reading is one.
func records(ctx context.Context, d *daemon) (uint64, error) {
	var s web.Status
	err := d.client.Get(ctx, "/v1/status", nil, &s)
	return s.Journal.Records, err
}

// until waits until the journal holds so many events.
func until(ctx context.Context, d *daemon, want uint64) error {
	var got uint64
	for began := time.Now(); time.Since(began) < 3*time.Minute; time.Sleep(20 * time.Millisecond) {
		var err error
		if got, err = records(ctx, d); err != nil {
			return err
		}
		if got >= want {
			return nil
		}
	}
	return fmt.Errorf("the journal holds %d of %d events after 3 min", got, want)
}

// Size and length of the steady run.
const (
	steadyMachines = 100
	steadyLoops    = 10
	steadySeconds  = 20
)

// steady measures the processor time of 1,000 readings a second over 1,000
// loops, every machine cutting a part a second.
func (b *bench) steady(ctx context.Context) error {
	br, err := b.startBroker(1000)
	if err != nil {
		return err
	}
	defer br.stop()
	p, err := build(br.url, steadyMachines, steadyLoops)
	if err != nil {
		return err
	}
	defer p.close()
	d, _, err := b.startDaemon(ctx, "steady", p.config)
	if err != nil {
		return err
	}
	defer d.stop()
	if err := p.upTo(ctx, d, 0); err != nil {
		return err
	}
	c, err := connect(br.url, "bench-steady")
	if err != nil {
		return err
	}
	defer c.Disconnect(250)
	before, err := d.cpu()
	if err != nil {
		return err
	}
	began := time.Now()
	for second := 1; second <= steadySeconds; second++ {
		p.cycle()
		for m := range steadyMachines {
			for l := range steadyLoops {
				c.Publish(fmt.Sprintf("bench/m%d/m%d-g%d", m, m, l), 1, false, payload(m, l, second, second))
			}
			time.Sleep(time.Until(began.Add(time.Duration(second-1)*time.Second + time.Duration(m+1)*9*time.Millisecond)))
		}
		time.Sleep(time.Until(began.Add(time.Duration(second) * time.Second)))
	}
	after, err := d.cpu()
	if err != nil {
		return err
	}
	share := 100 * (after - before).Seconds() / time.Since(began).Seconds()
	b.add("1,000 readings/s over 1,000 loops on 100 machines", share, 0, "% of a core", "≤ 25", share <= 25)
	mb, err := resident(d.cmd.Process.Pid)
	b.add("its resident memory", mb, 0, "MB", "for the record", true)
	return err
}
