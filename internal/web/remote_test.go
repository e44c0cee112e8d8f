package web

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"

	"go.uber.org/zap"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
)

// The command line reaches a page on another computer by its certificate's
// fingerprint or its authority, and nobody else gets the token.
func TestARemoteClientKnowsWhomItTalksTo(t *testing.T) {
	secret, hash := account.NewToken()
	cert, key := certificate(t)
	p := &plant{status: Status{Machines: []core.View{{Machine: "mill", Up: true, Proposals: []core.ProposalView{card()}}}}}
	l, err := New(Options{Plant: p, Log: zap.NewNop()}).ListenPage(PageOptions{
		Listen: "127.0.0.1:0", CertFile: cert, KeyFile: key,
		House: account.New(account.Options{Tokens: []account.Token{{Name: "desk", Role: core.Operator, Hash: hash}}}),
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	b, err := os.ReadFile(cert)
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(b)
	sum := sha256.Sum256(block.Bytes)
	print := hex.EncodeToString(sum[:])
	for _, x := range []struct {
		name string
		o    Remote
		want string // in the error; "" is none
	}{
		{"by its fingerprint", Remote{Fingerprint: print}, ""},
		{"by its authority", Remote{CAFile: cert}, ""},
		{"another's fingerprint", Remote{Fingerprint: strings.Repeat("00", 32)}, "somebody else answers"},
		{"without either", Remote{}, "certificate"},
	} {
		x.o.URL, x.o.Token = l.URL(), secret
		c, err := NewRemote(x.o)
		if err != nil {
			t.Fatal(err)
		}
		var q QueueView
		err = c.Get(t.Context(), "/v1/queue", nil, &q)
		if x.want == "" && (err != nil || len(q.Proposals) != 1) || x.want != "" && (err == nil || !strings.Contains(err.Error(), x.want)) {
			t.Errorf("%s: %v, %d cards, want %q", x.name, err, len(q.Proposals), x.want)
		}
	}
	c, err := NewRemote(Remote{URL: l.URL(), Token: secret, Fingerprint: print})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Post(t.Context(), approve17, map[string]string{"digest": "d1"}, nil); err != nil {
		t.Error(err)
	}
	if all := p.made(); len(all) != 1 || all[0].(core.Approve).Who.Principal != "desk" {
		t.Errorf("happened: %+v", all)
	}
	var no *RefusedError
	if c, err = NewRemote(Remote{URL: l.URL(), Token: "x", Fingerprint: print}); err != nil {
		t.Fatal(err)
	}
	if err := c.Get(t.Context(), "/v1/queue", nil, nil); !errors.As(err, &no) || no.Code != "token" {
		t.Errorf("a wrong token: %v", err)
	}
}

func TestATokenIsNotTakenElsewhere(t *testing.T) {
	for _, o := range []Remote{
		{URL: "http://192.0.2.1/", Token: "t"}, {URL: "ftp://192.0.2.1/", Token: "t"}, {URL: "192.0.2.1", Token: "t"}, {URL: "https://192.0.2.1"},
		{URL: "https://192.0.2.1", Token: "t", CAFile: "none.pem"},
	} {
		if _, err := NewRemote(o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
	got := make(chan string, 1)
	other := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { got <- r.Header.Get("Authorization") }))
	t.Cleanup(other.Close)
	first := httptest.NewServer(http.RedirectHandler(other.URL, http.StatusTemporaryRedirect))
	t.Cleanup(first.Close)
	c, err := NewRemote(Remote{URL: first.URL, Token: "t"})
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Get(t.Context(), "/v1/queue", nil, nil); err == nil {
		t.Error("a redirection is followed")
	}
	select {
	case head := <-got:
		t.Errorf("the other got %q", head)
	default:
	}
}
