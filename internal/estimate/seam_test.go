package estimate

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"unsafe"
)

// observed is a reading of part k at a cycle of 1.5 min.
func observed(k int64, deviation, command float64) Observation {
	return Observation{Part: k, Minute: float64(k) * 1.5, Deviation: deviation, Command: command}
}

// settled returns an estimator that has seen a steady drift with scatter σ 1 for some parts.
func settled(drift float64, parts int64) *Estimator {
	e := New(Settings{HalfTolerance: 10})
	r := rand.New(rand.NewPCG(1, 1))
	for k := range parts {
		e.Observe(observed(k, drift+r.NormFloat64(), 0))
	}
	return e
}

func TestFirstReadingIsCorrectedInFull(t *testing.T) {
	e := New(Settings{HalfTolerance: 15})
	if e.Forecast(0, 0).Ready {
		t.Fatal("ready before any reading")
	}
	v := e.Observe(observed(0, 10, 0))
	if v.Kind != Used {
		t.Fatalf("the first reading was %v", v.Kind)
	}
	f := e.Forecast(1, 1.5)
	if !f.Ready || f.Drift < 9 || f.Drift > 10.2 {
		t.Errorf("after one reading of 10 µm the forecast is %.2f, want nearly all of it", f.Drift)
	}
}

// Readings are attributed to the command of their own cut: parts in transit are not corrected twice.
func TestAttribution(t *testing.T) {
	e := settled(10, 40)
	before := e.Forecast(40, 60)
	for k := int64(40); k < 60; k++ {
		// The command acts from part 50 on, readings before it still show the old size.
		command := 0.0
		if k >= 50 {
			command = -10
		}
		e.Observe(observed(k, 10+command, command))
	}
	after := e.Forecast(60, 90)
	near(t, "drift with and without a command", after.Drift, before.Drift, 0.1)
	near(t, "wanted command", after.Wanted(), -10, 0.1)
}

func TestToolChangeWaitsForItsParts(t *testing.T) {
	e := settled(0, 200)
	for k := int64(200); k < 300; k++ {
		e.Observe(observed(k, -0.2*float64(k-200), 0))
	}
	worn := e.Forecast(300, 450).Drift
	e.Note(Event{Kind: ToolChange, Part: 303})
	near(t, "a part of the old tool", e.Forecast(302, 453).Drift, worn, 0.2)
	if d := e.Forecast(303, 454.5); math.Abs(d.Drift) > 3 || d.Sigma < 2 {
		t.Errorf("the new tool's first part: %.2f ± %.2f, want about 0 and uncertain", d.Drift, d.Sigma)
	}
	for k := int64(300); k < 303; k++ {
		if v := e.Observe(observed(k, -20, 0)); v.Kind != Used {
			t.Errorf("part %d of the old tool was %v", k, v.Kind)
		}
	}
	e.Observe(observed(303, 4, 0))
	if d := e.Forecast(304, 456).Drift; d < 3 || d > 4.5 {
		t.Errorf("after the new tool's first part the drift is %.2f, want nearly 4", d)
	}
}

func TestReturnsToWhereToolsStart(t *testing.T) {
	e := New(Settings{HalfTolerance: 15})
	r := rand.New(rand.NewPCG(3, 3))
	for k := range int64(2000) {
		if k%200 == 0 && k > 0 {
			e.Note(Event{Kind: ToolChange, Part: k})
		}
		e.Observe(observed(k, 6-0.15*float64(k%200)+r.NormFloat64(), 0))
	}
	e.Note(Event{Kind: ToolChange, Part: 2000})
	near(t, "first part of the eleventh tool", e.Forecast(2000, 3000).Drift, 6, 0.1)
	near(t, "hundred parts on", e.Forecast(2100, 3150).Drift, -9, 0.1)
}

func TestOutlierIsGaugedAgain(t *testing.T) {
	e := settled(0, 60)
	before := e.Forecast(61, 91.5)
	o := observed(60, 30, 0)
	v := e.Observe(o)
	if v.Kind != Suspect || v.Innovation < 25 || v.SigmaInnovation > 3 {
		t.Fatalf("a reading of 30 µm on σ 1: %+v, want suspect", v)
	}
	if f := e.Forecast(61, 91.5); math.Abs(f.Drift-before.Drift) > 0.05 {
		t.Errorf("a suspect reading moved the forecast from %.3f to %.3f", before.Drift, f.Drift)
	}
	o.Regauge, o.Deviation = true, 0.5
	if v = e.Observe(o); v.Kind != Used || !v.DroppedOutlier {
		t.Errorf("the second reading: %+v, want used, the first let go", v)
	}
	if f := e.Forecast(61, 91.5); math.Abs(f.Drift) > 1 {
		t.Errorf("after an outlier the drift is %.2f", f.Drift)
	}
}

