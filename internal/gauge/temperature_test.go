package gauge

import (
	"bufio"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"offsetbridge/internal/length"
)

func rows(t *testing.T, kind string) (out [][]string) {
	t.Helper()
	f, err := os.Open("testdata/temperature.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close() //nolint:errcheck // only read from
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if cells := strings.Split(lines.Text(), "\t"); cells[0] == kind {
			out = append(out, cells)
		}
	}
	return out
}

func at(v float64) *Celsius { c := Celsius(math.Round(v * 1000)); return &c }

// Every worked check of the table, to the nanometre.
func TestPublishedThermalErrors(t *testing.T) {
	form := regexp.MustCompile(`L=([\d.]+) mm part alpha=([\d.]+) T=([\d.]+); scale/master alpha=([\d.]+) T=([\d.]+)`)
	checks := rows(t, "check")
	if len(checks) != 6 {
		t.Fatalf("%d checks in the table", len(checks))
	}
	for _, c := range checks {
		m := form.FindStringSubmatch(c[1])
		if m == nil {
			t.Fatalf("case %q is not understood", c[1])
		}
		var v [6]float64
		for i := 1; i < len(m); i++ {
			v[i], _ = strconv.ParseFloat(m[i], 64)
		}
		want, _ := strconv.ParseFloat(c[2], 64)
		reading := length.Length(v[1] * 1e6)
		got, err := Correct(reading, Thermal{
			Part: Body{Alpha: Expansion(v[2] * 1000), Temp: at(v[3])}, Standard: Body{Alpha: Expansion(v[4] * 1000), Temp: at(v[5])},
		})
		if err != nil || -got.Correction != length.Length(math.Round(want*1000)) || got.Size != reading+got.Correction || got.Raw != reading || got.Sigma != 0 {
			t.Errorf("%s: corrected by %s (%v), want %g µm", c[1], got.Correction, err, -want)
		}
	}
}

// 50 mm of steel and aluminium, as every setter should know it (Swyt 1994).
func TestWhatASetterShouldKnow(t *testing.T) {
	const steel, aluminium = 11_500, 23_100
	for _, c := range []struct {
		name           string
		part, standard Body
		want           length.Length
	}{
		{"steel 5 K warm", Body{Alpha: steel, Temp: at(25)}, Body{Alpha: steel, Temp: at(20)}, -2875},
		{"aluminium 5 K warm", Body{Alpha: aluminium, Temp: at(25)}, Body{Alpha: steel, Temp: at(20)}, -5775},
		{"aluminium on a steel ring, both at 30", Body{Alpha: aluminium, Temp: at(30)}, Body{Alpha: steel, Temp: at(30)}, -5800},
		{"steel on steel, both at 30", Body{Alpha: steel, Temp: at(30)}, Body{Alpha: steel, Temp: at(30)}, 0},
		{"everything at 20", Body{Alpha: aluminium, Temp: at(20)}, Body{Alpha: steel, Temp: at(20)}, 0},
	} {
		got, err := Correct(50*length.Millimetre, Thermal{Part: c.part, Standard: c.standard})
		if err != nil || got.Correction != c.want {
			t.Errorf("%s: %s, %v, want %s", c.name, got.Correction, err, c.want)
		}
	}
}

// The gauge's own frame: warmed by the hand after its setting it reads too
// little, so that the correction adds.
func TestTheGaugeGrowsToo(t *testing.T) {
	th := Thermal{
		Part: Body{Alpha: 11_500, Temp: at(20)}, Standard: Body{Alpha: 11_500, Temp: at(20)},
		Gauge: Body{Alpha: 10_000, Temp: at(24)}, SetAt: at(20), Window: 5000,
	}
	got, err := Correct(100*length.Millimetre, th)
	if err != nil || got.Correction != 4000 {
		t.Fatalf("corrected by %s, %v, want 4 µm", got.Correction, err)
	}
	th.SetAt = at(24)
	if got, err := Correct(100*length.Millimetre, th); err != nil || got.Correction != 0 {
		t.Fatalf("set as warm as it is: %s, %v", got.Correction, err)
	}
}

