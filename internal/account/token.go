package account

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"offsetbridge/internal/core"
)

// Token lets one integration in: a program, never a person.
type Token struct {
	Name string // what the record holds
	Role core.Role
	Hash string // "sha256:" and 64 hexadecimal digits, see NewToken
}

// ErrToken is wrapped by the errors for a token's hash that cannot be used.
var ErrToken = errors.New("not the hash of a token")

const (
	tokenLead = "sha256:"
	mostToken = 128
)

// NewToken returns a new token of 256 random bits, and its hash for the
// configuration. Nobody can guess so many, so that a quick hash without salt
// will do and a flood of wrong ones costs nothing.
func NewToken() (secret, hash string) {
	secret = token()
	return secret, hashToken(secret)
}

func hashToken(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return tokenLead + hex.EncodeToString(sum[:])
}

// CheckToken says what is wrong with the text of a token's hash, nil when it can
// be used.
func CheckToken(hash string) error {
	digits, ok := strings.CutPrefix(hash, tokenLead)
	if b, err := hex.DecodeString(digits); !ok || err != nil || len(b) != sha256.Size || digits != strings.ToLower(digits) {
		return fmt.Errorf("%w: it does not read sha256:… with 64 digits, make one with `offsetbridge account token`", ErrToken)
	}
	return nil
}

// Token returns the integration that a token belongs to. It takes the same time
// whichever it is.
func (h *House) Token(secret string) (Token, bool) {
	if secret == "" || len(secret) > mostToken {
		return Token{}, false
	}
	hash := []byte(hashToken(secret))
	found := -1
	for i := range h.o.Tokens {
		if subtle.ConstantTimeCompare(hash, []byte(h.o.Tokens[i].Hash)) == 1 {
			found = i
		}
	}
	if found < 0 {
		return Token{}, false
	}
	t := h.o.Tokens[found]
	t.Hash = ""
	return t, true
}
