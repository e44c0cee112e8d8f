package web

import (
	"fmt"
	"io"
	"net/http"
	"runtime"
	"testing"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
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
	l, err := New(Options{Plant: hall(), Log: zap.NewNop()}).ListenPage(PageOptions{Listen: "127.0.0.1:0", Watch: true, House: account.New(account.Options{People: people})})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(l.Close)
	return l
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
