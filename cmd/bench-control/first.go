package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"offsetbridge/simulators/plant"
)

// FirstPart is what it takes to bring the first part after a set-up to size.
type FirstPart struct {
	Policy   string  `json:"policy"`
	Median   int     `json:"cuts_median"` // until within ± 3σ of the aim, new parts after scrap included
	Most     int     `json:"cuts_95_percent"`
	Scrapped float64 `json:"scrapped_percent"` // of set-ups that scrapped a part
	Later    float64 `json:"later_first_parts_scrapped_percent"`
	Rework   float64 `json:"later_first_parts_rework_percent"`
}

// The first part's own scenario: a bore ± 15, set-up σ 12, scatter 1.2 of the process and 0.9 of
// the gauge; a part that is too small is cut again, one that is too large is scrap.
// A cut that follows is a fresh part under the new register, which is the harder case.
const (
	firstHalf, firstSetup = 15.0, 12.0
	firstClose            = 3 * 1.5
	mostCuts              = 20
)

func firstPlant() plant.Params {
	return plant.Params{
		ID: "first", HalfTolerance: firstHalf, Parts: mostCuts, CycleMinutes: 1.5, GaugeEvery: 1, WearRate: -1e-9,
		SigmaProcess: 1.2, SigmaGauge: 0.9, SetupFirst: firstSetup, Effect: 1, EffectRatio: 1, Step: 1,
	}
}

// laterPlant sets up again and again, with reported tool changes: what was learned of one set-up is
// there for the next one's first part.
func laterPlant() plant.Params {
	p := firstPlant()
	p.Parts, p.Life, p.SetupLater = 600, 20, firstSetup
	return p
}

func measureFirst(o options) []FirstPart {
	p := firstPlant()
	scrapDear := "scrap_to_rework = 20"
	var all []FirstPart
	for _, c := range []contender{
		{"limits", func(q plant.Params) policy { return &limitPerson{person: person{f: factsOf(q)}} }},
		{"full", func(q plant.Params) policy { return &eachPart{person: person{f: factsOf(q)}, share: 1} }},
		{"core", func(q plant.Params) policy { return newShop(q, configured(q, "", "", ""), 0) }},
		{"core, scrap 20 × as dear", func(q plant.Params) policy { return newShop(q, configured(q, scrapDear, "", ""), 0) }},
	} {
		var cuts []int
		scrapped := 0
		for s := range uint64(o.Seeds) {
			n, scrap := firstRun(p, o.First+s, c.make(p))
			cuts = append(cuts, n)
			if scrap {
				scrapped++
			}
		}
		slices.Sort(cuts)
		var later outcome
		for s := range uint64(max(1, o.Seeds/10)) {
			later.add(run(laterPlant(), o.First+s, c.make(laterPlant()), 0))
		}
		all = append(all, FirstPart{
			Later: 100 * float64(later.FirstScrap) / float64(later.Firsts), Rework: 100 * float64(later.FirstRework) / float64(later.Firsts),
			Policy: c.name, Median: cuts[len(cuts)/2], Most: cuts[min(len(cuts)-1, len(cuts)*95/100)],
			Scrapped: 100 * float64(scrapped) / float64(len(cuts)),
		})
	}
	return all
}

// firstRun cuts until a part is within reach of the aim. Whether a cut goes on with the same part
// or takes a new one changes its scatter: the same part keeps what it has.
func firstRun(p plant.Params, seed uint64, pol policy) (cuts int, scrap bool) {
	l := plant.New(p, seed)
	inForce := 0.0
	for k := range mostCuts {
		pol.note(l.Await())
		inForce = pol.decide(inForce, int64(k), l.Await().Minute)
		part := l.Cut(inForce)
		if math.Abs(part.True) <= firstClose {
			return k + 1, scrap
		}
		scrap = scrap || part.True > firstHalf
		var o outcome
		gauge(l, pol, part, &o)
	}
	return mostCuts, scrap
}

func printFirst(b *strings.Builder, all []FirstPart) {
	fmt.Fprintf(b, "\nfirst part of a set-up (bore ± %g, set-up σ %g): cuts until within ± %g of the aim, set-ups that scrapped a part\n",
		firstHalf, firstSetup, firstClose)
	fmt.Fprintf(b, "%-28s%9s%9s%12s%25s\n", "", "median", "95 %", "scrapped, %", "later firsts: scrap, re-cut")
	for _, f := range all {
		fmt.Fprintf(b, "%-28s%9d%9d%12.1f%14.1f%11.1f\n", f.Policy, f.Median, f.Most, f.Scrapped, f.Later, f.Rework)
	}
}
