package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"sync/atomic"

	"offsetbridge/simulators/plant"
)

// goals are rms ÷ bound that the bank with re-gauge must reach on the public scenarios, and with
// `redrawnSlack` more on redrawn ones.
var goals = map[string]float64{
	"S0": 1.03, "S1": 1.03, "S2": 1.03, "S3": 1.10, "S4": 1.12, "S5": 1.09, "S6": 1.03,
	"S7": 1.05, "S8a": 1.03, "S8b": 1.03, "S9": 1.07, "S10": 1.00, "S11": 1.04,
}

const redrawnSlack = 0.03

// contender is a policy with the name of its column.
type contender struct {
	name string
	make func(plant.Params) policy
}

// late is after how many parts the person of the second column answers.
const late = 10

// judged is the column that is held against the goal: the production core with its shipped bounds.
const judged = "core"

// baselines are printed with a digit less.
var baselines = map[string]bool{"none": true, "limits": true, "full": true, "mean5": true, "naive": true, "attrib": true}

// contenders are the columns, baselines first.
func contenders(o options) []contender {
	bank := func(q plant.Params, regauge bool) policy {
		p := newBank(factsOf(q), regauge)
		p.deadIn, p.cost = o.Dead, o.Cost
		return p
	}
	return []contender{
		{"none", func(plant.Params) policy { return none{} }},
		{"limits", func(q plant.Params) policy { return &limitPerson{person: person{f: factsOf(q)}} }},
		{"full", func(q plant.Params) policy { return &eachPart{person: person{f: factsOf(q)}, share: 1} }},
		{"mean5", func(q plant.Params) policy { return &averageOfFive{person: person{f: factsOf(q)}} }},
		{"naive", func(q plant.Params) policy { return &eachPart{person: person{f: factsOf(q)}, share: 0.3} }},
		{"attrib", func(q plant.Params) policy { return newAverage(factsOf(q)) }},
		{"bank", func(q plant.Params) policy { return bank(q, false) }},
		{"+regauge", func(q plant.Params) policy { return bank(q, true) }},
		{judged, func(q plant.Params) policy { return newShop(q, configured(q, "", "", ""), o.Delay) }},
		{"late", func(q plant.Params) policy { return newShop(q, configured(q, "", "", ""), late) }},
		{"open", func(q plant.Params) policy { return newShop(q, opened(configured(q, "", "", "")), o.Delay) }},
	}
}

// Cell is one policy on one scenario.
type Cell struct {
	Policy      string  `json:"policy"`
	RMS         float64 `json:"rms_um"`
	Ratio       float64 `json:"rms_by_bound"`
	Moves       float64 `json:"adjustments_per_100_parts"`
	Regauges    float64 `json:"regauges_per_100_parts"`
	Prompts     float64 `json:"prompts_per_100_parts"`
	Holds       float64 `json:"holds_per_100_parts"`
	FalseHolds  float64 `json:"runs_held_for_their_response_percent"`
	OutPercent  float64 `json:"out_of_tolerance_percent"`
	ScrapShare  float64 `json:"scrap_percent"`
	FirstScrap  float64 `json:"first_parts_scrap_percent"`
	FirstRework float64 `json:"first_parts_rework_percent"`
	Ppk         float64 `json:"ppk"`
}

// Row is one scenario.
type Row struct {
	ID    string  `json:"id"`
	Name  string  `json:"name"`
	Bound float64 `json:"bound_um"`
	Goal  float64 `json:"goal"` // 0 where none applies
	Met   bool    `json:"met"`
	Cells []Cell  `json:"cells"`
}

// Table is the public or the redrawn scenarios.
type Table struct {
	Name string `json:"name"`
	Rows []Row  `json:"rows"`
}

// Result is everything one call measured.
type Result struct {
	Options options     `json:"options"`
	Tables  []Table     `json:"tables"`
	Faults  []Fault     `json:"wrong_configurations,omitempty"`
	First   []FirstPart `json:"first_parts,omitempty"`
}

