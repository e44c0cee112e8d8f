package limits

import (
	"embed"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"offsetbridge/internal/length"
)

//go:embed tables/*.tsv
var files embed.FS

// cell is one tabulated tolerance or deviation; the zero cell is a gap.
type cell struct {
	value length.Length
	set   bool
	doubt bool // printed and computed values disagree, the narrower one stands
}

// band is a range of diameters: over, up to and including.
type band struct{ over, upto length.Length }

func (b band) holds(d length.Length) bool { return b.over < d && d <= b.upto }

type pitchRow struct {
	band
	pitch    length.Length
	extended bool // not a row of ISO 965-1 itself
	grades   [10]cell
}

type crestRow struct {
	pitch        length.Length
	es           map[byte]length.Length
	outer, inner [9]cell // by grade: Td of external, TD1 of internal threads
}

type engagementRow struct {
	band
	pitch               length.Length
	short, normal, long string // in words
}

type metricSize struct {
	d, coarse length.Length // coarse is zero without a coarse pitch
	fine      []length.Length
}

type fitRow struct {
	band
	grades [19]cell
}

type deviationRow struct {
	band
	letters map[string]cell
}

type unifiedSize struct {
	name   string
	d      length.Length
	series map[string]tpi
}

type exceptionKey struct {
	d        length.Length
	tpi      tpi
	quantity string
}

// tables is everything tabulated, indexed for a lookup.
type tables struct {
	pitch      [3][]pitchRow                    // by Kind, in rising diameter
	byPitch    [3]map[length.Length][]*pitchRow // the same, by pitch
	crest      map[length.Length]*crestRow
	engagement []engagementRow
	sizes      map[length.Length]metricSize
	grades     []fitRow
	deviations []deviationRow
	unified    []unifiedSize
	exceptions map[exceptionKey]int64 // 0.0001 in
}

// table reads the embedded tables once. A table that cannot be read is a
// mistake in the build, which any use of the package brings out.
var table = sync.OnceValue(func() *tables {
	t := &tables{
		crest: map[length.Length]*crestRow{}, sizes: map[length.Length]metricSize{}, exceptions: map[exceptionKey]int64{},
	}
	t.readMetric()
	t.readFits()
	t.readUnified()
	return t
})

// row is one line of a table; every method panics on a malformed cell.
type row struct {
	file  string
	line  int
	cells []string
}

func rows(name string) []row {
	text, err := files.ReadFile("tables/" + name)
	if err != nil {
		panic("limits: " + err.Error())
	}
	var out []row
	for i, line := range strings.Split(string(text), "\n") {
		if line == "" || strings.HasPrefix(line, "# ") {
			continue
		}
		out = append(out, row{name, i + 1, strings.Split(line, "\t")})
	}
	return out
}

func (r row) fail(err error) {
	panic(fmt.Sprintf("limits: table %s line %d: %v", r.file, r.line, err))
}

// length reads cell i in units of u.
func (r row) length(i int, u length.Unit) length.Length {
	if i >= len(r.cells) {
		r.fail(fmt.Errorf("cell %d is missing", i))
	}
	l, err := length.ParseNumber(r.cells[i], u)
	if err != nil {
		r.fail(err)
	}
	return l
}

// cell reads cell i in micrometres, "-" being a gap and "!" a doubt.
func (r row) cell(i int) cell {
	if i < len(r.cells) && r.cells[i] == "-" {
		return cell{}
	}
	doubt := i < len(r.cells) && strings.HasSuffix(r.cells[i], "!")
	if doubt {
		r.cells[i] = strings.TrimSuffix(r.cells[i], "!")
	}
	return cell{value: r.length(i, length.UM), set: true, doubt: doubt}
}

func (r row) band() band { return band{r.length(0, length.MM), r.length(1, length.MM)} }

