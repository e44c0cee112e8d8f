package web

import (
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"io/fs"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"path"
	"strings"

	"offsetbridge/internal/account"
	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

//go:embed static
var static embed.FS

// Page is the plant's page for people: the same interface with whoever is signed
// in, live events, and the files of the page itself.
type Page struct {
	server *server
	board  *board
	house  *account.House
	watch  bool
	secure bool
	files  map[string]file
	frame  *frame
	reads  ReadsOptions
	texts  map[string]words // by language
	shared http.Handler
	places chan struct{} // live streams that may be open
}

type file struct {
	body []byte
	kind string
	etag string
}

// policy lets the page load nothing but its own files and run nothing inline.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// newPage reads the page's files; they are a part of the program.
func newPage(s *server, b *board, o PageOptions, secure bool) (*Page, error) {
	p := &Page{server: s, board: b, house: o.House, watch: o.Watch, secure: secure, reads: o.Reads, files: map[string]file{}, places: make(chan struct{}, maxLive)}
	err := fs.WalkDir(static, "static", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := static.ReadFile(name)
		p.serve(strings.TrimPrefix(name, "static"), body)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("the page's files cannot be read: %w", err)
	}
	if p.frame, err = newFrame(); err != nil {
		return nil, err
	}
	if p.texts, err = o.Reads.load(); err != nil {
		return nil, err
	}
	if p.reads.Unit == "" {
		p.reads.Unit = length.MM
	}
	for lang, w := range p.texts {
		body, err := w.body()
		if err != nil {
			return nil, err
		}
		p.serve("/"+lang+".json", body)
	}
	mux := s.routes()
	mux.HandleFunc("GET /v1/board", p.giveBoard)
	mux.HandleFunc("GET /v1/live", p.live)
	mux.HandleFunc("GET /v1/news", p.news)
	mux.HandleFunc("GET /v1/handover", p.handover)
	look := &server{o: Options{Plant: b.plant, Log: s.o.Log}}
	mux.HandleFunc("GET /v1/machines", look.lines)
	mux.HandleFunc("GET /v1/machines/{machine}", look.machine)
	mux.HandleFunc("GET /v1/trend/{machine}", s.trend)
	mux.HandleFunc("GET /v1/session", p.who)
	mux.HandleFunc("POST /v1/session", p.signIn)
	mux.HandleFunc("POST /v1/session/first", p.firstIn)
	mux.HandleFunc("POST /v1/session/proof", p.prove)
	mux.HandleFunc("POST /v1/session/touch", p.touch)
	mux.HandleFunc("POST /v1/session/reads", p.setReads)
	mux.HandleFunc("DELETE /v1/session", p.signOut)
	p.shared = mux
	return p, nil
}

// serve makes a file one of the page's own.
func (p *Page) serve(name string, body []byte) {
	sum := sha256.Sum256(body)
	p.files[name] = file{body: body, kind: mime.TypeByExtension(path.Ext(name)), etag: `"` + base64.RawURLEncoding.EncodeToString(sum[:9]) + `"`}
}

// ServeHTTP lets a request through to the page's files or the interface.
func (p *Page) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin") // a form of ours has to be able to say where it comes from
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	if p.secure {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	switch {
	case !p.secure && !onThisComputer(r.Host):
		refuse(w, http.StatusMisdirectedRequest, "host", "this page is for this computer alone, open it by its address")
	case strings.HasPrefix(r.URL.Path, "/v1/"):
		p.answer(w, r)
	case strings.HasPrefix(r.URL.Path, "/do/"):
		p.do(w, r)
	case p.frame.places[r.URL.Path] != nil && (r.Method == http.MethodGet || r.Method == http.MethodHead):
		p.show(w, r, r.URL, http.StatusOK, nil, "")
	default:
		p.give(w, r)
	}
}

// onThisComputer guards against a foreign name that was made to point here.
func onThisComputer(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return host == "localhost" || err == nil && a.Unmap().IsLoopback()
}

func (p *Page) give(w http.ResponseWriter, r *http.Request) {
	f, ok := p.files[r.URL.Path]
	switch {
	case !ok:
		refuse(w, http.StatusNotFound, "page", "there is no such page")
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		refuse(w, http.StatusMethodNotAllowed, "method", "a page can only be read")
	case r.Header.Get("If-None-Match") == f.etag:
		w.WriteHeader(http.StatusNotModified)
	default:
		w.Header().Set("Content-Type", f.kind)
		w.Header().Set("ETag", f.etag)
		w.Header().Set("Cache-Control", "no-cache")
		w.Write(f.body) //nolint:errcheck // the client has gone
	}
}

// answer lets a request to the interface through, with who is signed in.
func (p *Page) answer(w http.ResponseWriter, r *http.Request) {
	safe := r.Method == http.MethodGet || r.Method == http.MethodHead
	token := r.Header.Get("Authorization") != ""
	switch {
	case !safe && !token && !sameOrigin(r):
		refuse(w, http.StatusForbidden, "origin", "the request comes from another site")
		return
	case r.ContentLength > maxBody:
		w.Header().Set("Connection", "close")
		refuse(w, http.StatusRequestEntityTooLarge, "size", "the request is larger than 16 KiB")
		return
	case !safe && r.Method != http.MethodDelete && !strings.HasPrefix(r.Header.Get("Content-Type"), "application/json"):
		refuse(w, http.StatusUnsupportedMediaType, "type", "the request's body is not JSON, say so in its Content-Type")
		return
	}
	if p.bearer(w, r, safe) {
		return
	}
	s, signed := p.session(r, !safe)
	if !signed && !p.open(r, safe) {
		refuse(w, http.StatusUnauthorized, "sign-in", account.ErrNoSess.Error())
		return
	}
	if !safe && !strings.HasPrefix(r.URL.Path, "/v1/session") && !s.Person.Role.May(core.Operator) {
		refuse(w, http.StatusForbidden, "role", core.Code("role").Words())
		return
	}
	ctx := freshOf(r.Context(), s.Fresh)
	var who *PersonView
	if signed {
		v := view(s.Person)
		who = &v
		ctx = WithPerson(ctx, core.Person{Principal: s.Person.ID, Role: s.Person.Role, Auth: "pin"})
	}
	p.shared.ServeHTTP(w, r.WithContext(withFormat(ctx, p.formatFor(r, who))))
}

// open reports whether somebody who is not signed in may ask for this.
func (p *Page) open(r *http.Request, safe bool) bool {
	where := r.URL.Path
	if where == "/v1/session" || where == "/v1/session/first" || where == "/v1/session/reads" || where == "/v1/openapi.json" {
		return true
	}
	return safe && p.watch && (where == "/v1/board" || where == "/v1/live" || where == "/v1/news" || where == "/v1/machines" ||
		strings.HasPrefix(where, "/v1/machines/") || strings.HasPrefix(where, "/v1/trend/"))
}

// sameOrigin reports whether a changing request was made by this page itself. A
// browser always says where a request comes from, one way or the other.
func sameOrigin(r *http.Request) bool {
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" {
		return false
	}
	origin := r.Header.Get("Origin")
	_, host, ok := strings.Cut(origin, "://")
	return ok && strings.EqualFold(host, r.Host)
}
