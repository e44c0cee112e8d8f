package core

import (
	"testing"

	"offsetbridge/internal/gauge"
	"offsetbridge/internal/length"
)

func TestSpringPass(t *testing.T) {
	whole := func(top, bottom length.Length) *Whole {
		z, err := gauge.Combine([]gauge.Depth{{At: 2 * length.Millimetre, Size: top}, {At: 20 * length.Millimetre, Size: bottom}})
		if err != nil {
			t.Fatal(err)
		}
		return &Whole{Sizes: z}
	}
	const mm = length.Millimetre
	want := "spring pass, not an offset: the bottom is 0.0110 mm smaller than the top, more than a third of the tolerance (0.0300 mm ÷ 3 = 0.0100 mm), as when the cutter is pushed away (common practice)"
	if got := whole(25*mm, 25*mm-11*um).SpringPass(true, 30*um); got != want {
		t.Errorf("got %q", got)
	}
	for name, got := range map[string]string{
		"a third exactly":     whole(25*mm, 25*mm-10*um).SpringPass(true, 30*um),
		"wide at the bottom":  whole(25*mm, 25*mm+20*um).SpringPass(true, 30*um),
		"an external feature": whole(25*mm, 25*mm-20*um).SpringPass(false, 30*um),
		"a reading by itself": (*Whole)(nil).SpringPass(true, 30*um),
		"no limits to go by":  whole(25*mm, 25*mm-20*um).SpringPass(true, 0),
	} {
		if got != "" {
			t.Errorf("%s: %q", name, got)
		}
	}
	ch := &settings().Loops[0].Characteristics[0] // T is 100 µm
	m := &Measured{Whole: whole(25*mm, 25*mm-40*um)}
	set := settings()
	found := false
	for _, s := range set.MeasurementView(m, ch).How {
		found = found || s == m.Whole.SpringPass(true, ch.Tolerance())
	}
	if !found || m.Whole.SpringPass(true, ch.Tolerance()) == "" {
		t.Error("the measurement does not say it")
	}
}
