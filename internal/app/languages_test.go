package app

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"offsetbridge/config"
	"offsetbridge/internal/core"
)

// Every code that this program can record has a sentence in every language of the
// page, and no sentence is of a code that it cannot.
func TestEveryLanguageHasEveryCode(t *testing.T) {
	const own = "../web/static"
	body, err := os.ReadFile(own + "/de.json")
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
	if err := readsOf(config.Page{Texts: own}).Check(); err != nil {
		t.Error(err)
	}
}

// A configuration whose texts the page could not show is refused before it runs.
func TestTextsAreCheckedBeforeTheyAreShown(t *testing.T) {
	dir := t.TempDir()
	for body, want := range map[string]string{
		`{"queue":"File","code.b-lost":"perdu"}`: "",
		`{"code.b-gone":"perdu"}`:                `"code.b-gone"`,
		`{"queeu":"File"}`:                       `"queeu"`,
	} {
		if err := os.WriteFile(filepath.Join(dir, "fr.json"), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
		err := CheckFiles(&config.Config{Page: config.Page{Texts: dir, Language: "fr"}})
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", body, err)
		}
	}
	if err := CheckFiles(&config.Config{Page: config.Page{Language: "nl"}}); err == nil || !strings.Contains(err.Error(), `"nl"`) {
		t.Errorf("a language without texts: %v", err)
	}
}
