package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
	"offsetbridge/internal/web"
)

// What the flood is made of.
const (
	floodRate  = 20_000 // messages a second of one gauge
	floodLoops = 6      // the first of them floods
	probeEvery = 50 * time.Millisecond
	afterFlood = 15 * time.Second
	// firstOfFlood is how long a backlog's worth of messages, which is taken as any
	// other, keeps broker and record busy.
	firstOfFlood = 10 * time.Second
)

// flood lets one gauge send 20,000 messages a second. The others go on: how long
// their readings take until they are on record, and what the program needs.
func (b *bench) flood(ctx context.Context) error {
	br, err := b.startBroker(1000)
	if err != nil {
		return err
	}
	defer br.stop()
	p, err := build(br.url, 1, floodLoops)
	if err != nil {
		return err
	}
	defer p.close()
	d, _, err := b.startDaemon(ctx, "flood", p.config)
	if err != nil {
		return err
	}
	end := sync.OnceFunc(d.stop)
	defer end()
	if err := p.upTo(ctx, d, 0); err != nil {
		return err
	}
	p.cycle()
	if err := p.upTo(ctx, d, 1); err != nil {
		return err
	}
	w := &floodWatch{sent: map[string]time.Time{}}
	stop := make(chan struct{})
	var probing sync.WaitGroup
	var probed error
	probing.Go(func() { probed = w.probe(br.url, stop) })
	most := 0.0
	probing.Go(func() {
		for end := false; !end; {
			select {
			case <-stop:
				end = true
			case <-time.After(250 * time.Millisecond):
			}
			if mb, err := resident(d.cmd.Process.Pid); err == nil {
				most = max(most, mb)
			}
		}
	})
	time.Sleep(2 * time.Second)
	reached, count, err := pour(br.url, time.Duration(b.seconds)*time.Second)
	over := time.Now()
	time.Sleep(afterFlood)
	close(stop)
	probing.Wait()
	if err != nil || probed != nil {
		return errors.Join(err, probed)
	}
	var s web.Status
	if err := d.client.Get(ctx, "/v1/status", nil, &s); err != nil {
		return err
	}
	end()
	if err := w.read(ctx, filepath.Join(b.dir, "flood", "journal")); err != nil {
		return err
	}
	first, during, after, missing := w.delays(over.Add(-time.Duration(b.seconds)*time.Second+firstOfFlood), over)
	b.add("flood of one gauge, as the broker took it", reached, 0, "messages/s", fmt.Sprintf("%d wanted", floodRate), true)
	b.add("resident memory at most", most, 0, "MB", "< 150", most < 150)
	b.add("the others while a backlog's worth of it is taken, p99", percentile(first, 99), 0, "ms", "for the record", true)
	p99 := percentile(during, 99)
	b.add(fmt.Sprintf("the others during it, p99 of %d readings", len(during)), p99, 0, "ms", "< 500 where the broker has no backlog", p99 < 500)
	b.add("the others after it, p99", percentile(after, 99), 0, "ms", "< 500", percentile(after, 99) < 500)
	b.add("readings of the others that are not on record", float64(missing), 0, "", "0", missing == 0)
	b.add("messages refused and counted", float64(s.Rejected), 0, "", "all but 20 a second and a backlog's worth", s.Rejected+backlog+20*uint64(b.seconds+60) >= uint64(count))
	b.add("records that say so", float64(w.summaries), 0, "", "at most one a second", w.summaries <= b.seconds+20)
	return nil
}

// backlog is how many messages of a gauge are taken at once.
const backlog = 20_000

// pour publishes as one gauge.
func pour(url string, during time.Duration) (reached float64, count int, err error) {
	c, err := connect(url, "bench-flood")
	if err != nil {
		return 0, 0, err
	}
	defer c.Disconnect(250)
	window := make(chan mqtt.Token, 500)
	failed := make(chan error, 1)
	go func() {
		var err error
		for t := range window {
			if t.Wait(); t.Error() != nil {
				err = t.Error()
			}
		}
		failed <- err
	}()
	began := time.Now()
	for ; time.Since(began) < during; count++ {
		if count%100 == 0 {
			time.Sleep(time.Until(began.Add(time.Duration(count) * time.Second / floodRate)))
		}
		window <- c.Publish("bench/m0/m0-g0", 1, false, payload(0, 0, count+1, 1))
	}
	close(window)
	err = <-failed
	return float64(count) / time.Since(began).Seconds(), count, err
}

// floodWatch knows when the readings of the other gauges were sent, and finds in
// the record when they were taken up.
type floodWatch struct {
	sent      map[string]time.Time
	done      []delay
	summaries int
}

type delay struct {
	at   time.Time // when it was sent
	took time.Duration
}

func reading(gauge string, sequence uint64) string { return fmt.Sprintf("%s/%d", gauge, sequence) }

// read compares with the record. A record bears the time at which the loop took
// it up, some milliseconds before it was durable.
func (w *floodWatch) read(ctx context.Context, dir string) error {
	j, err := journal.Open(ctx, dir, journal.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer j.Close() //nolint:errcheck // only read from
	err = j.Read("machine/m0", 1, func(r journal.Record) error {
		e, err := core.Decode(r.Kind, r.Body)
		if taken, ok := e.(core.Judged); ok {
			key := reading(taken.Reading.Gauge, taken.Reading.Sequence)
			if at, ok := w.sent[key]; ok {
				w.done = append(w.done, delay{at, max(0, time.UnixMilli(r.At).Sub(at))})
				delete(w.sent, key)
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	return j.Read("plant", 1, func(r journal.Record) error {
		if r.Kind == (core.Rejected{}).Kind() {
			w.summaries++
		}
		return nil
	})
}

// probe sends a reading of one of the other gauges in turn.
func (w *floodWatch) probe(url string, stop <-chan struct{}) error {
	c, err := connect(url, "bench-probe")
	if err != nil {
		return err
	}
	defer c.Disconnect(250)
	for n := 0; ; n++ {
		l, sequence := 1+n%(floodLoops-1), n/(floodLoops-1)+1
		gauge := fmt.Sprintf("m0-g%d", l)
		w.sent[reading(gauge, uint64(sequence))] = time.Now()
		if t := c.Publish("bench/m0/"+gauge, 1, false, payload(0, l, sequence, 1)); t.Error() != nil {
			return t.Error()
		}
		select {
		case <-stop:
			time.Sleep(2 * time.Second) // the last ones
			return nil
		case <-time.After(probeEvery):
		}
	}
}

// delays splits what was seen into the flood's beginning, its rest and what came
// after it.
func (w *floodWatch) delays(taken, over time.Time) (first, during, after []time.Duration, missing int) {
	for _, d := range w.done {
		switch {
		case d.at.Before(taken):
			first = append(first, d.took)
		case d.at.Before(over):
			during = append(during, d.took)
		default:
			after = append(after, d.took)
		}
	}
	return first, during, after, len(w.sent)
}
