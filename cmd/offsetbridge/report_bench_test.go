package main

import (
	"bufio"
	"bytes"
	"io"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
)

// BenchmarkCapabilityOfTenMillion reads ten million sizes from a table and judges them:
// figures are seconds of the whole and the most memory that the process has had, in MB.
func BenchmarkCapabilityOfTenMillion(b *testing.B) {
	const n = 10_000_000
	for b.Loop() {
		r, w := io.Pipe()
		go func() {
			out, chance := bufio.NewWriterSize(w, 1<<16), rand.New(rand.NewPCG(1, 1))
			out.WriteString("size\n")
			line := make([]byte, 0, 32)
			for range n {
				line = append(strconv.AppendFloat(line[:0], 74+0.01*chance.NormFloat64(), 'f', 4, 64), '\n')
				out.Write(line)
			}
			out.Flush()
			w.Close()
		}()
		c := reportCommand()
		var said bytes.Buffer
		c.SetIn(r)
		c.SetOut(&said)
		c.SetArgs([]string{"capability", "--from", "-", "--lower", "73.95", "--upper", "74.05", "--json"})
		if err := c.Execute(); err != nil || !bytes.Contains(said.Bytes(), []byte(`"n": 10000000`)) {
			b.Fatalf("%v: %s", err, said.String())
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/report")
	b.ReportMetric(peak(), "MB")
}

// peak is the most memory the process has had, in MB: as the system tells, or else what
// the runtime has taken from it.
func peak() float64 {
	if status, err := os.ReadFile("/proc/self/status"); err == nil {
		for _, line := range strings.Split(string(status), "\n") {
			if rest, ok := strings.CutPrefix(line, "VmHWM:"); ok {
				if kb, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(rest), "kB")), 64); err == nil {
					return kb / 1024
				}
			}
		}
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return float64(m.Sys) / (1 << 20)
}
