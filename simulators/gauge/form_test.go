package gauge

import (
	"testing"
	"time"
)

// A message of another make stands where its pointers say, and each fault of a
// gateway is in it.
func TestForm(t *testing.T) {
	g := &Gauge{o: Options{Station: "s", Unit: "mm", Decimals: 3, Form: &Form{
		Pointers: map[string]string{"value": "/d/v", "unit": "/d/u~1m", "sequence": "/n", "time": "/t", "part": "/p", "machine": "/m", "cut": "/c"},
		Times:    "s", Machine: "mill",
	}}}
	r := Reading{Sequence: 7, Time: time.Unix(100, 0), Nanometres: 28_012_000, Part: "57", Cut: 2}
	for want, faults := range map[string][]Fault{
		`{"c":2,"d":{"u/m":"mm","v":28.012},"m":"mill","n":7,"p":"57","t":100}`:   nil,
		`{"c":2,"d":{"u/m":"mm","v":"28,012"},"m":"mill","n":7,"p":"57","t":100}`: {Comma},
		`{"c":2,"d":{"u/m":"mm","v":""},"m":"mill","n":7,"p":"57","t":100}`:       {Empty},
		`{"c":2,"d":{"u/m":"in","v":28.012},"m":"mill","n":7,"p":"57","t":100}`:   {WrongUnit},
		`{"c":2,"d":{"v":28.012},"m":"mill","n":1,"p":"57","t":100}`:              {NoUnit, Renumber},
		`{"c":2,"d":{"u/m":"mm","v":28.012},"m":"mill","n":6,"p":"57","t":100}`:   {Reused},
		`28.012`: {Bare},
		``:       {Nothing},
	} {
		if got := string(g.Payload(r, faults...)); got != want {
			t.Errorf("%v: %s, want %s", faults, got, want)
		}
	}
	g.o.Form = &Form{Bare: true, Comma: true}
	for want, faults := range map[string][]Fault{"28,012": nil, "": {Empty}, "28,012 in": {WrongUnit}} {
		if got := string(g.Payload(r, faults...)); got != want {
			t.Errorf("bare, %v: %q, want %q", faults, got, want)
		}
	}
}
