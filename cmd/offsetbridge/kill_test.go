package main

import (
	"context"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"offsetbridge/internal/core"
	"offsetbridge/internal/web"
	"offsetbridge/testdata/peers/shop"
)

// production cuts and measures parts one after the other, whatever happens to
// the programs around it, and approves every card at once.
type production struct {
	s  *shop.Shop
	mu sync.Mutex // held while a part is on its way to the broker

	acked []uint64 // readings that the broker has taken
	parts int
	stop  context.CancelFunc
	all   sync.WaitGroup
}

// cycle is how long a part takes, for a machine that waits for nobody.
const cycle = 150 * time.Millisecond

func produce(s *shop.Shop) *production {
	ctx, stop := context.WithCancel(context.Background())
	p := &production{s: s, stop: stop}
	person := &process{client: newClient(s)}
	p.all.Go(func() {
		for tick := time.NewTicker(cycle); ctx.Err() == nil; <-tick.C {
			p.part(ctx)
		}
	})
	p.all.Go(func() {
		for tick := time.NewTicker(cycle); ctx.Err() == nil; <-tick.C {
			for _, c := range person.cards() {
				person.approve(c) //nolint:errcheck // it may have been replaced, or the daemon has died
			}
		}
	})
	return p
}

func (p *production) part(ctx context.Context) {
	p.mu.Lock()
	defer p.mu.Unlock()
	part, err := p.s.Cut()
	if err != nil {
		return // its server is away
	}
	p.parts++
	if n, err := p.s.Measure(ctx, part); err == nil {
		p.acked = append(p.acked, n)
	}
}

func (p *production) end() {
	p.stop()
	p.all.Wait()
}

// burst sends many readings of test pieces at once and calls kill in the middle:
// what is acknowledged before it is on record would be lost then.
func (p *production) burst(rng *rand.Rand, kill func()) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	const many = 200
	var payloads [][]byte
	var numbers []uint64
	for range many {
		r := p.s.Reading(shop.Part{Count: 1, Size: shop.Aim})
		r.State = "test"
		payloads, numbers = append(payloads, p.s.Gauge.Payload(r)), append(numbers, r.Sequence)
	}
	sent := make(chan error, 1)
	go func() {
		sent <- p.s.Gauge.Stream(context.Background(), many, func(i int) []byte { return payloads[i] })
	}()
	wait(rng, 30*time.Millisecond)
	kill()
	err := <-sent
	if err == nil {
		p.acked = append(p.acked, numbers...)
	}
	return err
}

// quiet calls f between two parts, when the broker has saved what it has taken:
// what it forgets is not the daemon's loss.
func (p *production) quiet(f func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	const saving = "Saving in-memory database"
	for saved := -1; ; {
		now := strings.Count(p.s.Broker.Log(), saving)
		if now == saved {
			break
		}
		saved = now
		time.Sleep(300 * time.Millisecond)
	}
	f()
}

// falseAlarm is the hold that a process which swings as this one does may come to in the
// long run: twice in a row a move seems to have gone the wrong way.
const falseAlarm core.Code = "response"

