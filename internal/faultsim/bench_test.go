package faultsim

import "testing"

// BenchmarkWorld plays worlds one after the other on one core.
func BenchmarkWorld(b *testing.B) {
	parts := 0
	for i := 0; b.Loop(); i++ {
		w := newWorld(uint64(1000 + i))
		if v := w.play(worldParts); v != nil {
			b.Fatal(v)
		}
		parts += w.parts
	}
	b.ReportMetric(float64(parts)/b.Elapsed().Seconds(), "parts/s")
}
