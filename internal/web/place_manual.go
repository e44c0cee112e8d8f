package web

import (
	"errors"
	"html/template"
	"net/url"

	"offsetbridge/internal/manual"
)

// ManualPlace is the manual: its contents, or what it says about a word.
type ManualPlace struct {
	Word     string
	Pages    []ManualLink
	Text     template.HTML
	Mentions []ManualLink // where no section is about the word
	Near     []ManualLink // where none mentions it
	Unknown  bool
}

// ManualLink leads to what the manual has about a word.
type ManualLink struct{ About, Title string }

// manualAt is the address of a word's place, less the word.
const manualAt = "/manual?about="

func (p *Page) placeManual(d *Doc, q url.Values) error {
	m := p.server.o.Manual
	if m == nil {
		return errNoPlace
	}
	v := &ManualPlace{Word: q.Get("about")}
	for _, page := range m.Pages {
		v.Pages = append(v.Pages, ManualLink{page.Name, page.Short()})
	}
	d.Data, d.News = v, ""
	if v.Word == "" {
		return nil
	}
	found, err := m.Find(v.Word)
	var unknown *manual.UnknownError
	if errors.As(err, &unknown) {
		v.Unknown = true
		for _, w := range unknown.Near {
			v.Near = append(v.Near, ManualLink{w, w})
		}
		return nil
	}
	for _, s := range found.Mentions {
		if n := len(v.Mentions); n == 0 || v.Mentions[n-1].About != aboutOf(s) {
			v.Mentions = append(v.Mentions, ManualLink{aboutOf(s), s.Plain()})
		}
	}
	v.Text, err = m.HTML(found.Sections, manualAt)
	return err
}

// aboutOf is the shortest word that leads to a section.
func aboutOf(s *manual.Section) string {
	if len(s.Keys) > 0 {
		return s.Keys[0]
	}
	return s.Plain()
}
