package core

import (
	"testing"

	"offsetbridge/internal/length"
)

// GO refused 14 µm inside the limit: recorded, the form is learned, a moved aim is
// advised; limits, aim and register stay.
func TestAGORefusalIsAdvice(t *testing.T) {
	c := cellWith(t, mode(Auto))
	before := *c.s.Ledger.Settings.Loop("bore")
	low := before.Characteristics[0].Limits.Low
	size := func(off length.Length) *length.Length { v := low + off; return &v }
	plug := func(name string, enters bool, at *length.Length) Plugged {
		t.Helper()
		out := c.send(Plug{Characteristic: "bore", Part: "101", Plug: name, Enters: enters, Size: at, Who: operator})
		e := only[Plugged](out)
		if len(out) != 1 || len(e) != 1 {
			t.Fatalf("caused %+v", out)
		}
		return e[0]
	}
	if e := plug(PlugGO, true, size(20*um)); e.Aim != nil || e.Advice != "" || e.Learned == nil {
		t.Errorf("entered: %+v", e)
	}
	e := plug(PlugGO, false, size(14*um))
	if e.Advice != adviceAim || e.Aim == nil || *e.Aim != before.Characteristics[0].Limits.Middle()+7*um || e.Learned.Least != 14*um {
		t.Errorf("refused: %+v", e)
	}
	if e := plug(PlugGO, false, nil); e.Advice != "" || e.Learned != nil || e.Aim != nil {
		t.Errorf("refused on a part that was not measured: %+v", e)
	}
	if e := plug(PlugGO, false, size(-um)); e.Learned.Least != 14*um {
		t.Errorf("refused outside the limits: %+v", e)
	}
	if e := plug(PlugNOGO, true, size(50*um)); e.Advice != adviceScrap || e.Learned != nil {
		t.Errorf("NO-GO entered: %+v", e)
	}
	if e := plug(PlugNOGO, false, size(50*um)); e.Advice != "" {
		t.Errorf("NO-GO refused, as it should: %+v", e)
	}
	if e := plug(PlugGO, false, size(100*um)); e.Advice != adviceNone || e.Aim != nil {
		t.Errorf("nothing of the tolerance left: %+v", e)
	}
	if got := c.s.Ledger.Settings.Digest("bore"); got != c.s.loopBook("bore").Digest || len(c.intents) > 0 {
		t.Error("a GO result moved something")
	}
	if got := c.s.Ledger.Settings.Loop("bore").Characteristics[0]; got.Limits != before.Characteristics[0].Limits || got.Aim != before.Characteristics[0].Aim {
		t.Errorf("limits or aim moved: %+v", got)
	}
}

// An aim that already lies further on is not called back.
func TestAnAimIsOnlyMovedAway(t *testing.T) {
	c := cellWith(t, func(s *Settings) { s.Loops[0].Characteristics[0].Aim += 10 * um })
	v := c.s.Ledger.Settings.Loop("bore").Characteristics[0].Limits.Low + 14*um
	if e := only[Plugged](c.send(Plug{Characteristic: "bore", Part: "101", Plug: PlugGO, Size: &v, Who: operator}))[0]; e.Aim != nil || e.Advice != "" {
		t.Errorf("advised %+v", e)
	}
}

func TestPlugsThatAreRefused(t *testing.T) {
	c := cellWith(t, nil)
	for want, f := range map[Code]Plug{
		declineRole:          {Characteristic: "bore", Part: "1", Plug: PlugGO, Who: Person{Role: Viewer}},
		codeNoCharacteristic: {Characteristic: "else", Part: "1", Plug: PlugGO, Who: operator},
		codeNoPart:           {Characteristic: "bore", Plug: PlugGO, Who: operator},
	} {
		if d := only[Declined](c.send(f)); len(d) != 1 || d[0].Cause != want {
			t.Errorf("%+v: %+v", f, d)
		}
	}
	if d := only[Declined](c.send(Plug{Characteristic: "bore", Part: "1", Plug: "MAYBE", Who: operator})); len(d) != 1 {
		t.Errorf("an unknown plug: %+v", d)
	}
	for _, code := range []Code{adviceAim, adviceNone, adviceScrap} {
		if code.Words() == string(code) {
			t.Errorf("%q has no words", code)
		}
	}
}