// TestKilledAtAnyMoment kills the daemon over and over, at random moments and
// just when a write took effect, and broker and machine between. No reading is
// lost, none counts twice, and every effect at the machine has its one intent.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	kills := 30
	if n, err := strconv.Atoi(os.Getenv("OFFSETBRIDGE_KILLS")); err == nil {
		kills = n
	}
	s := shop.Open(t, shop.Options{Metal: shop.Metal{Swing: 5_000, Scatter: 400}, Seed: 11})
	s.Config(t)
	rng := rand.New(rand.NewPCG(20260301, 5))
	d := launch(t, s)
	d.live(t) // from now on the broker keeps what is sent
	p := produce(s)
	defer p.end()
	d.kill()
	began := time.Now()
	onEffect := 0
	for k := range kills {
		d = launch(t, s)
		switch k % 4 {
		case 0:
			if awaitEffect(t, s, 15*time.Second) {
				onEffect++
			}
		case 1, 2:
			d.live(t)
			wait(rng, 200*time.Millisecond)
		default:
			wait(rng, 800*time.Millisecond) // also before it is up
		}
		if st, ok := d.status(); ok && len(st.Machines) == 1 && len(st.Machines[0].Loops) == 1 {
			h := st.Machines[0].Loops[0].Hold
			if h != nil && h.Cause == falseAlarm && k >= 30 {
				_ = d.client.Post(context.Background(), "/v1/resume", web.Scope{Machine: st.Machines[0].Machine, Loop: h.Loop, Cause: h.Cause, Note: "the process swings"}, nil) // or at the next look
			} else if h != nil || st.Machines[0].Hold != nil {
				t.Fatalf("on hold after %d kills: %+v %+v", k, h, st.Machines[0].Hold)
			}
		}
		switch k % 30 {
		case 9, 21:
			p.quiet(func() { s.Broker.Kill() })
			wait(rng, 500*time.Millisecond)
			d.kill()
			s.Broker.Restart()
		case 13, 25:
			s.Machine.Kill()
			wait(rng, 500*time.Millisecond)
			d.kill()
			s.Machine.Restart(t)
		case 17:
			p.quiet(func() { s.Broker.Restart() })
			s.Machine.Restart(t)
			d.kill()
		default:
			if k%4 != 1 && k%4 != 2 {
				d.kill()
			} else if err := p.burst(rng, d.kill); err != nil {
				t.Fatal(err)
			}
		}
	}
	t.Logf("%d kills in %v, %d of them just after an effect", kills, time.Since(began).Round(time.Second), onEffect)

	// Broker and machine go while the daemon stays: it comes back by itself.
	d = launch(t, s)
	d.live(t)
	p.quiet(func() { s.Broker.Restart() })
	d.live(t)
	s.Machine.Restart(t)
	d.live(t)
	before := len(effectLog(t, s))
	shop.Wait(t, "the loop goes on by itself", func() bool { return len(effectLog(t, s)) >= before+2 })
	p.end()
	last := p.acked[len(p.acked)-1]
	shop.Wait(t, "everything is judged and settled", func() bool { return settled(d.recent(1000), last) })
	d.stop(t)

	verify(t, s)
	all := read(t, s, millStream)
	applied := effects(t, s, all)
	judgedOnce(t, all, p.acked)
	alarms := 0
	for _, h := range of[core.Held](all) {
		if alarms++; h.Cause != falseAlarm || alarms > kills/200 {
			t.Errorf("on hold: %+v", h)
		}
	}
	lost := 0
	for _, c := range of[core.Concluded](all) {
		if c.Late && c.Result == core.Applied {
			lost++
		}
	}
	t.Logf("%d parts, %d readings, %d effects, %d of them proven only after a restart", p.parts, len(p.acked), applied, lost)
	if applied < 8 || onEffect < 3 {
		t.Errorf("%d effects, %d kills at an effect: this run has proven little", applied, onEffect)
	}
}

// wait lets a random time pass: the moment of a kill is chosen, nothing is
// waited for.
func wait(rng *rand.Rand, most time.Duration) { time.Sleep(time.Duration(rng.Int64N(int64(most)))) }

func effectLog(t *testing.T, s *shop.Shop) []struct {
	Register string  `json:"register"`
	Old      float64 `json:"old"`
	New      float64 `json:"new"`
} {
	t.Helper()
	held, err := s.Machine.State()
	if err != nil {
		t.Fatal(err)
	}
	return held.Log
}

// awaitEffect returns as soon as the machine has taken a write.
func awaitEffect(t *testing.T, s *shop.Shop, most time.Duration) bool {
	t.Helper()
	before := len(effectLog(t, s))
	for end := time.Now().Add(most); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if len(effectLog(t, s)) > before {
			return true
		}
	}
	return false
}

// judgedOnce checks that every reading which the broker took was judged, once as
// itself; what is delivered again is recorded as that.
func judgedOnce(t *testing.T, all []entry, acked []uint64) {
	t.Helper()
	by := judged(all)
	again := 0
	for _, n := range acked {
		first := 0
		for _, j := range by[n] {
			if j.Admit == "repeated" || j.Admit == "late" {
				again++
			} else {
				first++
			}
		}
		if len(by[n]) > 0 && first != 1 {
			t.Errorf("reading %d was taken %d times: %+v", n, first, by[n])
		}
		if len(by[n]) == 0 {
			t.Errorf("reading %d of %d was lost", n, len(acked))
		}
	}
	t.Logf("%d readings were delivered again, and recorded as such", again)
}
