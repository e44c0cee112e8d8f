package plant

import (
	"math"
	"math/rand/v2"
	"testing"
)

func scenario(t *testing.T, id string) Params {
	t.Helper()
	for _, p := range Scenarios() {
		if p.ID == id {
			return p
		}
	}
	t.Fatalf("no scenario %s", id)
	return Params{}
}

// quiet takes all chance but the first set-up away.
func quiet(p Params) Params {
	p.SigmaProcess, p.SigmaGauge, p.Walk, p.ToolSpread = 0, 0, 0, 0
	p.SetupFirst, p.SetupLater, p.ColdSpread, p.OutlierRate = 0, 0, 0, 0
	p.ZeroWalk, p.SettingSigma, p.StopMean, p.ChangeMean = 0, 0, 0, 0
	return p
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.6g, want %.6g ± %.3g", what, got, want, within)
	}
}

func TestScenariosAreComplete(t *testing.T) {
	want := []string{"S0", "S1", "S2", "S3", "S4", "S5", "S6", "S7", "S8a", "S8b", "S9", "S10", "S11"}
	all := Scenarios()
	if len(all) != len(want) {
		t.Fatalf("%d scenarios, want %d", len(all), len(want))
	}
	for i, p := range all {
		if p.ID != want[i] || p.Name == "" {
			t.Errorf("scenario %d is %q %q, want %s with a name", i, p.ID, p.Name, want[i])
		}
		if p.Parts != 1200 || p.CycleMinutes != 1.5 {
			t.Errorf("%s: %d parts of %g min, want 1200 of 1.5", p.ID, p.Parts, p.CycleMinutes)
		}
	}
	if got := scenario(t, "S5").StepSize(); got != 2 {
		t.Errorf("a radius register of 1 µm moves the size by %g µm, want 2", got)
	}
}

func TestSameSeedSameNumbers(t *testing.T) {
	for _, p := range Scenarios() {
		a, b, c := New(p, 7), New(p, 7), New(p, 8)
		differ := false
		for range 300 {
			x, y, z := a.Cut(3), b.Cut(3), c.Cut(3)
			if x != y {
				t.Fatalf("%s: part %d differs under the same seed", p.ID, x.Index)
			}
			if ra, rb := a.Read(x), b.Read(y); ra != rb {
				t.Fatalf("%s: reading %d differs under the same seed", p.ID, x.Index)
			}
			differ = differ || x.True != z.True
		}
		if !differ {
			t.Errorf("%s: another seed gives the same parts", p.ID)
		}
	}
}

// Another policy on the same seed meets the same plant: the true size differs by the command alone,
// also when one of the two gauges parts again and again.
func TestPolicyMovesNothingElse(t *testing.T) {
	p := scenario(t, "S10")
	p.OutlierStick = 0 // asking again takes a stuck chip away, which is what asking is for
	a, b := New(p, 11), New(p, 11)
	for k := range 1200 {
		command := math.Sin(float64(k)) * 5
		x, y := a.Cut(0), b.Cut(command)
		near(t, "true size", y.True, x.True+0.85*command, 1e-9)
		ra, rb := a.Read(x), b.Read(y)
		near(t, "reading", rb.Value-y.True, ra.Value-x.True, 1e-9)
		for range k % 3 {
			b.ReadAgain(y)
		}
	}
}

func TestWearCurve(t *testing.T) {
	p := quiet(scenario(t, "S5"))
	l := New(p, 1)
	for k := range 150 {
		part := l.Cut(0)
		a := float64(k)
		want := -0.08*a - 5*(1-math.Exp(-a/6))
		if a > 130 {
			want += -8 * (a - 130) / 20 * (a - 130) / 20
		}
		near(t, "worn size", part.True, want, 1e-9)
		if part.NewTool != (k == 0) {
			t.Fatalf("new tool at part %d", k)
		}
	}
	part := l.Cut(0)
	if !part.NewTool || !part.Reported || part.Age != 0 || part.Tool != 1 {
		t.Errorf("after a life of 150 parts: %+v, want a reported new tool", part)
	}
	near(t, "size of the new tool", part.True, 0, 1e-9)
}

func TestHeatAndStops(t *testing.T) {
	p := quiet(scenario(t, "S4"))
	p.WearRate = 0
	l := New(p, 1)
	near(t, "cold start", l.Cut(0).True, 14, 1e-9)
	for range 99 {
		l.Cut(0)
	}
	last := 14 * math.Exp(-150.0/25)
	l.Stop(40)
	part := l.Cut(0)
	near(t, "stop", part.StopMinutes, 40, 0)
	near(t, "minutes", part.Minute, 101*1.5+40, 1e-9)
	near(t, "after 40 min of cooling", part.True, 14*(1-(1-last/14)*math.Exp(-1)), 1e-9)
	near(t, "one part later", l.Cut(0).True, part.True*math.Exp(-1.5/25), 1e-9)
}

