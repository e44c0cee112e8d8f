package capability

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Johnson is a distribution whose normal score is a simple function of the value
// (Johnson 1949): unbounded, bounded or log-normal, whichever fits the tails.
type Johnson struct {
	Family                       string // "SU", "SB" or "SL"
	Gamma, Eta, Lambda, Location float64
	mirrored                     bool
}

// spacing is the normal score of the inner pair of quantiles from which a Johnson
// distribution is fitted; the outer pair is at three times that (Slifker & Shapiro 1980).
const spacing = 0.524

// FitJohnson fits by four quantiles (Slifker & Shapiro 1980). x is sorted. It
// reports false where the middle of the sample does not spread.
func FitJohnson(x []float64) (Johnson, bool) {
	q := func(score float64) float64 { return quantile(x, phi(score)) }
	a, b, c, d := q(-3*spacing), q(-spacing), q(spacing), q(3*spacing)
	m, n, p := d-c, b-a, c-b
	if !(m > 0 && n > 0 && p > 0) {
		return Johnson{}, false
	}
	const same = 1e-9
	middle, ratio := (c+b)/2, m*n/(p*p)
	switch {
	case ratio > 1+same:
		return johnsonSU(m/p, n/p, p, middle), true
	case ratio < 1-same:
		return johnsonSB(p/m, p/n, p, middle), true
	case m == n:
		return Johnson{}, false // normal
	case m < n: // log-normal to the left
		j := johnsonSL(n/p, p, -middle)
		j.mirrored = true
		return j, true
	}
	return johnsonSL(m/p, p, middle), true
}

func johnsonSU(m, n, p, middle float64) Johnson {
	root := math.Sqrt(m*n - 1)
	eta := 2 * spacing / math.Acosh((m+n)/2)
	return Johnson{
		Family: "SU", Eta: eta, Gamma: eta * math.Asinh((n-m)/(2*root)),
		Lambda:   2 * p * root / ((m + n - 2) * math.Sqrt(m+n+2)),
		Location: middle + p*(n-m)/(2*(m+n-2)),
	}
}

func johnsonSB(pm, pn, p, middle float64) Johnson {
	product, over := (1+pm)*(1+pn), pm*pn-1
	eta := spacing / math.Acosh(math.Sqrt(product)/2)
	lambda := p * math.Sqrt((product-2)*(product-2)-4) / over
	return Johnson{
		Family: "SB", Eta: eta, Gamma: eta * math.Asinh((pn-pm)*math.Sqrt(product-4)/(2*over)),
		Lambda: lambda, Location: middle - lambda/2 + p*(pn-pm)/(2*over),
	}
}

func johnsonSL(m, p, middle float64) Johnson {
	eta := 2 * spacing / math.Log(m)
	return Johnson{
		Family: "SL", Eta: eta, Gamma: eta * math.Log((m-1)/(p*math.Sqrt(m))), Lambda: 1,
		Location: middle - p/2*(m+1)/(m-1),
	}
}

// At returns the value of a normal score: At(−3) is the 0.135 % point.
func (j Johnson) At(score float64) float64 {
	if j.mirrored {
		return -j.at(-score)
	}
	return j.at(score)
}

func (j Johnson) at(score float64) float64 {
	u := (score - j.Gamma) / j.Eta
	switch j.Family {
	case "SU":
		return j.Location + j.Lambda*math.Sinh(u)
	case "SB":
		return j.Location + j.Lambda/(1+math.Exp(-u))
	}
	return j.Location + math.Exp(u)
}

// Score returns the normal score of a value, ±Inf beyond the ends of a bounded family.
func (j Johnson) Score(x float64) float64 {
	if j.mirrored {
		return -j.score(-x)
	}
	return j.score(x)
}

func (j Johnson) score(x float64) float64 {
	y := x - j.Location
	switch j.Family {
	case "SU":
		return j.Gamma + j.Eta*math.Asinh(y/j.Lambda)
	case "SB":
		switch {
		case y <= 0:
			return math.Inf(-1)
		case y >= j.Lambda:
			return math.Inf(1)
		}
		return j.Gamma + j.Eta*math.Log(y/(j.Lambda-y))
	}
	if y <= 0 {
		return math.Inf(-1)
	}
	return j.Gamma + j.Eta*math.Log(y)
}

