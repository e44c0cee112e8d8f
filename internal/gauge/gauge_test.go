package gauge

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

const mm = length.Millimetre

func TestLimitsAndWindows(t *testing.T) {
	for _, c := range []struct{ tolerance, other, asFound, window length.Length }{
		{33 * um, um / 2, 3300, 3300},
		{33 * um, 2 * um, 4 * um, 10 * um},
		{40 * um, 0, 4 * um, 4 * um},
	} {
		if got := AsFoundLimit(c.tolerance, c.other); got != c.asFound {
			t.Errorf("as-found limit of %s and %s is %s", c.tolerance, c.other, got)
		}
		if got := RingWindow(c.tolerance, c.other); got != c.window {
			t.Errorf("ring window of %s and %s is %s", c.tolerance, c.other, got)
		}
	}
}

func TestIntervals(t *testing.T) {
	all := Interval{Millis: 1000, Readings: 10, Change: 2000}
	for name, c := range map[string]struct {
		i    Interval
		s    Since
		want Overdue
	}{
		"nothing asked":   {Interval{}, Since{}, InTime},
		"never":           {all, Since{}, NeverSet},
		"at every bound":  {all, Since{true, 1000, 9, 2000}, InTime},
		"too long":        {all, Since{true, 1001, 9, 2000}, TooLong},
		"too many":        {all, Since{true, 1000, 10, 2000}, TooManyReadings},
		"too warm":        {all, Since{true, 1000, 9, 2001}, OtherClimate},
		"too cold":        {all, Since{true, 1000, 9, -2001}, OtherClimate},
		"only time":       {Interval{Millis: 1}, Since{true, 1, 1 << 40, 1 << 40}, InTime},
		"only parts":      {Interval{Readings: 2}, Since{true, 1 << 40, 1, 1 << 40}, InTime},
		"only the change": {Interval{Change: 1}, Since{true, 1 << 40, 1 << 40, -1}, InTime},
	} {
		if got := c.i.Overdue(c.s); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func TestDueDates(t *testing.T) {
	if Moment(0).Past(1<<50) || Moment(5).Past(4) || !Moment(5).Past(5) {
		t.Error("a due date counts from its own moment, and none never comes")
	}
}

func TestWrongHeadsAreRefusedInWords(t *testing.T) {
	bore := Feature{Name: "bore 28 H8", Limits: length.Range{Low: 28 * mm, High: 28*mm + 33*um}}
	thread := Feature{Name: "M16 pitch", Limits: length.Range{Low: 15 * mm, High: 15*mm + 190*um}, Pitch: 1500 * um}
	wide := length.Range{Low: 10 * mm, High: 40 * mm}
	plain, anvils, coarse := Head{"plain", wide, 0}, Head{"60°/1.5", wide, 1500 * um}, Head{"60°/2", wide, 2 * mm}
	small := Head{"small", length.Range{Low: 10 * mm, High: 28*mm + 32*um}, 0}
	for name, c := range map[string]struct {
		heads []Head
		f     Feature
		fits  string
		say   string
	}{
		"none declared":       {nil, thread, "", ""},
		"plain on plain":      {[]Head{plain}, bore, "plain", ""},
		"anvils on a thread":  {[]Head{anvils}, thread, "60°/1.5", ""},
		"the one that fits":   {[]Head{coarse, small, anvils}, thread, "60°/1.5", ""},
		"another pitch":       {[]Head{coarse}, thread, "", `head "60°/2" has anvils of pitch 2 mm and "M16 pitch" has pitch 1.5 mm, mount one that covers 15..15.19 mm with pitch 1.5 mm`},
		"plain on a thread":   {[]Head{plain}, thread, "", `head "plain" has plain anvils and "M16 pitch" is a thread of pitch 1.5 mm`},
		"anvils on a bore":    {[]Head{anvils}, bore, "", `head "60°/1.5" has thread anvils of pitch 1.5 mm and "bore 28 H8" is no thread`},
		"ends a micron short": {[]Head{small}, bore, "", `head "small" covers 10..28.032 mm and the limits of "bore 28 H8" are 28..28.033 mm`},
		"none of several":     {[]Head{coarse, plain}, thread, "", `none of the 2 heads of gauge "g" fits "M16 pitch"`},
	} {
		g := Instrument{Name: "g", Heads: c.heads}
		h, err := g.HeadFor(c.f)
		switch {
		case c.say != "" && (err == nil || !strings.Contains(err.Error(), c.say)):
			t.Errorf("%s: %v, want %q", name, err, c.say)
		case c.say == "" && err != nil:
			t.Errorf("%s: %v", name, err)
		case (h == nil) != (c.fits == "") || h != nil && h.Name != c.fits:
			t.Errorf("%s: head %+v, want %q", name, h, c.fits)
		}
	}
}

func TestWrongRingsAreRefusedInWords(t *testing.T) {
	bore := Feature{Name: "bore", Limits: length.Range{Low: 28 * mm, High: 28*mm + 30*um}}
	thread := Feature{Name: "thread", Limits: length.Range{Low: 15 * mm, High: 15*mm + 190*um}, Pitch: 1500 * um}
	for name, c := range map[string]struct {
		s   Standard
		f   Feature
		say string
	}{
		"right":            {Standard{Name: "r", Value: 28 * mm}, bore, ""},
		"at its reach":     {Standard{Name: "r", Value: 28*mm - 300*um}, bore, ""},
		"beyond its reach": {Standard{Name: "r", Value: 28*mm - 300*um - 1}, bore, `standard "r" is 27.699999 mm and the limits of "bore" are 28..28.03 mm, take one near them`},
		"another size":     {Standard{Name: "r", Value: 30 * mm}, bore, "take one near them"},
		"right thread":     {Standard{Name: "r", Value: 15 * mm, Pitch: 1500 * um}, thread, ""},
		"plain for thread": {Standard{Name: "r", Value: 15 * mm}, thread, `standard "r" is plain and "thread" is a thread, take a thread ring of pitch 1.5 mm`},
		"thread for plain": {Standard{Name: "r", Value: 28 * mm, Pitch: 2 * mm}, bore, `standard "r" is a thread of pitch 2 mm and "bore" is none, take a plain one`},
		"another pitch":    {Standard{Name: "r", Value: 15 * mm, Pitch: 2 * mm}, thread, `standard "r" has pitch 2 mm and "thread" has pitch 1.5 mm`},
	} {
		err := c.s.Serves(c.f)
		if (err == nil) != (c.say == "") || err != nil && !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v, want %q", name, err, c.say)
		}
	}
}

func TestRegister(t *testing.T) {
	r := Register{Instruments: []Instrument{{Name: "a"}, {Name: "b"}}, Standards: []Standard{{Name: "a", Value: 1}, {Name: "c", Value: 3}}}
	if r.Instrument("b").Name != "b" || r.Instrument("c") != nil || r.Standard("c").Value != 3 || r.Standard("b") != nil {
		t.Error("a name finds something else")
	}
}

func TestBudget(t *testing.T) {
	for name, c := range map[string]struct {
		b    Budget
		want length.Length
	}{
		"nothing":             {Budget{}, 0},
		"certificate alone":   {Budget{Certificate: 800}, 400},
		"repeatability alone": {Budget{Repeatability: 300}, 300},
		"averaged over nine":  {Budget{Repeatability: 300, Readings: 9}, 100},
		"resolution alone":    {Budget{Resolution: 1000}, 289},                                  // 1000/(2·√3) = 288.7
		"coarse, averaged":    {Budget{Resolution: 1000, Repeatability: 100, Readings: 9}, 289}, // rounding stays
		"fine":                {Budget{Resolution: 100, Repeatability: 300}, 300},               // it has it in it
		"linearity alone":     {Budget{Linearity: 1000}, 578},                                   // 1000/√3 = 577.4
		"temperature alone":   {Budget{Temperature: 250}, 250},
		"three and four":      {Budget{Certificate: 600, Temperature: 400}, 500},
	} {
		if got := c.b.Standard(); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if got := c.b.Expanded(); got != 2*c.want {
			t.Errorf("%s: U = %s", name, got)
		}
	}
}

func TestDecisionRule(t *testing.T) {
	limits := length.Range{Low: 28 * mm, High: 28*mm + 33*um}
	const u = 2 * um
	for _, c := range []struct {
		at   length.Length // from the lower limit
		want Decision
	}{
		{-2*um - 1, NotConforming}, {-2 * um, InDoubt}, {0, InDoubt}, {2*um - 1, InDoubt}, {2 * um, Conforming}, {16 * um, Conforming},
		{31 * um, Conforming}, {31*um + 1, InDoubt}, {35 * um, InDoubt}, {35*um + 1, NotConforming},
	} {
		if got := Decide(limits.Low+c.at, u, limits); got != c.want {
			t.Errorf("%s above the limit: %s, want %s", c.at, got, c.want)
		}
	}
	if got := Decide(limits.Low, -5, limits); got != Conforming {
		t.Errorf("a negative uncertainty counts as %s", got)
	}
	for _, d := range []Decision{Conforming, NotConforming, InDoubt} {
		if s := d.Say(28*mm, u); !strings.HasSuffix(s, NoAcceptance) || !strings.Contains(s, string(d)) || !strings.HasPrefix(s, "28.0000 mm ±0.0020 mm is ") {
			t.Errorf("said %q", s)
		}
	}
}

// A known deviation is no scatter: it widens U by its whole amount, whichever
// way it lies.
func TestAKnownDeviationWidensByItsWholeAmount(t *testing.T) {
	for _, bias := range []length.Length{2 * um, -2 * um} {
		if b := (Budget{Certificate: 600, Temperature: 400, Bias: bias}); b.Expanded() != 1000+2*um || b.Standard() != 500 {
			t.Errorf("%+v: %s", b, b.Expanded())
		}
	}
}

// Where U is more than half the tolerance nothing conforms.
func TestAGaugeThatIsTooCoarseDecidesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limits := length.Range{Low: 28 * mm, High: 28*mm + 10*um}
		size := length.Length(rapid.Int64Range(int64(27*mm), int64(29*mm)).Draw(t, "size"))
		if got := Decide(size, 5*um+1, limits); got == Conforming {
			t.Fatalf("%s is %s", size, got)
		}
	})
}

