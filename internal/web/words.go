package web

import (
	"encoding/json"
	"fmt"
	"strings"
)

// words are the texts of the page in one language: the same catalogue that the
// browser reads, by key. A text may hold {names} that are filled in.
type words struct {
	text map[string]string
	list map[string][]string
}

// readWords reads the catalogue of a language.
func readWords(lang string) (words, error) {
	body, err := static.ReadFile("static/" + lang + ".json")
	if err != nil {
		return words{}, fmt.Errorf("there is no catalogue of texts for %q: %w", lang, err)
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(body, &all); err != nil {
		return words{}, fmt.Errorf("the catalogue of texts for %q: %w", lang, err)
	}
	w := words{text: map[string]string{}, list: map[string][]string{}}
	for key, raw := range all {
		var one string
		if json.Unmarshal(raw, &one) == nil {
			w.text[key] = one
			continue
		}
		var several []string
		if err := json.Unmarshal(raw, &several); err != nil {
			return words{}, fmt.Errorf("text %q of %q is neither a text nor a list of texts", key, lang)
		}
		w.list[key] = several
	}
	return w, nil
}

// fill returns the text of a key with its names filled in from pairs of name and
// value. A key without a text stands for itself, so that it is seen.
func (w words) fill(key string, pairs ...any) string {
	s, ok := w.text[key]
	if !ok {
		return key
	}
	if len(pairs) == 0 {
		return s
	}
	var with []string
	for i := 0; i+1 < len(pairs); i += 2 {
		with = append(with, "{"+fmt.Sprint(pairs[i])+"}", fmt.Sprint(pairs[i+1]))
	}
	return strings.NewReplacer(with...).Replace(s)
}
