package web

import (
	"bufio"
	"fmt"
	"io"
	"maps"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
)

// hall is a plant of 500 machines with 20 loops each.
func hall() *plant {
	p := &plant{}
	for i := range 500 {
		v := core.View{Machine: fmt.Sprintf("machine-%03d", i), Up: true, Program: "VALVE-BODY", Loops: make([]core.LoopView, 20)}
		for k := range v.Loops {
			v.Loops[k] = core.LoopView{Name: fmt.Sprintf("loop %d", k), Mode: core.Auto, First: i%5 == 0}
		}
		p.status.Machines = append(p.status.Machines, v)
	}
	return p
}

func hallPage(b *testing.B) *Listener {
	b.Helper()
	l, _ := hallOf(b)
	return l
}

func hallOf(b *testing.B) (*Listener, *plant) {
	b.Helper()
	p := hall()
	l, err := New(Options{Plant: p, Log: zap.NewNop()}).ListenPage(PageOptions{Listen: "127.0.0.1:0", Watch: true, House: account.New(account.Options{People: people})})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(l.Close)
	return l, p
}

// BenchmarkFirstView is one place with 500 machines and 10,000 loops, from the
// request to its last byte.
func BenchmarkFirstView(b *testing.B) {
	l := hallPage(b)
	for _, path := range []string{"", "machines", "first", "machine?machine=machine-007"} {
		b.Run("/"+path, func(b *testing.B) {
			size := 0
			for b.Loop() {
				resp, err := http.Get(l.URL() + path)
				if err != nil {
					b.Fatal(err)
				}
				body, err := io.ReadAll(resp.Body)
				resp.Body.Close() //nolint:errcheck // only read
				if err != nil || resp.StatusCode != http.StatusOK {
					b.Fatal(resp.Status, err)
				}
				size = len(body)
			}
			b.ReportMetric(float64(size), "bytes")
		})
	}
}

// BenchmarkTablets is the memory of 200 tablets that look at a place, both ends of
// their connections in this process.
func BenchmarkTablets(b *testing.B) {
	l := hallPage(b)
	for b.Loop() {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		var open []io.Closer
		for range 200 {
			resp, err := http.Get(l.URL() + "v1/news?machine=*")
			if err != nil {
				b.Fatal(err)
			}
			if _, err := resp.Body.Read(make([]byte, 1)); err != nil {
				b.Fatal(err)
			}
			open = append(open, resp.Body)
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(int64(after.HeapInuse+after.StackInuse)-int64(before.HeapInuse+before.StackInuse))/1e6, "MB")
		for _, c := range open {
			c.Close() //nolint:errcheck // only read
		}
	}
}

// BenchmarkACardOnScreen is the time from the record of a proposal until each of 200
// tablets, half of them in German, has it, in a hall of 500 machines and 10,000 loops.
func BenchmarkACardOnScreen(b *testing.B) {
	l, p := hallOf(b)
	const tablets = 200
	got := make(chan time.Time, tablets)
	for i := range tablets {
		r, err := http.NewRequest(http.MethodGet, l.URL()+"v1/live", nil)
		if err != nil {
			b.Fatal(err)
		}
		r.Header.Set("Accept-Language", []string{"en", "de"}[i%2])
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			b.Fatal(err)
		}
		defer resp.Body.Close() //nolint:errcheck // only read
		go func() {
			lines := bufio.NewScanner(resp.Body)
			lines.Buffer(nil, 8<<20)
			last := ""
			for lines.Scan() {
				id, after, ok := strings.Cut(lines.Text(), `"id":"`)
				if id, _, _ = strings.Cut(after, `"`); ok && id != last {
					last = id
					got <- time.Now()
				}
			}
		}()
	}
	var all []float64
	for n := uint64(1); b.Loop(); n++ {
		c := card()
		c.ID, c.Machine = n, "machine-007"
		p.mu.Lock()
		machines := slices.Clone(p.status.Machines)
		machines[7].Proposals = []core.ProposalView{c}
		p.status.Machines = machines
		watch := slices.Collect(maps.Values(p.watch))
		p.mu.Unlock()
		began := time.Now()
		for _, f := range watch {
			f(bridge.Released{Stream: "machine/machine-007", Events: []core.Event{core.Proposed{Proposal: c.Proposal}}})
		}
		for range tablets {
			all = append(all, (<-got).Sub(began).Seconds()*1000)
		}
	}
	slices.Sort(all)
	b.ReportMetric(all[len(all)/2], "p50-ms")
	b.ReportMetric(all[len(all)*95/100], "p95-ms")
	b.ReportMetric(all[len(all)-1], "most-ms")
}
