package account

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"offsetbridge/internal/core"
)

// Bounds of the code with which the first person comes in.
const (
	firstFor   = 30 * time.Minute
	firstTries = 10
	codeBytes  = 10 // 80 random bits, 16 letters and digits
	mostName   = 64 // bytes
)

// Why nobody comes in with a code.
var (
	ErrCode = errors.New("this is not the code, or it was used, tried too often or is older than 30 minutes: the program prints another one when it starts anew")
	ErrName = errors.New("a name of 1 to 64 characters is needed, as the others shall see it")
)

// first is the one-time code of a shop that has no people yet. Only its hash is
// kept, and that until it is used, tried too often, or too old.
type first struct {
	mu    sync.Mutex
	hash  [sha256.Size]byte
	left  int
	until time.Time
}

// Begin returns the code with which the first person comes in, "" where somebody
// is known already. An earlier code is worth nothing any more.
func (h *House) Begin() string {
	h.first.mu.Lock()
	defer h.first.mu.Unlock()
	if len(h.People()) > 0 {
		return ""
	}
	b := make([]byte, codeBytes)
	rand.Read(b) //nolint:errcheck // never fails, see its documentation
	code := base32.StdEncoding.EncodeToString(b)
	h.first.hash, h.first.left, h.first.until = sha256.Sum256([]byte(code)), firstTries, h.o.Now().Add(firstFor)
	return strings.Join([]string{code[:4], code[4:8], code[8:12], code[12:]}, "-")
}

// Waits reports whether the first person can still come in with a code.
func (h *House) Waits() bool {
	h.first.mu.Lock()
	defer h.first.mu.Unlock()
	return h.first.open(h.o.Now())
}

func (f *first) open(now time.Time) bool { return f.left > 0 && now.Before(f.until) }

// First takes the one-time code and makes its bearer the first person, an
// engineer. ErrCode, ErrName, an ErrPIN, or what stood against keeping it.
func (h *House) First(code, name, pin string) (Person, error) {
	name = strings.TrimSpace(name)
	if n := len(name); n == 0 || n > mostName || !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return Person{}, ErrName
	}
	if err := CheckPIN(pin); err != nil {
		return Person{}, err
	}
	f := &h.first
	f.mu.Lock() // one at a time: two with the same code are not both first
	defer f.mu.Unlock()
	if !f.open(h.o.Now()) {
		return Person{}, ErrCode
	}
	given := sha256.Sum256([]byte(strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(code[:min(len(code), 64)]))))
	if subtle.ConstantTimeCompare(given[:], f.hash[:]) != 1 {
		f.left--
		return Person{}, ErrCode
	}
	hash, err := HashPIN(pin)
	if err != nil {
		return Person{}, err
	}
	p := Person{ID: "first-" + strings.ToLower(rand.Text()[:6]), Name: name, Role: core.Engineer, Hash: hash}
	if h.o.Keep != nil {
		if err := h.o.Keep(p); err != nil {
			return Person{}, err
		}
	}
	f.left, f.hash = 0, [sha256.Size]byte{}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.add(p)
	return p, nil
}

// kept is a person in the file of those who came in with a code.
type kept struct {
	ID   string    `json:"id"`
	Name string    `json:"name"`
	Role core.Role `json:"role"`
	Hash string    `json:"pin"`
}

// ReadKept returns who came in with a one-time code, nobody without the file. It
// can be erased: the record holds pseudonyms alone.
func ReadKept(path string) ([]Person, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("the first person cannot be read: %w", err)
	case info.Mode().Perm()&0o077 != 0:
		return nil, fmt.Errorf("file %q holds the hash of a PIN and can be used by others (mode %#o), write: chmod 600 %s", path, info.Mode().Perm(), path)
	case info.Size() > 4096:
		return nil, fmt.Errorf("file %q is larger than 4 KiB and none of this program", path)
	}
	body, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the first person cannot be read: %w", err)
	}
	var k kept
	if err := json.Unmarshal(body, &k); err != nil || k.ID == "" || CheckHash(k.Hash) != nil || !k.Role.May(core.Viewer) {
		return nil, fmt.Errorf("file %q is damaged: remove it and start anew, the program prints another code", path)
	}
	return []Person{{ID: k.ID, Name: k.Name, Role: k.Role, Hash: k.Hash}}, nil
}

// KeepFirst returns what keeps the first person in a file, whole and for this user
// alone.
func KeepFirst(path string) func(Person) error {
	return func(p Person) error {
		body, err := json.Marshal(kept(p))
		if err != nil {
			return err
		}
		f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
		if err != nil {
			return fmt.Errorf("the first person cannot be kept: %w", err)
		}
		_, err = f.Write(append(body, '\n'))
		if err = errors.Join(err, f.Chmod(0o600), f.Sync(), f.Close()); err == nil {
			err = os.Rename(path+".new", path)
		}
		if err != nil {
			return fmt.Errorf("the first person cannot be kept: %w", err)
		}
		return nil
	}
}

// add lets one more person be known; h.mu is held where others can see the house.
func (h *House) add(p Person) {
	h.byID[p.ID] = &p
	h.people = append(slices.Clone(h.people), p)
	slices.SortStableFunc(h.people, func(a, b Person) int { return strings.Compare(a.Name, b.Name) })
}
