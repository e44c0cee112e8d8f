// Package account knows the people of a shop: who may do what, whether a PIN is
// theirs, and who is signed in where. It knows nothing of HTTP.
//
// A PIN is kept as a salted slow hash only. Checking one is the dearest thing a
// stranger can ask of this program, so at most one hash is computed at a time and
// only so many in a minute, whatever comes in; whoever signed in before at the
// same device, and whoever comes from an address that has not failed, goes first.
// Nobody is ever locked out: a wrong PIN costs the one who sent it time.
//
// Everything a stranger can make grow (sessions, devices, addresses, waiting
// attempts) has a bound. A role is asked for when it is used, never remembered.
package account

import (
	"errors"
	"fmt"
	"time"

	"offsetbridge/internal/core"
)

// Person is one person of the shop.
type Person struct {
	ID   string // what the record holds: a pseudonym that stays when the name is erased
	Name string // what the others see
	Role core.Role
	Hash string // of the PIN, see HashPIN
}

// Why somebody is not let in.
var (
	ErrWrong  = errors.New("this is not the PIN, try again")
	ErrNobody = errors.New("there is nobody of that name in the configuration")
	ErrNoSess = errors.New("nobody is signed in here, or not any more: sign in")
)

// WaitError says that an attempt was not looked at, and how long to wait before
// the next one.
type WaitError struct{ After time.Duration }

func (e *WaitError) Error() string {
	return fmt.Sprintf("too many attempts, try again in %d s", max(1, int(e.After.Round(time.Second)/time.Second)))
}
