package account

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Cost of one hash: argon2id (RFC 9106) over 64 MiB takes about a tenth of a
// second of one core.
const (
	hashMemory = 64 << 10 // KiB
	hashPasses = 2
	hashLanes  = 1
	saltBytes  = 16
	keyBytes   = 32
)

// What a hash in a configuration may cost, so that a file cannot stop the program.
const (
	mostMemory = 256 << 10 // KiB
	mostPasses = 10
	mostLanes  = 4
)

// Bounds of a PIN, in bytes. One of digits alone has at least 6, any other at
// least 10.
const (
	leastDigits = 6
	leastOther  = 10
	mostPIN     = 64
)

// ErrPIN is wrapped by the errors for a PIN that is too easy.
var ErrPIN = errors.New("not a good PIN")

// CheckPIN says why nobody should have this PIN, nil when it will do.
func CheckPIN(pin string) error {
	digits := strings.Trim(pin, "0123456789") == ""
	switch {
	case len(pin) > mostPIN:
		return fmt.Errorf("%w: it is longer than %d characters", ErrPIN, mostPIN)
	case digits && len(pin) < leastDigits:
		return fmt.Errorf("%w: choose at least %d digits", ErrPIN, leastDigits)
	case !digits && len(pin) < leastOther:
		return fmt.Errorf("%w: choose at least %d digits, or %d characters of any kind", ErrPIN, leastDigits, leastOther)
	case digits && (sequence(pin, 0) || sequence(pin, 1) || sequence(pin, -1)):
		return fmt.Errorf("%w: it is the first that anybody would try, choose another", ErrPIN)
	}
	return nil
}

// sequence reports whether each digit is the one before it plus step.
func sequence(pin string, step int) bool {
	for i := 1; i < len(pin); i++ {
		if (int(pin[i])-int(pin[i-1])-step+20)%10 != 0 {
			return false
		}
	}
	return true
}

// HashPIN returns the salted hash of a PIN, as text that says how it was made:
// $argon2id$v=19$m=KiB,t=passes,p=lanes$salt$hash (the two in base64 without
// padding).
func HashPIN(pin string) (string, error) {
	if err := CheckPIN(pin); err != nil {
		return "", err
	}
	salt := make([]byte, saltBytes)
	rand.Read(salt) //nolint:errcheck // never fails, see its documentation
	key := argon2.IDKey([]byte(pin), salt, hashPasses, hashMemory, hashLanes, keyBytes)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemory, hashPasses, hashLanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// ErrHash is wrapped by the errors for a hash that cannot be used.
var ErrHash = errors.New("not the hash of a PIN")

type hashed struct {
	memory, passes uint32
	lanes          uint8
	salt, key      []byte
}

// CheckHash says what is wrong with the text of a hash, nil when it can be used.
func CheckHash(text string) error {
	_, err := parseHash(text)
	return err
}

func parseHash(text string) (h hashed, err error) {
	parts := strings.Split(text, "$")
	bad := func(why string) (hashed, error) {
		return hashed{}, fmt.Errorf("%w: %s, make one with `offsetbridge account pin`", ErrHash, why)
	}
	if len(text) > 512 || len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return bad("it does not read $argon2id$…")
	}
	if parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return bad("it is of a version this program does not know")
	}
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.memory, &h.passes, &h.lanes); n != 3 || err != nil ||
		parts[3] != fmt.Sprintf("m=%d,t=%d,p=%d", h.memory, h.passes, h.lanes) {
		return bad("its cost cannot be read")
	}
	if h.memory < 8<<10 || h.memory > mostMemory || h.passes < 1 || h.passes > mostPasses || h.lanes < 1 || h.lanes > mostLanes {
		return bad("its cost is out of bounds")
	}
	if h.salt, err = base64.RawStdEncoding.Strict().DecodeString(parts[4]); err != nil || len(h.salt) < 8 || len(h.salt) > 64 {
		return bad("its salt cannot be read")
	}
	if h.key, err = base64.RawStdEncoding.Strict().DecodeString(parts[5]); err != nil || len(h.key) < 16 || len(h.key) > 64 {
		return bad("its last part cannot be read")
	}
	return h, nil
}

// MatchPIN reports whether a hash was made of this PIN. It is slow on purpose.
func MatchPIN(hash, pin string) bool {
	h, err := parseHash(hash)
	if err != nil || pin == "" || len(pin) > mostPIN {
		return false
	}
	key := argon2.IDKey([]byte(pin), h.salt, h.passes, h.memory, h.lanes, uint32(len(h.key)))
	return subtle.ConstantTimeCompare(key, h.key) == 1
}
