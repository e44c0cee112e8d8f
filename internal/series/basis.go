package series

import (
	"offsetbridge/internal/core"
	"offsetbridge/internal/journal"
)

// Basis is what a series rests on.
type Basis struct {
	Machine, Characteristic, Loop string

	Settings core.Settings // newest in force
	Digest   string        // of the loop's
	Configs  int           // settings of the loop that its parts were made under
	Demo     bool          // a simulated machine

	Parts       int
	First, Last int64             // UTC milliseconds of the readings
	Gauges      map[string]int    // parts measured by each
	Left        map[core.Code]int // readings that are no size of a part, by reason
	Again       int               // parts measured or cut more than once
	Lives       int               // of the tool
	Corrections int               // register changes of the loop between its parts
	Checks      []Check           // of its gauges, oldest first; the newest kept
	Suspects    int64             // readings of the machine's gauges that a check found doubtful afterwards
	Head        journal.Head
}

// Check is one setting, or check, of a gauge on a standard.
type Check struct {
	At int64
	core.Checked
}

// maxChecks bounds what is kept of them.
const maxChecks = 1000

func (b *Basis) check(at int64, e core.Checked) {
	if len(b.Checks) == maxChecks {
		b.Checks = append(b.Checks[:0], b.Checks[1:]...)
	}
	b.Checks = append(b.Checks, Check{at, e})
	if e.Suspect != nil {
		b.Suspects += e.Suspect.Used
	}
}

// LastSetting returns the newest setting of a gauge, nil where the record has none.
func (b *Basis) LastSetting(gauge string) *Check {
	for i := len(b.Checks) - 1; i >= 0; i-- {
		if c := &b.Checks[i]; c.Check.Gauge == gauge && c.Adjusted {
			return c
		}
	}
	return nil
}