func depths(pairs ...length.Length) (out []Depth) {
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, Depth{At: pairs[i] * mm, Size: 28*mm + pairs[i+1]*um})
	}
	return out
}

func TestCombine(t *testing.T) {
	for name, c := range map[string]struct {
		in       []Depth
		want     Sizes
		steering length.Length
	}{
		"one": {depths(5, 4), Sizes{1, 28*mm + 4*um, 28*mm + 4*um, 28*mm + 4*um, 28*mm + 4*um, 0, 0, true}, 28*mm + 4*um},
		"three depths, even, in any order": {depths(15, 2, 5, 8, 10, 5),
			Sizes{3, 28*mm + 5*um, 28*mm + 5*um, 28*mm + 2*um, 28*mm + 8*um, 6 * um, -6 * um, true}, 28*mm + 5*um},
		"three at the mouth, one at the bottom": {depths(2, 0, 2, 0, 2, 0, 20, 8),
			Sizes{4, 28*mm + 2*um, 28*mm + 4*um, 28 * mm, 28*mm + 8*um, 8 * um, 8 * um, false}, 28*mm + 4*um},
		"unequal steps": {depths(2, 0, 4, 1, 20, 8),
			Sizes{3, 28*mm + 3*um, 28*mm + 4*um, 28 * mm, 28*mm + 8*um, 8 * um, 8 * um, false}, 28*mm + 4*um},
		"two orientations": {depths(5, -3, 5, 4),
			Sizes{2, 28*mm + 500, 28*mm + 500, 28*mm - 3*um, 28*mm + 4*um, 7 * um, 0, true}, 28*mm + 500},
	} {
		got, err := Combine(c.in)
		if err != nil || got != c.want || got.Steering() != c.steering {
			t.Errorf("%s: %+v, %v, steers by %s\nwant %+v, %s", name, got, err, got.Steering(), c.want, c.steering)
		}
	}
	if _, err := Combine(nil); !errors.Is(err, ErrNoReadings) {
		t.Errorf("none: %v", err)
	}
	if _, err := Combine(make([]Depth, MaxReadings+1)); !errors.Is(err, ErrTooManyReadings) {
		t.Errorf("too many: %v", err)
	}
}