func TestAwaitTellsWhatCutMakes(t *testing.T) {
	a, b := New(scenario(t, "S4"), 2), New(scenario(t, "S4"), 2)
	for k := range 700 {
		coming := a.Await()
		if k%3 == 0 && a.Await() != coming {
			t.Fatalf("asking twice tells two things before part %d", k)
		}
		part := a.Cut(4)
		if part != b.Cut(4) {
			t.Fatalf("asking changed part %d", k)
		}
		coming.Command, coming.True = part.Command, part.True
		if coming != part {
			t.Fatalf("told %+v, made %+v", coming, part)
		}
	}
}

func TestStopsAndChangesComeAsOftenAsTheyShould(t *testing.T) {
	p := scenario(t, "S10")
	stops, changes, longest, shortest := 0, 0, 0.0, math.Inf(1)
	const n = 120000
	l := New(p, 5)
	for range n {
		part := l.Cut(0)
		if part.StopMinutes > 0 {
			stops++
			longest, shortest = max(longest, part.StopMinutes), min(shortest, part.StopMinutes)
		}
		if part.NewTool && part.Index > 0 {
			changes++
			if part.Reported {
				t.Fatal("an unreported change was reported")
			}
		}
	}
	near(t, "parts between stops", n/float64(stops), 120, 12)
	near(t, "parts between changes", n/float64(changes), 150, 16)
	if shortest < 10 || longest > 60 || longest < 55 || shortest > 15 {
		t.Errorf("stops of %g to %g min, want 10 to 60", shortest, longest)
	}
}

func TestScatter(t *testing.T) {
	p := scenario(t, "S1")
	var setup, process, gauge, walk, spread moments
	for seed := range uint64(2000) {
		q := p
		q.SigmaProcess, q.Walk = 0, 0
		l := New(q, seed)
		setup.add(l.Cut(0).True)
		q = quiet(p)
		q.ToolSpread = p.ToolSpread
		l = New(q, seed)
		l.Cut(0)
		spread.add(l.Cut(0).True / p.WearRate)
		q = quiet(p)
		q.SigmaProcess, q.SigmaGauge, q.WearRate = p.SigmaProcess, p.SigmaGauge, 0
		l = New(q, seed)
		part := l.Cut(0)
		process.add(part.True)
		gauge.add(l.Read(part).Value - part.True)
		gauge.add(l.ReadAgain(part).Value - part.True)
		q = quiet(p)
		q.Walk, q.WearRate = p.Walk, 0
		l = New(q, seed)
		for range 99 {
			l.Cut(0)
		}
		walk.add(l.Cut(0).True)
	}
	near(t, "σ of set-ups", setup.sigma(), 6, 0.3)
	near(t, "σ of the process", process.sigma(), 1.2, 0.06)
	near(t, "σ of the gauge", gauge.sigma(), 0.9, 0.04)
	near(t, "walk over 100 parts", walk.sigma(), 1, 0.05)
	near(t, "wear of a tool", spread.mean(), 1, 0.02)
	near(t, "spread of wear", spread.sigma(), 0.2, 0.01)
}

type moments struct{ n, sum, squares float64 }

func (m *moments) add(x float64) { m.n++; m.sum += x; m.squares += x * x }

func (m *moments) mean() float64 { return m.sum / m.n }

func (m *moments) sigma() float64 { return math.Sqrt(m.squares/m.n - m.mean()*m.mean()) }

func TestThingsUnderTheAnvil(t *testing.T) {
	p := scenario(t, "S7")
	l := New(p, 3)
	hits, stuck, readings := 0, 0, 0
	was := false
	for range 100000 {
		part := l.Cut(0)
		r := l.Read(part)
		readings++
		if r.Outlier {
			if r.Value-part.True > -10 {
				t.Fatalf("an outlier of %g, want below −15 and a little scatter", r.Value-part.True)
			}
			if was {
				stuck++
			} else {
				hits++
			}
		}
		was = r.Outlier
	}
	near(t, "share of readings", float64(hits)/float64(readings), 0.01, 0.001)
	near(t, "share that sticks", float64(stuck)/float64(hits), 0.3, 0.06)
}

func TestDroppedOnRequest(t *testing.T) {
	l := New(quiet(scenario(t, "S1")), 1)
	part := l.Cut(0)
	l.Drop(25)
	near(t, "reading over a chip", l.Read(part).Value, 25, 1e-9)
	near(t, "reading again", l.ReadAgain(part).Value, 0, 1e-9)
	l.ChangeTool(false)
	if next := l.Cut(0); !next.NewTool || next.Reported {
		t.Errorf("after an unreported change: %+v", next)
	}
}

