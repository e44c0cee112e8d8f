package gaugestudy

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// design is a crossed study in numbers.
type design struct {
	p, o, r float64
	q       squares
	options Options
	draws   int
}

// variances are what expected mean squares give.
type variances struct{ repeat, operator, interaction, part float64 }

func line(name string, df, ss float64, against *Line) Line {
	l := Line{Name: name, Df: df, SS: ss, MS: ss / df, F: math.NaN(), P: math.NaN()}
	if against != nil {
		l.F = l.MS / against.MS
		if against.MS == 0 {
			l.F = math.Inf(1)
		}
		l.P, l.Against = above(l.F, df, against.Df), against.Name
	}
	return l
}

// with keeps the interaction.
func (d *design) with() Components {
	e := line("repeatability", d.p*d.o*(d.r-1), d.q.error, nil)
	po := line("interaction", (d.p-1)*(d.o-1), d.q.cell, &e)
	p, o := line("part", d.p-1, d.q.part, &po), line("operator", d.o-1, d.q.operator, &po)
	return d.components([]Line{p, o, po, e}, func(ms []float64) variances {
		return variances{ms[3], none((ms[1] - ms[2]) / (d.p * d.r)), none((ms[2] - ms[3]) / d.r), none((ms[0] - ms[2]) / (d.o * d.r))}
	})
}

// without pools the interaction into repeatability.
func (d *design) without() Components {
	e := line("repeatability", d.p*d.o*d.r-d.p-d.o+1, d.q.error+d.q.cell, nil)
	p, o := line("part", d.p-1, d.q.part, &e), line("operator", d.o-1, d.q.operator, &e)
	c := d.components([]Line{p, o, e}, func(ms []float64) variances {
		return variances{ms[2], none((ms[1] - ms[2]) / (d.p * d.r)), 0, none((ms[0] - ms[2]) / (d.o * d.r))}
	})
	c.Pooled = true
	return c
}

// single is one operator, or a gauge that no hand touches.
func (d *design) single() Components {
	e := line("repeatability", d.p*(d.r-1), d.q.error, nil)
	p := line("part", d.p-1, d.q.part, &e)
	return d.components([]Line{p, e}, func(ms []float64) variances {
		return variances{ms[1], 0, 0, none((ms[0] - ms[1]) / d.r)}
	})
}

// none takes a negative variance as none.
func none(v float64) float64 { return max(0, v) }

// figures are the quantities of which a study gives intervals, in this order.
const (
	figRepeat = iota
	figOperator
	figInteraction
	figReproducibility
	figGauge
	figPart
	figTotal
	figPercent
	figTolerance
	figCategories
	figures
)

func (d *design) figures(v variances) (f [figures]float64) {
	f[figRepeat], f[figOperator], f[figInteraction], f[figPart] = v.repeat, v.operator, v.interaction, v.part
	f[figReproducibility] = v.operator + v.interaction
	f[figGauge] = v.repeat + f[figReproducibility]
	f[figTotal] = f[figGauge] + v.part
	f[figPercent] = 100 * math.Sqrt(f[figGauge]/f[figTotal])
	f[figTolerance] = math.NaN()
	if d.options.Tolerance > 0 {
		f[figTolerance] = 100 * 6 * math.Sqrt(f[figGauge]) / d.options.Tolerance
	}
	f[figCategories] = 1.41 * math.Sqrt(v.part/f[figGauge]) // 1.41, not √2: so it is defined (AIAG, from memory)
	return f
}

// draws is how many make an interval: its ends are then known to about a hundredth.
const draws = 20_000

// components works out the estimates and their generalized intervals: each mean
// square is replaced by its own sum of squares over a draw of χ², all quantities
// follow, and the interval is between the quantiles of them.
func (d *design) components(lines []Line, of func(ms []float64) variances) Components {
	ms := make([]float64, len(lines))
	source := rand.NewPCG(2005, uint64(len(lines)))
	chi2 := make([]distuv.ChiSquared, len(lines))
	for i, l := range lines {
		ms[i] = l.MS
		chi2[i] = distuv.ChiSquared{K: l.Df, Src: source}
	}
	at := d.figures(of(ms))
	var drawn [figures][]float64
	one := make([]float64, len(lines))
	for range d.draws {
		for i, l := range lines {
			one[i] = l.SS / chi2[i].Rand()
		}
		for k, v := range d.figures(of(one)) {
			drawn[k] = append(drawn[k], v)
		}
	}
	c := Components{Lines: lines}
	alpha := (1 - d.options.Confidence) / 2
	for k, f := range []*Figure{
		&c.Repeatability, &c.Operator, &c.Interaction, &c.Reproducibility, &c.Gauge, &c.Part, &c.Total, &c.Percent, &c.Tolerance, &c.Categories,
	} {
		slices.Sort(drawn[k])
		low, high := int(alpha*float64(d.draws)), int((1-alpha)*float64(d.draws))
		*f = Figure{at[k], drawn[k][low], drawn[k][min(high, d.draws-1)]}
	}
	e := lines[len(lines)-1]
	c.Repeatability.Low, c.Repeatability.High = e.SS/chi(1-alpha, e.Df), e.SS/chi(alpha, e.Df)
	c.NDC = max(1, int(math.Floor(c.Categories.Value)))
	return c
}
