package web

import (
	"bytes"
	"cmp"
	"context"
	"embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strings"

	"go.uber.org/zap"

	"offsetbridge/internal/core"
	"offsetbridge/internal/length"
)

//go:embed places
var places embed.FS

// A place is one document of the page that the server draws: ordinary links and
// forms, which need a keyboard or a finger and no script. The script that stands
// beside it only keeps what is on screen fresh.
type place struct {
	path  string
	title string // key of its title
	nav   string // entry of the header it belongs to
	file  string // template
	open  bool   // shown to somebody who is not signed in, whatever is configured
	make  func(p *Page, d *Doc, q url.Values) error
}

// allPlaces in no order; the header has its own.
func allPlaces() []place {
	return []place{
		{path: "/", title: "queue", nav: "queue", file: "queue.html", open: true, make: func(*Page, *Doc, url.Values) error { return nil }},
		{path: "/sign", title: "sign_in", file: "sign.html", open: true, make: (*Page).placeSign},
		{path: "/reads", title: "reads", file: "reads.html", open: true, make: (*Page).placeReads},
		{path: "/hold", title: "hold", file: "hold.html", make: (*Page).placeHold},
		{path: "/machines", title: "machines", nav: "machines", file: "machines.html", make: (*Page).placeMachines},
		{path: "/machine", title: "machine", nav: "machines", file: "machine.html", make: (*Page).placeMachine},
		{path: "/first", title: "first", nav: "first", file: "first.html", make: (*Page).placeFirst},
		{path: "/gauges", title: "gauges", nav: "gauges", file: "gauges.html", make: (*Page).placeGauges},
		{path: "/gauge", title: "gauge", nav: "gauges", file: "gauge.html", make: (*Page).placeGauge},
		{path: "/assign", title: "assign", nav: "gauges", file: "assign.html", make: (*Page).placeAssign},
		{path: "/enter", title: "enter_by_hand", nav: "gauges", file: "enter.html", make: (*Page).placeEnter},
		{path: "/history", title: "history", nav: "history", file: "history.html", make: (*Page).placeHistory},
		{path: "/lookback", title: "history", nav: "history", file: "lookback.html", make: (*Page).placeLookback},
		{path: "/handover", title: "handover", nav: "history", file: "handover.html", make: (*Page).placeHandover},
		{path: "/capability", title: "capability", nav: "capability", file: "capability.html", make: (*Page).placeCapability},
		{path: "/manual", title: "manual", file: "manual.html", open: true, make: (*Page).placeManual},
		{path: "/loop", title: "loop", nav: "machines", file: "loop.html", make: (*Page).placeLoop},
	}
}

// headings are the places in the header, in their order.
var headings = []struct{ key, path string }{
	{"queue", "/"},
	{"machines", "/machines"},
	{"first", "/first"},
	{"gauges", "/gauges"},
	{"history", "/history"},
	{"capability", "/capability"},
}

// Doc is what a template is given.
type Doc struct {
	Format
	Title   string
	At      string // heading of the header
	Here    string // address of this document
	Back    string // where to go on after something that the header offers
	Nav     []Heading
	Person  *PersonView
	Fresh   bool // the PIN was entered just now
	Refused string
	Said    string
	Glance  Glance
	News    string // machine whose news make this document anew, "*" for all
	Data    any

	ctx   context.Context
	role  core.Role
	typed url.Values // what was in a form that was refused
}

// Heading is one place in the header.
type Heading struct {
	Key, Path string
	Here      bool
	Count     int
}

// Glance is what the header says of the whole plant.
type Glance struct {
	Queue    int        `json:"queue"`
	Holds    int        `json:"holds"`
	HoldAll  *core.Held `json:"hold_all,omitempty"`
	Broker   bool       `json:"broker"`
	Verified bool       `json:"verified"`
	Tray     int        `json:"tray"`
	Known    bool       `json:"-"` // false for somebody who may not look
}

func glanceOf(st Status) Glance {
	g := Glance{Known: true, HoldAll: st.HoldAll, Broker: st.Broker.Up, Verified: st.Journal.Verified, Tray: st.Tray}
	for i := range st.Machines {
		m := &st.Machines[i]
		if m.Hold != nil {
			g.Holds++
		}
		for k := range m.Loops {
			if m.Loops[k].Hold != nil {
				g.Holds++
			}
		}
		for k := range m.Proposals {
			if m.Proposals[k].Status == core.Pending {
				g.Queue++
			}
		}
	}
	return g
}