func bench(o options) Result {
	r := Result{Options: o}
	scenarios, _ := o.scenarios()
	for _, name := range []string{"public", "redrawn"} {
		if o.Only != "both" && o.Only != "all" && o.Only != name {
			continue
		}
		t := Table{Name: name}
		for _, p := range scenarios {
			t.Rows = append(t.Rows, measure(o, p, name == "redrawn"))
		}
		r.Tables = append(r.Tables, t)
	}
	if o.Only == "all" || o.Only == "faults" {
		r.Faults = measureFaults(o)
	}
	if o.Only == "all" || o.Only == "first" {
		r.First = measureFirst(o)
	}
	return r
}

// measure runs every contender on every seed of one scenario.
func measure(o options, p plant.Params, redrawn bool) Row {
	row := Row{ID: p.ID, Name: p.Name, Goal: goals[p.ID]}
	if redrawn {
		row.Goal += redrawnSlack
	}
	all, _ := o.columns()
	sums := make([]outcome, len(all))
	bound := outcome{}
	results := runAll(o, p, redrawn, all)
	for s := range results { // in the order of the seeds, whoever was first
		bound.Squares += results[s].bound
		bound.Parts += p.Parts
		for i := range all {
			sums[i].add(results[s].of[i])
		}
	}
	row.Bound = bound.rms()
	for i, c := range all {
		row.Cells = append(row.Cells, cell(c.name, &sums[i], row.Bound, p.HalfTolerance))
	}
	if o.Delay > 0 {
		row.Goal = 0 // the goals are for an approver who answers before the next part
	}
	row.Met = row.Goal == 0 || row.cell(judged).Ratio <= row.Goal
	return row
}

// result is one seed: the bound and every contender.
type result struct {
	bound float64
	of    []outcome
}

// runAll runs every contender on every seed, on as many processors as asked for.
func runAll(o options, p plant.Params, redrawn bool, all []contender) []result {
	results := make([]result, o.Seeds)
	var next atomic.Int64
	var group sync.WaitGroup
	for range max(1, o.Jobs) {
		group.Go(func() {
			for s := int(next.Add(1)) - 1; s < o.Seeds; s = int(next.Add(1)) - 1 {
				q, seed := p, o.First+uint64(s)
				if redrawn {
					q = p.Redraw(rand.New(rand.NewPCG(seed, 99)))
				}
				results[s].bound = boundRun(q, seed)
				for _, c := range all {
					results[s].of = append(results[s].of, run(q, seed, c.make(q), o.Delay))
				}
			}
		})
	}
	group.Wait()
	return results
}

// cell returns the cell of a column.
func (r *Row) cell(policy string) Cell {
	for _, c := range r.Cells {
		if c.Policy == policy {
			return c
		}
	}
	return Cell{}
}

func cell(name string, s *outcome, bound, halfTolerance float64) Cell {
	parts, firsts := float64(s.Parts)/100, math.Max(1, float64(s.Firsts))/100
	return Cell{
		Policy: name, RMS: s.rms(), Ratio: s.rms() / bound,
		Moves: float64(s.Moves) / parts, Regauges: float64(s.Again) / parts,
		Prompts: float64(s.Prompts) / parts, Holds: float64(s.Holds) / parts, FalseHolds: 100 * float64(s.Wrong) / math.Max(1, float64(s.Runs)),
		OutPercent: float64(s.Scrap+s.Rework) / parts, ScrapShare: float64(s.Scrap) / parts,
		FirstScrap: float64(s.FirstScrap) / firsts, FirstRework: float64(s.FirstRework) / firsts,
		Ppk: s.ppk(halfTolerance),
	}
}

func (r *Result) missed() int {
	n := 0
	for _, t := range r.Tables {
		for _, row := range t.Rows {
			if !row.Met {
				n++
			}
		}
	}
	return n
}

