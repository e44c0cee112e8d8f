package metrics

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// hall is a program with one machine, a clock that is set, and a state.
func hall(t *testing.T) (m *Metrics, clock *time.Time) {
	late := int64(-2)
	t.Helper()
	at := time.Unix(1_700_000_000, 0)
	m = New(Options{
		Version: "v1", Gauges: []string{"bore-1"}, Names: map[string][]string{"mill-1/bore": {"bore 28 H8"}}, Now: func() time.Time { return at },
		State: func(context.Context) (State, error) {
			return State{
				Machines: []core.View{{Machine: "mill-1", Up: true, Loops: []core.LoopView{{Name: "bore", Readings: 3, FromAim: -2500, Due: &late, Hold: &core.Held{Cause: "foreign"}}}}},
				Bytes:    4096, Free: 0.5, Verified: true, Heads: []journal.Head{{Stream: "machine/mill-1", Seq: 12}, {Stream: "plant", Seq: 3}},
				Due: []Due{{"standard", "ring 28 A", 12.5}},
			}, nil
		},
	})
	return m, &at
}

func tell(m *Metrics, stream string, events ...core.Event) {
	m.Observe(bridge.Released{Stream: stream, Events: events})
}

func scrape(t *testing.T, m *Metrics) string {
	t.Helper()
	l, err := m.Listen("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	get := func(path string) (int, string) {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+l.Address()+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body)
	}
	if code, _ := get("/"); code != http.StatusNotFound {
		t.Errorf("/ answers %d", code)
	}
	code, body := get("/metrics")
	if problems, err := testutil.GatherAndLint(m.registry); code != http.StatusOK || err != nil || len(problems) > 0 {
		t.Errorf("%d; names and help: %v %v", code, problems, err)
	}
	return body
}

// TestWhatIsScraped: what was released and how things are, each under its name.
func TestWhatIsScraped(t *testing.T) {
	m, clock := hall(t)
	tell(m, "plant", core.Rejected{Code: "json", Count: 4}, core.Unplaced{Code: "no-char"})
	tell(m, "machine/mill-1",
		core.Judged{Reading: core.Reading{Gauge: "bore-1"}, Loop: "bore", Count: 1, Route: "write"},
		core.Judged{Reading: core.Reading{Gauge: "stranger"}, Admit: "range"},
		core.Judged{Reading: core.Reading{Gauge: "bore-1"}, Loop: "bore", Count: 2, Waited: true},
		core.Held{Loop: "bore", Cause: "foreign"},
		core.Intended{Intent: core.Intent{ID: 7}})
	*clock = clock.Add(2 * time.Second)
	tell(m, "machine/mill-1", core.Concluded{Outcome: core.Outcome{Intent: 7, Result: core.Applied}, Register: "D1"})
	tell(m, "machine/mill-1", core.Concluded{Outcome: core.Outcome{Intent: 9, Result: core.Unknown}, Register: "D1"})
	out := scrape(t, m)
	for _, want := range []string{
		`offsetbridge_build_info{version="v1"} 1`,
		`offsetbridge_readings_rejected_total{machine="plant",reason="json"} 4`,
		`offsetbridge_readings_rejected_total{machine="plant",reason="no-char"} 1`,
		`offsetbridge_readings_rejected_total{machine="mill-1",reason="range"} 1`,
		`offsetbridge_readings_total{gauge="bore-1",machine="mill-1"} 2`,
		`offsetbridge_readings_total{gauge="other",machine="mill-1"} 1`,
		`offsetbridge_decisions_total{loop="bore",machine="mill-1",verdict="write"} 1`,
		`offsetbridge_decisions_total{loop="bore",machine="mill-1",verdict="none"} 1`,
		`offsetbridge_holds_total{cause="foreign",machine="mill-1"} 1`,
		`offsetbridge_writes_total{machine="mill-1",outcome="applied",register="D1"} 1`,
		`offsetbridge_writes_total{machine="mill-1",outcome="unknown",register="D1"} 1`,
		`offsetbridge_write_seconds_bucket{machine="mill-1",le="1"} 0`,
		`offsetbridge_write_seconds_bucket{machine="mill-1",le="2.5"} 1`,
		`offsetbridge_write_seconds_sum{machine="mill-1"} 2`,
		`offsetbridge_last_decision_age_seconds{loop="bore",machine="mill-1"} 2`,
		`offsetbridge_measurement_due_parts{loop="bore",machine="mill-1"} -2`,
		`offsetbridge_held{loop="bore",machine="mill-1"} 1`,
		`offsetbridge_from_aim_meters{characteristic="bore 28 H8",loop="bore",machine="mill-1"} -2.5e-06`,
		`offsetbridge_due_seconds{kind="standard",name="ring 28 A"} 1.08e+06`,
		`offsetbridge_journal_head_records{stream="mill-1"} 12`,
		`offsetbridge_journal_bytes 4096`,
		`offsetbridge_state_known 1`,
		`offsetbridge_broker_up 0`,
	} {
		if !strings.Contains(out, want+"\n") {
			t.Errorf("it does not say %s", want)
		}
	}
	if t.Failed() {
		t.Log(out)
	}
}