func TestTemperaturesThatAreRefused(t *testing.T) {
	steel := func(temp *Celsius) Body { return Body{Alpha: 11_500, Temp: temp} }
	for name, c := range map[string]struct {
		t    Thermal
		want error
	}{
		"at the window":       {Thermal{Part: steel(at(25)), Standard: steel(at(15)), Window: 5000}, nil},
		"part too warm":       {Thermal{Part: steel(at(25.001)), Standard: steel(at(20)), Window: 5000}, ErrTemperature},
		"standard too cold":   {Thermal{Part: steel(at(20)), Standard: steel(at(14.999)), Window: 5000}, ErrTemperature},
		"gauge too far":       {Thermal{Part: steel(at(20)), Standard: steel(at(20)), Gauge: steel(at(27)), SetAt: at(21), Window: 5000}, ErrTemperature},
		"part unknown":        {Thermal{Part: steel(nil), Standard: steel(at(20))}, ErrUnknownTemperature},
		"standard unknown":    {Thermal{Part: steel(at(20)), Standard: steel(nil)}, ErrUnknownTemperature},
		"gauge now unknown":   {Thermal{Part: steel(at(20)), Standard: steel(at(20)), Gauge: steel(nil), SetAt: at(20)}, ErrUnknownTemperature},
		"gauge then unknown":  {Thermal{Part: steel(at(20)), Standard: steel(at(20)), Gauge: steel(at(20))}, ErrUnknownTemperature},
		"a gauge not given":   {Thermal{Part: steel(at(20)), Standard: steel(at(20)), SetAt: at(90), Window: 1000}, nil},
		"no window, far away": {Thermal{Part: steel(at(90)), Standard: steel(at(20))}, nil},
	} {
		got, err := Correct(50*length.Millimetre, c.t)
		if !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
		if err != nil && (got.Size != got.Raw || got.Correction != 0) {
			t.Errorf("%s: refused, and yet corrected %+v", name, got)
		}
	}
}

// The stated uncertainty is the scatter that the uncertain inputs really give.
func TestThermalUncertaintyBySimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const l = 200 * length.Millimetre
	th := Thermal{
		Part:     Body{Alpha: 23_100, AlphaSigma: 1_000, Temp: at(24), TempSigma: 500},
		Standard: Body{Alpha: 11_500, AlphaSigma: 500, Temp: at(22), TempSigma: 300},
		Gauge:    Body{Alpha: 11_500, AlphaSigma: 500, Temp: at(22.5), TempSigma: 400}, SetAt: at(21),
	}
	stated, err := Correct(l, th)
	if err != nil {
		t.Fatal(err)
	}
	shake := func(b Body) Body {
		v := Celsius(float64(*b.Temp) + rng.NormFloat64()*float64(b.TempSigma))
		return Body{Alpha: b.Alpha + Expansion(rng.NormFloat64()*float64(b.AlphaSigma)), Temp: &v}
	}
	var squares float64
	const n = 40_000
	for range n {
		c, err := Correct(l, Thermal{Part: shake(th.Part), Standard: shake(th.Standard), Gauge: shake(th.Gauge), SetAt: th.SetAt})
		if err != nil {
			t.Fatal(err)
		}
		squares += math.Pow(float64(c.Correction-stated.Correction), 2)
	}
	seen := math.Sqrt(squares / n)
	if ratio := float64(stated.Sigma) / seen; ratio < 0.98 || ratio > 1.02 {
		t.Errorf("stated %s, seen %.0f nm", stated.Sigma, seen)
	}
}

// At 20 °C an uncertain temperature still matters, and so does the product with
// an uncertain coefficient.
func TestWhatIsLeftAtTwentyDegrees(t *testing.T) {
	th := Thermal{Part: Body{AlphaSigma: 10_000, Temp: at(20), TempSigma: 2000}, Standard: Body{Temp: at(20)}}
	got, err := Correct(100*length.Millimetre, th) // 100 mm · 10⁻⁵/K · 2 K
	if err != nil || got.Correction != 0 || got.Sigma != 2000 {
		t.Errorf("%+v, %v", got, err)
	}
}

// What is not referred to 20 °C may be anywhere in the window: the stated
// uncertainty is the scatter of the error there, part and standard apart.
func TestUnreferredBySimulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	const l = 50 * length.Millimetre
	th := Thermal{Part: Body{Alpha: 23_100}, Standard: Body{Alpha: 11_500}, Gauge: Body{Alpha: 8_000}, Window: 6000}
	stated := Unreferred(l, th)
	var squares float64
	const n = 40_000
	for range n {
		for _, b := range []*Body{&th.Part, &th.Standard} {
			b.Temp = at(20 + 6*(2*rng.Float64()-1))
		}
		th.Gauge.Temp, th.SetAt = at(20+6*(2*rng.Float64()-1)), at(20)
		c, err := Correct(l, th)
		if err != nil {
			t.Fatal(err)
		}
		squares += math.Pow(float64(c.Correction), 2)
	}
	if ratio := float64(stated) / math.Sqrt(squares/n); ratio < 0.98 || ratio > 1.02 {
		t.Errorf("stated %s, seen %.0f nm", stated, math.Sqrt(squares/n))
	}
}
