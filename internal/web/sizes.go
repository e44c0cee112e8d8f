package web

import (
	"maps"
	"strings"
	"sync"
	"time"

	"offsetbridge/internal/bridge"
	"offsetbridge/internal/capability"
	"offsetbridge/internal/core"
)

// maxSizes bounds the characteristics whose moments are kept.
const maxSizes = 20_000

// sizes keeps the moments of every characteristic's distances from its aim, in µm,
// since the page began: to show them nothing is read from the record.
type sizes struct {
	since time.Time
	mu    sync.Mutex
	of    map[sizeOf]*capability.Moments
}

type sizeOf struct{ machine, characteristic string }

func newSizes(since time.Time) *sizes {
	return &sizes{since: since, of: map[sizeOf]*capability.Moments{}}
}

// take adds what was released just now: one size for each cut that was used. Another
// configuration is another aim, or other limits, and begins anew.
func (s *sizes) take(rel bridge.Released) {
	machine, ok := strings.CutPrefix(rel.Stream, "machine/")
	if !ok {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range rel.Events {
		switch e := e.(type) {
		case core.Configured:
			maps.DeleteFunc(s.of, func(k sizeOf, _ *capability.Moments) bool { return k.machine == machine })
		case core.Judged:
			if e.Loop == "" || e.Admit != "" || e.Attribute != "" || e.Gather != "" || e.Recut || e.Regauge {
				continue
			}
			k := sizeOf{machine, e.Reading.Characteristic}
			if s.of[k] == nil {
				if len(s.of) >= maxSizes {
					continue
				}
				s.of[k] = &capability.Moments{}
			}
			s.of[k].Add(e.Deviation.Micrometres())
		}
	}
}

// at returns a copy of what is kept of a characteristic.
func (s *sizes) at(machine, characteristic string) capability.Moments {
	s.mu.Lock()
	defer s.mu.Unlock()
	if m := s.of[sizeOf{machine, characteristic}]; m != nil {
		return *m
	}
	return capability.Moments{}
}