func TestThreeAgreeingReadingsAreBelieved(t *testing.T) {
	e := settled(0, 60)
	o := observed(60, 20, 0)
	for i, want := range []VerdictKind{Suspect, Suspect, BelievedStep} {
		if v := e.Observe(o); v.Kind != want {
			t.Fatalf("reading %d was %v, want %v", i+1, v.Kind, want)
		}
		o.Regauge = true
		o.Deviation += 0.2
	}
	if d := e.Forecast(61, 91.5).Drift; d < 18.5 || d > 21 {
		t.Errorf("after a believed step of 20 µm the drift is %.2f", d)
	}
}

// Without a second reading of the part, parts one after another must agree: three while steps have
// not been more usual than outliers, two after.
func TestAgreeingPartsAreBelieved(t *testing.T) {
	e := settled(0, 60)
	for i, want := range []VerdictKind{Suspect, Suspect, BelievedStep} {
		if v := e.Observe(observed(60+int64(i), 20, 0)); v.Kind != want {
			t.Fatalf("part %d was %v, want %v", i+1, v.Kind, want)
		}
	}
	for k := int64(63); k < 100; k++ {
		e.Observe(observed(k, 20, 0))
	}
	for i, want := range []VerdictKind{Suspect, BelievedStep} {
		if v := e.Observe(observed(100+int64(i), 0, 0)); v.Kind != want {
			t.Fatalf("second step, part %d was %v, want %v", i+1, v.Kind, want)
		}
	}
}

func TestScatterThatGrowsIsFound(t *testing.T) {
	e := settled(0, 100)
	r := rand.New(rand.NewPCG(4, 4))
	for k := int64(100); k < 200; k++ {
		e.Observe(observed(k, 15*r.NormFloat64(), 0))
	}
	if noise := e.Forecast(200, 300).Noise; noise < 9 || noise > 22 {
		t.Errorf("scatter grew from 1 to 15 µm, estimate %.2f", noise)
	}
}

// Two readings of one cut are worth what Gaussian algebra says: the process's own scatter on that
// part is common to both.
func TestReadingAgainIsNotASecondPart(t *testing.T) {
	e := settled(0, 30)
	for i := range e.Models { // one plain level is enough, and all models the same
		e.Models[i] = Model{B: e.A}
		e.Models[i].forget(stLevel, 0, 0.5)
	}
	e.normalise()
	e.Part++
	const p, g, y1, y2 = 1 - gaugeShare, gaugeShare, 1.0, -0.4
	o := observed(e.Part, y1, 0)
	e.Last = Cut{}
	e.Observe(o)
	o.Regauge, o.Deviation = true, y2
	if v := e.Observe(o); v.Kind != Used {
		t.Fatalf("second reading was %v", v.Kind)
	}
	r := p + g/2
	near(t, "mean", e.Models[0].X[stLevel], 0.5/(0.5+r)*(y1+y2)/2, 0.02)
	near(t, "variance", e.Models[0].P[row0[stLevel]], 0.5*r/(0.5+r), 0.02)
	if again := e.Forecast(e.Part+1, e.Minute).Sigma; !(again > 0) {
		t.Errorf("sigma %g", again)
	}
}

func TestSettingStepsTheZeroBack(t *testing.T) {
	e := New(Settings{HalfTolerance: 15})
	r := rand.New(rand.NewPCG(5, 5))
	zero := 0.0
	for k := range int64(900) {
		zero += 0.25 * r.NormFloat64()
		if k%60 == 0 && k > 0 {
			e.Note(Event{Kind: Setting, AsFound: zero})
			zero = 0
		}
		e.Observe(observed(k, zero+1.5*r.NormFloat64(), 0))
	}
	if e.ZeroWalk < 0.008 || e.ZeroWalk > 0.08 {
		t.Errorf("walk of the zero %.4f σ² a part, want about 0.028", e.ZeroWalk)
	}
	before := e.Forecast(900, 1350).Drift
	e.Note(Event{Kind: Setting, AsFound: 4})
	after := e.Forecast(900, 1350).Drift
	if math.Abs(after-before) > 4 || after > before {
		t.Errorf("a setting that found +4 µm moved the true size from %.2f to %.2f, want down by less than that", before, after)
	}
}

