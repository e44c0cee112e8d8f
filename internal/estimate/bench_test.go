package estimate

import "testing"

// BenchmarkReading is one reading taken in and one part forecast, as the engine does for each.
func BenchmarkReading(b *testing.B) {
	e := New(Settings{HalfTolerance: 15})
	b.ReportAllocs()
	part := int64(0)
	for b.Loop() {
		part++
		d := float64(part*2654435761%1000)/250 - 2
		if part%200 == 0 {
			e.Note(Event{Kind: ToolChange, Part: part})
		}
		e.Observe(Observation{Part: part, Minute: float64(part) * 1.5, Deviation: d})
		e.Forecast(part+2, float64(part+2)*1.5)
	}
}
