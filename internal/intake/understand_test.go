package intake

import (
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

func raw(topic, payload string) Raw {
	return Raw{Topic: topic, Payload: []byte(payload), Size: len(payload)}
}

// Whatever a gateway sends, one sentence says what it looks like and what is to be
// done about it.
func TestWhatAMessageLooksLike(t *testing.T) {
	for payload, want := range map[string]string{
		"28.012":    "a bare number 28.012: usable with bare_number",
		"28,012":    "decimal comma",
		"28.012 mm": `something behind it ("mm")`,
		"":          "the message is empty",
		"hello":     "not valid JSON",
		"\xff\x00":  "not valid UTF-8",
		`{"feature":"bore","value":28.012,"unit":"mm","part":"57","seq":3}`: "size 28.012 at /value in mm, without machine, state",
		`{"d":{"reading":"28,01"},"u":"in"}`:                                "size 28,01 at /d/reading in in, without characteristic",
		`{"a":1,"a":2}`:                                                     "a key occurs twice",
		`{"on":true}`:                                                       `without a number that looks like a size: it holds "/on"`,
		`{"x":1.5,"y":2.5}`:                                                 "without a number that looks like a size",
		`{"temp":21,"q":12.5}`:                                              "size 12.5 at /q",
		`{}`:                                                                "it holds nothing",
	} {
		var p Proposal
		if got := p.Understand(raw("hall/g-7/value", payload)); !strings.Contains(got, want) {
			t.Errorf("%q: %s\nwant %s", payload, got, want)
		}
	}
	var p Proposal
	r := raw("hall/g-7/value", "1.5")
	r.Retained = true
	if got := p.Understand(r); !strings.Contains(got, "never used") {
		t.Errorf("a retained message: %s", got)
	}
	if got := p.Understand(raw("spBv1.0/hall/NDATA/gw", "\x08\x01")); !strings.Contains(got, "Sparkplug") {
		t.Errorf("Sparkplug: %s", got)
	}
}

// Several messages make one proposal; an exception does not turn it round.
func TestProposal(t *testing.T) {
	var p Proposal
	for _, payload := range []string{
		"28.5",
		`{"characteristic":"bore","value":28.0123,"unit":"mm","part":"57","sequence":3,"time":"2026-03-02T06:12:44Z","state":"series"}`,
		`{"characteristic":"bore","value":28.010,"unit":"mm","part":"58","sequence":4,"time":"2026-03-02T06:12:44Z","state":"rework"}`,
		"28.9",
	} {
		p.Understand(raw("hall/mill-1/g-7/value", payload))
	}
	if p.Bare || p.Gauge != "g-7" || p.Identity != "counter" || p.Unit != length.MM || p.Times != "rfc3339" || p.Decimals != 4 ||
		p.Low != 28.010 || p.High != 28.0123 || p.Messages != 2 || strings.Join(p.States, " ") != "series rework" || p.Fields["part"] != "/part" {
		t.Errorf("%+v", p)
	}
	var serial Proposal
	serial.Understand(raw("a/b", `{"feature":"bore","v":"28.01","serial":"VB 7","ts":1700000000000}`))
	if serial.Identity != "serial" || !serial.Text || serial.Times != "ms" || serial.Fields["time"] != "/ts" || serial.Unit != "" ||
		strings.Join(serial.Lacks, " ") != "unit machine sequence state" {
		t.Errorf("%+v", serial)
	}
}

func FuzzUnderstand(f *testing.F) {
	for _, s := range []string{"1", "1,5", "1 mm", "{}", `{"value":1.5,"unit":"mm"}`, `[[[[[1]]]]]`, "\xff", `{"a":{"b":[1,{"c":"x"}]}}`, strings.Repeat("[", 100)} {
		f.Add("a/b", s)
	}
	f.Fuzz(func(t *testing.T, topic, payload string) {
		var p Proposal
		r := raw(topic, payload[:min(len(payload), MaxPayload)])
		if say := p.Understand(r); say == "" || len(say) > 4000 {
			t.Errorf("%d characters said", len(say))
		}
		if p.Gauge == "" || len(p.Gauge) > 40 {
			t.Errorf("gauge %q", p.Gauge)
		}
	})
}