// holds reports whether the extremes of n readings are such as the distribution has:
// beyond them, less than one in a hundred samples would reach. Four quantiles from the
// middle say nothing of a part that went wrong.
func (j Johnson) holds(least, most float64, n int) bool {
	far := max(j.Score(most), -j.Score(least))
	return float64(n)*phi(-far) > 0.005
}

// quantile of a sorted sample, as Tally.Quantile.
func quantile(x []float64, p float64) float64 {
	at := p * float64(len(x)-1)
	low := int(at)
	if low >= len(x)-1 {
		return x[len(x)-1]
	}
	return x[low] + (at-float64(low))*(x[low+1]-x[low])
}

// byPercentile are the indices of ISO 22514-2 by the points below which 0.135 %, 50 %
// and 99.865 % lie: they reduce to the usual ones for a normal process.
func byPercentile(l Limits, low, mid, high float64) (ratio, near float64) {
	ratio = math.NaN()
	if l.Both() {
		ratio = (l.Upper - l.Lower) / (high - low)
	}
	near = math.Inf(1)
	if !math.IsNaN(l.Lower) {
		near = min(near, (mid-l.Lower)/(mid-low))
	}
	if !math.IsNaN(l.Upper) {
		near = min(near, (l.Upper-mid)/(high-mid))
	}
	return ratio, near
}

// resamples of the bootstrap; its start is fixed so that a report can be repeated.
const resamples = 400

// johnsonFigures are the indices by a fitted Johnson distribution with percentile
// bootstrap intervals (Efron & Tibshirani 1993). x is sorted.
func johnsonFigures(l Limits, x []float64, confidence float64) (pp, ppk Figure, points [3]float64, ok bool) {
	j, ok := FitJohnson(x)
	if !ok || !j.holds(x[0], x[len(x)-1], len(x)) {
		return unknown(), unknown(), points, false
	}
	points = [3]float64{j.At(-3), j.At(0), j.At(3)}
	pp, ppk = unknown(), unknown()
	pp.Value, ppk.Value = byPercentile(l, points[0], points[1], points[2])
	chance := rand.New(rand.NewPCG(1, uint64(len(x))))
	again := make([]float64, len(x))
	var ratios, nears []float64
	for range resamples {
		for i := range again {
			again[i] = x[chance.IntN(len(x))]
		}
		slices.Sort(again)
		if j, ok := FitJohnson(again); ok {
			r, n := byPercentile(l, j.At(-3), j.At(0), j.At(3))
			ratios, nears = append(ratios, r), append(nears, n)
		}
	}
	if len(nears) > resamples/2 {
		slices.Sort(ratios)
		slices.Sort(nears)
		a := (1 - confidence) / 2
		pp.Low, pp.High = quantile(ratios, a), quantile(ratios, 1-a)
		ppk.Low, ppk.High = quantile(nears, a), quantile(nears, 1-a)
	}
	return pp, ppk, points, true
}

// percentileFigures are the indices by the percentiles of the record itself. Each
// percentile's interval is between order statistics (binomial); the indices take the
// ends that are worst and best together, so their intervals are rather too wide.
func percentileFigures(l Limits, t *Tally, confidence float64) (pp, ppk Figure, points [3]float64) {
	var low, high [3]float64
	for i, p := range [3]float64{phi(-3), 0.5, phi(3)} {
		points[i] = t.Quantile(p)
		n := float64(t.n)
		half := z(confidence) * math.Sqrt(n*p*(1-p))
		low[i] = t.Order(max(0, int(math.Floor(n*p-half))))
		high[i] = t.Order(int(math.Ceil(n*p + half)))
	}
	pp.Value, ppk.Value = byPercentile(l, points[0], points[1], points[2])
	pp.Low, _ = byPercentile(l, low[0], points[1], high[2])
	pp.High, _ = byPercentile(l, high[0], points[1], low[2])
	ppk.Low, ppk.High = math.Inf(1), math.Inf(1)
	if !math.IsNaN(l.Lower) {
		ppk.Low = (low[1] - l.Lower) / (low[1] - low[0])
		ppk.High = (high[1] - l.Lower) / (high[1] - high[0])
	}
	if !math.IsNaN(l.Upper) {
		ppk.Low = min(ppk.Low, (l.Upper-high[1])/(high[2]-high[1]))
		ppk.High = min(ppk.High, (l.Upper-low[1])/(low[2]-low[1]))
	}
	return pp, ppk, points
}