// May reports whether whoever is signed in has the rights of a role.
func (d *Doc) May(role string) bool { return d.role.May(core.Role(role)) }

// Typed returns what somebody typed into a field of a form that was refused; the
// form is known by its name.
func (d *Doc) Was(form, field string) string {
	if d.typed.Get("form") != form {
		return ""
	}
	return d.typed.Get(field)
}

// Esc makes a name a part of an address.
func (d *Doc) Esc(name string) string { return url.PathEscape(name) }

// In says which unit a person types sizes in.
func (d *Doc) In() length.Unit {
	unit, _ := d.digits()
	return unit
}

// errNoPlace says that a place shows something that is not there.
var errNoPlace = errors.New("there is no such page")

// frame are the templates and texts of the places.
type frame struct {
	places map[string]*place
	files  map[string]*template.Template
}

func newFrame() (*frame, error) {
	f := &frame{places: map[string]*place{}, files: map[string]*template.Template{}}
	base, err := template.New("frame").Funcs(template.FuncMap{"pair": pair, "at": atMachine}).ParseFS(places, "places/frame.html", "places/parts*.html")
	if err != nil {
		return nil, fmt.Errorf("the frame of the page: %w", err)
	}
	for _, pl := range allPlaces() {
		t, err := base.Clone()
		if err == nil {
			t, err = t.ParseFS(places, "places/"+pl.file)
		}
		if err != nil {
			return nil, fmt.Errorf("place %s of the page: %w", pl.path, err)
		}
		f.places[pl.path], f.files[pl.path] = &pl, t
	}
	return f, nil
}

// pair hands two things to a part of a template.
func pair(doc *Doc, of any) map[string]any { return map[string]any{"D": doc, "X": of} }

// atMachine hands a loop to a part of a template, with its machine.
func atMachine(machine string, l FirstLoop) map[string]any {
	return map[string]any{"Machine": machine, "L": l}
}

// show draws a place. typed is the form that was refused, and why.
func (p *Page) show(w http.ResponseWriter, r *http.Request, at *url.URL, status int, typed url.Values, refused string) {
	pl := p.frame.places[at.Path]
	if pl == nil {
		p.wrong(w, r, http.StatusNotFound, errNoPlace.Error())
		return
	}
	s, signed := p.session(r, r.Header.Get("X-Refresh") == "")
	if !signed && !p.watch && !pl.open {
		http.Redirect(w, r, "/sign?to="+url.QueryEscape(at.RequestURI()), http.StatusSeeOther)
		return
	}
	d := &Doc{ctx: r.Context(), At: pl.nav, Here: at.RequestURI(), Back: at.RequestURI(), Fresh: s.Fresh, Refused: Cap(refused), typed: typed, News: "*"}
	if signed {
		v := view(s.Person)
		d.Person, d.role = &v, s.Person.Role
	}
	d.Format = p.formatFor(r, d.Person)
	d.Title = d.T(pl.title)
	if r.Header.Get("X-Refresh") == "" { // a document that is being left does not take what the next one has to say
		d.Said = p.said(w, r)
	}
	st, err := p.board.plant.Status(r.Context())
	if err == nil {
		if signed || p.watch {
			d.Glance = glanceOf(st)
		}
		d.Nav = d.nav()
		err = pl.make(p, d, at.Query())
	}
	switch {
	case errors.Is(err, errNoPlace):
		p.wrong(w, r, http.StatusNotFound, d.refusal("page", err.Error()))
	case errors.Is(err, ErrNoMachine):
		p.wrong(w, r, http.StatusNotFound, d.refusal("machine", err.Error()))
	case errors.Is(err, ErrNoItem):
		p.wrong(w, r, http.StatusNotFound, d.refusal("no-item", err.Error()))
	case err != nil:
		p.server.o.Log.Warn("a place of the page cannot be drawn", zap.String("place", at.Path), zap.Error(err))
		p.wrong(w, r, http.StatusServiceUnavailable, err.Error())
	default:
		p.draw(w, p.frame.files[pl.path], status, d)
	}
}

func (d *Doc) nav() []Heading {
	var all []Heading
	for _, h := range headings {
		x := Heading{Key: h.key, Path: h.path, Here: h.key == d.At}
		switch h.key {
		case "queue":
			x.Count = d.Glance.Queue
		case "machines":
			x.Count = d.Glance.Holds
		case "gauges":
			x.Count = d.Glance.Tray
		}
		all = append(all, x)
	}
	return all
}

