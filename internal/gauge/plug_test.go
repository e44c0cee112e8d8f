package gauge

import (
	"testing"

	"pgregory.net/rapid"

	"offsetbridge/internal/length"
)

// A GO plug is refused at a pitch diameter 14 µm inside the limit: the form takes
// at least that, and the middle of what is left lies 7 µm higher.
func TestAGORefusalTeachesTheForm(t *testing.T) {
	limits := length.Range{Low: 15*mm + 26*um, High: 15*mm + 216*um}
	v := Virtual{}.Learn(15*mm+40*um, limits, true, false)
	if v.Least != 14*um || v.Denied != 1 {
		t.Fatalf("learned %+v", v)
	}
	if aim, ok := v.Aim(limits, true); !ok || aim != 15*mm+128*um {
		t.Errorf("aim %s", aim)
	}
	v = v.Learn(15*mm+36*um, limits, true, false) // nearer: nothing new
	v = v.Learn(15*mm+60*um, limits, true, true)
	v = v.Learn(15*mm+90*um, limits, true, true)
	if v.Least != 14*um || v.Most == nil || *v.Most != 34*um || v.Seen != 4 || v.Denied != 2 {
		t.Errorf("learned %+v", v)
	}
	if w := v.Learn(15*mm+26*um-1, limits, true, false); w.Seen != 4 || w.Least != 14*um {
		t.Errorf("a refusal outside the limits taught %+v", w)
	}
}

func TestAnExternalThreadIsMirrored(t *testing.T) {
	limits := length.Range{Low: 15 * mm, High: 15*mm + 100*um}
	v := Virtual{}.Learn(15*mm+80*um, limits, false, false)
	if aim, ok := v.Aim(limits, false); !ok || v.Least != 20*um || aim != 15*mm+40*um {
		t.Errorf("learned %+v, aim %s", v, aim)
	}
}

// The aim stays inside the limits, never moves towards the maximum-material
// limit, and there is none when the form takes the whole tolerance.
func TestTheAdvisedAim(t *testing.T) {
	limits := length.Range{Low: 15 * mm, High: 15*mm + 100*um}
	rapid.Check(t, func(t *rapid.T) {
		internal := rapid.Bool().Draw(t, "internal")
		v, before := Virtual{}, limits.Middle()
		for range rapid.IntRange(0, 9).Draw(t, "plugs") {
			size := limits.Low + length.Length(rapid.IntRange(-20_000, 120_000).Draw(t, "at"))
			v = v.Learn(size, limits, internal, rapid.Bool().Draw(t, "enters"))
			aim, ok := v.Aim(limits, internal)
			if ok != (v.Least < limits.Width()) {
				t.Fatalf("%+v has an aim: %v", v, ok)
			}
			if !ok {
				return
			}
			if !limits.Contains(aim) || internal && aim < before || !internal && aim > before {
				t.Fatalf("%+v moves the aim from %s to %s", v, before, aim)
			}
			before = aim
		}
	})
}
