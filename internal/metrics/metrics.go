// Package metrics tells Prometheus what the program does: counts of what was released,
// and the state as it is when somebody asks.
//
// Nothing is decided by a metric and nothing waits for one: [Metrics.Observe] takes what
// is durable already and returns at once. Labels are names of the configuration (machine,
// loop, characteristic, register, gauge) and codes of this program; what else comes, as
// from a gauge that nobody knows, is counted as [Other], and of one label at most
// [MostValues] values are told apart. No part, person or size of a payload is a label.
package metrics

import (
	"context"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// Other stands for what is beyond the values that are told apart.
const Other = "other"

// MostValues bounds the values of a label that does not come from the configuration.
const MostValues = 128

// State is how things are when somebody asks.
type State struct {
	Machines []core.View
	BrokerUp bool
	HoldAll  bool
	Tray     int // readings that wait unassigned
	Verified bool
	Bytes    int64   // of the journal's files
	Free     float64 // of its disk, 0 to 1
	Heads    []journal.Head
	Due      []Due
}

// Due is the last day on which something is good.
type Due struct {
	Kind string // "gauge" or "standard"
	Name string
	Days float64 // from now; negative where it has passed
}

// Options of the metrics.
type Options struct {
	Version string
	Gauges  []string            // that are configured
	Names   map[string][]string // of machine and loop (as "machine/loop"): its characteristics
	Now     func() time.Time
	State   func(context.Context) (State, error)
}

// Metrics are the counters of one running program.
type Metrics struct {
	o        Options
	registry *prometheus.Registry
	gauges   map[string]bool

	readings  *prometheus.CounterVec
	rejected  *prometheus.CounterVec
	decisions *prometheus.CounterVec
	holds     *prometheus.CounterVec
	writes    *prometheus.CounterVec
	seconds   *prometheus.HistogramVec

	mu      sync.Mutex
	seen    map[string]map[string]bool // values of open labels
	decided map[string]time.Time       // by machine and loop
	sent    map[string]time.Time       // intents under way, by machine and number
}

// mostSent bounds the writes whose time is taken; a machine has one under way.
const mostSent = 4096

// New makes them.
func New(o Options) *Metrics {
	if o.Now == nil {
		o.Now = time.Now
	}
	m := &Metrics{
		o: o, registry: prometheus.NewRegistry(), gauges: map[string]bool{},
		seen: map[string]map[string]bool{}, decided: map[string]time.Time{}, sent: map[string]time.Time{},
	}
	for _, g := range o.Gauges {
		m.gauges[g] = true
	}
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		v := prometheus.NewCounterVec(prometheus.CounterOpts{Name: "offsetbridge_" + name, Help: help}, labels)
		m.registry.MustRegister(v)
		return v
	}
	m.readings = counter("readings_total", "Readings of a machine that were judged, used or not.", "machine", "gauge")
	m.rejected = counter("readings_rejected_total", "Messages and readings that were not used, by the code of the reason.", "machine", "reason")
	m.decisions = counter("decisions_total", "Readings that were judged to the end: write (by itself), queue (a person is asked), refused, held, observe, or none needed.", "machine", "loop", "verdict")
	m.holds = counter("holds_total", "Holds that began, by the code of their cause.", "machine", "cause")
	m.writes = counter("writes_total", "Register writes by their outcome: applied, notsent, refused, differs, unknown.", "machine", "register", "outcome")
	m.seconds = prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name: "offsetbridge_write_seconds", Help: "Time from the durable intent of a write to its outcome on record.",
		Buckets: []float64{0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60},
	}, []string{"machine"})
	info := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "offsetbridge_build_info", Help: "Version of the program."}, []string{"version"})
	info.WithLabelValues(o.Version).Set(1)
	m.registry.MustRegister(m.seconds, info, &now{m})
	return m
}

// bounded returns a value of an open label, or Other.
func (m *Metrics) bounded(label, value string) string {
	m.mu.Lock()
	defer m.mu.Unlock()
	of := m.seen[label]
	if of == nil {
		of = map[string]bool{}
		m.seen[label] = of
	}
	if !of[value] && len(of) >= MostValues {
		return Other
	}
	of[value] = true
	return value
}

// gauge returns a configured gauge, or Other.
func (m *Metrics) gauge(name string) string {
	if m.gauges[name] {
		return name
	}
	return Other
}

// Observe counts what was released.
func (m *Metrics) Observe(rel bridge.Released) {
	machine, _ := strings.CutPrefix(rel.Stream, "machine/")
	for _, e := range rel.Events {
		switch e := e.(type) {
		case core.Rejected:
			m.rejected.WithLabelValues(machine, m.bounded("reason", string(e.Code))).Add(float64(max(1, e.Count)))
		case core.Unplaced:
			m.rejected.WithLabelValues(machine, m.bounded("reason", string(e.Code))).Inc()
		case core.Judged:
			m.judged(machine, &e)
		case core.Held:
			m.holds.WithLabelValues(machine, m.bounded("cause", string(e.Cause))).Inc()
		case core.Intended:
			m.begins(key(machine, e.ID))
		case core.Concluded:
			m.writes.WithLabelValues(machine, e.Register, string(e.Result)).Inc()
			if e.Result != core.Unknown { // its time is the quarantine's
				m.ends(machine, key(machine, e.Intent))
			}
		}
	}
}

func (m *Metrics) judged(machine string, e *core.Judged) {
	m.readings.WithLabelValues(machine, m.gauge(e.Reading.Gauge)).Inc() // also one that waited: it is judged once
	why := e.Admit
	if why == "" {
		why = e.Attribute
	}
	if why != "" {
		m.rejected.WithLabelValues(machine, m.bounded("reason", string(why))).Inc()
		return
	}
	if e.Gather != "" || e.Loop == "" {
		return
	}
	verdict := string(e.Route)
	if verdict == "" {
		verdict = "none"
	}
	m.decisions.WithLabelValues(machine, e.Loop, verdict).Inc()
	m.mu.Lock()
	m.decided[machine+"/"+e.Loop] = m.o.Now()
	m.mu.Unlock()
}

func (m *Metrics) begins(intent string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.sent) < mostSent {
		m.sent[intent] = m.o.Now()
	}
}

func (m *Metrics) ends(machine, intent string) {
	m.mu.Lock()
	at, known := m.sent[intent]
	delete(m.sent, intent)
	m.mu.Unlock()
	if known {
		m.seconds.WithLabelValues(machine).Observe(m.o.Now().Sub(at).Seconds())
	}
}