func TestWhatIsIgnored(t *testing.T) {
	e := settled(0, 50)
	was := *e
	for name, o := range map[string]Observation{
		"late":            observed(30, 0, 0),
		"re-cut":          {Part: 60, Minute: 90, Recut: true},
		"not a number":    {Part: 60, Minute: 90, Deviation: math.NaN()},
		"infinite":        {Part: 60, Minute: 90, Deviation: math.Inf(1)},
		"command":         {Part: 60, Minute: 90, Command: math.Inf(-1)},
		"minute":          {Part: 60, Minute: math.NaN()},
		"huge":            {Part: 60, Minute: 90, Deviation: 1e9},
		"negative part":   {Part: -1},
		"again, no first": {Part: 60, Minute: 90, Regauge: true},
	} {
		if v := e.Observe(o); v.Kind != Ignored || *e != was {
			t.Errorf("%s: %v, state changed: %v", name, v.Kind, *e != was)
		}
	}
	for _, ev := range []Event{{Kind: Stop, Minutes: math.NaN()}, {Kind: Setting, AsFound: math.Inf(1)}, {Kind: ToolChange, Part: -5}} {
		if e.Note(ev); *e != was {
			t.Errorf("%+v changed the state", ev)
		}
	}
}

func TestProgramChangeVoidsTheLevel(t *testing.T) {
	e := settled(8, 60)
	e.Note(Event{Kind: ProgramChange, Part: 60})
	if f := e.Forecast(60, 90); f.Ready || math.Abs(f.Drift) > 1 {
		t.Errorf("after a program change: %+v, want not ready, about 0", f)
	}
	if v := e.Observe(observed(60, -12, 0)); v.Kind != Used {
		t.Errorf("first reading of the new program was %v", v.Kind)
	}
	if f := e.Forecast(61, 91.5); !f.Ready || f.Drift > -10 {
		t.Errorf("after its first reading: %+v", f)
	}
}

// lively feeds anything that can happen, the same for the same seed.
func lively(f filter, from, to int64) {
	for k := from; k < to; k++ {
		r := rand.New(rand.NewPCG(uint64(k), 17))
		switch r.IntN(25) {
		case 0:
			f.Note(Event{Kind: ToolChange, Part: k + int64(r.IntN(4))})
		case 1:
			f.Note(Event{Kind: Stop, Part: k + 2, Minutes: 60 * r.Float64()})
		case 2:
			f.Note(Event{Kind: Setting, AsFound: r.NormFloat64()})
		case 3:
			f.Note(Event{Kind: SetupChange, Part: k + 1})
		}
		o := observed(k, 2*r.NormFloat64(), 5*r.NormFloat64())
		if r.IntN(12) == 0 {
			o.Deviation += 60
		}
		for n := 0; f.Observe(o).Kind == Suspect && n < r.IntN(3); n++ {
			o.Regauge = true
			o.Deviation += r.NormFloat64()
		}
	}
}

func TestJSONRoundTripBehavesIdentically(t *testing.T) {
	encode := func(x any) []byte {
		b, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for cut := int64(1); cut < 200; cut += 13 {
		e, a := New(Settings{HalfTolerance: 15}), NewAverage(Settings{HalfTolerance: 15})
		lively(e, 0, cut)
		lively(a, 0, cut)
		var e2 Estimator
		var a2 Average
		if json.Unmarshal(encode(e), &e2) != nil || json.Unmarshal(encode(a), &a2) != nil {
			t.Fatal("does not read back")
		}
		if e2 != *e || a2 != *a {
			t.Fatalf("after %d parts the copy differs", cut)
		}
		for _, pair := range [][2]filter{{e, &e2}, {a, &a2}} {
			lively(pair[0], cut, cut+80)
			lively(pair[1], cut, cut+80)
			if !bytes.Equal(encode(pair[0]), encode(pair[1])) {
				t.Fatalf("cut after %d parts, the two went different ways", cut)
			}
			if x, y := pair[0].Forecast(cut+90, 500), pair[1].Forecast(cut+90, 500); x != y {
				t.Fatalf("forecasts differ: %+v, %+v", x, y)
			}
		}
	}
}

func TestForecastChangesNothing(t *testing.T) {
	e := New(Settings{HalfTolerance: 15})
	lively(e, 0, 100)
	e.Note(Event{Kind: ToolChange, Part: 110})
	was := *e
	first := e.Forecast(200, 300)
	if *e != was {
		t.Error("a forecast changed the state")
	}
	if e.Forecast(200, 300) != first {
		t.Error("asked twice, told two things")
	}
}

func TestSizeOfTheState(t *testing.T) {
	if n := unsafe.Sizeof(Estimator{}); n > 8192 {
		t.Errorf("%d bytes a loop, want at most 8192", n)
	}
	e := New(Settings{})
	part := int64(0)
	if n := testing.AllocsPerRun(200, func() {
		part++
		e.Observe(observed(part, float64(part%5), 0))
		e.Forecast(part+1, float64(part))
	}); n != 0 {
		t.Errorf("%g allocations a reading, want none", n)
	}
}