func TestGaugeZero(t *testing.T) {
	p := quiet(scenario(t, "S9"))
	p.ZeroWalk, p.WearRate = 0.25, 0
	l := New(p, 9)
	var before float64
	settings := 0
	for k := range 601 {
		part := l.Cut(0)
		r := l.Read(part)
		if r.Set {
			settings++
			if k%60 != 0 {
				t.Errorf("set at part %d, want each 60", k)
			}
			near(t, "zero after a setting without scatter", r.Value-part.True, 0, 1e-9)
			near(t, "as found against the last reading", r.AsFound, before, 1.5)
		}
		before = r.Value - part.True
	}
	if settings != 10 {
		t.Errorf("%d settings in 601 parts, want 10", settings)
	}
	l.SetGauge()
	if r := l.Read(l.Cut(0)); !r.Set {
		t.Error("a setting on request did not happen")
	}
}

func TestRedraw(t *testing.T) {
	p := scenario(t, "S10")
	var logs, effects moments
	r := rand.New(rand.NewPCG(1, 2))
	for range 4000 {
		q := p.Redraw(r)
		logs.add(math.Log(q.SigmaGauge / p.SigmaGauge))
		effects.add(q.EffectRatio / p.EffectRatio)
		if math.Abs(q.EffectRatio/p.EffectRatio-1) > 0.15 {
			t.Fatalf("effect ratio moved by %g", q.EffectRatio/p.EffectRatio)
		}
		if q.HalfTolerance != p.HalfTolerance || q.Step != p.Step || q.InTransit != p.InTransit || q.RunIn != 0 {
			t.Fatal("redraw moved what is fixed")
		}
	}
	near(t, "mean of logs", logs.mean(), 0, 0.02)
	near(t, "σ of logs", logs.sigma(), 0.3, 0.02)
	near(t, "mean effect", effects.mean(), 1, 0.01)
	a := p.Redraw(rand.New(rand.NewPCG(3, 4)))
	if b := p.Redraw(rand.New(rand.NewPCG(3, 4))); a != b {
		t.Error("the same draw gives two processes")
	}
}

func TestRunsAreUnlike(t *testing.T) {
	p := quiet(scenario(t, "S4"))
	p.WearRate, p.ColdSpread = 0, 0.25
	var first, second moments
	for seed := range uint64(3000) {
		l := New(p, seed)
		first.add(l.Cut(0).True)
		l.Stop(1e6)
		second.add(l.Cut(0).True)
	}
	near(t, "mean of first runs", first.mean(), 14, 0.2)
	near(t, "spread of first runs", first.sigma(), 3.5, 0.15)
	near(t, "spread after a stop", second.sigma(), 3.5, 0.15)
	both := moments{}
	for seed := range uint64(500) {
		l := New(p, seed)
		a := l.Cut(0).True
		l.Stop(1e6)
		both.add(l.Cut(0).True - a)
	}
	near(t, "difference of two runs", both.sigma(), 3.5*math.Sqrt2, 0.4)
}

// A part's further readings are its own: how often other parts were read again changes nothing.
func TestReadingsAgainBelongToTheirPart(t *testing.T) {
	p := scenario(t, "S1")
	a, b := New(p, 4), New(p, 4)
	for k := range 50 {
		x, y := a.Cut(0), b.Cut(0)
		a.Read(x)
		b.Read(y)
		if k < 49 {
			b.ReadAgain(y)
			b.ReadAgain(y)
			continue
		}
		first := a.ReadAgain(x)
		if first != b.ReadAgain(y) {
			t.Error("readings again of other parts changed this part's")
		}
		if first == a.ReadAgain(x) {
			t.Error("two further readings are the same")
		}
	}
}

func TestZeroWalksByParts(t *testing.T) {
	p := quiet(scenario(t, "S9"))
	p.ZeroWalk, p.WearRate, p.SettingEvery = 0.25, 0, 0
	var each, fourth moments
	for seed := range uint64(1500) {
		l, m := New(p, seed), New(p, seed+5000)
		var x, y Reading
		for k := range 65 {
			x = l.Read(l.Cut(0))
			if part := m.Cut(0); k%4 == 0 {
				y = m.Read(part)
			}
		}
		each.add(x.Value)
		fourth.add(y.Value)
	}
	near(t, "zero after 64 parts", each.sigma(), 2, 0.12)
	near(t, "zero after 64 parts, each fourth read", fourth.sigma(), 2, 0.12)
}
