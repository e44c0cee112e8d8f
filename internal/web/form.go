package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// A form of a place does what the interface does, and nothing else: its fields
// become the JSON of the route that its address names after /do, and the answer a
// redirect or a document. Every check is the interface's own.
//
// A field's name may say what it is, as in cut:int, on:bool, temperature_c:number
// or value:length (text in the person's unit). An empty field is left out.
// Hidden fields: to (where to go on), said (the text for a success that says
// nothing of its own), method (DELETE), form (its name, to fill it in again).

// do takes a form.
func (p *Page) do(w http.ResponseWriter, r *http.Request) {
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")) //nolint:errcheck // empty then
	switch {
	case r.Method != http.MethodPost:
		p.wrong(w, r, http.StatusMethodNotAllowed, "a form is sent, not opened")
		return
	case !sameOrigin(r):
		p.wrong(w, r, http.StatusForbidden, "the request comes from another site")
		return
	case r.ContentLength > maxBody:
		w.Header().Set("Connection", "close")
		p.wrong(w, r, http.StatusRequestEntityTooLarge, "the form is larger than 16 KiB")
		return
	case kind != "application/x-www-form-urlencoded":
		p.wrong(w, r, http.StatusUnsupportedMediaType, "this is no form")
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		status := http.StatusBadRequest
		if large := (*http.MaxBytesError)(nil); errors.As(err, &large) {
			status = http.StatusRequestEntityTooLarge
		}
		p.wrong(w, r, status, "the form cannot be read")
		return
	}
	to := ours(r.PostForm.Get("to"))
	from := ours(r.PostForm.Get("from"))
	if r.PostForm.Get("from") == "" {
		from = to
	}
	s, _ := p.session(r, true)
	var who *PersonView
	if s.Person.ID != "" {
		v := view(s.Person)
		who = &v
	}
	f := p.formatFor(r, who)
	body, err := f.json(r.PostForm)
	if err != nil {
		p.show(w, r, from, http.StatusBadRequest, r.PostForm, err.Error())
		return
	}
	got := p.pass(r, body)
	for _, c := range got.header.Values("Set-Cookie") {
		w.Header().Add("Set-Cookie", c)
	}
	p.done(w, r, from, to, f, got)
}

// pass hands a form to the interface as if its own script had sent it.
func (p *Page) pass(r *http.Request, body []byte) *kept {
	got := &kept{header: http.Header{}}
	api := r.Clone(r.Context())
	api.URL = &url.URL{Path: strings.TrimPrefix(r.URL.Path, "/do"), RawPath: strings.TrimPrefix(r.URL.RawPath, "/do")}
	if !strings.HasPrefix(api.URL.Path, "/v1/") {
		refuse(got, http.StatusNotFound, "page", "there is no such page")
		return got
	}
	if r.PostForm.Get("method") == http.MethodDelete {
		api.Method = http.MethodDelete
	}
	api.Header.Set("Content-Type", "application/json")
	api.Body, api.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
	p.answer(got, api)
	return got
}

// done goes on after a form was taken, or shows its place again with the reason.
func (p *Page) done(w http.ResponseWriter, r *http.Request, from, to *url.URL, f Format, got *kept) {
	if got.status < 300 {
		var out struct {
			Say string `json:"say"`
		}
		json.Unmarshal(got.body.Bytes(), &out) //nolint:errcheck // it says nothing then
		if key := r.PostForm.Get("said"); out.Say == "" && key != "" {
			out.Say = f.T("said_" + key)
		}
		if out.Say != "" {
			p.say(w, Cap(out.Say)+".")
		}
		http.Redirect(w, r, to.String(), http.StatusSeeOther)
		return
	}
	var no Refusal
	json.Unmarshal(got.body.Bytes(), &no) //nolint:errcheck // always ours
	switch {
	case no.Error.Code == "sign-in":
		http.Redirect(w, r, "/sign?to="+url.QueryEscape(from.RequestURI()), http.StatusSeeOther)
	case no.Error.Code == "identify":
		http.Redirect(w, r, "/sign?again=1&to="+url.QueryEscape(from.RequestURI()), http.StatusSeeOther)
	default:
		r.PostForm.Del("pin")
		p.show(w, r, from, got.status, r.PostForm, f.refusal(no.Error.Code, no.Error.Message)+".")
	}
}

// json makes the body of a request to the interface of a form's fields.
func (f Format) json(form url.Values) ([]byte, error) {
	body := map[string]any{}
	for key, values := range form {
		name, kind, _ := strings.Cut(key, ":")
		value := strings.TrimSpace(values[0])
		switch {
		case name == "to" || name == "from" || name == "said" || name == "method" || name == "form" || value == "" && kind != "text":
			continue
		}
		switch kind {
		case "int":
			n, err := strconv.Atoi(value)
			if err != nil {
				return nil, errors.New(f.T("no_whole", "value", strconv.Quote(value)))
			}
			body[name] = n
		case "number":
			if f.Comma {
				value = strings.Replace(value, ",", ".", 1)
			}
			n, err := strconv.ParseFloat(value, 64)
			if err != nil {
				return nil, errors.New(f.T("no_number", "value", strconv.Quote(value)))
			}
			body[name] = n
		case "bool":
			body[name] = value == "yes"
		case "length":
			v, err := f.Parse(value)
			if err != nil {
				return nil, errors.New(f.T("no_length", "why", err.Error()))
			}
			body[name] = v.String()
		default:
			body[name] = value
		}
	}
	return json.Marshal(body)
}

// kept is an answer that is looked at before anything is sent.
type kept struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (k *kept) Header() http.Header { return k.header }
func (k *kept) WriteHeader(status int) {
	if k.status == 0 {
		k.status = status
	}
}

func (k *kept) Write(b []byte) (int, error) {
	k.WriteHeader(http.StatusOK)
	return k.body.Write(b)
}