// Whatever the order: the same sum, the mean between the extremes, and nothing
// lost.
func TestCombineKnowsNoOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, MaxReadings).Draw(t, "readings")
		var in []Depth
		for range n {
			in = append(in, Depth{
				At:   length.Length(rapid.IntRange(0, 5).Draw(t, "at")) * mm,
				Size: length.Length(rapid.Int64Range(-1000, 1000).Draw(t, "size")),
			})
		}
		a, err := Combine(in)
		if err != nil {
			t.Fatal(err)
		}
		mixed := slices.Clone(in)
		rand.New(rand.NewPCG(uint64(n), 7)).Shuffle(n, func(i, k int) { mixed[i], mixed[k] = mixed[k], mixed[i] })
		if b, _ := Combine(mixed); a != b {
			t.Fatalf("%+v\n%+v", a, b)
		}
		if a.Mean < a.Smallest || a.Mean > a.Largest || a.MidRange < a.Smallest || a.MidRange > a.Largest || a.Taper.Abs() > a.Spread {
			t.Fatalf("%+v", a)
		}
	})
}

func TestFormIsNoOffsetProblem(t *testing.T) {
	for _, c := range []struct {
		s    Sizes
		want bool
	}{
		{Sizes{Spread: 11 * um}, true}, {Sizes{Spread: 11*um + 1}, false},
		{Sizes{Taper: 11 * um}, true}, {Sizes{Taper: -11*um - 1}, false},
	} {
		if got := c.s.MayCorrect(33 * um); got != c.want {
			t.Errorf("%+v of 33 µm: %v", c.s, got)
		}
	}
}