// TestLabelsAreBounded: whatever gauges and machines send, so many series and no more.
func TestLabelsAreBounded(t *testing.T) {
	m, _ := hall(t)
	for i := range 10 * MostValues {
		code := core.Code(fmt.Sprintf("c%d", i))
		tell(m, "machine/mill-1", core.Judged{Reading: core.Reading{Gauge: fmt.Sprint(i)}, Admit: code}, core.Held{Cause: code}, core.Intended{Intent: core.Intent{ID: uint64(i)}})
		tell(m, "plant", core.Rejected{Code: code})
	}
	for i := range mostSent {
		tell(m, "machine/mill-1", core.Intended{Intent: core.Intent{ID: uint64(100_000 + i)}})
	}
	if n := testutil.CollectAndCount(m.rejected); n != 2*(MostValues+1) {
		t.Errorf("%d series of reasons", n)
	}
	if n := testutil.CollectAndCount(m.readings); n != 1 {
		t.Errorf("%d series of gauges", n)
	}
	if n := testutil.CollectAndCount(m.holds); n != MostValues+1 || len(m.sent) > mostSent {
		t.Errorf("%d series of causes, %d writes under way", n, len(m.sent))
	}
}

// TestAStateThatCannotBeSeen is said, and the counters are there all the same.
func TestAStateThatCannotBeSeen(t *testing.T) {
	m := New(Options{State: func(context.Context) (State, error) { return State{}, errors.New("stopping") }})
	if out := scrape(t, m); !strings.Contains(out, "offsetbridge_state_known 0\n") || strings.Contains(out, "offsetbridge_journal_bytes ") {
		t.Errorf("%s", out)
	}
	if _, err := m.Listen("127.0.0.1:99999"); err == nil {
		t.Error("no port is listened on")
	}
}

// TestShippedFiles: rules and dashboard name only what there is.
func TestShippedFiles(t *testing.T) {
	m, _ := hall(t)
	tell(m, "machine/mill-1", core.Judged{Loop: "bore"}, core.Judged{Admit: "x"}, core.Held{Cause: "x"}, core.Intended{}, core.Concluded{Outcome: core.Outcome{Result: core.Applied}})
	families, err := m.registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]bool{}
	for _, f := range families {
		known[f.GetName()] = true
	}
	names := regexp.MustCompile(`offsetbridge_[a-z_]+`)
	for file, least := range map[string]int{"metrics-alerts.yml": 10, "metrics-dashboard.json": 10} {
		text, err := os.ReadFile(filepath.Join("..", "..", "config", "deploy", file))
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(file, ".json") && !json.Valid(text) {
			t.Errorf("%s is no JSON", file)
		}
		used := names.FindAllString(string(text), -1)
		for _, n := range used {
			if n = strings.TrimSuffix(n, "_bucket"); !known[n] {
				t.Errorf("%s names %s, which there is not", file, n)
			}
		}
		if len(used) < least {
			t.Errorf("%s uses %d figures", file, len(used))
		}
	}
}
