package main

import (
	"net/url"
	"testing"

	"offsetbridge/config"
	"offsetbridge/internal/length"
)

// A gauge that showed more digits than it resolves would have every reading turned
// away: the cell that is written to rehearse with would do nothing.
func TestASimulatedGaugeShowsNoMoreThanItResolves(t *testing.T) {
	c, err := config.Parse("demo.toml", config.Demo)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Gauges) == 0 {
		t.Fatal("the demonstration has no gauge")
	}
	for i := range c.Gauges {
		s := &simulatedGauge{cfg: c, of: &c.Gauges[i]}
		if got, most := s.options("mill-1", &url.URL{Host: "127.0.0.1"}).Decimals, length.MM.Digits(s.of.Resolution); got != most {
			t.Errorf("%s shows %d decimals of mm, and resolves %v: want %d", s.of.Name, got, s.of.Resolution, most)
		}
	}
}