func (t *tables) readMetric() {
	for _, r := range rows("metric_pitch.tsv") {
		kind := Internal
		if r.cells[0] == "external" {
			kind = External
		}
		p := pitchRow{
			band:  band{r.length(1, length.MM), r.length(2, length.MM)},
			pitch: r.length(3, length.MM), extended: r.cells[4] == "ext",
		}
		for g := 3; g <= 9; g++ {
			p.grades[g] = r.cell(g + 2)
		}
		t.pitch[kind] = append(t.pitch[kind], p)
	}
	for k := range t.pitch {
		t.byPitch[k] = map[length.Length][]*pitchRow{}
		for i := range t.pitch[k] {
			r := &t.pitch[k][i]
			t.byPitch[k][r.pitch] = append(t.byPitch[k][r.pitch], r)
		}
	}
	t.readCrests()
	for _, r := range rows("metric_engagement.tsv") {
		s, n := r.length(3, length.MM).In(length.MM), r.length(4, length.MM).In(length.MM)
		t.engagement = append(t.engagement, engagementRow{
			r.band(), r.length(2, length.MM),
			"short engagement S: up to " + s + " mm",
			"normal engagement N: over " + s + " up to " + n + " mm",
			"long engagement L: over " + n + " mm",
		})
	}
	for _, r := range rows("metric_sizes.tsv") {
		s := metricSize{d: r.length(0, length.MM)}
		if r.cells[1] != "-" {
			s.coarse = r.length(1, length.MM)
		}
		for i := 2; i < len(r.cells); i++ {
			s.fine = append(s.fine, r.length(i, length.MM))
		}
		t.sizes[s.d] = s
	}
}

func (t *tables) readCrests() {
	for _, r := range rows("metric_crest.tsv") {
		c := &crestRow{pitch: r.length(0, length.MM), es: map[byte]length.Length{'h': 0}}
		for i, letter := range []byte("efg") {
			c.es[letter] = r.length(1+i, length.UM)
		}
		for i, g := range []int{4, 6, 8} {
			c.outer[g] = r.cell(4 + i)
		}
		for g := 4; g <= 8; g++ {
			c.inner[g] = r.cell(3 + g)
		}
		t.crest[c.pitch] = c
	}
}

func (t *tables) readFits() {
	for _, r := range rows("fit_grades.tsv") {
		f := fitRow{band: r.band()}
		for g := 1; g <= 18; g++ {
			f.grades[g] = r.cell(g + 1)
		}
		t.grades = append(t.grades, f)
	}
	all := rows("fit_deviations.tsv")
	for _, r := range all[1:] {
		d := deviationRow{band: r.band(), letters: map[string]cell{}}
		for i, letter := range all[0].cells[2:] {
			d.letters[letter] = r.cell(i + 2)
		}
		t.deviations = append(t.deviations, d)
	}
}

func (t *tables) readUnified() {
	for _, r := range rows("unified_sizes.tsv") {
		s := unifiedSize{name: r.cells[0], d: r.length(1, length.IN), series: map[string]tpi{}}
		for i, series := range []string{"UNC", "UNF", "UNEF"} {
			if r.cells[2+i] != "-" {
				n, ok := parseTPI(r.cells[2+i])
				if !ok {
					r.fail(fmt.Errorf("%q is no number of threads", r.cells[2+i]))
				}
				s.series[series] = n
			}
		}
		t.unified = append(t.unified, s)
	}
	for _, r := range rows("unified_exceptions.tsv") {
		d, ok := parseInchSize(r.cells[0])
		n, ok2 := parseTPI(r.cells[1])
		v, err := strconv.ParseInt(r.cells[4], 10, 64)
		if !ok || !ok2 || err != nil {
			r.fail(fmt.Errorf("%q is not an exception", r.cells))
		}
		quantity := r.cells[3]
		if r.cells[2] == "allowance" {
			quantity = "allowance"
		}
		t.exceptions[exceptionKey{d, n, quantity}] = v
	}
}

// pitchTolerance finds the row of diameter d and pitch p.
func (t *tables) pitchTolerance(k Kind, d, p length.Length) (*pitchRow, bool) {
	for _, r := range t.byPitch[k][p] {
		if r.holds(d) {
			return r, true
		}
	}
	return nil, false
}

// inSeries reports whether ISO 261 lists diameter d with pitch p.
func (t *tables) inSeries(d, p length.Length) bool {
	s, ok := t.sizes[d]
	if !ok {
		return false
	}
	for _, f := range s.fine {
		if f == p {
			return true
		}
	}
	return s.coarse == p && p > 0
}