// The smallest and the largest local size are judged, never the mean.
func TestBothExtremesAreJudged(t *testing.T) {
	limits := length.Range{Low: 28 * mm, High: 28*mm + 33*um}
	for want, s := range map[Decision]Sizes{
		Conforming:    {Smallest: 28*mm + 5*um, Largest: 28*mm + 20*um},
		InDoubt:       {Smallest: 28*mm + um, Mean: 28*mm + 10*um, Largest: 28*mm + 20*um},
		NotConforming: {Smallest: 28*mm + um, Mean: 28*mm + 16*um, Largest: 28*mm + 40*um},
	} {
		if got := DecideAll(s, 2*um, limits); got != want {
			t.Errorf("%+v is %s, want %s", s, got, want)
		}
	}
}

// What a head sees, against the sum of the radii it feels.
func TestWhatAHeadSees(t *testing.T) {
	for _, c := range []Contacts{TwoPoint, ThreePoint} {
		for lobes := 2; lobes <= 18; lobes++ {
			largest := 0.0
			for turn := range 360 {
				sum := 0.0
				for k := range int(c) {
					sum += math.Cos(float64(lobes) * (float64(turn)*math.Pi/180 + 2*math.Pi*float64(k)/float64(c)))
				}
				largest = max(largest, math.Abs(sum))
			}
			if felt := largest > 1e-9; felt != c.Sees(lobes) {
				t.Errorf("%d contacts, %d lobes: felt %v, said %v", c, lobes, felt, c.Sees(lobes))
			}
		}
	}
	for _, n := range []int{2, 4, 5, 7, 8} {
		if ThreePoint.Sees(n) {
			t.Errorf("a three-point head sees %d lobes", n)
		}
	}
	if !strings.Contains(ThreePoint.Blind(), "never report ovality") || !strings.Contains(TwoPoint.Blind(), "odd number of lobes") || Contacts(1).Blind() == "" || Contacts(0).Sees(3) {
		t.Error("what a head cannot see is not said")
	}
}
