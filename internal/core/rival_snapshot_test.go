package core

import (
	"encoding/json"
	"testing"
)

// No rival left and no rival ever are two things: a state that went through a
// snapshot goes on as one that did not.
func TestRivalsThatAllFellBehindSurviveASnapshot(t *testing.T) {
	for _, e := range []Estimate{{Rivals: []Rival{}}, {}} {
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		var back Estimate
		if err := json.Unmarshal(b, &back); err != nil {
			t.Fatal(err)
		}
		if (back.Rivals == nil) != (e.Rivals == nil) {
			t.Fatalf("%s came back as %v", b, back.Rivals)
		}
	}
}
