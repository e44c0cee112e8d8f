package app

import (
	"encoding/json"
	"os"
	"testing"

	"offsetbridge/internal/core"
)

// Every code that this program can record has a sentence in every language of the
// page.
func TestEveryLanguageHasEveryCode(t *testing.T) {
	body, err := os.ReadFile("../web/static/de.json")
	if err != nil {
		t.Fatal(err)
	}
	var de map[string]any
	if err := json.Unmarshal(body, &de); err != nil {
		t.Fatal(err)
	}
	for _, c := range core.Codes() {
		if de["code."+string(c)] == nil {
			t.Errorf("German has no sentence for %q: %s", c, c.Words())
		}
	}
}
