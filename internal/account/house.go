package account

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"slices"
	"sync"
	"time"
)

// Bounds of what is remembered of people who signed in.
const (
	maxSessions   = 1024
	maxOfPerson   = 8
	maxDevices    = 1024
	maxDevicePeop = 64 // people of one device
)

// Options of a house. Zero times are replaced by the defaults in brackets.
type Options struct {
	People   []Person
	Tokens   []Token
	Idle     time.Duration // [10 min] without any action a session ends
	Absolute time.Duration // [12 h] and after this in any case
	Proof    time.Duration // [2 min] the PIN is as good as just entered

	Now   func() time.Time            // [time.Now]
	Match func(hash, pin string) bool // [MatchPIN]
	Keep  func(Person) error          // keeps the first person over a restart, before they are known
}

// House keeps who is signed in. Safe for use by several goroutines.
type House struct {
	o     Options
	door  *door
	first first

	mu       sync.Mutex
	people   []Person // by name
	byID     map[string]*Person
	sessions map[key]*session
	devices  map[key]*device
}

type key [sha256.Size]byte // of a token: the table cannot be turned into cookies

type session struct {
	person              *Person
	began, used, proven time.Time
}

type device struct {
	people []string
	used   time.Time
}

// Session is somebody who is signed in.
type Session struct {
	Person Person // without the hash
	Fresh  bool   // the PIN was entered just now
}

// New returns a house with nobody signed in.
func New(o Options) *House {
	o.Idle, o.Absolute, o.Proof = cmp.Or(o.Idle, 10*time.Minute), cmp.Or(o.Absolute, 12*time.Hour), cmp.Or(o.Proof, 2*time.Minute)
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Match == nil {
		o.Match = MatchPIN
	}
	h := &House{
		o: o, byID: map[string]*Person{}, door: newDoor(o.Match, o.Now),
		sessions: map[key]*session{}, devices: map[key]*device{},
	}
	for _, p := range o.People {
		h.add(p)
	}
	return h
}

// People returns everybody, by name, without their hashes.
func (h *House) People() []Person {
	h.mu.Lock()
	all := slices.Clone(h.people)
	h.mu.Unlock()
	for i := range all {
		all[i].Hash = ""
	}
	return all
}

func (h *House) person(id string) *Person {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.byID[id]
}

// Attempt is one try to sign in. Device is the token of an earlier sign-in at
// the same device, "" without one.
type Attempt struct {
	Person, PIN, Address, Device string
}

// Entry is what a successful attempt gives: two tokens to be kept by the device.
type Entry struct {
	Session string
	Device  string
}

// SignIn opens a session. ErrNobody, ErrWrong, a *WaitError, or the context's.
func (h *House) SignIn(ctx context.Context, a Attempt) (Entry, error) {
	p := h.person(a.Person)
	if p == nil {
		return Entry{}, ErrNobody
	}
	if err := h.pass(ctx, *p, a); err != nil {
		return Entry{}, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.o.Now()
	h.sweep(p, now)
	e := Entry{Session: token(), Device: a.Device}
	h.sessions[keyOf(e.Session)] = &session{person: p, began: now, used: now, proven: now}
	if h.devices[keyOf(a.Device)] == nil {
		e.Device = token()
	}
	h.remember(keyOf(e.Device), p.ID, now)
	return e, nil
}

// Prove enters the PIN once more in a session.
func (h *House) Prove(ctx context.Context, session, pin, address, device string) error {
	s, ok := h.Session(session, false)
	if !ok {
		return ErrNoSess
	}
	p := *h.person(s.Person.ID)
	if err := h.pass(ctx, p, Attempt{Person: p.ID, PIN: pin, Address: address, Device: device}); err != nil {
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if open := h.sessions[keyOf(session)]; open != nil {
		open.proven, open.used = h.o.Now(), h.o.Now()
		return nil
	}
	return ErrNoSess
}

func (h *House) pass(ctx context.Context, p Person, a Attempt) error {
	if a.PIN == "" || len(a.PIN) > mostPIN {
		return ErrWrong // no hash for what cannot be one
	}
	k := keyOf(a.Device)
	h.mu.Lock()
	d := h.devices[k]
	known := d != nil && slices.Contains(d.people, p.ID)
	h.mu.Unlock()
	from := "address " + place(a.Address)
	if known {
		from = "device " + string(k[:])
	}
	ok, err := h.door.try(ctx, p, a.PIN, from, known)
	if err != nil {
		return err
	}
	if !ok {
		return ErrWrong
	}
	return nil
}

// Session returns who is signed in with a token; used says that the person did
// something, which keeps the session alive.
func (h *House) Session(token string, used bool) (Session, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now, k := h.o.Now(), keyOf(token)
	s := h.sessions[k]
	if s == nil {
		return Session{}, false
	}
	if h.over(s, now) {
		delete(h.sessions, k)
		return Session{}, false
	}
	if used {
		s.used = now
	}
	p := *s.person
	p.Hash = ""
	return Session{Person: p, Fresh: now.Sub(s.proven) < h.o.Proof}, true
}

// SignOut ends a session.
func (h *House) SignOut(token string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.sessions, keyOf(token))
}

func (h *House) over(s *session, now time.Time) bool {
	return now.Sub(s.used) >= h.o.Idle || now.Sub(s.began) >= h.o.Absolute
}

// sweep makes room for one more session of a person: what is over goes, then
// what was used longest ago.
func (h *House) sweep(p *Person, now time.Time) {
	own := 0
	for k, s := range h.sessions {
		if h.over(s, now) {
			delete(h.sessions, k)
		} else if s.person == p {
			own++
		}
	}
	if own >= maxOfPerson {
		h.drop(func(s *session) bool { return s.person == p })
	}
	if len(h.sessions) >= maxSessions {
		h.drop(func(*session) bool { return true })
	}
}

func (h *House) drop(which func(*session) bool) {
	var oldest key
	var found *session
	for k, s := range h.sessions {
		if which(s) && (found == nil || s.used.Before(found.used)) {
			oldest, found = k, s
		}
	}
	delete(h.sessions, oldest)
}

// remember notes that a person signed in at a device.
func (h *House) remember(k key, person string, now time.Time) {
	d := h.devices[k]
	if d == nil {
		if len(h.devices) >= maxDevices {
			var oldest key
			var found *device
			for k, d := range h.devices {
				if found == nil || d.used.Before(found.used) {
					oldest, found = k, d
				}
			}
			delete(h.devices, oldest)
		}
		d = &device{}
		h.devices[k] = d
	}
	d.used = now
	if !slices.Contains(d.people, person) {
		if len(d.people) >= maxDevicePeop {
			d.people = d.people[1:]
		}
		d.people = append(d.people, person)
	}
}

func keyOf(token string) key { return sha256.Sum256([]byte(token)) }

// token returns 256 random bits as text.
func token() string {
	b := make([]byte, 32)
	rand.Read(b) //nolint:errcheck // never fails, see its documentation
	return base64.RawURLEncoding.EncodeToString(b)
}
