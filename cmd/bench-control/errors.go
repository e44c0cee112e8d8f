package main

import (
	"fmt"
	"slices"
	"strings"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
	"offsetbridge/simulators/plant"
)

// Fault is one way in which a configuration does not fit the machine, and what came of it.
type Fault struct {
	Name      string  `json:"name"`
	Ratio     float64 `json:"true_by_nominal_effect"`
	Transit   int     `json:"parts_in_transit"`
	Runs      int     `json:"runs"`
	Found     int     `json:"runs_held"`
	FoundBy   int     `json:"found_by_part_median"` // 0: in less than half of the runs
	Scrapped  float64 `json:"scrapped_parts"`       // a run, until found or to its end
	Worst     int     `json:"scrapped_parts_most"`
	Writes    float64 `json:"writes"` // a run
	GoalPart  int     `json:"goal_found_by_part,omitempty"`
	GoalScrap float64 `json:"goal_scrapped_parts"`
	Met       bool    `json:"met"`
}

// faultParts is how long a run with a wrong configuration lasts when nobody finds out.
const faultParts = 120

// faults are the ways; goals by the parts in transit, 0 and 3.
var faults = []struct {
	name  string
	ratio float64
	part  [2]int
	scrap [2]float64
}{
	{"wrong sign", -1, [2]int{3, 9}, [2]float64{2, 5}},
	{"wrong register", 1e-9, [2]int{6, 20}, [2]float64{0.1, 0.1}},
	{"factor 2", 2, [2]int{}, [2]float64{}},
	{"factor 1/2", 0.5, [2]int{}, [2]float64{}},
	{"gauge in inches", 1, [2]int{}, [2]float64{}},
	{"register in inches", 25.4, [2]int{}, [2]float64{}},
}

// faultPlant is a bore ± 15 whose first part is off by 6, σ of a reading 1.5.
func faultPlant(ratio float64, transit int, seed uint64) plant.Params {
	p := plant.Params{
		ID: "F", Name: "bore", HalfTolerance: 15, Parts: faultParts, CycleMinutes: 1.5, GaugeEvery: 1, InTransit: transit,
		SigmaProcess: 1.2, SigmaGauge: 0.9, Effect: 1, EffectRatio: ratio, Step: 1,
		Cold: 6, HeatMinutes: 1e12, CoolMinutes: 1, // a constant
	}
	if seed%2 == 0 {
		p.Cold = -6
	}
	return p
}

func measureFaults(o options) []Fault {
	var all []Fault
	for _, f := range faults {
		for i, transit := range []int{0, 3} {
			r := Fault{Name: f.name, Ratio: f.ratio, Transit: transit, Runs: o.Seeds, GoalPart: f.part[i], GoalScrap: f.scrap[i]}
			parts := make([]int, 0, o.Seeds)
			for s := range uint64(o.Seeds) {
				found, scrap, writes := faultRun(f.name, faultPlant(f.ratio, transit, o.First+s), o.First+s)
				if found > 0 {
					r.Found++
				} else {
					found = faultParts + 1
				}
				parts = append(parts, found)
				r.Scrapped += float64(scrap) / float64(o.Seeds)
				r.Writes += float64(writes) / float64(o.Seeds)
				r.Worst = max(r.Worst, scrap)
			}
			slices.Sort(parts)
			if m := parts[len(parts)/2]; m <= faultParts {
				r.FoundBy = m
			}
			r.judge()
			all = append(all, r)
		}
	}
	return all
}

func (f *Fault) judge() {
	switch {
	case strings.HasSuffix(f.Name, "inches"):
		f.Met = f.Writes == 0
	case f.GoalPart == 0:
		f.Met = f.Worst == 0
	default:
		f.Met = f.FoundBy > 0 && f.FoundBy <= f.GoalPart && f.Scrapped <= f.GoalScrap
	}
}

// faultRun runs until the loop is held for its response, and returns the parts cut by then, those
// beyond the least-material limit, and the writes.
func faultRun(name string, p plant.Params, seed uint64, change ...func(*shop)) (found, scrap, writes int) {
	honest := p
	honest.WearRate = -1 // a bore, for factsOf; the plant itself does not wear
	s := newShop(honest, configured(honest, "", "", ""), 0)
	s.refuses = true
	for _, c := range change {
		c(s)
	}
	also := s.watch
	s.watch = func(e core.Event) {
		if also != nil {
			also(e)
		}
		switch e.(type) {
		case core.Intended:
			writes++
		case core.Held:
			found = -1
		}
	}
	switch name {
	case "gauge in inches":
		s.scale = 1 / 25.4
	case "register in inches": // the session compares the unit it finds with the one configured
		s.feed(core.Link{Up: true, Epoch: 2, Bad: true, Cause: "unit"})
		s.sample.Epoch = 2
	}
	l := plant.New(p, seed)
	var parts []plant.Part
	inForce := 0.0
	for k := range p.Parts {
		if j := k - 1 - p.InTransit; j >= 0 {
			for nth := 0; nth < 3; nth++ {
				r := l.Read(parts[j])
				if nth > 0 {
					r = l.ReadAgain(parts[j])
				}
				if !s.observe(parts[j], r.Value, nth) {
					break
				}
			}
		}
		if found < 0 {
			return max(1, k), scrap, writes
		}
		s.note(l.Await())
		inForce = s.decide(inForce, int64(k), l.Await().Minute)
		part := l.Cut(inForce)
		parts = append(parts, part)
		if part.True > p.HalfTolerance {
			scrap++
		}
	}
	return 0, scrap, writes
}

func printFaults(b *strings.Builder, all []Fault) {
	fmt.Fprintf(b, "\nwrong configurations (bore ± 15, σ 1.5, first part off by 6): held after so many parts at the median\n")
	fmt.Fprintf(b, "%-20s%9s%9s%8s%9s%10s%8s%9s\n", "", "transit", "held, %", "part", "scrapped", "at most", "writes", "goal")
	for _, f := range all {
		part, goal := "-", "-"
		if f.FoundBy > 0 {
			part = fmt.Sprint(f.FoundBy)
		}
		if f.GoalPart > 0 {
			goal = fmt.Sprintf("%d, %g", f.GoalPart, f.GoalScrap)
		}
		met := "met"
		if !f.Met {
			met = "MISSED"
		}
		fmt.Fprintf(b, "%-20s%9d%9.1f%8s%9.2f%10d%8.1f%9s %s\n",
			f.Name, f.Transit, 100*float64(f.Found)/float64(f.Runs), part, f.Scrapped, f.Worst, f.Writes, goal, met)
	}
}

// scaled is a reading as the gauge sends it.
func (s *shop) scaled(v length.Length) length.Length {
	if s.scale == 0 {
		return v
	}
	return length.Length(float64(v) * s.scale)
}