func (p *Page) draw(w http.ResponseWriter, t *template.Template, status int, d *Doc) {
	var out bytes.Buffer
	if err := t.ExecuteTemplate(&out, "frame", d); err != nil { // nothing was sent yet
		p.server.o.Log.Error("a place of the page cannot be drawn", zap.String("place", d.Here), zap.Error(err))
		refuse(w, http.StatusInternalServerError, "page", "this page cannot be drawn, the program's log says why")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(out.Bytes()) //nolint:errcheck // the client has gone
}

// wrong says in a document of its own what cannot be shown.
func (p *Page) wrong(w http.ResponseWriter, r *http.Request, status int, say string) {
	d := &Doc{ctx: r.Context(), Format: p.formatFor(r, nil), Here: "/", Back: "/", Refused: Cap(say)}
	d.Title, d.Nav = d.T("nothing_here"), d.nav()
	p.draw(w, p.frame.files["/sign"], status, d)
}

// saidCookie holds for a moment what became of a form, over the redirect that
// follows it.
const saidCookie = "offsetbridge_said"

func (p *Page) said(w http.ResponseWriter, r *http.Request) string {
	c, err := r.Cookie(saidCookie)
	if err != nil || len(c.Value) > 1024 {
		return ""
	}
	p.keep(w, saidCookie, "", -1)
	text, err := base64.RawURLEncoding.DecodeString(c.Value)
	if err != nil {
		return ""
	}
	return string(text)
}

func (p *Page) say(w http.ResponseWriter, text string) {
	const most = 600
	if len(text) > most {
		text = strings.ToValidUTF8(text[:most], "") + " …"
	}
	p.keep(w, saidCookie, base64.RawURLEncoding.EncodeToString([]byte(text)), 30)
}

// ours returns an address of this page itself, whatever a form says.
func ours(to string) *url.URL {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/") || strings.ContainsAny(to, "\\\x00\r\n") || strings.HasPrefix(to, "//") {
		return &url.URL{Path: "/"}
	}
	u.Fragment = ""
	return u
}

// SignPlace asks who somebody is, or for their PIN once more.
type SignPlace struct {
	To     string
	Again  bool
	First  bool // nobody is known yet
	People []PersonView
	Chosen *PersonView
}

func (p *Page) placeSign(d *Doc, q url.Values) error {
	s := &SignPlace{To: ours(cmp.Or(q.Get("to"), "/")).RequestURI(), Again: q.Get("again") != "" && d.Person != nil}
	for _, x := range p.house.People() {
		v := view(x)
		s.People = append(s.People, v)
		if x.ID == q.Get("person") {
			s.Chosen = &v
		}
	}
	if s.Again {
		s.Chosen = d.Person
	}
	s.First = len(s.People) == 0 && p.house.Waits()
	d.Data, d.News, d.Back = s, "", s.To
	return nil
}

// HoldPlace asks for a hold, or for its end.
type HoldPlace struct {
	To, Machine, Loop string
	What              string
	Resume            *Need
}

func (p *Page) placeHold(d *Doc, q url.Values) error {
	h := &HoldPlace{To: ours(cmp.Or(q.Get("to"), "/")).RequestURI(), Machine: q.Get("machine"), Loop: q.Get("loop")}
	h.What = d.T("everything")
	if h.Machine != "" {
		h.What = h.Machine
		if h.Loop != "" {
			h.What += " · " + h.Loop
		}
	}
	if cause := core.Code(q.Get("resume")); cause != "" {
		held, err := p.heldBy(d.ctx, h.Machine, h.Loop, cause)
		if err != nil {
			return err
		}
		if held != nil {
			n := d.need(h.Machine, *held)
			h.Resume = &n
		}
	}
	d.Data, d.News, d.Back = h, "", h.To
	return nil
}

// heldBy returns the hold of a scope, nil where there is none of that cause.
func (p *Page) heldBy(ctx context.Context, machine, loop string, cause core.Code) (*core.Held, error) {
	st, err := p.board.plant.Status(ctx)
	if err != nil {
		return nil, err
	}
	if machine == "" {
		return st.HoldAll, nil
	}
	for i := range st.Machines {
		m := &st.Machines[i]
		if m.Machine != machine {
			continue
		}
		if loop == "" && m.Hold != nil && m.Hold.Cause == cause {
			return m.Hold, nil
		}
		for k := range m.Loops {
			if h := m.Loops[k].Hold; m.Loops[k].Name == loop && h != nil && h.Cause == cause {
				return h, nil
			}
		}
	}
	return nil, nil
}
