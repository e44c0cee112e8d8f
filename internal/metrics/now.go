package metrics

import (
	"context"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"offsetbridge/internal/core"
)

func key(machine string, intent uint64) string {
	return machine + "/" + strconv.FormatUint(intent, 10)
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("offsetbridge_"+name, help, labels, nil)
}

var (
	stateKnown  = desc("state_known", "1 where the state below could be looked at.")
	machineUp   = desc("machine_up", "1 while the session to the machine is up.", "machine")
	held        = desc("held", "1 while the loop, or its whole machine, is on hold.", "machine", "loop")
	waiting     = desc("waiting", "1 while the loop waits for something that clears itself.", "machine", "loop")
	open        = desc("proposals_open", "Proposals that wait for a person, or for the machine.", "machine")
	fromAim     = desc("from_aim_meters", "Newest size less its aim.", "machine", "loop", "characteristic")
	measureDue  = desc("measurement_due_parts", "Parts until the loop's next measurement is due by its plan; negative once it is overdue.", "machine", "loop")
	age         = desc("last_decision_age_seconds", "Since the newest reading of the loop was judged to the end; absent until there was one since the start.", "machine", "loop")
	due         = desc("due_seconds", "Time until the calibration of a gauge or the certificate of a standard ends; negative once it has.", "kind", "name")
	brokerUp    = desc("broker_up", "1 while the session to the broker is up.")
	holdAll     = desc("hold_all", "1 while everything is on hold.")
	tray        = desc("tray_readings", "Readings that wait until somebody says what they are.")
	verified    = desc("journal_verified", "1 once the whole journal was read back undamaged after the start.")
	bytes       = desc("journal_bytes", "Size of the journal's files.")
	free        = desc("journal_disk_free_ratio", "Free share of the journal's disk.")
	chainHeight = desc("journal_head_records", "Records in the hash chain of a stream.", "stream")
)

var nows = []*prometheus.Desc{
	stateKnown, machineUp, held, waiting, open, fromAim, measureDue, age, due, brokerUp, holdAll, tray, verified, bytes, free, chainHeight,
}

// now collects the state when it is asked for.
type now struct{ m *Metrics }

// patience is how long a look at the state may take.
const patience = 5 * time.Second

// Describe names what is collected.
func (n *now) Describe(out chan<- *prometheus.Desc) {
	for _, d := range nows {
		out <- d
	}
}

// Collect looks at the state.
func (n *now) Collect(out chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	put := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	s, err := n.m.o.State(ctx)
	put(stateKnown, one(err == nil))
	if err != nil {
		return
	}
	for i := range s.Machines {
		n.machine(&s.Machines[i], put)
	}
	for _, d := range s.Due {
		put(due, d.Days*86_400, d.Kind, d.Name)
	}
	put(brokerUp, one(s.BrokerUp))
	put(holdAll, one(s.HoldAll))
	put(tray, float64(s.Tray))
	put(verified, one(s.Verified))
	put(bytes, float64(s.Bytes))
	put(free, s.Free)
	for _, h := range s.Heads {
		put(chainHeight, float64(h.Seq), strings.TrimPrefix(h.Stream, "machine/"))
	}
}

func (n *now) machine(v *core.View, put func(d *prometheus.Desc, v float64, labels ...string)) {
	put(machineUp, one(v.Up), v.Machine)
	put(open, float64(len(v.Proposals)), v.Machine)
	for i := range v.Loops {
		l := &v.Loops[i]
		put(held, one(v.Hold != nil || l.Hold != nil), v.Machine, l.Name)
		put(waiting, one(l.Waiting != ""), v.Machine, l.Name)
		n.m.mu.Lock()
		at, known := n.m.decided[v.Machine+"/"+l.Name]
		n.m.mu.Unlock()
		if l.Due != nil {
			put(measureDue, float64(*l.Due), v.Machine, l.Name)
		}
		if known {
			put(age, n.m.o.Now().Sub(at).Seconds(), v.Machine, l.Name)
		}
		switch names := n.m.o.Names[v.Machine+"/"+l.Name]; {
		case len(l.Sizes) > 0:
			for _, z := range l.Sizes {
				if z.LastPart > 0 {
					put(fromAim, meters(int64(z.FromAim)), v.Machine, l.Name, z.Characteristic)
				}
			}
		case l.Readings > 0 && len(names) > 0:
			put(fromAim, meters(int64(l.FromAim)), v.Machine, l.Name, names[0])
		}
	}
}

func meters(nanometres int64) float64 { return float64(nanometres) / 1e9 }

func one(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
