package web

import (
	"cmp"
	"context"
	"errors"
	"math"
	"net"
	"net/http"
	"strconv"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
)

// Names of the cookies: who is signed in, and which device this is.
const (
	sessionCookie = "offsetbridge_session"
	deviceCookie  = "offsetbridge_device"
	deviceFor     = 180 * 24 * 3600 // seconds that a device is remembered at most
)

// PersonView is what others see of somebody.
type PersonView struct {
	ID   string    `json:"id"`
	Name string    `json:"name"`
	Role core.Role `json:"role"`
}

// SessionView says who is signed in here and who could be.
type SessionView struct {
	Person *PersonView  `json:"person,omitempty"`
	Fresh  bool         `json:"fresh"`
	Watch  bool         `json:"watch"` // may look without signing in
	First  bool         `json:"first"` // nobody is known, and the one-time code is still good
	People []PersonView `json:"people"`
}

func view(p account.Person) PersonView {
	return PersonView{ID: p.ID, Name: cmp.Or(p.Name, p.ID), Role: p.Role}
}

func cookie(r *http.Request, name string) string {
	c, err := r.Cookie(name)
	if err != nil || len(c.Value) > 128 {
		return ""
	}
	return c.Value
}

func (p *Page) session(r *http.Request, used bool) (account.Session, bool) {
	token := cookie(r, sessionCookie)
	if token == "" {
		return account.Session{}, false
	}
	return p.house.Session(token, used)
}

func (p *Page) keep(w http.ResponseWriter, name, value string, age int) {
	http.SetCookie(w, &http.Cookie{
		Name: name, Value: value, Path: "/", MaxAge: age, HttpOnly: true, Secure: p.secure, SameSite: http.SameSiteStrictMode,
	})
}

func (p *Page) who(w http.ResponseWriter, r *http.Request) {
	out := SessionView{Watch: p.watch, First: p.house.Waits(), People: []PersonView{}}
	for _, x := range p.house.People() {
		out.People = append(out.People, view(x))
	}
	if s, ok := p.session(r, false); ok {
		v := view(s.Person)
		out.Person, out.Fresh = &v, s.Fresh
	}
	answer(w, http.StatusOK, out)
}

func (p *Page) signIn(w http.ResponseWriter, r *http.Request) {
	var body SignInRequest
	if _, ok := p.server.take(w, r, &body); !ok {
		return
	}
	e, err := p.house.SignIn(r.Context(), account.Attempt{
		Person: body.Person, PIN: body.PIN, Address: address(r), Device: cookie(r, deviceCookie),
	})
	if errors.Is(err, account.ErrWrong) {
		p.server.o.Log.Warn("wrong PIN", zap.String("person", body.Person), zap.String("address", address(r))) // at most as often as hashes are computed
	}
	if err != nil {
		p.turnAway(w, err)
		return
	}
	if old := cookie(r, sessionCookie); old != "" {
		p.house.SignOut(old)
	}
	p.keep(w, sessionCookie, e.Session, 0)
	p.keep(w, deviceCookie, e.Device, deviceFor)
	s, _ := p.house.Session(e.Session, true)
	answer(w, http.StatusOK, view(s.Person))
}

// firstIn takes the one-time code of a shop without people.
func (p *Page) firstIn(w http.ResponseWriter, r *http.Request) {
	var body FirstInRequest
	if _, ok := p.server.take(w, r, &body); !ok {
		return
	}
	if body.Again != "" && body.Again != body.PIN {
		refuse(w, http.StatusForbidden, "new-pin", "the two PINs are not the same, type them again")
		return
	}
	who, err := p.house.First(body.Code, body.Name, body.PIN)
	switch {
	case errors.Is(err, account.ErrCode):
		refuse(w, http.StatusForbidden, "code", err.Error())
	case errors.Is(err, account.ErrName):
		refuse(w, http.StatusForbidden, "name", err.Error())
	case errors.Is(err, account.ErrPIN):
		refuse(w, http.StatusForbidden, "new-pin", err.Error())
	case err != nil:
		p.server.fail(w, err)
	default:
		p.server.o.Log.Info("the first person came in with the one-time code", zap.String("person", who.ID), zap.String("address", address(r)))
		answer(w, http.StatusOK, view(who))
	}
}

func (p *Page) prove(w http.ResponseWriter, r *http.Request) {
	var body ProofRequest
	if _, ok := p.server.take(w, r, &body); !ok {
		return
	}
	if err := p.house.Prove(r.Context(), cookie(r, sessionCookie), body.PIN, address(r), cookie(r, deviceCookie)); err != nil {
		p.turnAway(w, err)
		return
	}
	answer(w, http.StatusOK, struct{}{})
}

// touch says that somebody acts on the page; the session was told already.
func (p *Page) touch(w http.ResponseWriter, _ *http.Request) { answer(w, http.StatusOK, struct{}{}) }

func (p *Page) signOut(w http.ResponseWriter, r *http.Request) {
	p.house.SignOut(cookie(r, sessionCookie))
	p.keep(w, sessionCookie, "", -1)
	answer(w, http.StatusOK, struct{}{})
}

func (p *Page) turnAway(w http.ResponseWriter, err error) {
	var wait *account.WaitError
	switch {
	case errors.As(err, &wait):
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.After.Seconds()))))
		refuse(w, http.StatusTooManyRequests, "wait", err.Error())
	case errors.Is(err, account.ErrWrong):
		refuse(w, http.StatusForbidden, "pin", err.Error())
	case errors.Is(err, account.ErrNobody):
		refuse(w, http.StatusForbidden, "person", err.Error())
	case errors.Is(err, account.ErrNoSess):
		refuse(w, http.StatusUnauthorized, "sign-in", err.Error())
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		refuse(w, http.StatusServiceUnavailable, "time", "no answer in time, try again")
	default:
		p.server.fail(w, err)
	}
}

// address is where a request comes from; a proxy in front is a stranger like any
// other.
func address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}
