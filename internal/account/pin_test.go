package account

import (
	"errors"
	"strings"
	"testing"
)

func TestAPINThatAnybodyWouldTryIsRefused(t *testing.T) {
	for _, pin := range []string{"", "12345", "123456", "654321", "000000", "7777777", "890123", "098765", "short", "ninechars", strings.Repeat("x", 65)} {
		if err := CheckPIN(pin); !errors.Is(err, ErrPIN) {
			t.Errorf("CheckPIN(%q) = %v, want ErrPIN", pin, err)
		}
		if _, err := HashPIN(pin); !errors.Is(err, ErrPIN) {
			t.Errorf("HashPIN(%q) = %v, want ErrPIN", pin, err)
		}
	}
	for _, pin := range []string{"274916", "100200", "a longer one"} {
		if err := CheckPIN(pin); err != nil {
			t.Errorf("CheckPIN(%q) = %v", pin, err)
		}
	}
}

func TestAHashFitsItsPINAloneAndIsSalted(t *testing.T) {
	one, err := HashPIN("274916")
	if err != nil {
		t.Fatal(err)
	}
	two, err := HashPIN("274916")
	if err != nil {
		t.Fatal(err)
	}
	if one == two {
		t.Error("two hashes of one PIN are equal, so they have no salt")
	}
	if err := CheckHash(one); err != nil {
		t.Error(err)
	}
	if !MatchPIN(one, "274916") || !MatchPIN(two, "274916") {
		t.Error("the right PIN does not match")
	}
	for _, wrong := range []string{"274917", "", "27491", "274916 ", strings.Repeat("2", 100)} {
		if MatchPIN(one, wrong) {
			t.Errorf("PIN %q matches a hash of another", wrong)
		}
	}
}

// The cost stands in the text: one that could stop the program is refused
// before anything is computed.
func TestAHashThatIsNoneIsRefused(t *testing.T) {
	good := "$argon2id$v=19$m=65536,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
	if err := CheckHash(good); err != nil {
		t.Fatal(err)
	}
	for _, change := range [][2]string{
		{"argon2id", "argon2i"}, {"v=19", "v=16"}, {"m=65536", "m=4194304"}, {"m=65536", "m=16"}, {"t=2", "t=200"}, {"t=2", "t=0"},
		{"p=1", "p=0"}, {"p=1", "p=9"}, {"p=1", "p=1,x=1"}, {"m=65536", "m=065536"}, {"$AAAAAAAAAAAAAAAAAAAAAA$", "$AAAA$"}, {"$AAAAAAAAAAAAAAAAAAAAAA$", "$!$"},
		{"AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", "AAAA"}, {"$argon2id", "argon2id"},
	} {
		bad := strings.Replace(good, change[0], change[1], 1)
		if err := CheckHash(bad); !errors.Is(err, ErrHash) {
			t.Errorf("CheckHash(%q) = %v, want ErrHash", bad, err)
		}
		if MatchPIN(bad, "274916") {
			t.Errorf("MatchPIN accepts %q", bad)
		}
	}
	if err := CheckHash(""); !errors.Is(err, ErrHash) {
		t.Errorf("an empty hash: %v", err)
	}
	if err := CheckHash(good + strings.Repeat("A", 500)); !errors.Is(err, ErrHash) {
		t.Errorf("a long hash: %v", err)
	}
}