// print writes the tables for a person.
func (r *Result) print(w io.Writer) error {
	o := &r.Options
	var b strings.Builder
	fmt.Fprintf(&b, "seeds %d to %d, %d parts a run, dead band max(step, %g σ̂), approver answers after %d parts\n",
		o.First, o.First+uint64(o.Seeds)-1, o.Parts, o.Dead, o.Delay)
	for i := range r.Tables {
		r.Tables[i].print(&b)
	}
	if len(r.Faults) > 0 {
		printFaults(&b, r.Faults)
	}
	if len(r.First) > 0 {
		printFirst(&b, r.First)
	}
	fmt.Fprintf(&b, "\nbound: the error of a predictor that knows every magnitude (Gaussian sum for S6, S7 and S10, which never\n"+
		"gauges a part again, so that re-gauging can beat it) and the rounding of the register; rms about the aim, all parts;\n"+
		"core: the production core with the shipped bounds, a person answers before the next part; late: after %d parts;\n"+
		"open: as core, with every bound wide open\n", late)
	_, err := io.WriteString(w, b.String())
	return err
}

func (t *Table) print(b *strings.Builder) {
	fmt.Fprintf(b, "\n%s scenarios: rms ÷ bound\n%-5s%9s", t.Name, "", "bound µm")
	for _, c := range t.Rows[0].Cells {
		fmt.Fprintf(b, "%9s", c.Policy)
	}
	fmt.Fprintf(b, "%8s\n", "goal")
	for _, r := range t.Rows {
		fmt.Fprintf(b, "%-5s%9.3f", r.ID, r.Bound)
		for _, c := range r.Cells {
			if baselines[c.Policy] {
				fmt.Fprintf(b, "%9.2f", c.Ratio)
			} else {
				fmt.Fprintf(b, "%9.3f", c.Ratio)
			}
		}
		switch {
		case r.Goal == 0:
			fmt.Fprintf(b, "%8s\n", "-")
		case r.Met:
			fmt.Fprintf(b, "%8.2f met\n", r.Goal)
		default:
			fmt.Fprintf(b, "%8.2f MISSED\n", r.Goal)
		}
	}
	for _, part := range []struct {
		title string
		of    func(Cell) float64
	}{
		{"adjustments per 100 parts", func(c Cell) float64 { return c.Moves }},
		{"answers asked of a person per 100 parts", func(c Cell) float64 { return c.Prompts }},
		{"parts out of tolerance, %", func(c Cell) float64 { return c.OutPercent }},
		{"Ppk", func(c Cell) float64 { return c.Ppk }},
	} {
		fmt.Fprintf(b, "\n%s scenarios: %s\n%-14s", t.Name, part.title, "")
		for _, c := range t.Rows[0].Cells {
			fmt.Fprintf(b, "%9s", c.Policy)
		}
		b.WriteByte('\n')
		for _, r := range t.Rows {
			fmt.Fprintf(b, "%-14s", r.ID)
			for _, c := range r.Cells {
				fmt.Fprintf(b, "%9.2f", part.of(c))
			}
			b.WriteByte('\n')
		}
	}
	fmt.Fprintf(b, "\n%s scenarios, core: readings again per 100 parts; first parts scrapped, to be re-cut, %%;\n"+
		"holds per 100 parts; runs held for their response, %%; price of the guards, %% of rms\n", t.Name)
	for _, r := range t.Rows {
		c, open := r.cell(judged), r.cell("open")
		if open.Ratio == 0 { // a column that was not asked for
			open.Ratio = c.Ratio
		}
		fmt.Fprintf(b, "%-14s%9.2f%9.2f%9.2f%9.2f%9.2f%9.2f\n", r.ID, c.Regauges, c.FirstScrap, c.FirstRework,
			c.Holds, c.FalseHolds, 100*(c.Ratio/open.Ratio-1))
	}
}
