package account

import (
	"strings"
	"testing"

	"offsetbridge/internal/core"
)

func TestATokenLetsInWhoHasIt(t *testing.T) {
	one, hashOne := NewToken()
	two, hashTwo := NewToken()
	if one == two || len(one) < 43 || strings.Contains(hashOne, one) {
		t.Fatalf("tokens %q and %q, hash %q", one, two, hashOne)
	}
	h := New(Options{Tokens: []Token{{Name: "line-host", Role: core.Operator, Hash: hashOne}, {Name: "panel", Role: core.Viewer, Hash: hashTwo}}})
	for secret, want := range map[string]string{one: "line-host", two: "panel", "": "", one + "x": "", hashOne: "", strings.Repeat("a", 1<<20): ""} {
		got, ok := h.Token(secret)
		if got.Name != want || ok != (want != "") || got.Hash != "" {
			t.Errorf("token of %d characters: %+v %v, want %q", len(secret), got, ok, want)
		}
	}
	if _, ok := New(Options{}).Token(one); ok {
		t.Error("a house without tokens lets one in")
	}
}

func TestAHashOfATokenIsChecked(t *testing.T) {
	_, good := NewToken()
	if err := CheckToken(good); err != nil {
		t.Error(err)
	}
	for _, bad := range []string{"", "sha256:", good[7:], good + "0", strings.ToUpper(good), "sha256:" + strings.Repeat("z", 64)} {
		if CheckToken(bad) == nil {
			t.Errorf("%q is taken for a hash", bad)
		}
	}
}
