package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"

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
	make func(facts) policy
}

// contenders are the columns, baselines first. The last one is held against the goal.
func contenders(o options) []contender {
	bank := func(f facts, regauge bool) policy {
		p := newBank(f, regauge)
		p.deadIn, p.cost = o.Dead, o.Cost
		return p
	}
	return []contender{
		{"none", func(facts) policy { return none{} }},
		{"limits", func(f facts) policy { return &limitPerson{person: person{f: f}} }},
		{"full", func(f facts) policy { return &eachPart{person: person{f: f}, share: 1} }},
		{"mean5", func(f facts) policy { return &averageOfFive{person: person{f: f}} }},
		{"naive", func(f facts) policy { return &eachPart{person: person{f: f}, share: 0.3} }},
		{"attrib", func(f facts) policy { return newAverage(f) }},
		{"bank", func(f facts) policy { return bank(f, false) }},
		{"+regauge", func(f facts) policy { return bank(f, true) }},
	}
}

// Cell is one policy on one scenario.
type Cell struct {
	Policy      string  `json:"policy"`
	RMS         float64 `json:"rms_um"`
	Ratio       float64 `json:"rms_by_bound"`
	Moves       float64 `json:"adjustments_per_100_parts"`
	Regauges    float64 `json:"regauges_per_100_parts"`
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
	Options options `json:"options"`
	Tables  []Table `json:"tables"`
}

func bench(o options) Result {
	r := Result{Options: o}
	scenarios, _ := o.scenarios()
	for _, name := range []string{"public", "redrawn"} {
		if o.Only != "both" && o.Only != name {
			continue
		}
		t := Table{Name: name}
		for _, p := range scenarios {
			t.Rows = append(t.Rows, measure(o, p, name == "redrawn"))
		}
		r.Tables = append(r.Tables, t)
	}
	return r
}

// measure runs every contender on every seed of one scenario.
func measure(o options, p plant.Params, redrawn bool) Row {
	row := Row{ID: p.ID, Name: p.Name, Goal: goals[p.ID]}
	if redrawn {
		row.Goal += redrawnSlack
	}
	all := contenders(o)
	sums := make([]outcome, len(all))
	bound := outcome{}
	for s := range uint64(o.Seeds) {
		q, seed := p, o.First+s
		if redrawn {
			q = p.Redraw(rand.New(rand.NewPCG(seed, 99)))
		}
		bound.Squares += boundRun(q, seed)
		bound.Parts += q.Parts
		for i, c := range all {
			sums[i].add(run(q, seed, c.make(factsOf(q)), o.Delay))
		}
	}
	row.Bound = bound.rms()
	for i, c := range all {
		row.Cells = append(row.Cells, cell(c.name, &sums[i], row.Bound, p.HalfTolerance))
	}
	if o.Delay > 0 {
		row.Goal = 0 // the goals are for an approver who answers before the next part
	}
	row.Met = row.Goal == 0 || row.Cells[len(all)-1].Ratio <= row.Goal
	return row
}

func cell(name string, s *outcome, bound, halfTolerance float64) Cell {
	parts, firsts := float64(s.Parts)/100, math.Max(1, float64(s.Firsts))/100
	return Cell{
		Policy: name, RMS: s.rms(), Ratio: s.rms() / bound,
		Moves: float64(s.Moves) / parts, Regauges: float64(s.Again) / parts,
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
	fmt.Fprintf(&b, "\nbound: the error of a predictor that knows every magnitude (Gaussian sum for S6, S7 and S10, which never\n"+
		"gauges a part again, so that re-gauging can beat it) and the rounding of the register; rms about the aim, all parts\n")
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
		for i, c := range r.Cells {
			if i < len(r.Cells)-2 {
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
	fmt.Fprintf(b, "\n%s scenarios, bank + re-gauge: readings again per 100 parts; first parts scrapped, to be re-cut, %%\n", t.Name)
	for _, r := range t.Rows {
		c := r.Cells[len(r.Cells)-1]
		fmt.Fprintf(b, "%-14s%9.2f%9.2f%9.2f\n", r.ID, c.Regauges, c.FirstScrap, c.FirstRework)
	}
}
