package report

import (
	"errors"
	"fmt"
	"math"
)

// Costs are a shop's own figures of a year, for what a process of checking costs.
// Nothing is assumed: a figure that is not given counts as nothing and is said to.
type Costs struct {
	Currency string  `toml:"currency"`
	Parts    float64 `toml:"parts"` // made in a year
	Hour     float64 `toml:"hour"`  // what an hour of the person who checks costs
	Part     float64 `toml:"part"`  // what a scrapped part costs
	Recut    float64 `toml:"recut"` // what cutting a part again costs

	Limit    Checking `toml:"go_no_go"`
	Measured Checking `toml:"measuring"`
}

// Checking is one way of checking sizes.
type Checking struct {
	Sizes       float64 `toml:"sizes"`       // different sizes that need gauges of their own
	Gauges      float64 `toml:"gauges"`      // a size, spare ones included
	Price       float64 `toml:"price"`       // of one
	Life        float64 `toml:"life"`        // checks until one is worn; or
	Years       float64 `toml:"years"`       // that one lasts
	Standards   float64 `toml:"standards"`   // setting rings or the like, of all sizes
	Standard    float64 `toml:"standard"`    // price of one, once; they last as long as the gauges' years, or ten
	Calibration float64 `toml:"calibration"` // price of calibrating one gauge or standard
	Months      float64 `toml:"months"`      // between two calibrations
	Share       float64 `toml:"share"`       // of the parts that are checked, %
	Minutes     float64 `toml:"minutes"`     // for one check
	Settings    float64 `toml:"settings"`    // of the gauge in a year
	Setting     float64 `toml:"setting"`     // minutes for one
	Scrapped    float64 `toml:"scrapped"`    // of the parts, %
	Again       float64 `toml:"again"`       // of the parts that are cut again, %
}

// standardYears is how long a standard lasts where the gauges' years are not given.
const standardYears = 10

// costLine is one kind of cost of a year, with its arithmetic.
type costLine struct {
	name, how string
	sum       float64
}

// Validate says everything that is wrong with the figures.
func (c *Costs) Validate() error {
	var wrong []error
	say := func(form string, args ...any) { wrong = append(wrong, fmt.Errorf(form, args...)) }
	least := func(key string, v float64) {
		if !(v >= 0 && v <= 1e12) {
			say("%s = %g is no figure of a year, give one from 0", key, v)
		}
	}
	if c.Currency == "" {
		say(`currency is missing, name it, as "EUR"`)
	}
	if !(c.Parts > 0) {
		say("parts = %g, say how many are made in a year", c.Parts)
	}
	for _, f := range []struct {
		key string
		v   float64
	}{{"hour", c.Hour}, {"part", c.Part}, {"recut", c.Recut}} {
		least(f.key, f.v)
	}
	for _, w := range []struct {
		key string
		w   *Checking
	}{{"go_no_go", &c.Limit}, {"measuring", &c.Measured}} {
		w.w.validate(w.key, least, say)
	}
	return errors.Join(wrong...)
}

func (w *Checking) validate(table string, least func(string, float64), say func(string, ...any)) {
	for _, f := range []struct {
		key string
		v   float64
	}{
		{"sizes", w.Sizes}, {"gauges", w.Gauges}, {"price", w.Price}, {"life", w.Life}, {"years", w.Years},
		{"standards", w.Standards}, {"standard", w.Standard}, {"calibration", w.Calibration}, {"months", w.Months},
		{"share", w.Share}, {"minutes", w.Minutes}, {"settings", w.Settings}, {"setting", w.Setting},
		{"scrapped", w.Scrapped}, {"again", w.Again},
	} {
		least(table+"."+f.key, f.v)
	}
	if w.Price > 0 && (w.Life > 0) == (w.Years > 0) {
		say("%s: a gauge is worn by checks or lasts years, give either life or years", table)
	}
	if w.Calibration > 0 && w.Months == 0 {
		say("%s.months is missing, say how many lie between two calibrations", table)
	}
	if most := max(w.Share, w.Scrapped, w.Again); most > 100 {
		say("%s: a share, scrapped or again of %g %% is more than all parts", table, most)
	}
}

