package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"offsetbridge/internal/length"
)

// How somebody reads the page: in which language, and sizes in which unit. Each
// person chooses for themselves on each device; the configuration says what is
// shown before, and without it what the browser asks for.

// reads is a way of reading.
type reads struct {
	lang string
	unit length.Unit
}

func (f Format) reads() reads { return reads{f.Lang, f.Unit} }

// ReadsOptions are how the page is read where nobody has chosen.
type ReadsOptions struct {
	Language string      // "" is what the browser asks for
	Unit     length.Unit // of sizes; "" is mm
	Texts    string      // folder of a shop's own catalogues, "" for none
}

// Check reads the texts that the page would be opened with.
func (o ReadsOptions) Check() error {
	_, err := o.load()
	return err
}

func (o ReadsOptions) load() (map[string]words, error) {
	all, err := catalogues(o.Texts)
	if l := o.Language; err == nil && l != "" && all[l].lang == "" {
		err = fmt.Errorf("there are no texts in language %q, choose another page.language or add %s.json to page.texts", l, l)
	}
	return all, err
}

// ReadsRequest chooses how to read, at this device.
type ReadsRequest struct {
	Language string `json:"language,omitempty"`
	Unit     string `json:"unit,omitempty"` // mm or in
}

// readsIn are the units that sizes are read in.
var readsIn = []length.Unit{length.MM, length.IN}

const (
	readsCookie = "offsetbridge_reads"
	readsFor    = 365 * 24 * 3600 // seconds
)

// cookieOf keeps the choices of two people at one device apart, without their names.
func cookieOf(person *PersonView) string {
	if person == nil {
		return readsCookie
	}
	sum := sha256.Sum256([]byte(person.ID))
	return readsCookie + "_" + hex.EncodeToString(sum[:4])
}

// formatFor is how somebody reads: what they have chosen at this device, or what was
// chosen at it by nobody in particular.
func (p *Page) formatFor(r *http.Request, person *PersonView) Format {
	chosen := cookie(r, cookieOf(person))
	if chosen == "" {
		chosen = cookie(r, readsCookie)
	}
	lang, unit, _ := strings.Cut(chosen, ".")
	w, ok := p.texts[lang]
	if !ok {
		w = p.texts[p.asked(r)]
	}
	f := Format{Lang: w.lang, Unit: length.Unit(unit), Comma: w.comma(), words: w}
	if !slices.Contains(readsIn, f.Unit) {
		f.Unit = p.reads.Unit
	}
	return f
}

// asked returns the language of the configuration, or the first of the browser's
// that there is.
func (p *Page) asked(r *http.Request) string {
	if p.reads.Language != "" {
		return p.reads.Language
	}
	for i, part := range strings.SplitN(r.Header.Get("Accept-Language"), ",", 9) {
		tag, _, _ := strings.Cut(strings.TrimSpace(part), ";")
		lang, _, _ := strings.Cut(strings.ToLower(tag), "-")
		if _, ok := p.texts[lang]; ok && i < 8 {
			return lang
		}
	}
	return "en"
}

type formatKey struct{}

// withFormat puts how somebody reads into a request's context; formatOf is English
// and mm without it, as programs are spoken to.
func withFormat(ctx context.Context, f Format) context.Context {
	return context.WithValue(ctx, formatKey{}, f)
}

func formatOf(ctx context.Context) Format {
	if f, ok := ctx.Value(formatKey{}).(Format); ok {
		return f
	}
	return English()
}

// setReads keeps a choice at the device.
func (p *Page) setReads(w http.ResponseWriter, r *http.Request) {
	var body ReadsRequest
	if _, ok := p.server.take(w, r, &body); !ok {
		return
	}
	f := formatOf(r.Context())
	now := f.reads()
	if body.Language != "" {
		now.lang = body.Language
	}
	if body.Unit != "" {
		now.unit = length.Unit(body.Unit)
	}
	if _, ok := p.texts[now.lang]; !ok || !slices.Contains(readsIn, now.unit) {
		refuse(w, http.StatusBadRequest, "reads", "there is no such language or unit here, choose one that the page offers")
		return
	}
	var person *PersonView
	if s, ok := p.session(r, true); ok {
		v := view(s.Person)
		person = &v
	}
	p.keep(w, cookieOf(person), now.lang+"."+string(now.unit), readsFor)
	answer(w, http.StatusOK, struct{}{})
}

// ReadsPlace offers the ways of reading.
type ReadsPlace struct {
	To        string
	Languages []Choice
	Units     []Choice
}

// Choice is one of several.
type Choice struct {
	Value, Name string
	Now         bool
}

// Reads says in a word how the page is read now.
func (f Format) Reads() string { return f.words.name() + ", " + string(f.Unit) }

func (p *Page) placeReads(d *Doc, q url.Values) error {
	c := &ReadsPlace{To: ours(q.Get("to")).RequestURI()}
	for _, lang := range slices.Sorted(maps.Keys(p.texts)) {
		c.Languages = append(c.Languages, Choice{lang, p.texts[lang].name(), lang == d.Lang})
	}
	for _, u := range readsIn {
		c.Units = append(c.Units, Choice{string(u), d.T("unit_" + string(u)), u == d.Unit})
	}
	d.Data, d.News, d.Back = c, "", c.To
	return nil
}
