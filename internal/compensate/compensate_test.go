package compensate

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

const um = length.Micrometre

func TestTarget(t *testing.T) {
	cases := []struct {
		drift  length.Length
		effect int32
		want   length.Length
	}{
		{20 * um, 1000, -20 * um},
		{20 * um, -1000, 20 * um},
		{20 * um, -2000, 10 * um}, // a bore 20 µm too large by itself: the radius register 10 µm more
		{-20 * um, 2000, 10 * um},
		{0, -2000, 0},
		{1, -2000, 1}, // half a nanometre goes away from zero
		{1, 2000, -1},
		{1, 3000, 0},
		{2, 3000, -1},
		{length.Max, 1, -1000 * length.Max},
	}
	for _, c := range cases {
		if got := Target(c.drift, c.effect); got != c.want {
			t.Errorf("Target(%d, %d) = %d, want %d", c.drift, c.effect, got, c.want)
		}
	}
}

// The target is −drift ÷ effect to the nearest nanometre, by rational arithmetic.
func TestTargetIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		drift := rapid.Int64Range(-int64(length.Max), int64(length.Max)).Draw(t, "drift")
		effect := rapid.Int32Range(-5000, 5000).Filter(func(e int32) bool { return e != 0 }).Draw(t, "effect")
		got := new(big.Rat).SetInt64(int64(Target(length.Length(drift), effect)))
		want := new(big.Rat).Quo(new(big.Rat).SetInt64(-drift), big.NewRat(int64(effect), 1000))
		off := new(big.Rat).Sub(got, want)
		if off.Abs(off).Cmp(big.NewRat(1, 2)) > 0 {
			t.Fatalf("%s for %s", got, want)
		}
	})
}

// Target and rounding together: what is written is at most half a register step
// from what was wanted, and never moves a register that is as near already.
func TestRoundedTargetIsWithinHalfAStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		drift := length.Length(rapid.Int64Range(-1e9, 1e9).Draw(t, "drift"))
		effect := rapid.SampledFrom([]int32{-2000, -1000, -500, 500, 1000, 2000}).Draw(t, "effect")
		step := length.Length(rapid.SampledFrom([]int64{1, 100, 1000, 2540, 10_000}).Draw(t, "step"))
		now := step * length.Length(rapid.Int64Range(-1000, 1000).Draw(t, "now"))
		want := Target(drift, effect)
		got := length.Round(want, now, step)
		if got%step != 0 || 2*(got-want).Abs() > step {
			t.Fatalf("%d for %d in steps of %d", got, want, step)
		}
		if got != now && (now-want).Abs() <= (got-want).Abs() {
			t.Fatalf("moved from %d to %d for %d", now, got, want)
		}
	})
}

func TestBand(t *testing.T) {
	cases := []struct {
		configured, step length.Length
		effect           int32
		noise            length.Length
		k                float64
		want             length.Length
	}{
		{3 * um, um, -2000, um, 0.5, 3 * um},
		{um, um, -2000, um, 0.5, 2 * um}, // one register step is 2 µm of size
		{0, um, 500, um, 0.5, um / 2},
		{um, um, 1000, 4 * um, 1.5, 6 * um},
		{0, 0, 1000, 0, 1.5, 0},
	}
	for _, c := range cases {
		if got := Band(c.configured, c.step, c.effect, c.noise, c.k); got != c.want {
			t.Errorf("Band(%v) = %v", c, got)
		}
	}
}

func respond(ratio float64, moves int, size length.Length) Response {
	var r Response
	for i := range moves {
		u := size
		if i%2 == 1 {
			u = -u
		}
		r.Add(u, length.Length(math.Round(ratio*float64(u))), um*3/2)
	}
	return r
}

func TestResponse(t *testing.T) {
	cases := []struct {
		name             string
		ratio            float64
		moves            int
		size             length.Length
		proven, contrary bool
	}{
		{"nothing was moved", 1, 0, 8 * um, false, false},
		{"one clear move", 1, 1, 8 * um, true, false},
		{"one move in the noise", 1, 1, 2 * um, false, false},
		{"many moves in the noise", 1, 12, 2 * um, true, false},
		{"the wrong sign, once", -1, 1, 8 * um, false, false}, // one may be a chip
		{"the wrong sign, twice", -1, 2, 8 * um, false, true},
		{"no answer at all", 0, 4, 8 * um, false, true},
		{"no answer, in the noise", 0, 4, 2 * um, false, false},
		{"half of it: a radius taken for a diameter", 0.5, 40, 8 * um, true, false},
		{"twice as much", 2, 8, 8 * um, true, true},
		{"a quarter more", 1.25, 40, 8 * um, true, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			r := respond(c.ratio, c.moves, c.size)
			if got := r.Proven(); got != c.proven {
				t.Errorf("proven %v", got)
			}
			if got := r.Contrary(); got != c.contrary {
				t.Errorf("contrary %v", got)
			}
			ratio, se := r.Ratio()
			want := 1.5 / (c.size.Micrometres() * math.Sqrt(float64(c.moves)))
			if c.moves > 0 && (math.Abs(ratio-c.ratio) > 1e-9 || math.Abs(se-want) > 1e-9) {
				t.Errorf("ratio %v ± %v, want ± %v", ratio, se, want)
			}
		})
	}
}

// Evidence is never both for the direction and against any response.
func TestProvenAgainstTheSignIsImpossible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r Response
		for range rapid.IntRange(0, 20).Draw(t, "moves") {
			r.Add(um*length.Length(rapid.IntRange(-20, 20).Draw(t, "asked")), um*length.Length(rapid.IntRange(-40, 40).Draw(t, "seen")), um*length.Length(rapid.IntRange(0, 9).Draw(t, "sigma")))
		}
		if ratio, _ := r.Ratio(); r.Proven() && ratio <= 0.2 {
			t.Fatalf("ratio %v is proven", ratio)
		}
	})
}
