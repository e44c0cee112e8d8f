package core

import (
	"bytes"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func plantStep(p *Plant, f Fact) []Event { return p.Step(Input{Fact: f}) }

func TestPlantHoldsAndResumes(t *testing.T) {
	var p Plant
	viewer := Person{Principal: "vera", Role: Viewer}
	decline := func(f Fact, want Code) {
		t.Helper()
		if d := one[Declined](t, plantStep(&p, f)); d.Cause != want {
			t.Fatalf("declined with %q, want %q", d.Cause, want)
		}
	}
	decline(Hold{Who: viewer}, declineRole)
	decline(Resume{Note: "ok", Who: operator}, declineNotHeld)
	one[Held](t, plantStep(&p, Hold{Note: "smoke", Who: operator}))
	decline(Hold{Who: operator}, declineHeldAlready)
	decline(Resume{Note: "ok", Who: viewer}, declineRole)
	decline(Resume{Who: operator}, declineReason)
	if len(p.Holds) != 1 {
		t.Fatal("the hold is gone")
	}
	one[Resumed](t, plantStep(&p, Resume{Note: "ok", Who: operator}))
	if len(p.Holds) != 0 {
		t.Fatal("still on hold")
	}
}

func TestPlantKeepsWhatNobodyCouldPlace(t *testing.T) {
	var p Plant
	big := Rejected{Topic: strings.Repeat("t", 5000), Payload: make([]byte, 100_000), Size: 100_000, Code: "json", Why: strings.Repeat("w", 5000)}
	if e := one[Rejected](t, plantStep(&p, big)); len(e.Payload) != maxPayload || e.Size != 100_000 || len(Encode(e)) > 2000 {
		t.Fatalf("kept %d bytes of %d, %d in the journal", len(e.Payload), e.Size, len(Encode(e)))
	}
	for range 2 * maxTray {
		plantStep(&p, Unplaced{Reading: Reading{Part: strings.Repeat("p", 5000)}, Code: "nowhere"})
	}
	if p.Rejected != 1 || len(p.Tray) != maxTray || len(p.Tray[0].Reading.Part) > maxText {
		t.Fatalf("%d rejected, %d in the tray", p.Rejected, len(p.Tray))
	}
	if n := len(plantStep(&p, Loaded{Digest: "a"})) + len(plantStep(&p, Loaded{Digest: "a"})); n != 1 {
		t.Fatalf("the same configuration twice gave %d events", n)
	}
	if n := len(plantStep(&p, Broker{Up: true})) + len(plantStep(&p, Broker{Up: true})); n != 1 {
		t.Fatalf("the same news of the broker twice gave %d events", n)
	}
}

func TestPlantFolds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var live, folded Plant
		for range rapid.IntRange(1, 30).Draw(t, "inputs") {
			text := rapid.String().Draw(t, "text")
			facts := []Fact{
				Started{Version: text, Epoch: 3}, Loaded{Digest: text}, Rejected{Topic: text, Payload: []byte(text)},
				Unplaced{Machine: text + "\xff"}, Broker{Up: len(text)%2 == 0}, Hold{Note: text, Who: operator}, Resume{Note: text, Who: operator}, Tick{},
			}
			for _, e := range plantStep(&live, facts[rapid.IntRange(0, len(facts)-1).Draw(t, "fact")]) {
				d, err := Decode(e.Kind(), Encode(e))
				if err != nil {
					t.Fatal(err)
				}
				folded.Apply(d)
			}
		}
		if a, b := asJSON(t, &live), asJSON(t, &folded); !bytes.Equal(a, b) {
			t.Fatalf("live %s\nfolded %s", a, b)
		}
	})
}
