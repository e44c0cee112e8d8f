package app

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"offsetbridge/config"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

// daemon is a running program in this process.
type daemon struct {
	*App
	client *web.Client
	logs   *observer.ObservedLogs
	end    func()

	mu  sync.Mutex
	all []core.Event // durable, in the order of their release
	at  []time.Time  // of each
	// from is when the release before it, of the same stream, was seen: what an
	// event let out cannot have begun earlier.
	from []time.Time
	last map[string]time.Time
}

// start runs the program on a configuration until the test ends.
func start(t testing.TB, path string) *daemon {
	t.Helper()
	c, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	observed, logs := observer.New(zapcore.InfoLevel)
	d := &daemon{logs: logs, client: web.NewClient(c.Socket.Path)}
	ctx, cancel := context.WithCancel(context.Background())
	d.App, err = New(ctx, Options{Config: c, Digest: "test", Version: "test", Log: zap.New(observed), Watch: d.keep})
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	var running sync.WaitGroup
	running.Go(func() {
		if err := d.Run(ctx); err != nil && !errors.Is(err, context.Canceled) {
			t.Errorf("the program ended: %v", err)
		}
	})
	d.end = sync.OnceFunc(func() {
		cancel()
		running.Wait()
		d.Close()
	})
	t.Cleanup(func() {
		d.end()
		if t.Failed() {
			t.Log(d.story())
		}
	})
	return d
}

func (d *daemon) keep(rel bridge.Released) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.all = append(d.all, rel.Events...)
	now := time.Now()
	if d.last == nil {
		d.last = map[string]time.Time{}
	}
	for range rel.Events {
		d.at, d.from = append(d.at, now), append(d.from, d.last[rel.Stream])
	}
	d.last[rel.Stream] = now
}

func (d *daemon) story() string {
	var b strings.Builder
	for _, l := range d.logs.All() {
		b.WriteString(l.Level.String() + " " + l.Message + "\n")
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.all[max(0, len(d.all)-60):] {
		b.WriteString(e.Kind() + " " + string(core.Encode(e)) + "\n")
	}
	return b.String()
}

// said reports whether the log holds a sentence.
func (d *daemon) said(sentence string) bool { return d.times(sentence) > 0 }

func (d *daemon) times(sentence string) (n int) {
	for _, l := range d.logs.All() {
		if strings.Contains(l.Message, sentence) {
			n++
		}
	}
	return n
}

// hears waits for a sentence in the log.
func (d *daemon) hears(t testing.TB, sentence string) {
	t.Helper()
	shop.Wait(t, "the log says: "+sentence, func() bool { return d.said(sentence) })
}

// find returns the events of one type that match.
func find[E core.Event](d *daemon, match func(E) bool) (out []E) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, e := range d.all {
		if x, ok := e.(E); ok && match(x) {
			out = append(out, x)
		}
	}
	return out
}

// awaits waits for an event that matches, and returns the first.
func awaits[E core.Event](t testing.TB, d *daemon, what string, match func(E) bool) E {
	t.Helper()
	var found []E
	shop.Wait(t, what, func() bool {
		found = find(d, match)
		return len(found) > 0
	})
	return found[0]
}

// status returns what there is to see.
func (d *daemon) status(t testing.TB) web.Status {
	t.Helper()
	s, err := d.Status(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// live waits until broker and machine are connected and the journal is checked.
func (d *daemon) live(t testing.TB) {
	t.Helper()
	shop.Wait(t, "connected to broker and machine", func() bool {
		s := d.status(t)
		return s.Broker.Up && s.Journal.Verified && s.Machines[0].Up && s.Machines[0].Registers[0].Known
	})
}

// judged waits for what became of a reading.
func (d *daemon) judged(t testing.TB, sequence uint64) core.Judged {
	t.Helper()
	return awaits(t, d, "the reading is judged", func(j core.Judged) bool { return j.Reading.Sequence == sequence })
}

// card waits for the one proposal that is open.
func (d *daemon) card(t testing.TB) web.Card {
	t.Helper()
	var answer struct{ Proposals []web.Card }
	shop.Wait(t, "a card", func() bool {
		err := d.client.Get(t.Context(), "/v1/queue", nil, &answer)
		return err == nil && len(answer.Proposals) == 1
	})
	return answer.Proposals[0]
}

func (d *daemon) approve(ctx context.Context, c web.Card) error {
	return d.client.Post(ctx, "/v1/queue/"+c.ID+"/approve", map[string]string{"digest": c.Digest}, nil)
}

// refusal returns the code with which a request was refused.
func refusal(err error) string {
	var r *web.RefusedError
	if errors.As(err, &r) {
		return r.Code
	}
	return ""
}

// part cuts and measures one and waits until the reading is judged.
func part(t testing.TB, s *shop.Shop, d *daemon) core.Judged {
	t.Helper()
	p, err := s.Cut()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	n, err := s.Measure(ctx, p)
	if err != nil {
		t.Fatal(err)
	}
	return d.judged(t, n)
}

// untouched checks that nothing was written over OPC UA, and returns what the
// register holds.
func untouched(t testing.TB, s *shop.Shop) float64 {
	t.Helper()
	held, err := s.Machine.State()
	if err != nil {
		t.Fatal(err)
	}
	if len(held.Log) > 0 {
		t.Errorf("the machine was written to: %v", held.Log)
	}
	return held.Registers[shop.Register]
}