// lines works out a year, kind by kind.
func (w *Checking) lines(c *Costs) []costLine {
	checks := c.Parts * w.Share / 100
	gauges := w.Sizes * w.Gauges
	wear := costLine{name: "gauges"}
	if w.Years > 0 {
		wear.how = fmt.Sprintf("%g × %g × %g ÷ %g years", w.Sizes, w.Gauges, w.Price, w.Years)
		wear.sum = gauges * w.Price / w.Years
	} else if w.Life > 0 {
		wear.how = fmt.Sprintf("%g checks ÷ %g a life × %g", checks, w.Life, w.Price)
		wear.sum = checks / w.Life * w.Price
	}
	years := w.Years
	if years == 0 {
		years = standardYears
	}
	calibrated := 0.0
	if w.Months > 0 {
		calibrated = 12 / w.Months
	}
	return []costLine{
		wear,
		{"setting standards", fmt.Sprintf("%g × %g ÷ %g years", w.Standards, w.Standard, years), w.Standards * w.Standard / years},
		{"calibration", fmt.Sprintf("(%g + %g) × %g a year × %g", gauges, w.Standards, calibrated, w.Calibration), (gauges + w.Standards) * calibrated * w.Calibration},
		{"checking", fmt.Sprintf("%g × %g min ÷ 60 × %g", checks, w.Minutes, c.Hour), checks * w.Minutes / 60 * c.Hour},
		{"setting the gauge", fmt.Sprintf("%g × %g min ÷ 60 × %g", w.Settings, w.Setting, c.Hour), w.Settings * w.Setting / 60 * c.Hour},
		{"scrapped parts", fmt.Sprintf("%g × %g %% × %g", c.Parts, w.Scrapped, c.Part), c.Parts * w.Scrapped / 100 * c.Part},
		{"parts cut again", fmt.Sprintf("%g × %g %% × %g", c.Parts, w.Again, c.Recut), c.Parts * w.Again / 100 * c.Recut},
	}
}

// bought is what is paid before the first part.
func (w *Checking) bought() float64 { return w.Sizes*w.Gauges*w.Price + w.Standards*w.Standard }

type costData struct {
	Report   string            `json:"report"`
	Currency string            `json:"currency"`
	Limit    map[string]Number `json:"go_no_go"`
	Measured map[string]Number `json:"measuring"`
	LimitSum Number            `json:"go_no_go_total"`
	Sum      Number            `json:"measuring_total"`
	Less     Number            `json:"difference"`
	Bought   Number            `json:"measuring_bought"`
	Months   Number            `json:"months_until_paid"`
}

// Cost sets a year of limit gauges beside one of measuring gauges, line by line.
func Cost(c *Costs, basis []Fact) (*Document, error) {
	if err := c.Validate(); err != nil {
		return nil, err
	}
	one, other := c.Limit.lines(c), c.Measured.lines(c)
	table := &Table{
		Columns: []string{"a year, " + c.Currency, "GO/NO-GO", "how", "measuring", "how"},
		Words:   map[int]bool{0: true, 2: true, 4: true},
	}
	data := costData{Report: "cost", Currency: c.Currency, Limit: map[string]Number{}, Measured: map[string]Number{}}
	var sum, sumOther float64
	for i := range one {
		a, b := one[i], other[i]
		sum, sumOther = sum+a.sum, sumOther+b.sum
		data.Limit[a.name], data.Measured[b.name] = Number(a.sum), Number(b.sum)
		table.Row(a.name, fixed(a.sum, 0), a.how, fixed(b.sum, 0), b.how)
	}
	table.Row("together", fixed(sum, 0), "", fixed(sumOther, 0), "")
	less := sum - sumOther
	months := math.NaN()
	bought := c.Measured.bought()
	if less > 0 {
		months = 12 * bought / less
	}
	data.LimitSum, data.Sum, data.Less, data.Bought, data.Months = Number(sum), Number(sumOther), Number(less), Number(bought), Number(months)
	return &Document{
		Title: "What checking costs in a year", Summary: costInWords(c, sum, sumOther, months), Basis: basis, Data: data,
		Sections: []Section{{Title: "Line by line", Table: table, Text: []string{
			"Amounts are rounded to whole " + c.Currency + "; each is worked out beside it from the figures that were given.",
		}}},
		Notes: []string{
			"These are the shop's own figures and nothing else: a line without figures is 0, which may mean that nobody has counted it.",
			"How much scrap measuring saves is not known before it was tried: give the figures of a trial, or see report capability for what corrections were worth.",
			"What GO and NO-GO gauges decide at the end stays: a thread still needs them, and their cost belongs in both columns then.",
		},
	}, nil
}

func costInWords(c *Costs, limit, measured, months float64) string {
	switch less := limit - measured; {
	case math.Abs(less) < 0.05*max(limit, measured):
		return fmt.Sprintf("By these figures both cost about the same, %s and %s %s a year.", fixed(limit, 0), fixed(measured, 0), c.Currency)
	case less < 0:
		return fmt.Sprintf("By these figures measuring costs %s %s a year more than GO/NO-GO gauges do: %s against %s.", fixed(-less, 0), c.Currency, fixed(measured, 0), fixed(limit, 0))
	default:
		return fmt.Sprintf("By these figures measuring costs %s %s a year less than GO/NO-GO gauges do: %s against %s. What has to be bought first, %s %s, is paid back after about %s.",
			fixed(less, 0), c.Currency, fixed(measured, 0), fixed(limit, 0), fixed(c.Measured.bought(), 0), c.Currency, count(int(math.Ceil(months)), "month"))
	}
}
