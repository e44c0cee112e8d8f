package web

import (
	"context"
	"net/http"
	"strings"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
)

// bearer lets a program in that brings its token. No browser sends one by
// itself, so that another site can make nobody's browser use it. False when the
// request brings none.
func (p *Page) bearer(w http.ResponseWriter, r *http.Request, safe bool) (done bool) {
	head := r.Header.Get("Authorization")
	if head == "" {
		return false
	}
	secret, ok := strings.CutPrefix(head, "Bearer ")
	t, known := account.Token{}, false
	if ok {
		t, known = p.house.Token(secret)
	}
	switch {
	case !known:
		w.Header().Set("WWW-Authenticate", "Bearer")
		refuse(w, http.StatusUnauthorized, "token", "this token is none of the configuration's, make one with offsetbridge account token")
		return true
	case strings.HasPrefix(r.URL.Path, "/v1/session"):
		refuse(w, http.StatusForbidden, "token", "a token needs no session and cannot open one")
		return true
	case !safe && !t.Role.May(core.Operator):
		refuse(w, http.StatusForbidden, "role", core.Code("role").Words())
		return true
	}
	p.shared.ServeHTTP(w, r.WithContext(WithPerson(r.Context(), core.Person{Principal: t.Name, Role: t.Role, Auth: core.AuthToken})))
	return true
}

// freshOf puts whether the PIN was entered just now into a page's request.
func freshOf(ctx context.Context, fresh bool) context.Context {
	return context.WithValue(ctx, freshKey{}, fresh)
}
