package web

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

// trust stands for a program that knows its gauges; no test here asks it.
type trust struct{ Trust }

func entering(t *testing.T, p *plant) string {
	t.Helper()
	h := Handler(Options{Plant: p, Trust: trust{}, Log: zap.NewNop()})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.ServeHTTP(w, r.WithContext(WithPerson(r.Context(), anna)))
	}))
	t.Cleanup(s.Close)
	return s.URL + "/v1/machines/mill/readings"
}

// Temperatures and place of a hand entry reach the machine in thousandths, what
// was not given stays unknown.
func TestAHandEntryBringsItsSurroundings(t *testing.T) {
	p := &plant{}
	url := entering(t, p)
	const start = `{"characteristic":"bore","part":"7","value":"28.0131 mm","reason":"gateway is down"`
	if status, r := post(t, url, start+`,"temperature_c":24.25,"gauge_temperature_c":-3,"depth":"0.5 in","orientation_deg":-60.5}`); status != http.StatusOK {
		t.Fatalf("%d %+v", status, r)
	}
	r := p.calls[0].(core.Reading)
	if *r.Temp != 24_250 || *r.TempGauge != -3_000 || r.TempStandard != nil || *r.Depth != 12_700*length.Micrometre || *r.Turn != -60_500 || r.Gauge != "by hand" || r.Machine != "mill" {
		t.Fatalf("came as %+v", r)
	}
	post(t, url, start+`}`)
	if r := p.calls[1].(core.Reading); r.Temp != nil || r.TempGauge != nil || r.Depth != nil || r.Turn != nil {
		t.Fatalf("nothing was given, and yet %+v", r)
	}
	for _, x := range [][2]string{
		{`,"temperature_c":60.1}`, "temperature"}, {`,"standard_temperature_c":-20.1}`, "temperature"},
		{`,"orientation_deg":361}`, "orientation"}, {`,"depth":"5"}`, "depth"},
	} {
		if status, r := post(t, url, start+x[0]); status != http.StatusBadRequest || r.Error.Code != x[1] {
			t.Errorf("%s: %d %+v", x[0], status, r)
		}
	}
	if len(p.calls) != 2 {
		t.Errorf("%d readings were handed on, the refused among them", len(p.calls))
	}
}

// The card shows the size that steers, the raw one beside it, and what the size
// decides, never without the sentence that it accepts no part.
func TestACardShowsRawAndCorrected(t *testing.T) {
	p := card()
	p.Raw = 27_993_600
	p.Measurement = &core.Measured{Gauge: "g", Raw: 27_993_600, Worth: &core.Worth{
		Correction: -2_600, Thermal: 150, U: 1_200, Decision: gauge.Conforming, Thread: true,
	}}
	c := CardOf(p)
	if c.Raw != "27.9936 mm" || c.Measured != "27.9910 mm" || c.How[0] != "the gauge showed 27.9936 mm, at 20 °C that is −0.0026 mm (±0.0003 mm)" {
		t.Errorf("card %+v", c)
	}
	if c.Decision != "27.9910 mm ±0.0012 mm is conforming; "+gauge.NoAcceptance+"; "+gauge.PlugsDecide {
		t.Errorf("the card decides %q", c.Decision)
	}
	if c := CardOf(card()); c.Raw != "" || c.Decision != "" || strings.Contains(c.Say, "raw") {
		t.Errorf("without a measurement %+v", c)
	}
}
